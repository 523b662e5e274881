"""A silence whose task staff close is told again while it lasts, and not a day longer."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from sqlalchemy import select

from service.domain.validation import Refused
from service.domain.vocabulary import TaskKind
from service.reviewing import inbox
from service.store.session import read_session, write_session
from service.store.tables import Patient, Staff, Task
from tests import inwords
from tests.builder import acting
from tests.world import World

ZONE = "Pacific/Auckland"
MONDAY = date(2026, 3, 2)
DAY = timedelta(days=1)


@pytest.fixture
def asha(world: World) -> Patient:
    """Somebody without a telephone consent, so that only staff are spoken of here."""
    world.begins("2026-03-01T20:00", ZONE)
    world.opens_clinic(ZONE, silent_again_days=4)
    return world.patient("Asha", consent=False)


def silent(world: World) -> list[Task]:
    with read_session(world.engine) as session:
        return list(session.scalars(select(Task).where(Task.kind == TaskKind.SILENT).order_by(Task.raised_at)))


def closes(world: World, petra: Staff, promised: date | None = None) -> None:
    (task,) = [one for one in silent(world) if one.closed_at is None]
    with write_session(world.engine) as session:
        act = acting(session, session.get_one(Staff, petra.id), world.now)
        inbox.close(act, task.id, "Rang; nobody answered.", promised)


def lives_until_told(world: World, asha: Patient) -> Staff:
    with_no_phone = world.staff_without_phone("Petra Lindqvale")
    for _ in range(3):
        world.at(asha, "10:30")
    assert len(silent(world)) == 1
    return with_no_phone


def test_it_comes_again_in_the_morning_after_the_clinics_days(world: World, asha: Patient) -> None:
    petra = lives_until_told(world, asha)  # on Wednesday
    closes(world, petra)
    for _ in range(4):
        world.at(asha, "05:59")
    assert len(silent(world)) == 1
    world.at(asha, "06:01")  # on Sunday; quiet hours end at six
    first, second = silent(world)
    assert second.raised_at - first.raised_at > 3 * DAY
    assert inwords.task(second) == (
        "No reading on any planned day from 2 March on: we did not ask. "
        "A task of this was closed before, and nothing has come since."
    )
    closes(world, petra)
    for _ in range(5):
        world.at(asha, "06:02")
    assert len(silent(world)) == 3


def test_it_comes_again_on_the_date_that_was_promised(world: World, asha: Patient) -> None:
    petra = lives_until_told(world, asha)
    for wrong in (MONDAY + 2 * DAY, MONDAY + 40 * DAY):
        with pytest.raises(Refused, match="promised"):
            closes(world, petra, wrong)
    closes(world, petra, MONDAY + 8 * DAY)
    for _ in range(6):
        world.at(asha, "05:59")
    assert len(silent(world)) == 1
    world.at(asha, "06:01")
    assert len(silent(world)) == 2


def test_it_does_not_come_again_when_a_reading_has_come(world: World, asha: Patient) -> None:
    petra = lives_until_told(world, asha)
    closes(world, petra)
    world.reading(asha)
    for _ in range(3):
        world.at(asha, "10:30")  # days without a reading, of another silence
    assert len(silent(world)) == 2  # its own
    world.advance(days=3)
    assert len(silent(world)) == 2
    assert silent(world)[0].again_at is None


def test_a_pause_puts_it_off_until_readings_are_expected_again(world: World, asha: Patient) -> None:
    petra = lives_until_told(world, asha)
    closes(world, petra)
    world.pauses(asha, MONDAY + 3 * DAY, MONDAY + 8 * DAY)
    world.advance(days=6)
    assert len(silent(world)) == 1
    world.advance(days=1)
    assert len(silent(world)) == 2


def test_a_task_that_nobody_closed_is_not_doubled(world: World, asha: Patient) -> None:
    lives_until_told(world, asha)
    world.advance(days=9)
    assert len(silent(world)) == 1
