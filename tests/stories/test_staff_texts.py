"""Staff and their telephones: woken for a possible emergency and for nothing else, and never told against their will."""

from __future__ import annotations

import itertools
from datetime import timedelta

import pytest
from sqlalchemy import func, select

from service.care import contacts
from service.care.tasks import raise_task
from service.domain.vocabulary import (
    ActorKind,
    ContactState,
    MessageKind,
    MessageState,
    Role,
    TaskKind,
    TaskSettled,
    TaskState,
)
from service.intake.texts import replies
from service.intake.texts.receiving import STOP_BY_TEXT, take_text
from service.reviewing import inbox
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Contact, InboundText, Message, Patient, Staff, Task
from tests import inwords
from tests.builder import acting
from tests.world import Expected, World, digest, notice, nudge, prompt, reminder

ZONE = "Pacific/Auckland"
STOPPED, STARTED = Expected(MessageKind.STOPPED), Expected(MessageKind.STARTED)
HELP, REPLY, SAFETY = Expected(MessageKind.HELP), Expected(MessageKind.REPLY), Expected(MessageKind.SAFETY)


@pytest.fixture
def asha(world: World) -> Patient:
    """A patient with nothing open, on the evening before anything is due."""
    world.begins("2026-03-02T20:00", ZONE)
    return world.patient("Asha Rowan", window=("10:00", "14:00"), due="12:00")


def tasks(world: World, kind: TaskKind) -> list[Task]:
    with read_session(world.engine) as session:
        return list(session.scalars(select(Task).where(Task.kind == kind).order_by(Task.raised_at)))


def contact_of(world: World, member: Staff) -> Contact:
    with read_session(world.engine) as session:
        return session.scalars(select(Contact).where(Contact.staff_id == member.id)).one()


# --- at night --------------------------------------------------------------------------


def test_a_safety_answer_at_three_in_the_morning_wakes_whoever_is_on_call(world, asha):
    petra, quill = world.staff("Petra Lindqvale"), world.staff("Nora Quill", Role.PHYSICIAN)
    world.at(asha, "03:00")  # quiet hours are 21:00 to 06:00
    world.phone(asha).texts("chest pain").expects(SAFETY)
    (task,) = tasks(world, TaskKind.SAFETY_ANSWER)
    assert task.raised_at == world.now
    (sent,) = world.phone(petra).unread()
    assert sent.at == world.now
    assert sent.body == ("Fernmoor: please look in the inbox now, this cannot wait. http://127.0.0.1:8000/clinic/inbox")
    world.phone(petra).expects(notice())
    world.advance(minutes=29)
    world.phone(quill).expects_nothing()
    world.advance(minutes=1)  # nobody took it
    world.phone(quill).expects(notice())
    world.at(asha, "05:50")
    world.phone(petra).expects(notice())  # round and round, until somebody takes it
    world.at(asha, "06:00")  # and the routine of the day begins
    world.phone(petra).expects(digest())
    world.phone(quill).expects(digest())


def test_an_alarm_is_told_to_each_in_their_own_language(world, asha):
    petra, quill = world.staff("Petra Lindqvale"), world.staff("Nora Quill", Role.PHYSICIAN)
    with write_session(world.engine) as session:
        session.get_one(Staff, petra.id).language = "es"
    world.at(asha, "03:00")
    world.phone(asha).texts("chest pain").expects(SAFETY)
    world.advance(minutes=30)
    assert [world.phone(one).unread()[0].body[:20] for one in (petra, quill)] == [
        "Fernmoor: mire la ba", "Fernmoor: please loo",
    ]  # fmt: skip
    world.phone(petra).expects(notice())
    world.phone(quill).expects(notice())


def test_what_can_wait_wakes_nobody(world, asha):
    petra = world.staff("Petra Lindqvale")
    ben = world.caregiver(asha, "Ben Rowan")
    world.at(asha, "10:00")
    world.phone(petra).expects_nothing()  # no digest: nothing was open
    world.phone(asha).expects(prompt())
    world.at(asha, "14:00")
    world.phone(asha).expects(reminder())
    world.phone(ben).expects(nudge())
    world.worker_stops()
    world.at(asha, "02:00")
    with write_session(world.engine) as session:
        # A reading beyond its limit is told at once by day: its step-up time has come, and it is two in the morning.
        raise_task(session, asha.clinic_id, asha.id, inwords.about(TaskKind.ABOVE_LIMIT), "k", world.now)
    world.worker_starts()
    world.phone(petra).expects_nothing()
    with read_session(world.engine) as session:
        (held,) = session.scalars(select(Message).where(Message.kind == MessageKind.STAFF_TASK))
        assert (held.state, held.reason) == (MessageState.QUEUED, "quiet_hours")
    world.at(asha, "06:01")
    assert [text.at for text in world.phone(petra).unread()][:1] == [world.now - timedelta(minutes=1)]
    world.phone(petra).expects(digest())  # which counts the task: one message, not two
    world.advance(minutes=1)


# --- STOP from a telephone of staff ------------------------------------------------------


def test_stop_ends_notices_to_that_telephone_and_the_clinic_is_told_who_is_not_reached(world, asha):
    petra, quill = world.staff("Petra Lindqvale"), world.staff("Nora Quill", Role.PHYSICIAN)
    world.phone(petra).texts("Stop.").expects(STOPPED)
    contact = contact_of(world, petra)
    assert (contact.state, contact.broken_reason) == (ContactState.BROKEN, STOP_BY_TEXT)
    (task,) = tasks(world, TaskKind.BROKEN_CONTACT)
    assert task.patient_id is None
    assert inwords.task(task) == (
        "Petra Lindqvale texted STOP: notices do not reach that telephone any more. "
        "An administrator should ask how else to reach them."
    )
    with read_session(world.engine) as session:
        line = session.scalars(select(AuditLine).where(AuditLine.action == "contact.stop")).one()
    assert (line.actor_kind, line.actor_id, line.subject_id) == (ActorKind.STAFF, petra.id, contact.id)
    world.phone(petra).texts("STOP").expects_nothing()  # confirmed once
    world.phone(asha).texts("chest pain").expects(SAFETY)
    world.phone(quill).expects(notice())  # the next in order hears of it at once
    world.phone(petra).expects_nothing()


def test_when_the_last_telephone_stops_the_task_says_that_nobody_is_told(world, asha):
    petra = world.staff("Petra Lindqvale")
    world.staff("Ada Brook", Role.ADMINISTRATOR)  # not on call
    world.phone(petra).texts("opt out").expects(STOPPED)
    (task,) = tasks(world, TaskKind.BROKEN_CONTACT)
    assert inwords.task(task).endswith("Nobody at the clinic is told of open tasks by a message now.")


def test_start_brings_notices_back_and_settles_the_task(world, asha):
    petra = world.staff("Petra Lindqvale")
    world.phone(petra).texts("STOP").expects(STOPPED)
    world.phone(petra).texts("start").expects(STARTED)
    assert contact_of(world, petra).state is ContactState.OK
    (task,) = tasks(world, TaskKind.BROKEN_CONTACT)
    assert (task.state, task.close_reason) == (TaskState.CLOSED, TaskSettled.TEXTED_START)
    world.phone(asha).texts("chest pain").expects(SAFETY)
    world.phone(petra).expects(notice())


def test_start_does_not_mend_a_contact_that_broke_by_itself(world, asha):
    petra = world.staff("Petra Lindqvale")
    with write_session(world.engine) as session:
        contact = session.get_one(Contact, contact_of(world, petra).id)
        contact.state, contact.broken_reason = ContactState.BROKEN, "unknown number"
    world.phone(petra).texts("START")
    assert contact_of(world, petra).state is ContactState.BROKEN
    world.phone(petra).expects_nothing()  # it could not be reached


def test_who_was_told_and_then_stopped_does_not_make_the_next_be_passed_over(world, asha):
    petra, quill = world.staff("Petra Lindqvale"), world.staff("Nora Quill", Role.PHYSICIAN)
    world.phone(asha).texts("chest pain").expects(SAFETY)
    world.phone(petra).expects(notice()).texts("STOP").expects(STOPPED)
    world.advance(minutes=31)
    world.phone(quill).expects(notice())


def test_what_staff_write_otherwise_changes_nothing_and_takes_no_task(world, asha):
    petra = world.staff("Petra Lindqvale")
    world.phone(asha).texts("chest pain").expects(SAFETY)
    world.phone(petra).expects(notice()).texts("I have it, thanks").expects(REPLY)
    world.phone(petra).texts("help").expects(HELP)
    (task,) = tasks(world, TaskKind.SAFETY_ANSWER)
    assert task.state is TaskState.OPEN
    with read_session(world.engine) as session:
        outcomes = list(session.scalars(select(InboundText.outcome).order_by(InboundText.received_at)))
    assert sorted(outcomes) == ["helped", "passed", "safety"]


def test_an_alarm_from_a_telephone_of_staff_is_a_task_and_answered(world, asha):
    petra, quill = world.staff("Petra Lindqvale"), world.staff("Nora Quill", Role.PHYSICIAN)
    world.phone(quill).texts("chest pain, I cannot breathe").expects(SAFETY)
    world.phone(petra).expects(notice())
    (task,) = tasks(world, TaskKind.SAFETY_ANSWER)
    assert inwords.task(task) == (
        "From the telephone of Nora Quill: “chest pain, I cannot breathe”. "
        "They were told at once to call 111. Call them."
    )


def test_an_alarm_from_a_telephone_of_two_patients_is_told_of_both(world, asha):
    """Who was asked last need not be who wrote."""
    ravi = world.patient("Ravi Rowan")
    with write_session(world.engine) as session:
        contact = session.scalars(select(Contact).where(Contact.patient_id == ravi.id)).one()
        contact.address = world.phone(asha).number
    world.phone(asha).texts("chest pain").expects(SAFETY)
    told = {task.patient_id: inwords.task(task) for task in tasks(world, TaskKind.SAFETY_ANSWER)}
    assert set(told) == {asha.id, ravi.id}
    assert sum("it is not known yet who wrote" in sentence for sentence in told.values()) == 1


def test_after_stop_staff_get_an_answer_to_help_and_to_nothing_else(world, asha):
    petra = world.staff("Petra Lindqvale")
    world.phone(petra).texts("STOP").expects(STOPPED)
    world.phone(petra).texts("are you there").expects_nothing()
    world.phone(petra).texts("help").expects(HELP)


def test_one_telephone_of_a_patient_a_caregiver_and_staff_stops_for_all_of_them_with_one_confirmation(world, asha):
    """A nurse who looks after her mother, and answers for both on one telephone."""
    ben, petra = world.caregiver(asha, "Ben Rowan"), world.staff("Petra Lindqvale")
    phone = world.phone(asha)
    with write_session(world.engine) as session:
        for contact in session.scalars(select(Contact)):
            contact.address = phone.number
    phone.texts("stop please").expects(STOPPED)
    with read_session(world.engine) as session:
        assert contacts.reachable(session, patient_id=asha.id) == []
        assert contacts.reachable(session, caregiver_id=ben.id) == []
        assert contacts.working(session, Contact.staff_id, petra.id) == []
    world.advance(days=2)  # nothing comes to anybody; leaving the story would fail on it
    phone.texts("START").expects(STARTED)
    with read_session(world.engine) as session:
        assert len(contacts.reachable(session, patient_id=asha.id)) == 1
        assert len(contacts.reachable(session, caregiver_id=ben.id)) == 1
        assert len(contacts.working(session, Contact.staff_id, petra.id)) == 1


# --- a telephone that answers by itself ---------------------------------------------------


def answers(world: World, kind: MessageKind) -> int:
    with read_session(world.engine) as session:
        return session.scalar(select(func.count()).select_from(Message).where(Message.kind == kind)) or 0


@pytest.mark.parametrize("who", ["patient", "staff"])
def test_a_telephone_that_answers_by_itself_is_not_answered_for_ever(world, asha, who, monkeypatch):
    monkeypatch.setattr(replies, "MOST_ANSWERS", 4)
    monkeypatch.setattr(replies, "MOST_ALARMS", 2)
    petra = world.staff("Petra Lindqvale")
    number = world.phone(asha if who == "patient" else petra).number
    refs = itertools.count()

    def says(body: str, times: int) -> None:
        for _ in range(times):
            world.clock.advance(timedelta(seconds=20))
            with write_session(world.engine) as session:
                take_text(session, f"auto-{next(refs)}", number, body, world.now)

    says("I am driving and will answer later.", 8)
    assert answers(world, MessageKind.REPLY) == 4
    says("Out of office. In an emergency call 911.", 6)
    assert answers(world, MessageKind.SAFETY) == 3  # whom to call is told all the same: once an hour
    alarms = tasks(world, TaskKind.SAFETY_ANSWER)
    assert 1 <= len(alarms) <= 2
    with write_session(world.engine) as session:
        for one in alarms:
            inbox.close(acting(session, petra, world.now), one.id, "Rang: nothing is wrong.")
    says("In an emergency call 911.", 2)
    assert len(tasks(world, TaskKind.SAFETY_ANSWER)) == len(alarms) + 1  # and no alarm is lost
    world.clock.advance(timedelta(minutes=61))
    says("I am driving and will answer later.", 1)
    assert answers(world, MessageKind.REPLY) == 5
