"""The nightly check: whatever is taken away behind the service's back is found, and told to a person."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import delete, select, update

from service.domain.tasks import Found
from service.domain.vocabulary import SafetySign, TaskKind, WindowState
from service.health import checks, invariants
from service.reviewing import refreshing
from service.store import panel
from service.store.quarantine import quarantine
from service.store.session import read_session, write_session
from service.store.tables import NightlyCheck, PanelRow, Patient, Silence, Task, Window
from tests import inwords
from tests.world import World

MONDAY = date(2026, 3, 2)
ZONE = "Pacific/Auckland"


@pytest.fixture
def asha(world: World) -> Patient:
    """Somebody who says nothing for four days, and then that their chest hurts."""
    return world.begins_with("asha said nothing, and then a sign", _silent_then_alarmed)


def _silent_then_alarmed(world: World) -> Patient:
    world.begins("2026-03-01T20:00", ZONE)
    patient = world.patient("Asha", consent=False)
    for _ in range(4):
        world.at(patient, "10:30")
    world.checks_in(patient, safety_signs=(SafetySign.CHEST_PAIN,))
    world.advance(hours=3)
    refreshing.refresh(world.engine, world.now)
    return patient


def found(world: World) -> list[tuple[Found, date]]:
    return [(one.found, one.day) for one in invariants.look(world.engine, world.now)]


def tasks(world: World) -> list[Task]:
    with read_session(world.engine) as session:
        return list(session.scalars(select(Task).order_by(Task.raised_at)))


def test_where_nothing_is_missing_nothing_is_found(world: World, asha: Patient) -> None:
    assert {task.kind for task in tasks(world)} == {TaskKind.SILENT, TaskKind.SAFETY_ANSWER}
    assert found(world) == []


def test_a_silence_whose_task_is_lost_is_found_also_when_the_silence_itself_is(world: World, asha: Patient) -> None:
    with write_session(world.engine) as session:
        session.execute(delete(Task).where(Task.kind == TaskKind.SILENT))
        session.execute(delete(Silence))
    assert found(world) == [(Found.SILENCE_UNTOLD, MONDAY)]


def test_a_task_of_an_earlier_silence_does_not_count(world: World, asha: Patient) -> None:
    with write_session(world.engine) as session:
        before = datetime(2026, 3, 1, 12, tzinfo=UTC)
        session.execute(update(Task).where(Task.kind == TaskKind.SILENT).values(raised_at=before))
    assert found(world) == [(Found.SILENCE_UNTOLD, MONDAY)]


def test_a_safety_answer_whose_task_is_lost_is_found(world: World, asha: Patient) -> None:
    with write_session(world.engine) as session:
        session.execute(delete(Task).where(Task.kind == TaskKind.SAFETY_ANSWER))
    assert found(world) == [(Found.SAFETY_UNTOLD, MONDAY + timedelta(days=3))]


@pytest.mark.parametrize("state", [WindowState.OPEN, WindowState.ANSWERED, WindowState.EXCUSED])
def test_a_closed_window_with_another_end_is_found(world: World, asha: Patient, state: WindowState) -> None:
    with write_session(world.engine) as session:
        session.execute(update(Window).where(Window.local_date == MONDAY).values(state=state))
    assert found(world) == [(Found.WRONG_END, MONDAY)]


def test_a_patient_who_does_not_stand_on_the_review_is_found(world: World, asha: Patient) -> None:
    with write_session(world.engine) as session:
        session.execute(delete(PanelRow))
    assert [what for what, _ in found(world)] == [Found.NOT_ON_REVIEW]


def test_rows_that_waited_for_a_worker_are_made_before_anybody_is_missed(world: World, asha: Patient) -> None:
    bela = world.patient("Bela", consent=False)
    with write_session(world.engine) as session:
        panel.mark_stale(session, [asha.id, bela.id], world.now - timedelta(hours=6))
        quarantine(session, ("panel", bela.id), ZeroDivisionError(), world.now)
    assert [what for what, _ in found(world)] == [Found.NOT_ON_REVIEW] * 2
    world.worker.check_nightly()
    assert [task.patient_id for task in tasks(world) if task.kind is TaskKind.CHECK_FOUND] == [bela.id]


def test_what_is_found_is_told_to_the_clinic_once_and_to_the_operator(world: World, asha: Patient) -> None:
    with write_session(world.engine) as session:
        session.execute(delete(Task))
        session.execute(update(Window).where(Window.local_date == MONDAY).values(state=WindowState.ANSWERED))
    world.worker.check_nightly()
    world.worker.check_nightly()
    assert {task.kind: inwords.task(task) for task in tasks(world)} == {
        TaskKind.SILENT: "No reading has come since 2 March, and nobody was told. "
        "The nightly check found this: please tell whoever runs the service.",
        TaskKind.SAFETY_ANSWER: "The check-in of 5 March has signs of an emergency, and nobody was told. Call them. "
        "The nightly check found this: please tell whoever runs the service.",
        TaskKind.CHECK_FOUND: "The day 2 March does not stand as what was recorded of it: look at the record. "
        "The nightly check found this: please tell whoever runs the service.",
    }
    with read_session(world.engine) as session:
        (kept,) = session.scalars(select(NightlyCheck))
    assert kept.found == {"silence_untold": 1, "safety_untold": 1, "wrong_end": 1}
    (told,) = [one for one in checks.examine(world.engine, world.now) if one.name == "nightly_check"]
    assert not told.ok
    assert told.sentence == (
        "The last nightly check ended 0 seconds ago and found: "
        "safety_untold (1), silence_untold (1), wrong_end (1). The clinics have tasks of it."
    )
    with write_session(world.engine) as session:
        session.execute(update(Window).where(Window.local_date == MONDAY).values(state=WindowState.MISSED))
    assert found(world) == []  # what was told is told


def test_a_check_that_was_cut_off_is_begun_again_and_one_that_runs_is_left_alone(
    world: World, asha: Patient, tmp_path: Path
) -> None:
    with write_session(world.engine) as session:
        night = (world.now - invariants.NIGHT_BEGINS).date()
        session.add(NightlyCheck(night=night, begun_at=world.now - timedelta(hours=1), finished_at=None, found={}))
    assert invariants.check_nightly(world.engine, world.now, lambda: None, tmp_path) is None
    with write_session(world.engine) as session:
        session.execute(update(NightlyCheck).values(begun_at=world.now - timedelta(hours=7)))
    assert invariants.check_nightly(world.engine, world.now, lambda: None, tmp_path) is not None
    assert invariants.check_nightly(world.engine, world.now, lambda: None, tmp_path) is None
