"""Enrolment on one page of three steps and in one call: whole or not at all, and nobody enrolled twice by oversight."""

from __future__ import annotations

import re
from datetime import date
from html import unescape
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy import func, select

from service.care import contacts, persons
from service.domain.vocabulary import Channel, ConsentKind, MessageState, Role
from service.store.session import read_session, write_session
from service.store.tables import Caregiver, Contact, EnrolmentDraft, Message, Patient, Plan
from tests.web.conftest import House

pytestmark = pytest.mark.databases("sqlite")
PAGE = "/clinic/enrol"
WHO = {
    "name": "Mara Invented",
    "born_on": "1948-03-09",
    "clinic_ref": "F-77",
    "language": "es",
    "zone": "Europe/Madrid",
}
REACHED = {"address": "07700 900077", "how": "signed form", "on": "2026-11-24"}
HOURS = {"opens": "07:00", "due": "08:30", "closes": "10:00"}
HELPER = {
    "caregiver.name": "Luz Invented", "caregiver.address": "+34 600 900 078", "caregiver.allowed": "yes",
    "caregiver.how": "spoken, by telephone",
}  # fmt: skip


def send(client: FlaskClient, path: str, status: int = 303, /, **form: str) -> str:
    """Send the form of the page; where it leads, or the page that comes back."""
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get(PAGE).get_data(as_text=True))
    assert token is not None
    answer = client.post(path, data={"csrf_token": unescape(token[1]), **form})
    text = unescape(answer.get_data(as_text=True))
    assert answer.status_code == status, text
    return answer.headers["Location"].partition("#")[0] if status == 303 else text


def count(house: House, table: type[Any]) -> int:
    with read_session(house.engine) as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_somebody_is_enrolled_in_three_steps_and_not_before_the_last(house: House) -> None:
    nurse, before = house.staff(Role.NURSE), count(house, Patient)
    draft = send(nurse, PAGE, **WHO)
    send(nurse, draft, **WHO, **REACHED)
    assert (count(house, Patient), count(house, Contact)) == (before, 1)  # the house's own: nothing of hers yet
    done = send(nurse, draft, **WHO, **REACHED, **HOURS, **HELPER)
    shown = unescape(nurse.get(done).get_data(as_text=True))
    assert "First prompt: tomorrow 07:00, on their clock." in shown
    assert "Text: +44 7700 900077" in shown
    assert "+34 600 90 00 78 (Spain)" in shown  # of another country than the clinic's: said, as a digit may be wrong
    with read_session(house.engine) as session:
        mara = session.scalars(select(Patient).where(Patient.clinic_ref == "F-77")).one()
        person = persons.person(session, mara.id)
        assert person is not None
        assert (mara.name, mara.language, mara.zone, person.born_on) == (
            "Mara Invented", "es", "Europe/Madrid", date(1948, 3, 9),
        )  # fmt: skip
        consent = contacts.newest_consent(session, mara.id, ConsentKind.MESSAGES)
        assert consent is not None
        assert (consent.given, consent.how, consent.given_on) == (True, "signed form", date(2026, 11, 24))
        luz = session.scalars(select(Caregiver).where(Caregiver.patient_id == mara.id)).one()
        assert contacts.reachable(session, patient_id=mara.id)[0].address == "+447700900077"
        assert contacts.reachable(session, caregiver_id=luz.id)[0].address == "+34600900078"
        assert session.scalar(select(EnrolmentDraft)) is None


def test_what_was_typed_is_there_for_a_colleague_and_is_dropped_by_a_button(house: House) -> None:
    nurse, doctor = house.staff(Role.NURSE), house.staff(Role.PHYSICIAN)
    send(nurse, PAGE, **WHO | {"clinic_ref": ""}, do="later")
    listed = unescape(doctor.get(PAGE).get_data(as_text=True))
    (draft,) = re.findall(rf'href="({PAGE}/[0-9a-f-]+)">Mara Invented', listed)
    assert 'value="1948-03-09"' in doctor.get(draft).get_data(as_text=True)
    send(doctor, draft, do="drop")
    assert nurse.get(draft).status_code == 404
    assert count(house, EnrolmentDraft) == 0


@pytest.mark.parametrize(
    ("step", "wrong", "said"),
    [
        (1, {"clinic_ref": "F-1"}, "Your number for them: accepted is a reference no other patient of the clinic has"),
        (1, {"born_on": "2036-01-01"}, "Date of birth: accepted is "),
        (1, {"name": " "}, "Name is needed"),
        (2, {"address": "12"}, "Telephone: accepted is a telephone number with its country code"),
        (2, {"on": "2026-12-24"}, "When: accepted is "),
        (3, {"due": "11:00"}, "Reminded at: accepted is "),
        (3, {"opens": "04:30"}, "At night: accepted is a prompt from 06:00 to 21:00"),
        (3, {"caregiver.address": "+34 1"}, "Telephone: accepted is a telephone number"),
        (3, {"caregiver.name": ""}, "Name is needed"),
    ],
)
def test_a_step_says_what_it_takes_and_keeps_what_was_typed(
    house: House, step: int, wrong: dict[str, str], said: str
) -> None:
    nurse, before = house.staff(Role.NURSE), count(house, Patient)
    path = PAGE if step == 1 else send(nurse, PAGE, **WHO)
    if step == 3:
        send(nurse, path, **WHO, **REACHED)
    typed = {**WHO, **(REACHED if step > 1 else {}), **(HOURS | HELPER if step > 2 else {}), **wrong}
    page = send(nurse, path, 422, **typed)
    assert said in page
    assert 'value="Mara Invented"' in page or wrong.get("name")
    assert count(house, Patient) == before


def test_an_hour_of_the_night_is_taken_once_it_is_said_twice(house: House) -> None:
    nurse = house.staff(Role.NURSE)
    draft = send(nurse, PAGE, **WHO)
    send(nurse, draft, **WHO, **REACHED)
    early = {**WHO, **REACHED, **HOURS, "opens": "04:30"}
    assert 'name="night"' in send(nurse, draft, 422, **early)
    send(nurse, draft, **early, night="yes")
    with read_session(house.engine) as session:
        assert {f"{plan.opens:%H:%M}" for plan in session.scalars(select(Plan))} >= {"04:30"}


def test_somebody_who_is_probably_known_is_asked_about(house: House) -> None:
    nurse = house.staff(Role.NURSE)
    known = send(nurse, PAGE, **WHO)
    for more in (REACHED, REACHED | HOURS):
        send(nurse, known, **WHO, **more)
    again = WHO | {"name": "INVENTED, Mára", "clinic_ref": "F-78"}
    asked = send(nurse, PAGE, 422, **again)
    assert "Is it one of these?" in asked
    assert ">Mara Invented</a>" in asked
    draft = send(nurse, PAGE, **again, is_other="yes")
    body = {**again, "contact": {"channel": "text", "address": "+447700900077"}}
    answer = house.machine.post("/enrolments", body)
    assert (answer.status_code, answer.json["errors"][0]["field"]) == (409, "is_other")
    other = house.machine.post("/enrolments", {**body, "born_on": None})  # the number alone is enough
    assert other.json["errors"][0]["value"] == "F-77"
    answer = house.machine.post("/enrolments", {**body, "is_other": True, "plan": HOURS})
    assert answer.status_code == 201
    assert answer.json["first_prompt_at"] == "2026-11-26T06:00:00+00:00"  # seven in Madrid
    assert nurse.get(draft).status_code == 200


def test_a_test_message_is_told_as_arrived_by_its_receipt_alone(house: House) -> None:
    nurse = house.staff(Role.NURSE)
    done = f"{PAGE}/done/{house.patient_id}"
    with read_session(house.engine) as session:
        contact = str(session.scalars(select(Contact.id).where(Contact.patient_id == house.patient_id)).one())
    send(nurse, f"{done}/test", contact=contact)
    for state, said in (
        (MessageState.QUEUED, "not handed over yet"),
        (MessageState.SENT, "handed over; no receipt yet"),
        (MessageState.UNCERTAIN, "not known whether it left"),
        (MessageState.FAILED, "did not arrive"),
        (MessageState.DELIVERED, "arrived: there is a receipt"),
    ):
        with write_session(house.engine) as session:
            session.scalars(select(Message)).one().state = state
        assert said in nurse.get(done).get_data(as_text=True)


def test_no_test_message_goes_where_none_may(house: House) -> None:
    with write_session(house.engine) as session:
        patient = session.get_one(Patient, house.patient_id)
        contact = session.scalars(select(Contact).where(Contact.patient_id == patient.id)).one()
        contact_id, contact.channel = contact.id, Channel.EMAIL
    address = f"/contacts/{contact_id}/test"
    refused = house.machine.post(address, None).json["errors"][0]["accepted"]
    assert refused == "a way of sending that this service is set up for"
    with write_session(house.engine) as session:
        session.get_one(Contact, contact_id).channel = Channel.TEXT
    for moment in range(5):
        assert house.machine.post(address, None).status_code == 201, moment
        house.clock.set(house.clock.now().replace(minute=moment + 1))
    assert "5 test messages a day" in house.machine.post(address, None).json["errors"][0]["accepted"]
    house.machine.post(f"/patients/{house.patient_id}/consents", {"kind": "messages", "given": False, "how": "said so"})
    assert "agreed" in house.machine.post(address, None).json["errors"][0]["accepted"]
    assert count(house, Message) == 5
