"""A text from a number that nobody has: it reaches a person, is answered once a day, and floods nobody."""

from __future__ import annotations

import itertools
from datetime import timedelta

import pytest
from sqlalchemy import func, select, update

from service.domain.vocabulary import MessageKind, Role, TaskKind
from service.health import checks
from service.intake.texts import strangers
from service.intake.texts.receiving import take_text
from service.intake.texts.replies import TextOutcome
from service.reviewing import inbox
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Checkin, Clinic, Contact, Message, Staff, StrangerText, Task
from tests import inwords
from tests.builder import AUCKLAND, acting, building
from tests.world import Expected, World, notice

REFS = itertools.count()
STRANGER = Expected(MessageKind.STRANGER)
LINE = "+6499990001"


@pytest.fixture
def petra(world: World) -> Staff:
    world.begins("2026-03-02T12:00", "Pacific/Auckland")
    world.opens_clinic(text_line=LINE)
    return world.staff("Petra Invented", Role.NURSE)


def other_clinic(world: World, **settings: str) -> None:
    world.advance(minutes=1)
    with building(world.engine, world.now) as build:
        build.clinic("Otherwise Clinic", **{**AUCKLAND, "sender_name": "Otherwise", **settings})


def texts(world: World, number: str, body: str, line: str = LINE) -> TextOutcome:
    with write_session(world.engine) as session:
        outcome = take_text(session, f"s-{next(REFS)}", number, body, world.now, line=line)
    world.tick()
    return outcome


def tasks(world: World) -> list[Task]:
    with read_session(world.engine) as session:
        return list(session.scalars(select(Task).order_by(Task.raised_at)))


def count(world: World, table: type) -> int:
    with read_session(world.engine) as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_an_alarm_of_a_stranger_reaches_the_clinic_that_was_written_to_and_they_are_told_whom_to_call(
    world: World, petra: Staff
) -> None:
    other_clinic(world, text_line="otherwise-1")
    wren = world.stranger()
    assert texts(world, wren.number, "chest pain, cannot breathe") is TextOutcome.SAFETY
    (said,) = wren.unread()
    assert said.body == (
        "Fernmoor: we do not know this number. If this is an emergency call 111 now. Anything else: call +64 9 999 0100."
    )
    wren.expects(STRANGER)
    world.phone(petra).expects(notice())  # at once, and of an emergency whatever the hour
    (task,) = tasks(world)
    assert (task.kind, task.clinic_id, task.patient_id) == (TaskKind.SAFETY_ANSWER, petra.clinic_id, None)
    assert inwords.task(task) == (
        "A text that may be an emergency came from a number that nobody here has. "
        "They were told at once to call 111. Call them."
    )
    assert wren.number not in str(task.facts) + task.dedupe_key
    with read_session(world.engine) as session:
        (item,) = inbox.inbox(session, petra.clinic_id)
        assert item.stranger is not None
        assert (item.stranger.number, [words for _, words in item.stranger.wrote]) == (
            wren.number, ["chest pain, cannot breathe"],
        )  # fmt: skip
    assert count(world, Checkin) == 0
    # Told again while nobody takes it; another text of theirs makes no second task, and no second answer that day.
    world.advance(minutes=31)
    world.phone(petra).expects(notice())
    texts(world, wren.number, "chest pain still")
    assert len(tasks(world)) == 1
    # Taken, and an hour later they write again: it is told anew.
    with write_session(world.engine) as session:
        inbox.take(acting(session, petra, world.now), task.id)
    world.advance(minutes=61)
    texts(world, wren.number, "I cannot breathe")
    world.phone(petra).expects(notice())
    with write_session(world.engine) as session:
        inbox.close(acting(session, petra, world.now), task.id, "Rang them.")
    texts(world, wren.number, "chest pain again")
    world.phone(petra).expects(notice())
    assert len(tasks(world)) == 2
    world.advance(hours=24)
    texts(world, wren.number, "hello?")
    wren.expects(STRANGER)
    world.phone(petra)._looked_at = len(world.gateway.messages_to(world.phone(petra).number))


def test_what_is_no_alarm_is_a_task_that_can_wait_and_stop_is_heeded(world: World, petra: Staff) -> None:
    wren, lark = world.stranger(), world.stranger()
    assert texts(world, wren.number, "83.7") is TextOutcome.STRANGER
    wren.expects(STRANGER)
    world.phone(petra).expects_nothing()
    (task,) = tasks(world)
    assert task.kind is TaskKind.CHECK_NUMBER
    assert texts(world, lark.number, "STOP") is TextOutcome.STOPPED
    assert texts(world, lark.number, "what is this?") is TextOutcome.STRANGER
    lark.expects_nothing()
    assert texts(world, lark.number, "chest pain") is TextOutcome.SAFETY  # a person in danger is answered all the same
    lark.expects(STRANGER)
    world.phone(petra).expects(notice())
    assert texts(world, "BANK", "Your code is 123") is TextOutcome.STRANGER  # nobody that could be answered
    # For a while only: then number and words are let go, but of whom nothing may be sent to.
    world.clock.advance(strangers.KEPT + timedelta(minutes=1))
    world.worker.maintain()
    assert count(world, StrangerText) == 0
    with read_session(world.engine) as session:
        nobodys = session.scalars(select(Contact.address).where(Contact.staff_id.is_(None))).all()
        assert sorted(nobodys) == ["", lark.number]
        waiting = [item.stranger for item in inbox.inbox(session, petra.clinic_id)]
        lines = session.scalars(
            select(AuditLine.action).join(Contact, Contact.id == AuditLine.subject_id).where(Contact.staff_id.is_(None))
        ).all()
    assert waiting == [inbox.Stranger()] * 4
    assert sorted(lines) == ["contact.add", "contact.add", "contact.stop"]


def test_on_a_line_of_several_clinics_an_alarm_goes_to_all_without_words_and_the_rest_to_the_operator(
    world: World, petra: Staff
) -> None:
    other_clinic(world, text_line=LINE, emergency_number="112")
    wren = world.stranger()
    assert texts(world, wren.number, "hello") is TextOutcome.STRANGER
    assert wren.unread()[0].body == (
        "Automatic reply: we do not know this number. If this is an emergency call 111 / 112 now. "
        "Anything else: call your clinic."
    )
    wren.expects(STRANGER)
    assert tasks(world) == []
    (found,) = [one for one in checks.readiness(world.engine, world.now) if one.name == "strangers"]
    assert (found.ok, found.value) == (True, 1)
    assert "a text from an unknown number came to a line of several clinics" in found.sentence
    assert texts(world, wren.number, "chest pain") is TextOutcome.SAFETY
    world.phone(petra).expects(notice())
    with read_session(world.engine) as session:
        for clinic in session.scalars(select(Clinic)):
            (item,) = inbox.inbox(session, clinic.id)
            assert (item.kind, item.stranger) == (TaskKind.SAFETY_ANSWER, inbox.Stranger(wren.number))
            assert "It may be meant for another clinic of this service" in inwords.tasks.task(
                inwords.ENGLISH, item.facts
            )


def test_what_was_written_to_one_clinic_is_shown_to_no_other_that_takes_its_line(world: World, petra: Staff) -> None:
    other_clinic(world)
    wren = world.stranger()
    texts(world, wren.number, "Wren Sallow here, my weight is 83")
    wren.expects(STRANGER)
    with write_session(world.engine) as session:
        session.execute(update(Clinic).where(Clinic.id != petra.clinic_id).values(text_line=LINE))
    texts(world, wren.number, "chest pain")
    world.phone(petra).expects(notice())
    with read_session(world.engine) as session:
        for clinic in session.scalars(select(Clinic)):
            words = {words for item in inbox.inbox(session, clinic.id) for _, words in item.stranger.wrote}
            assert words == ({"Wren Sallow here, my weight is 83"} if clinic.id == petra.clinic_id else set())


def test_where_the_line_is_not_told_an_alarm_goes_to_all_and_words_to_nobody(world: World, petra: Staff) -> None:
    other_clinic(world)  # without a line of its own
    wren, lark = world.stranger(), world.stranger()
    assert texts(world, wren.number, "chest pain", line="") is TextOutcome.SAFETY
    wren.expects(STRANGER)
    world.phone(petra).expects(notice())
    assert len({task.clinic_id for task in tasks(world)}) == 2
    with read_session(world.engine) as session:
        (item,) = inbox.inbox(session, petra.clinic_id)
        assert item.stranger == inbox.Stranger(wren.number)
    texts(world, lark.number, "hello", line="+6499990999")  # nobody's: of who has none
    lark.expects(STRANGER)
    assert len(tasks(world)) == 3


def test_a_flood_ends_in_one_task_that_says_so_and_crowds_no_alarm_out(
    world: World, petra: Staff, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(strangers, "MOST_OF_A_LINE", 3)
    monkeypatch.setattr(strangers, "MOST_OF_A_NUMBER", 2)
    numbers = [world.stranger() for _ in range(6)]
    for _ in range(3):
        texts(world, numbers[0].number, "hello")
    for one in numbers[1:5]:
        texts(world, one.number, "hello")
    assert count(world, StrangerText) == 4  # two of the first number
    assert len(tasks(world)) == 4  # of three numbers, and that there were more
    assert sum("told one by one. Please tell" in inwords.task(task) for task in tasks(world)) == 1
    assert [len(one.unread()) for one in numbers] == [1, 1, 1, 0, 0, 0]
    texts(world, numbers[5].number, "chest pain")
    for one in (*numbers[:3], numbers[5]):
        one.expects(STRANGER)
    world.phone(petra).expects(notice())
    assert count(world, Message) == 5
    # Beyond the bound an alarm is told by one task an hour, and by another as soon as that one was closed.
    monkeypatch.setattr(strangers, "MOST_OF_A_LINE", 1)
    for _ in range(2):
        texts(world, numbers[4].number, "chest pain")
    world.phone(petra).expects(notice())
    (flood,) = [one for one in tasks(world) if one.dedupe_key.startswith(f"strangers:{petra.clinic_id}:alarm:")]
    with write_session(world.engine) as session:
        inbox.close(acting(session, petra, world.now), flood.id, "Looked at.")
    for _ in range(2):
        texts(world, numbers[3].number, "chest pain")
    world.phone(petra).expects(notice())
    assert len(tasks(world)) == 7


def test_before_there_is_a_clinic_nobody_can_be_told(world: World) -> None:
    assert texts(world, "+6499990777", "chest pain") is TextOutcome.UNKNOWN
