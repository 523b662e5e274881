"""Who opened what: every request in the trail, from the routes' own table, and no flood or outage that hides it.

What a line must tell: OWASP ASVS 5.0, 16.2.1 (when, where, who, what) and 16.3.1 to 16.3.3 (sign-ins good and
failed, refusals, attempts to go round a control); 45 CFR 164.312(b), audit controls. That no flood may fill it
and that nothing is dropped without a word: our own promise, no source.
"""

from __future__ import annotations

import io
import uuid
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import urlsplit

import pytest
from flask.testing import FlaskClient
from pypdf import PdfReader
from sqlalchemy import Engine, func, select
from sqlalchemy.exc import OperationalError
from werkzeug.middleware.proxy_fix import ProxyFix

from service.domain.vocabulary import ActorKind, Answered, LinkPurpose, Opened, Role, Scope
from service.links import Leads
from service.store import access
from service.store.access import Access, Trail, forget_old, lost_since
from service.store.audit import Actor
from service.store.session import read_session, write_session
from service.store.tables import AccessLine, Patient, Staff
from service.web import trail as web_trail
from tests.web.conftest import PASSWORD, House

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def lines(engine: Engine) -> list[AccessLine]:
    with read_session(engine) as session:
        return list(session.scalars(select(AccessLine).order_by(AccessLine.at, AccessLine.route)))


def kept(house: House, *, whole: bool = True) -> list[tuple[Any, ...]]:
    """What the trail holds once what waits is written: what was opened, how it ended, by whom, of whom, how often."""
    house.app.extensions["neaptide"].trail.write_waiting(whole=whole)
    return [
        (one.route, one.opened, one.answered, one.actor_kind, one.actor_id, one.patient_id, one.patients, one.times)
        for one in lines(house.engine)
    ]


def test_each_way_to_a_record_is_a_line(house: House) -> None:
    nurse, who, of = house.staff(), house.staff_id(Role.NURSE), house.patient_id
    reader = house.staff(Role.PHYSICIAN)
    doctor = house.staff_id(Role.PHYSICIAN)
    for path in (f"/clinic/patients/{of}", f"/clinic/records/patient/{of}.pdf", "/clinic/review", "/clinic/inbox",
                 f"/api/v1/patients/{of}/contacts", "/api/v1/patients"):  # fmt: skip
        assert nurse.get(path).status_code == 200
    assert reader.get("/clinic/records/joined.csv").status_code == 200
    assert house.machine.get(f"/patients/{of}/record").status_code == 200
    assert house.staff(Role.ADMINISTRATOR).get("/clinic/audit").status_code == 200
    told = {one[0]: one[1:] for one in kept(house)}
    by_nurse, admin = (ActorKind.STAFF, who), house.staff_id(Role.ADMINISTRATOR)
    shown = Answered.SHOWN
    assert told["clinic.patient.page"] == (Opened.RECORD, shown, *by_nurse, of, 1, 1)
    assert told["clinic.records.patient_pdf"] == (Opened.PAPER, shown, *by_nurse, of, 1, 1)
    assert told["clinic.panel"] == (Opened.LIST, shown, *by_nurse, None, 1, 1)
    assert told["clinic.inbox.tasks"] == (Opened.LIST, shown, *by_nurse, None, 0, 1)
    assert told["api_people.list_contacts"] == (Opened.REACH, shown, *by_nurse, of, 1, 1)
    assert told["api_patients.list_patients"] == (Opened.LIST, shown, *by_nurse, None, 1, 1)
    assert told["clinic.records.joined_csv"] == (Opened.EXPORT, shown, ActorKind.STAFF, doctor, None, 1, 1)
    assert told["clinic.audit.page"] == (Opened.TRAIL, shown, ActorKind.STAFF, admin, None, 0, 1)
    assert told["api_record.show_record"][:3] == (Opened.RECORD, shown, ActorKind.KEY)
    assert told["api_record.show_record"][4] == of
    whole = lines(house.engine)
    assert {one.clinic_id for one in whole} == {house.clinic_id}
    assert {one.address for one in whole} == {"127.0.0.1"}
    assert all(one.session_id for one in whole if one.actor_kind is ActorKind.STAFF)


def test_a_row_of_a_patient_names_them_whatever_its_address(house: House) -> None:
    """`auth.own` is the one way from an id to a record."""
    nurse = house.staff()
    assert nurse.get(f"/api/v1/caregivers/{house.caregiver_id}/contacts").status_code == 200
    assert [one[5] for one in kept(house)] == [house.patient_id]


def test_an_export_does_not_leave_without_its_line(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    def away(*_: object) -> None:
        raise OperationalError("INSERT", {}, Exception("gone"))

    client = house.staff(Role.PHYSICIAN)
    monkeypatch.setattr(access, "_write", away)
    answer = client.get("/clinic/records/joined.csv")
    assert answer.status_code == 503
    assert b"F-1" not in answer.data
    monkeypatch.undo()
    assert client.get("/clinic/records/joined.csv").status_code == 200
    assert [one.route for one in lines(house.engine)] == ["clinic.records.joined_csv"]  # at once: nothing was flushed


def test_an_emergency_is_written_at_once_and_lets_in_all_the_same(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    rules = {rule.endpoint for rule in house.app.url_map.iter_rules() if "POST" in (rule.methods or ())}
    assert rules >= web_trail.EMERGENCY
    monkeypatch.setattr(web_trail, "EMERGENCY", {"clinic.patients.page"})  # the code on paper is tried elsewhere
    nurse = house.staff()
    assert nurse.get("/clinic/patients").status_code == 200
    assert [one.route for one in lines(house.engine)] == ["clinic.patients.page"]

    def away(*_: object) -> None:
        raise OperationalError("INSERT", {}, Exception("gone"))

    with monkeypatch.context() as patched:
        patched.setattr(access, "_write", away)
        assert nurse.get("/clinic/patients").status_code == 200
    assert len(kept(house)) == 2


def test_the_door_and_every_refusal(house: House, build: Callable[..., House], monkeypatch: pytest.MonkeyPatch) -> None:
    other = build("Elsewhere", (Scope.ENROL,), number="+447700900002")
    nurse_id, browser = house.staff_id(Role.NURSE), house.app.test_client()
    with read_session(house.engine) as session:
        email = session.get_one(Staff, nurse_id).email
    monkeypatch.setitem(house.app.config, "WTF_CSRF_METHODS", set())  # forms are tried elsewhere
    assert browser.post("/signin", data={"email": email, "password": "not this one"}).status_code == 403
    assert browser.post("/signin", data={"email": email, "password": PASSWORD}).status_code == 303
    assert browser.get(f"/clinic/patients/{other.patient_id}").status_code == 404
    assert browser.get("/clinic/colleagues").status_code == 403
    assert browser.post("/signout").status_code == 303
    assert browser.get(f"/clinic/patients/{house.patient_id}").status_code == 303
    assert other.machine.get(f"/patients/{other.patient_id}/checkins").status_code == 403
    stranger = house.app.test_client()
    assert stranger.get("/api/v1/patients", headers={"Authorization": "Bearer nt_guess"}).status_code == 401
    assert stranger.get("/c/not-a-key").status_code == 404
    assert stranger.get("/cal/not-a-key.ics").status_code == 404
    told = [one[:6] for one in kept(house)]
    staff = (ActorKind.STAFF, nurse_id)
    for line in (
        ("signin.enter", Opened.DOOR, Answered.WRONG, *staff, None),
        ("signin.enter", Opened.DOOR, Answered.SHOWN, *staff, None),
        ("signin.leave", Opened.DOOR, Answered.SHOWN, *staff, None),
        ("clinic.patient.page", Opened.RECORD, Answered.ABSENT, *staff, other.patient_id),
        ("clinic.colleagues.page", Opened.SETTINGS, Answered.REFUSED, *staff, None),
        ("clinic.patient.page", Opened.RECORD, Answered.UNKNOWN, None, None, house.patient_id),
        ("api_patients.list_patients", Opened.LIST, Answered.UNKNOWN, None, None, None),
        ("phone.checkin", Opened.DIARY, Answered.UNKNOWN, None, None, None),
        ("calendar.plan", Opened.CALENDAR, Answered.UNKNOWN, None, None, None),
    ):
        assert line in told, (line, told)
    assert ("api_checkins.list_checkins", Opened.RECORD, Answered.REFUSED, ActorKind.KEY) in {one[:4] for one in told}
    whose = {one.clinic_id for one in lines(house.engine) if one.answered is Answered.ABSENT}
    assert whose == {house.clinic_id}, "the other clinic's id is told to nobody there"


def test_what_a_caller_says_of_itself_is_not_kept(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """X-Forwarded-For is the caller's own word, but for the last hop of our own proxy (RFC 7239, section 8.1)."""
    nurse = house.staff()
    forged = {"X-Forwarded-For": "198.51.100.7", "User-Agent": "x" * 5000}
    nurse.get("/clinic/patients", headers=forged)
    with monkeypatch.context() as patched:
        patched.setattr(house.app, "wsgi_app", ProxyFix(house.app.wsgi_app, x_for=1))  # as with NEAPTIDE_TRUST_PROXY
        nurse.get("/clinic/inbox", headers={"X-Forwarded-For": "198.51.100.7, 203.0.113.9"})
        nurse.get("/clinic/silences", headers={"X-Forwarded-For": "<script>"})
    kept(house)
    found = {one.route: one.address for one in lines(house.engine)}
    assert found == {"clinic.patients.page": "127.0.0.1", "clinic.inbox.tasks": "203.0.113.9",
                     "clinic.silences.page": ""}  # fmt: skip


def test_a_flood_of_refusals_is_a_line_and_a_count(house: House) -> None:
    stranger = house.app.test_client()
    for _ in range(40):
        stranger.get(f"/api/v1/patients/{uuid.uuid4()}")
    assert [one[-1] for one in kept(house, whole=False)] == [1], "the first at once"
    house.clock.advance(timedelta(minutes=1))
    assert sorted(one[-1] for one in kept(house, whole=False)) == [1, 39]
    nurse = house.staff()
    for _ in range(20):
        nurse.get(f"/clinic/patients/{uuid.uuid4()}")
    assert sorted(one[-1] for one in kept(house) if one[2] is Answered.ABSENT) == [1, 19]


def _trail(engine: Engine) -> Trail:
    return Trail(engine, lambda: NOON)


def test_addresses_beyond_number_are_one(engine: Engine) -> None:
    trail = _trail(engine)
    for number in range(3000):
        trail.note(Access(NOON, Opened.RECORD, Answered.UNKNOWN, f"route {number % 7}", f"192.0.2.{number}"))
    trail.write_waiting(whole=True)
    written = lines(engine)
    assert len(written) <= 2 * (access.MOST_PLACES + 1)
    assert sum(one.times for one in written) == 3000


@pytest.mark.databases("both")
def test_an_outage_waits_and_a_loss_is_counted(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    clinic, trail, at = uuid.uuid4(), _trail(engine), Actor(ActorKind.STAFF, uuid.uuid4())
    monkeypatch.setattr(access, "MOST_WAITING", 5)
    in_earnest = access._write

    def away(*_: object) -> None:
        raise OperationalError("INSERT", {}, Exception("gone"), connection_invalidated=True)

    def reading() -> Access:
        return Access(NOON, Opened.RECORD, Answered.SHOWN, "r", "", clinic, at, None, uuid.uuid4(), 1)

    monkeypatch.setattr(access, "_write", away)
    for _ in range(3):
        trail.note(reading())
    trail.write_waiting()
    for _ in range(4):
        trail.note(reading())
    trail.write_waiting()
    assert lines(engine) == []
    monkeypatch.setattr(access, "_write", in_earnest)
    trail.write_waiting()
    told = [(one.opened, one.clinic_id, one.times) for one in lines(engine)]
    assert told.count((Opened.RECORD, clinic, 1)) == 5
    assert (Opened.LOST, clinic, 2) in told
    assert len(told) == 6
    with read_session(engine) as session:
        assert lost_since(session, NOON - timedelta(hours=1)) == 2

    def hates(where: object, rows: Any) -> None:  # one line that no database takes
        if any(access_.route == "bad" for access_, _ in rows):
            raise ValueError("bad")
        in_earnest(where, rows)

    monkeypatch.setattr(access, "_write", hates)
    trail.note(reading())
    trail.note(Access(NOON, Opened.RECORD, Answered.SHOWN, "bad", "", clinic, at))
    trail.write_waiting()
    trail.write_waiting()
    with read_session(engine) as session:
        assert lost_since(session, NOON - timedelta(hours=1)) == 3
        assert session.scalar(select(func.count()).where(AccessLine.opened == Opened.RECORD)) == 6


def test_the_writer_writes_by_itself_and_a_stop_writes_the_rest(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    written = access.threading.Event()
    in_earnest = access._write

    def tells(where: Any, rows: Any) -> None:
        in_earnest(where, rows)
        written.set()

    monkeypatch.setattr(access, "_write", tells)
    monkeypatch.setattr(access, "EVERY_SECONDS", 0.01)
    trail = _trail(engine)
    trail.start()
    trail.note(Access(NOON, Opened.LIST, Answered.SHOWN, "first"))
    assert written.wait(20)
    trail.note(Access(NOON, Opened.LIST, Answered.SHOWN, "second"))
    trail.note(Access(NOON, Opened.LIST, Answered.UNKNOWN, "third"))
    trail.note(Access(NOON, Opened.LIST, Answered.UNKNOWN, "third"))
    trail.stop()
    assert sum(one.times for one in lines(engine)) == 4


@pytest.mark.databases("both")
def test_what_is_over_is_forgotten(engine: Engine) -> None:
    trail = _trail(engine)
    for days in (0, 29, 31):
        trail.note(Access(NOON - timedelta(days=days), Opened.LIST, Answered.SHOWN, f"{days}"))
    trail.write_waiting()
    with write_session(engine) as session:
        forget_old(session, NOON, 1)
    assert [one.route for one in lines(engine)] == ["29", "0"]


def test_who_opened_it_is_told_where_it_matters(house: House) -> None:
    nurse, admin, of = house.staff(), house.staff(Role.ADMINISTRATOR), house.patient_id
    with write_session(house.engine) as session:
        session.get_one(Patient, of).language = "es"
        session.get_one(Staff, house.staff_id(Role.NURSE)).name = "Ana Ruiz"
    trail = house.app.extensions["neaptide"].trail
    nurse.get(f"/clinic/patients/{of}")
    nurse.get("/clinic/review")
    house.machine.get(f"/patients/{of}/record")
    nurse.get("/clinic/colleagues")
    trail.write_waiting(whole=True)
    page = nurse.get(f"/clinic/patients/{of}/openings").get_data(as_text=True)
    assert "Ana Ruiz, nurse" in page
    assert "machine, a program" in page
    assert "Ana Ruiz (1)" in page, "the review shows a row of every patient"
    assert "Ana Ruiz, nurse: the record" in nurse.get(f"/clinic/patients/{of}").get_data(as_text=True)
    text = " ".join("".join(page.extract_text() for page in PdfReader(io.BytesIO(answer_of(nurse, of))).pages).split())
    for words in ("Quién abrió su historia", "Ana Ruiz", "La historia", "no figura en ella"):
        assert words in text, text
    assert admin.get(f"/clinic/patients/{of}/openings").status_code == 403
    with read_session(house.engine) as session:
        name = session.get_one(Patient, of).name
    for path in ("/clinic/openings", f"/clinic/openings/{house.staff_id(Role.NURSE)}"):
        shown = admin.get(path)
        assert shown.status_code == 200
        html = shown.get_data(as_text=True)
        assert name not in html, path
        assert "F-1" in html, path
        assert "No right to it" in html, path
    assert "in which they changed, signed or took on nothing." in admin.get("/clinic/openings").get_data(as_text=True)
    trail.write_waiting(whole=True)
    mine = admin.get(f"/api/v1/openings?opened=trail&actor_id={house.staff_id(Role.ADMINISTRATOR)}").get_json()
    assert {one["route"] for one in mine["items"]} >= {"clinic.openings.page", "clinic.openings.colleague"}
    told = nurse.get(f"/api/v1/patients/{of}/openings").get_json()["items"]
    assert ("Ana Ruiz", "record", "shown") in {(one["by"], one["opened"], one["answered"]) for one in told}
    (noticed,) = admin.get("/api/v1/openings/unusual").get_json()["items"]
    assert (noticed["what"], noticed["patients"]) == ("apart", [str(of)])
    assert nurse.get("/api/v1/openings").status_code == 403


def answer_of(client: FlaskClient, patient_id: uuid.UUID) -> bytes:
    answer = client.get(f"/clinic/patients/{patient_id}/openings/answer.pdf")
    assert (answer.status_code, answer.mimetype) == (200, "application/pdf")
    return answer.data


def test_the_trail_is_the_clinics_own(house: House, build: Callable[..., House]) -> None:
    other = build("Elsewhere", number="+447700900002")
    house.staff().get(f"/clinic/patients/{house.patient_id}")
    kept(house)
    admin = other.staff(Role.ADMINISTRATOR)
    assert admin.get("/api/v1/openings").get_json()["total"] == 0
    assert admin.get(f"/clinic/openings/{house.staff_id(Role.NURSE)}").status_code == 404
    assert other.staff().get(f"/clinic/patients/{house.patient_id}/openings").status_code == 404
    assert other.staff().get(f"/clinic/patients/{house.patient_id}/openings/answer.pdf").status_code == 404


def test_a_link_a_key_that_writes_and_a_call_that_is_not_proven(house: House) -> None:
    now, links = house.clock.now(), house.app.extensions["neaptide"].links
    with write_session(house.engine) as session:
        leads = Leads(LinkPurpose.CALENDAR, house.clinic_id, house.patient_id)
        path = urlsplit(links.make(session, leads, now, now + timedelta(days=1))).path
    stranger = house.app.test_client()
    for _ in range(3):
        assert stranger.get(f"{path}.ics").status_code == 200
    reading = {"patient": "F-1", "taken_at": "2026-11-25T07:10:00+00:00", "pa_systolic": 40, "pa_diastolic": 20}
    for _ in range(5):
        assert house.machine.post("/readings", reading).status_code < 300
    assert stranger.post("/api/v1/callbacks/text", json={}).status_code in {401, 404}
    told = kept(house)
    of, by_link = house.patient_id, (ActorKind.PATIENT, house.patient_id)
    shown = ("calendar.plan", Opened.CALENDAR, Answered.SHOWN, *by_link, of, 1)
    assert [one[-1] for one in told if one[:-1] == shown] == [3], told
    assert [one[1:5] for one in told if one[0] == "api_callbacks.take_text_callback"] == [
        (Opened.CALL, Answered.UNKNOWN, None, None)
    ]
    wrote = [(*one[2:4], one[5], one[-1]) for one in told if one[0] == "api_readings.add_reading"]
    assert wrote == [(Answered.CHANGED, ActorKind.KEY, None, 5)], "whose it was stands in the audit trail"
