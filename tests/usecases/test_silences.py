"""What is done about a silence belongs to its run of missed days: tasks, nudges, caregivers' answers."""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, text, update

from service.care import silences
from service.domain.vocabulary import (
    ActorKind,
    CaregiverAnswer,
    MessageKind,
    StepKind,
    TaskKind,
    TaskState,
)
from service.intake.caregivers import record_caregiver_reply
from service.scheduling import closing, opening, steps
from service.store.audit import Act, Actor
from service.store.identity import new_id
from service.store.session import read_session, write_session
from service.store.tables import Caregiver, Message, Silence, Step, Task, Window
from tests.fernmoor import MONDAY, SEVEN, Fernmoor, clinic_of, tick

HOUR, DAY = timedelta(hours=1), timedelta(days=1)


@pytest.fixture
def fernmoor(engine: Engine) -> Fernmoor:
    with write_session(engine) as session:
        clinic = clinic_of(session)
    return Fernmoor(engine, clinic)


def live_through(fernmoor: Fernmoor, days: range) -> None:
    for day in days:
        for after in (0, 1.5, 3):
            at = SEVEN + day * DAY + after * HOUR
            tick(fernmoor.engine, at)


def close_tasks(fernmoor: Fernmoor) -> None:
    with write_session(fernmoor.engine) as session:
        session.execute(update(Task).values(state=TaskState.CLOSED))


def told(fernmoor: Fernmoor) -> list[tuple[str, int]]:
    """Tasks of silences as (first date, missed)."""
    rows = fernmoor.rows(Task, Task.kind == TaskKind.SILENT, order=Task.raised_at)
    return [(task.facts["first"], task.facts["missed"]) for task in rows]


def nudged(fernmoor: Fernmoor, *where: Any) -> list[int]:
    """The days, counted from Monday, of which caregivers were asked."""
    with read_session(fernmoor.engine) as session:
        asked = session.scalars(
            select(Window.local_date)
            .join(Message, Message.window_id == Window.id)
            .where(Message.kind == MessageKind.NUDGE, *where)
            .order_by(Window.local_date)
        )
        return [(day - MONDAY).days for day in asked]


def reasons(fernmoor: Fernmoor, kind: StepKind) -> list[str | None]:
    return [step.reason for step in fernmoor.rows(Step, Step.kind == kind, order=Step.due_at)]


def answer(fernmoor: Fernmoor, caregiver: Caregiver, day: int, now: datetime) -> uuid.UUID:
    (window,) = fernmoor.rows(
        Window, Window.patient_id == caregiver.patient_id, Window.local_date == MONDAY + timedelta(days=day)
    )
    with write_session(fernmoor.engine) as session:
        act = Act(session, Actor(ActorKind.CAREGIVER, caregiver.id), caregiver.clinic_id, now)
        return record_caregiver_reply(act, caregiver.id, window.id, CaregiverAnswer.SPOKE, None, "").id


def test_what_goes_on_after_a_late_reading_is_told_and_asked_about_anew(fernmoor: Fernmoor) -> None:
    """Units that upload a day late are the normal case."""
    patient = fernmoor.patient()
    fernmoor.caregiver(patient)
    live_through(fernmoor, range(5))
    assert told(fernmoor) == [("2026-03-02", 3)]
    close_tasks(fernmoor)
    live_through(fernmoor, range(5, 6))
    fernmoor.arrive(patient, 4, SEVEN + 5 * DAY + 4 * HOUR)  # Friday's, on Saturday
    live_through(fernmoor, range(6, 16))
    assert told(fernmoor) == [("2026-03-02", 3), ("2026-03-07", 3)]
    # Of each run the first three; then, while nobody answers, once in three days.
    assert nudged(fernmoor) == [0, 1, 2, 5, 6, 7, 10, 13]


def test_the_part_before_a_late_reading_is_not_told_again(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    live_through(fernmoor, range(6))
    fernmoor.arrive(patient, 5, SEVEN + 6 * DAY)
    live_through(fernmoor, range(6, 8))
    assert told(fernmoor) == [("2026-03-02", 3)]


def test_a_step_that_raised_nothing_says_so(fernmoor: Fernmoor) -> None:
    fernmoor.patient()
    live_through(fernmoor, range(5))
    assert reasons(fernmoor, StepKind.TASK) == ["not_silent_yet", "not_silent_yet", "silent", *["already_told"] * 2]


def test_after_days_without_a_worker_one_step_tells_and_the_others_say_so(fernmoor: Fernmoor) -> None:
    fernmoor.patient()
    at = SEVEN + 5 * DAY
    for _ in range(6):
        opening.open_windows(fernmoor.engine, at)
    closing.close_windows(fernmoor.engine, at)
    steps.take_steps(fernmoor.engine, at)
    assert told(fernmoor) == [("2026-03-02", 5)]
    assert sorted(str(why) for why in reasons(fernmoor, StepKind.TASK)) == ["None", *["already_told"] * 4, "silent"]


def test_an_answer_in_one_clinic_lets_nobody_in_another_be_asked_more_often(fernmoor: Fernmoor) -> None:
    with write_session(fernmoor.engine) as session:
        other = Fernmoor(fernmoor.engine, clinic_of(session, name="Saltmere Clinic"))
    here, there = fernmoor.patient(), other.patient()
    ours, theirs = fernmoor.caregiver(here), other.caregiver(there)
    for day in range(5):
        live_through(fernmoor, range(day, day + 1))
        answer(other, theirs, day, SEVEN + day * DAY + 4 * HOUR)
    assert nudged(fernmoor, Message.patient_id == here.id) == [0, 1, 2]
    assert nudged(fernmoor, Message.patient_id == there.id) == [0, 1, 2, 3, 4]
    answer(fernmoor, ours, 4, SEVEN + 4 * DAY + 5 * HOUR)
    live_through(fernmoor, range(5, 6))
    assert nudged(fernmoor, Message.patient_id == here.id) == [0, 1, 2, 5]


def test_what_is_known_of_a_silence_is_found_without_reading_any_table_as_a_whole(fernmoor: Fernmoor) -> None:
    nobody = [uuid.uuid4()]
    nudges = silences.nudges_query(nobody, new_id(), SEVEN)
    with read_session(fernmoor.engine) as session:
        is_sqlite = session.get_bind().dialect.name == "sqlite"
        explain, whole = ("EXPLAIN QUERY PLAN", "SCAN ") if is_sqlite else ("EXPLAIN", "Seq Scan")
        if not is_sqlite:  # a small table is read as a whole, whatever indexes there are, unless that is made dear
            session.execute(text("SET LOCAL enable_seqscan = off"))
        for query, table in ((silences.running_query(nobody), "windows"), (nudges, "messages")):
            said = query.compile(
                dialect=session.get_bind().dialect, compile_kwargs={"literal_binds": True, "render_postcompile": True}
            )
            plan = [str(row[-1]) for row in session.execute(text(f"{explain} {said}"))]
            assert any(table in line for line in plan)
            assert not [line for line in plan if whole in line and "CONSTANT" not in line]


def test_a_silence_is_counted_by_what_was_asked_in_it_and_not_before(fernmoor: Fernmoor) -> None:
    """Two runs of one patient; of another, one that began in the month before."""
    patient, other = fernmoor.patient(), fernmoor.patient()
    for one in (patient, other):
        fernmoor.caregiver(one)
    live_through(fernmoor, range(2))
    fernmoor.arrive(patient, 2, SEVEN + 2 * DAY)
    live_through(fernmoor, range(2, 5))
    with write_session(fernmoor.engine) as session:
        begun = SEVEN - 20 * DAY
        session.execute(
            update(Silence).where(Silence.patient_id == other.id).values(first_date=begun.date(), opened_at=begun)
        )
    with read_session(fernmoor.engine) as session:
        found = silences.running(session, [patient.id, other.id])
    asked = nudged(fernmoor, Message.patient_id == patient.id)
    assert (found[patient.id].nudges, asked) == (2, [0, 1, 3, 4])
    assert found[other.id].nudges == len(nudged(fernmoor, Message.patient_id == other.id)) == 3
    assert found[other.id].begun_at == begun
