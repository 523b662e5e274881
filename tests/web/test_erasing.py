"""Erasing a patient: nothing that was typed of them is left anywhere, and what must stay still reads."""

from __future__ import annotations

import re
import uuid
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from flask.testing import FlaskClient
from sqlalchemy import Engine, select

from service.accounts.staff import add_staff
from service.care import ending
from service.domain.localtime import local_date
from service.domain.rights import Right
from service.domain.seals import Seal
from service.domain.vocabulary import EraseWhy, Role, TaskState
from service.keeping import erasing
from service.reviewing import records
from service.store import seals
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Base, DeadLetter, Patient, Reading, SignOff, Task, UnplacedText
from service.words.language import load_language
from tests.builder import building
from tests.filled import texts
from tests.house import House, open_house, token_on
from tests.signed_in import sign_in_as
from tests.ward import NOW
from tests.web.test_api_edges import with_form_token

MARK = "Zwetschgenmus"  # a word that nothing else has in it


class Desk:
    """Somebody who may do everything, in a browser that calls the API."""

    def __init__(self, house: House) -> None:
        self.house = house
        with write_session(house.engine) as session:
            act = Act(session, OPERATOR, house.asha.clinic_id, house.world.now)
            roles = [Role.PHYSICIAN, Role.ADMINISTRATOR]
            self.staff_id = add_staff(act, "all@fernmoor.example", "Rowan Pell", roles, grants=[Right.EXPORT]).id
        self.browser: FlaskClient = house.app.test_client()
        self.enter()

    def enter(self) -> None:
        sign_in_as(self.browser, self.staff_id, self.house.world.now)
        self.headers = with_form_token(self.house.app, self.browser)

    def does(self, method: str, path: str, **body: Any) -> Any:
        place = f"/api/v1{path}".replace("PATIENT", f"/patients/{self.house.asha.id}")
        headers = {**self.headers, "Idempotency-Key": uuid.uuid4().hex}
        answer = self.browser.open(place, method=method, json=body, headers=headers)
        assert answer.status_code < 300, (path, answer.get_data(as_text=True))
        return answer.get_json()


def typed(day: date) -> tuple[tuple[str, str, dict[str, Any]], ...]:
    """What people type of a patient, each at its own route; `day` is their today."""
    later = str(day + timedelta(days=7))
    return (
        ("PATCH", "PATIENT", {"name": f"{MARK} Asha"}),
        ("POST", "PATIENT/contacts", {"channel": "email", "address": f"{MARK}@home.example"}),
        ("POST", "PATIENT/caregivers", {"name": f"{MARK} Ben", "relation": MARK}),
        ("POST", "PATIENT/consents", {"kind": "webpush", "given": True, "how": f"said so, {MARK}"}),
        ("POST", "PATIENT/pauses", {"cause": "away", "from_date": later, "note": MARK}),
        ("POST", "PATIENT/adjustments", {"kind": "medicine", "what": f"more, {MARK}", "made_on": str(day),
                                         "follow_up_on": later, "follow_up_what": MARK}),
        ("POST", "PATIENT/sign-offs", {"outcome": "called", "note": f"{MARK} will call"}),
        ("POST", "PATIENT/goals", {"upper": 20, "until": later, "why": MARK}),
        ("POST", "PATIENT/context-tags", {"kind": "infection", "from_date": str(day), "note": MARK}),
        ("POST", "PATIENT/events", {"kind": "urgent_visit", "from_date": str(day), "note": MARK}),
        ("POST", "PATIENT/medicines", {"name": MARK, "kind": "loop_diuretic", "dose": "40", "unit": "mg",
                                       "times_a_day": "1", "from_date": str(day), "note": MARK}),
        ("POST", "PATIENT/results", {"kind": "potassium", "value": "4.1", "taken_at": f"{day - timedelta(days=2)}T00:00:00Z", "note": MARK}),
        ("POST", "PATIENT/result-limits", {"kind": "potassium", "upper": "5.5", "note": MARK}),
        ("POST", "PATIENT/next-contacts", {"due_on": later, "role": "nurse", "note": MARK}),
        ("PUT", "PATIENT/person", {"born_on": "1948-02-29", "sex": "female", "note": MARK}),
        ("POST", "/readings", {"taken_at": f"{day - timedelta(days=1)}T18:30:00Z", "pa_systolic": 40, "pa_diastolic": 19,
                               "source_ref": MARK}),
        ("POST", "/checkins", {"breathlessness": 4, "safety_signs": ["chest_pain"], "note": f"I am {MARK}"}),
    )  # fmt: skip


def everywhere(engine: Engine, folder: Path, word: str) -> list[str]:
    """Where the word stands: in columns of the database, and in files of the data folder, whatever is in them."""
    found = []
    with read_session(engine) as session:
        for table in Base.metadata.sorted_tables:
            for column in texts(table):
                some = session.scalars(select(column)).all()
                found += [f"{table.name}.{column.name}" for one in some if word.lower() in str(one).lower()]
    files = [file for file in folder.rglob("*") if file.is_file()]
    if engine.dialect.name == "sqlite":
        database = Path(str(engine.url.database))
        files += database.parent.glob(f"{database.name}*")
    found += [file.name for file in files if word.lower().encode() in file.read_bytes().lower()]
    return found


def test_nothing_that_was_typed_of_them_is_left_anywhere(engine: Engine, tmp_path: Path) -> None:
    house = open_house(engine, tmp_path)
    world, asha = house.world, house.asha
    desk = Desk(house)
    day = local_date(world.now, asha.zone)
    for method, path, body in typed(day):
        whose = {"patient": str(asha.id)} if path in {"/readings", "/checkins"} else {}
        desk.does(method, path, **body, **whose)
    world.phone(asha).texts(f"is it {MARK}?")
    world.phone(house.ben).texts(f"she is {MARK}")
    world.advance(minutes=10)
    numbers = [world.phone(one).number for one in (asha, house.ben)]
    with write_session(engine) as session:
        session.add(DeadLetter(source="text", said=f'{{"sender": "{numbers[0]}", "body": "{MARK}"}}', at=world.now))
    desk.enter()
    desk.browser.post("/clinic/drafts", data={"csrf_token": "", "form": f"/clinic/patients/{asha.id}/sign", "note": MARK},
                      headers=desk.headers)  # fmt: skip
    assert len({*everywhere(engine, tmp_path, MARK)}) >= 20
    desk.does("POST", "PATIENT/end")
    with read_session(engine) as session:
        ref = session.get_one(Patient, asha.id).clinic_ref
        kept = session.scalars(select(Reading.pa_diastolic).where(Reading.patient_id == asha.id)).all()
        tasks = session.scalars(select(Task.id).where(Task.state != TaskState.CLOSED)).all()
    form = {"number": ref, "why": "asked", "confirm": ref, "csrf_token": ""}
    page = desk.browser.get(f"/clinic/erasing?number={ref}").get_data(as_text=True)
    walled = "neaptide patient erase" in page  # PostgreSQL's own role for pages may only add to what was signed
    assert walled or "close them first" in page
    for task_id in tasks:
        desk.does("POST", f"/tasks/{task_id}/close", reason=f"seen, {MARK}")
    page = desk.browser.get(f"/clinic/erasing?number={ref}").get_data(as_text=True)
    assert walled or re.search(r"(One row goes|[0-9]+ rows go) whole\. (One stays|[0-9]+ stay), without", page)
    world.worker_stops()
    if walled:
        with write_session(engine) as session:
            act = Act(session, OPERATOR, asha.clinic_id, world.now)
            whose = session.get_one(Patient, asha.id)
            erasing.erase(act, whose, EraseWhy.ASKED, ref, world.gateway.forget)
    else:
        form["csrf_token"] = token_on(page)
        assert desk.browser.post("/clinic/erasing", data={**form, "confirm": "another"}).status_code == 422
        done = desk.browser.post("/clinic/erasing", data=form)
        assert done.status_code == 303, done.get_data(as_text=True)[:2000]

    assert everywhere(engine, tmp_path, MARK) == []
    assert [everywhere(engine, tmp_path, number) for number in numbers] == [[], []]
    assert everywhere(engine, tmp_path, "1948-02-29") == []
    with read_session(engine) as session:
        left = session.scalars(select(Reading.pa_diastolic).where(Reading.patient_id == asha.id)).all()
        (signed,) = session.scalars(select(SignOff))
        lines = session.scalars(select(AuditLine.action).where(AuditLine.subject_id == asha.id)).all()
        week = records.weekly_record(session, asha.clinic_id, signed.week, load_language("en"))
        assert seals.judge(session, signed) is Seal.ERASED
    assert left == kept != []
    assert signed.outcome.value == "called"
    assert {"patient.erase", "patient.end"} <= {*lines}
    assert week.facts["lanes"]
    # It still reads, tells nobody's name, and begins no more.
    desk.enter()
    for rest in ("", "/record", "/upkeep", "/openings", "/plan"):
        page = desk.browser.get(f"/clinic/patients/{asha.id}{rest}")
        assert page.status_code in {200, 404, 405}, rest
        assert "Erased" in page.get_data(as_text=True) or rest in {"/openings", "/plan"}, rest
        if not rest:
            assert not re.search(r"lane-word|Agreed to messages|date of birth", page.get_data(as_text=True))
        # and offers nothing that would be refused
        changes = r'<form [^>]*method="post"[^>]*action="[^"]*/patients/[^"]*"'
        assert re.findall(changes, page.get_data(as_text=True)) == [], rest
    again = desk.browser.post(f"/api/v1/patients/{asha.id}/begin-again", headers=desk.headers,
                              json={"from_date": str(day + timedelta(days=1)), "why": "came_back"})  # fmt: skip
    assert again.status_code == 409
    assert desk.browser.get(f"/api/v1/patients/{asha.id}/everything").status_code == 200


def test_what_somebody_else_said_from_the_same_telephone_stays(engine: Engine) -> None:
    """A couple has one telephone: a STOP of the one who stays that still waits must not go with the other's texts."""
    number, later = "+447700900812", NOW + timedelta(days=30)
    forgotten: list[str] = []
    with building(engine, NOW) as build:
        clinic, elsewhere = build.clinic(), build.clinic("Another", sender_name="Another")
        gone = build.patient(clinic, "Asha Invented", phones=(number, "+447700900813"))
        build.patient(elsewhere, "Ravi Invented", phones=(number,))
        for place, heard in enumerate((number, "+447700900813")):
            said = {"gateway_ref": f"ref-{place}", "address": heard, "body": "STOP", "said_at": NOW}
            build.session.add(UnplacedText(**said, offered=[], expires_at=later))
            build.session.add(DeadLetter(source="text", said=f'{{"sender": "{heard}"}}', at=NOW))
        act = Act(build.session, OPERATOR, clinic.id, NOW)
        ending.end_patient(act, gone)
        build.session.flush()
        erasing.erase(act, gone, EraseWhy.ASKED, gone.clinic_ref, forgotten.extend)
        assert build.session.scalars(select(UnplacedText.address)).all() == [number]
        assert [number in one for one in build.session.scalars(select(DeadLetter.said))] == [True]
    assert forgotten == ["+447700900813"]
