"""One telephone number in two clinics: an alarm reaches both, and nothing else reaches either before it is known which."""

from __future__ import annotations

import itertools
from datetime import timedelta

import pytest
from sqlalchemy import select

from service.care import ending
from service.domain.vocabulary import ConsentKind, MessageKind, PatientState, Role, TaskKind
from service.enrolling import people
from service.intake.texts.clinics import MEANT_REMEMBERED
from service.intake.texts.receiving import take_text
from service.intake.texts.replies import TextOutcome
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Checkin, Clinic, Consent, InboundText, MeantClinic, Patient, Task, UnplacedText
from tests import inwords
from tests.builder import AUCKLAND, building
from tests.world import Expected, Phone, World, prompt

REFS = itertools.count()
SECOND = timedelta(seconds=1)
REPLY, SAFETY, HELP = (Expected(kind) for kind in (MessageKind.REPLY, MessageKind.SAFETY, MessageKind.HELP))
STARTED, STOPPED = Expected(MessageKind.STARTED), Expected(MessageKind.STOPPED)


@pytest.fixture
def asha(world: World) -> Patient:
    world.begins("2026-03-02T06:00", "Pacific/Auckland")
    return world.patient("Asha Rowan")


@pytest.fixture
def theirs(world: World, asha: Patient) -> Patient:
    """A patient of another clinic whose number was typed with a wrong digit: it is Asha's."""
    world.advance(minutes=1)
    with building(world.engine, world.now) as build:
        clinic = build.clinic("Otherwise Clinic", **{**AUCKLAND, "sender_name": "Otherwise"})
        return build.patient(clinic, "Cleo Invented", zone="Pacific/Auckland", phones=(world.phone(asha).number,))


def rows(world: World, table) -> list:
    with read_session(world.engine) as session:
        return list(session.scalars(select(table)))


def tasks(world: World, patient: Patient) -> list[Task]:
    return [task for task in rows(world, Task) if task.patient_id == patient.id]


def texts(world: World, asha: Patient, body: str, line: str = "") -> TextOutcome:
    """A text that reaches us by a gateway which tells what was written to."""
    with write_session(world.engine) as session:
        outcome = take_text(session, f"r-{next(REFS)}", world.phone(asha).number, body, world.now, line=line)
    world.tick()
    return outcome


def said(phone: Phone, *wanted: Expected) -> str:
    body = phone.unread()[-1].body if phone.unread() else ""
    phone.expects(*wanted)
    return body


def set_lines(world: World, **lines: str) -> None:
    with write_session(world.engine) as session:
        for clinic in session.scalars(select(Clinic)):
            clinic.text_line = lines.get(clinic.sender_name)


def test_nothing_is_kept_for_anybody_until_they_have_said_whom_they_mean(world, asha, theirs):
    phone = world.phone(asha)
    assert texts(world, asha, "weight 83.7, b6") is TextOutcome.ASKED_WHICH
    asked = said(phone, REPLY)
    assert asked == "Fernmoor: Who is your message for? 1 Fernmoor, 2 Otherwise, 0 nobody of these. Send the number."
    assert rows(world, Checkin) == []
    assert texts(world, asha, "1") is TextOutcome.CHOSEN
    (kept,) = rows(world, Checkin)
    assert (kept.patient_id, kept.weight_kg, kept.breathlessness) == (asha.id, 83.7, 6)
    assert rows(world, UnplacedText) == []
    said(phone, REPLY)
    # The talk goes on with whom they named; hours later they are asked again.
    assert texts(world, asha, "p1") is TextOutcome.ANSWERED
    said(phone, REPLY)
    assert {row.patient_id for row in rows(world, Checkin)} == {asha.id}
    world.reading(asha)
    world.advance(hours=5)
    assert texts(world, asha, "b2") is TextOutcome.ASKED_WHICH
    said(phone, REPLY)
    assert texts(world, asha, "Otherwise") is TextOutcome.CHOSEN
    assert [row.breathlessness for row in rows(world, Checkin) if row.patient_id == theirs.id] == [2]
    phone.expects(REPLY)


def test_whom_they_meant_is_not_kept_for_ever(world, asha, theirs):
    texts(world, asha, "83.7")
    texts(world, asha, "1")
    world.phone(asha).expects(REPLY, REPLY)
    world.reading(asha)
    (meant,) = rows(world, MeantClinic)
    for later, left in ((meant.until + MEANT_REMEMBERED, 1), (meant.until + MEANT_REMEMBERED + SECOND, 0)):
        world.clock.set(later)
        world.worker.maintain()
        assert len(rows(world, MeantClinic)) == left


def test_an_alarm_goes_to_the_staff_of_both_and_its_words_to_neither(world, asha, theirs):
    with building(world.engine, world.now) as build:
        clinics = {clinic.sender_name: clinic for clinic in build.session.scalars(select(Clinic))}
        build.staff(clinics["Otherwise"], "Nora Invented", Role.NURSE)
    assert texts(world, asha, "83.7 and chest pain") is TextOutcome.SAFETY
    assert "please call 111 now" in said(world.phone(asha), SAFETY)
    for patient in (asha, theirs):
        (task,) = [task for task in tasks(world, patient) if task.kind is TaskKind.SAFETY_ANSWER]
        assert task.clinic_id == patient.clinic_id
        sentence = inwords.task(task)
        assert "83.7" not in sentence
        assert "chest" not in sentence
        assert "They were told at once to call 111. Call them." in sentence
    assert rows(world, Checkin) == []
    # Once they have said which, the words are there, and nowhere else.
    assert texts(world, asha, "are you there?") is TextOutcome.ASKED_WHICH
    said(world.phone(asha), REPLY)
    assert texts(world, asha, "1") is TextOutcome.CHOSEN
    world.phone(asha).expects(REPLY)
    assert {row.patient_id for row in rows(world, Checkin)} == {asha.id}
    assert "chest" not in " ".join(inwords.task(task) for task in tasks(world, theirs))
    assert "chest" in " ".join(inwords.task(task) for task in tasks(world, asha))
    world.reading(asha)


def test_what_nobody_answers_is_not_kept_and_each_clinic_checks_the_digits(world, asha, theirs):
    texts(world, asha, "83.7")
    said(world.phone(asha), REPLY)
    texts(world, asha, "b3 what?")
    assert said(world.phone(asha), REPLY).startswith("Fernmoor: Sorry, that was not clear to us. Who is")
    assert texts(world, asha, "b4 hm") is TextOutcome.UNPLACED  # asked twice: no third time
    world.reading(asha)
    world.at(asha, "10:01")
    world.phone(asha).expects(prompt())  # for the check-in that is still missing
    assert rows(world, UnplacedText) == []
    assert rows(world, Checkin) == []
    for patient in (asha, theirs):
        checks = [task for task in tasks(world, patient) if task.kind is TaskKind.CHECK_NUMBER]
        sentences = [inwords.task(task) for task in checks]
        assert sum("nothing of it is kept" in sentence for sentence in sentences) == 1
        for sentence in sentences:
            assert "Otherwise" not in sentence
            assert "Fernmoor" not in sentence
    assert {row.outcome for row in rows(world, InboundText)} == {"forgotten"}


def test_for_nobody_of_these(world, asha, theirs):
    texts(world, asha, "hello, is this the bakery?")
    said(world.phone(asha), REPLY)
    assert texts(world, asha, "0.") is TextOutcome.CHOSEN  # as "1." is 1
    assert "Nothing is asked just now" in said(world.phone(asha), REPLY)
    assert rows(world, UnplacedText) == []
    for patient in (asha, theirs):
        assert "nothing of it is kept" in " ".join(inwords.task(task) for task in tasks(world, patient))
    world.reading(asha)


def test_a_line_of_ones_own_leaves_no_doubt(world, asha, theirs):
    set_lines(world, Fernmoor="+6499990001", Otherwise="otherwise-1")
    assert texts(world, asha, "83.7", line="+64 9 999 0001") is TextOutcome.ANSWERED
    assert texts(world, asha, "84.1", line="Otherwise-1") is TextOutcome.ANSWERED
    assert {(row.patient_id, row.weight_kg) for row in rows(world, Checkin)} == {(asha.id, 83.7), (theirs.id, 84.1)}
    world.phone(asha).expects(REPLY, REPLY)
    # A line that is nobody's may be for any of them.
    assert texts(world, asha, "85", line="+6499990003") is TextOutcome.ASKED_WHICH
    world.phone(asha).expects(REPLY)
    world.reading(asha)


def test_a_line_of_a_clinic_that_does_not_know_the_sender(world, asha):
    with building(world.engine, world.now) as build:
        build.clinic("Otherwise Clinic", **{**AUCKLAND, "sender_name": "Otherwise"})
    set_lines(world, Fernmoor="+6499990001", Otherwise="+6499990002")
    assert texts(world, asha, "83.7", line="+6499990002") is TextOutcome.ASTRAY
    assert rows(world, Checkin) == []
    assert "Questions: +64 9 999 0100" in said(world.phone(asha), HELP)
    # The clinic that knows her is told that something came, and not what; the other is told nothing.
    (check,) = tasks(world, asha)
    assert (check.kind, check.facts["unplaced"], "83.7" in str(check.facts)) == (TaskKind.CHECK_NUMBER, True, False)
    assert texts(world, asha, "chest pain", line="+6499990002") is TextOutcome.SAFETY
    said(world.phone(asha), SAFETY)
    assert {task.kind for task in tasks(world, asha)} == {TaskKind.CHECK_NUMBER, TaskKind.SAFETY_ANSWER}
    world.reading(asha)


def test_a_line_taken_by_another_clinic_makes_nobody_a_stranger(world, asha):
    with building(world.engine, world.now) as build:
        build.clinic("Otherwise Clinic", **{**AUCKLAND, "sender_name": "Otherwise"})
    set_lines(world, Otherwise="+6499990002")  # until today both were written to on it
    assert texts(world, asha, "83.7", line="+6499990002") is TextOutcome.ANSWERED
    assert [row.patient_id for row in rows(world, Checkin)] == [asha.id]
    world.phone(asha).expects(REPLY)
    world.reading(asha)


def test_who_is_looked_after_there_no_more_is_not_spoken_for(world, asha, theirs):
    with write_session(world.engine) as session:
        held = session.get_one(Patient, theirs.id)
        ending.end_patient(Act(session, OPERATOR, held.clinic_id, world.now), held)
    assert texts(world, asha, "83.7") is TextOutcome.ANSWERED
    assert [row.patient_id for row in rows(world, Checkin)] == [asha.id]
    assert texts(world, asha, "chest pain") is TextOutcome.SAFETY
    assert all(task.kind is not TaskKind.SAFETY_ANSWER for task in tasks(world, theirs))
    world.phone(asha).expects(REPLY, SAFETY)
    world.reading(asha)


def test_ended_everywhere_an_alarm_still_reaches_everybody_who_knew_them(world, asha, theirs):
    with write_session(world.engine) as session:
        for one in (asha, theirs):
            held = session.get_one(Patient, one.id)
            ending.end_patient(Act(session, OPERATOR, held.clinic_id, world.now), held)
            assert held.state is PatientState.ENDED
    assert texts(world, asha, "83.7") is TextOutcome.NOT_MONITORED
    assert texts(world, asha, "chest pain") is TextOutcome.SAFETY
    assert rows(world, Checkin) == []
    for one in (asha, theirs):
        assert TaskKind.SAFETY_ANSWER in [task.kind for task in tasks(world, one)]
    world.phone(asha).expects(HELP, SAFETY)


def test_stop_is_for_both_and_start_undoes_it_for_those_whom_it_ended(world, asha, theirs):
    with write_session(world.engine) as session:
        held = session.get_one(Patient, theirs.id)
        people.contacts.record_consent(
            Act(session, OPERATOR, held.clinic_id, world.now), held, ConsentKind.MESSAGES, False, "by telephone"
        )
    assert texts(world, asha, "STOP") is TextOutcome.STOPPED
    assert texts(world, asha, "START") is TextOutcome.STARTED
    world.phone(asha).expects(STOPPED, STARTED)
    newest = {row.patient_id: row.given for row in sorted(rows(world, Consent), key=lambda row: row.at)}
    assert newest == {asha.id: True, theirs.id: False}
    assert [inwords.task(task) for task in tasks(world, theirs) if task.kind is TaskKind.NO_CONTACT] == [
        "They texted START, but no agreement to messages of theirs is on record. "
        "Nothing is sent until you have asked them and recorded it."
    ]
    world.reading(asha)


def test_start_is_no_agreement_of_somebody_who_never_gave_one(world):
    world.begins("2026-03-02T06:00", "Pacific/Auckland")
    asha = world.patient("Asha Rowan", consent=False)
    before = len(rows(world, Consent))
    assert texts(world, asha, "START") is TextOutcome.HELPED
    assert len(rows(world, Consent)) == before
    world.phone(asha).expects(HELP)
    assert [task.kind for task in tasks(world, asha)] == [TaskKind.NO_CONTACT]
    world.at(asha, "12:00")  # and no prompt came
    world.phone(asha).expects_nothing()


def test_what_leaves_names_the_line_that_its_answer_comes_to(world, asha, monkeypatch):
    set_lines(world, Fernmoor="+6499990001")
    sent = []
    keep = world.gateway.send
    monkeypatch.setattr(world.gateway, "send", lambda text: (sent.append(text), keep(text))[1])
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    assert [text.line for text in sent] == ["+6499990001"]
    world.reading(asha)
