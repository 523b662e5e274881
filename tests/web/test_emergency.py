"""Emergency access: a code on paper, for a bounded time, told to administrators, kept from first to last.

45 CFR 164.312(a)(2)(ii) asks for a way to get at records in an emergency; hours, codes and words are ours, no source.
"""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select
from werkzeug.test import TestResponse

from service.accounts import emergency
from service.accounts import staff as accounts
from service.accounts.sessions import SignedIn
from service.accounts.throttle import Origin
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind, Channel, Role, TaskKind, TaskState
from service.enrolling.people import NewContact, add_contact
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Clinic, Contact, EmergencyAccess, EmergencyCode, Message, Staff, Task
from tests.house import token_on, words
from tests.inwords import task
from tests.waiting import PATIENCE_SECONDS
from tests.web.conftest import PASSWORD, House
from tests.web.test_doors import email_of

pytestmark = pytest.mark.databases("sqlite")
PAGE, DOOR = "/clinic/emergency", "/emergency"
WHY = "Both of us are locked out and a patient is on the telephone."


def codes_of(house: House) -> list[str]:
    """A new sheet, as an administrator prints it."""
    admin = house.staff(Role.ADMINISTRATOR)
    token = token_on(admin.get(PAGE).get_data(as_text=True))
    sheet = admin.post(f"{PAGE}/codes", data={"csrf_token": token}).get_data(as_text=True)
    return re.findall(r'<code class="secret">([\w-]+)</code>', sheet)


def come_in(client: FlaskClient, code: str, name: str = "Kit Vale", reason: str = WHY, at: str = "") -> TestResponse:
    token = token_on(client.get(DOOR).get_data(as_text=True))
    form = {"csrf_token": token, "code": code, "name": name, "reason": reason}
    return client.post(DOOR, data=form, environ_base={"REMOTE_ADDR": at} if at else {})


def access_of(house: House) -> tuple[EmergencyAccess, Staff]:
    with read_session(house.engine) as session:
        access = session.scalars(select(EmergencyAccess)).one()
        return access, session.get_one(Staff, access.staff_id)


@pytest.mark.databases("both")
def test_a_code_that_several_type_at_the_same_moment_opens_one_access(house: House) -> None:
    with write_session(house.engine) as session:
        code, *_ = emergency.new_codes(Act(session, OPERATOR, house.clinic_id, house.clock.now()))
    clocks, start = emergency.Clocks(house.clock.now(), house.clock.now()), Barrier(3)

    def enters(name: str) -> bool:
        start.wait(PATIENCE_SECONDS)
        typed = emergency.Typed(code, name, WHY)
        return isinstance(emergency.enter(house.engine, typed, clocks, Origin(f"192.0.2.{len(name)}"), []), SignedIn)

    with ThreadPoolExecutor(3) as pool:
        assert sorted(pool.map(enters, ("Kit", "Mara", "Edith"))) == [False, False, True]
    access, _ = access_of(house)
    with read_session(house.engine) as session:
        assert len(session.scalars(select(Task).where(Task.kind == TaskKind.EMERGENCY_ACCESS)).all()) == 1
        with pytest.raises(Refused, match="colleague"):  # nor is it given what a colleague may have
            act = Act(session, OPERATOR, house.clinic_id, house.clock.now())
            accounts.set_roles(act, session.get_one(Staff, access.staff_id), [Role.ADMINISTRATOR], [])


def test_a_code_opens_the_record_and_nothing_of_how_it_is_kept(house: House) -> None:
    """Also where the clinic demands a second step, which is what may be lost."""
    first, *_ = codes_of(house)
    with write_session(house.engine) as session:
        session.get_one(Clinic, house.clinic_id).second_step = True
    client = house.app.test_client()
    assert come_in(client, first.upper().replace("-", " ")).headers["Location"] == "/clinic/review"
    page = client.get(f"/clinic/patients/{house.patient_id}")
    assert page.status_code == 200
    assert "Emergency access until 11:00" in words(page.get_data(as_text=True))  # two hours from nine
    headers = {"X-CSRFToken": token_on(client.get(DOOR).get_data(as_text=True))}
    event = {"kind": "urgent_visit", "cause": "other", "from_date": "2026-11-24"}
    assert client.post(f"/api/v1/patients/{house.patient_id}/events", json=event, headers=headers).status_code == 201
    for closed in ("/clinic/colleagues", "/clinic/settings", "/clinic/keys", "/clinic/audit", "/clinic/enrol", PAGE,
                   "/clinic/records/week/2026-11-23.pdf", "/password", "/second-step"):  # fmt: skip
        assert client.get(closed).status_code == 403, closed
    assert client.post("/api/v1/keys", json={"name": "x", "scopes": ["review"]}, headers=headers).status_code == 403
    with read_session(house.engine) as session:
        lines = session.scalars(select(AuditLine).where(AuditLine.actor_id == access_of(house)[1].id)).all()
    assert {one.action for one in lines} == {"emergency.begin", "events.enter"}
    assert access_of(house)[1].name == "Kit Vale (emergency access)"


def test_administrators_are_sent_word_at_once_and_the_inbox_has_a_task(house: House) -> None:
    """One by the contact that is known, in the night too; where the service cannot send, the page says so."""
    first, *_ = codes_of(house)
    with write_session(house.engine) as session:
        act = Act(session, OPERATOR, house.clinic_id, house.clock.now())
        petra = session.get_one(Staff, house.staff_id(Role.ADMINISTRATOR))
        other = accounts.add_staff(act, "omar@fernmoor.example", "Omar", [Role.ADMINISTRATOR])
        add_contact(act, petra, NewContact(Channel.TEXT, "+447700900044"))
    admin = house.staff(Role.ADMINISTRATOR)
    assert "Omar: cannot be sent anything: sees it here" in words(admin.get(PAGE).get_data(as_text=True))
    come_in(house.app.test_client(), first)
    with read_session(house.engine) as session:
        (message,) = session.scalars(select(Message)).all()
        (raised,) = session.scalars(select(Task)).all()
        assert session.scalar(select(Contact).where(Contact.staff_id == other.id)) is None
    assert (message.staff_id, message.next_try_at) == (petra.id, house.clock.now())
    assert "Kit" not in str(message.params)
    assert (raised.kind, raised.escalates_at) == (TaskKind.EMERGENCY_ACCESS, house.clock.now())
    assert WHY in task(raised)
    assert "Somebody came in by emergency access." in admin.get("/clinic/colleagues").get_data(as_text=True)


def test_an_administrator_without_a_contact_is_sent_a_mail_to_their_account(house: House) -> None:
    with write_session(house.engine) as session:
        act = Act(session, OPERATOR, house.clinic_id, house.clock.now())
        omar = accounts.add_staff(act, "omar@fernmoor.example", "Omar", [Role.ADMINISTRATOR])
        (code, *_) = emergency.new_codes(act)
    now = emergency.Clocks(house.clock.now(), house.clock.now())
    typed = emergency.Typed(code, "Kit Vale", WHY)
    emergency.enter(house.engine, typed, now, emergency.Origin("203.0.113.7"), {Channel.EMAIL})
    with read_session(house.engine) as session:
        (message,) = session.scalars(select(Message)).all()
        sent_to = session.get_one(Contact, message.contact_id)
    assert (sent_to.staff_id, sent_to.channel, sent_to.address) == (omar.id, Channel.EMAIL, omar.email)


@pytest.mark.databases("both")
def test_it_ends_by_itself_and_until_then_the_same_code_and_name_come_back(house: House) -> None:
    first, second, *_ = codes_of(house)
    client = house.app.test_client()
    come_in(client, first)
    house.clock.advance(timedelta(minutes=16))
    assert client.get("/clinic/review").status_code == 303  # unused for a quarter of an hour
    assert come_in(client, first, name="Robin Ash").status_code == 403  # another's
    assert come_in(client, first, name="kit vale ").status_code == 303
    assert len({access_of(house)[1].id}) == 1
    for _ in range(8):
        house.clock.advance(timedelta(minutes=13))
        alive = client.get("/clinic/review").status_code
    assert alive == 303
    assert come_in(client, first).status_code == 403
    assert come_in(client, second).status_code == 303


@pytest.mark.databases("both")
def test_what_was_taken_under_it_is_open_again_when_its_time_has_passed(house: House) -> None:
    """Nobody looks at it any more, and somebody must; the end stands in the audit trail though nobody made it."""
    first, *_ = codes_of(house)
    client = house.app.test_client()
    come_in(client, first)
    with read_session(house.engine) as session:
        (raised,) = session.scalars(select(Task)).all()
    token = token_on(client.get("/clinic/inbox").get_data(as_text=True))
    client.post(f"/clinic/inbox/{raised.id}/take", data={"csrf_token": token})
    house.clock.advance(emergency.LASTS - timedelta(seconds=1))
    assert emergency.end_those_over(house.engine, house.clock.now()).seen == 0
    house.clock.advance(timedelta(seconds=1))
    assert emergency.end_those_over(house.engine, house.clock.now()).done == 1
    with read_session(house.engine) as session:
        task_now = session.get_one(Task, raised.id)
        by = session.scalars(select(AuditLine.actor_kind).where(AuditLine.action == "emergency.end")).all()
    assert (task_now.state, task_now.taken_by, task_now.escalates_at) == (TaskState.OPEN, None, house.clock.now())
    assert by == [ActorKind.SYSTEM]


def test_an_administrator_ends_it_and_looks_into_what_was_done(house: House) -> None:
    first, *_ = codes_of(house)
    client, admin = house.app.test_client(), house.staff(Role.ADMINISTRATOR)
    come_in(client, first)
    client.get(f"/clinic/patients/{house.patient_id}")
    access, staff = access_of(house)
    house.app.extensions["neaptide"].trail.write_waiting(whole=True)
    page = admin.get(PAGE).get_data(as_text=True)
    assert "The record of 1 patient was opened." in page
    opened = admin.get(f"/clinic/openings/{staff.id}").get_data(as_text=True)
    assert "What Kit Vale (emergency access) opened" in opened
    assert "F-1" in opened
    assert "open until 11:00" in words(page)
    assert WHY in words(page)
    assert "<code>emergency.begin staff" in page
    form = {"csrf_token": token_on(page)}
    admin.post(f"{PAGE}/{access.id}/end", data=form)
    assert client.get("/clinic/review").status_code == 303
    assert come_in(client, first).status_code == 403
    admin.post(f"{PAGE}/{access.id}/look-into", data=form)
    assert "Somebody came in" not in admin.get("/clinic/colleagues").get_data(as_text=True)
    # Its account is nobody's, and no colleague makes it one.
    assert staff.email not in admin.get("/clinic/colleagues").get_data(as_text=True)
    for act in ("reopen", "reset", "roles"):
        admin.post(f"/clinic/colleagues/{staff.id}/{act}", data=form | {"roles": "administrator"})
    with read_session(house.engine) as session:
        (raised,) = session.scalars(select(Task)).all()
        by = session.scalars(select(AuditLine.actor_kind).where(AuditLine.action == "emergency.look_into")).all()
        assert not session.get_one(Staff, staff.id).active
    assert (raised.state, by) == (TaskState.CLOSED, [ActorKind.STAFF])
    assert client.get("/clinic/review").status_code == 303


def test_whoever_signs_out_ends_it(house: House) -> None:
    first, *_ = codes_of(house)
    client = house.app.test_client()
    come_in(client, first)
    token = token_on(client.get("/clinic/review").get_data(as_text=True))
    client.post("/signout", data={"csrf_token": token})
    assert access_of(house)[0].ended_at == house.clock.now()
    assert come_in(client, first).status_code == 403


def test_guessing_waits_by_where_it_comes_from_and_apart_from_passwords(house: House) -> None:
    first, second, *_ = codes_of(house)
    client = house.app.test_client()
    tried = [come_in(client, "abcd-efgh-jkmn-pqrs", at="203.0.113.7").status_code for _ in range(6)]
    assert tried == [403] * 5 + [429]
    assert come_in(client, first, at="203.0.113.7").status_code == 429
    assert come_in(client, first, at="198.51.100.9").status_code == 303
    # The ward's own browser, behind the same address as whoever guesses.
    ward, email = house.app.test_client(), email_of(house)
    form = {"csrf_token": token_on(ward.get("/signin").get_data(as_text=True)), "email": email, "password": PASSWORD}
    ward.post("/signin", data=form, environ_base={"REMOTE_ADDR": "198.51.100.9"})
    assert come_in(ward, second, at="203.0.113.7").status_code == 303


@pytest.mark.parametrize(("name", "reason"), [("", WHY), ("x", WHY), ("Kit Vale", "urgent"), ("Kit Vale", "x" * 401),
                                             ("Kit\u202e", WHY)])  # fmt: skip
def test_a_name_and_a_reason_are_needed_and_the_code_stays_good(house: House, name: str, reason: str) -> None:
    first, *_ = codes_of(house)
    client = house.app.test_client()
    assert come_in(client, first, name, reason).status_code == 422
    assert come_in(client, first).status_code == 303


def test_a_new_sheet_takes_the_old_ones_place_and_no_code_is_kept(house: House) -> None:
    old, new = codes_of(house), codes_of(house)
    assert len({*old, *new}) == 2 * emergency.CODES
    client = house.app.test_client()
    assert come_in(client, old[0]).status_code == 403
    with read_session(house.engine) as session:
        kept = str([vars(one) for one in session.scalars(select(EmergencyCode))])
    assert not [one for one in new if one in kept or one.replace("-", "") in kept]


def test_another_clinics_administrator_sees_and_ends_nothing_of_it(build: object, house: House) -> None:
    other = build("Saltholt Clinic", number="+447700900002")  # type: ignore[operator]
    first, *_ = codes_of(house)
    come_in(house.app.test_client(), first)
    theirs = other.staff(Role.ADMINISTRATOR)
    page = theirs.get(PAGE).get_data(as_text=True)
    assert "Nobody so far." in page
    path = f"{PAGE}/{access_of(house)[0].id}/end"
    assert theirs.post(path, data={"csrf_token": token_on(page)}).status_code == 404


def test_the_account_of_an_access_is_never_opened_again(house: House) -> None:
    first, *_ = codes_of(house)
    come_in(house.app.test_client(), first)
    with pytest.raises(Refused, match="colleague"), write_session(house.engine) as session:
        staff = session.get_one(Staff, access_of(house)[1].id)
        accounts.reopen_account(Act(session, OPERATOR, house.clinic_id, house.clock.now()), staff)
