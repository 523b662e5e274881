"""A plan changed while no worker ran: what was owed is still asked for, what is over is not."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

import pytest

from service.domain.vocabulary import WindowState
from service.enrolling import plans
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Patient, Plan
from tests.world import World, prompt, reminder

MONDAY = date(2026, 3, 2)
TUESDAY = MONDAY + timedelta(days=1)


@pytest.fixture(autouse=True)
def on_a_sunday_evening(world: World) -> None:
    world.begins("2026-03-01T20:00", "Pacific/Auckland")


def sets_plan(world: World, patient: Patient, opens: str = "07:00", due: str = "08:30", closes: str = "10:00") -> None:
    times = (time.fromisoformat(wall) for wall in (opens, due, closes))
    with write_session(world.engine) as session:
        held = session.get_one(Patient, patient.id)
        plans.set_plan(Act(session, OPERATOR, held.clinic_id, world.now), held, plans.NewPlan(*times))


def next_date(world: World, patient: Patient) -> date:
    with read_session(world.engine) as session:
        return session.query(Plan).filter_by(patient_id=patient.id).one().next_date


def test_a_plan_set_inside_a_window_nobody_opened_still_opens_it(world: World) -> None:
    asha = world.patient("Asha")
    world.worker_stops()
    world.at(asha, "07:30")
    sets_plan(world, asha)
    sets_plan(world, asha)  # and once more: it is owed all the same
    world.worker_starts()
    world.phone(asha).expects(prompt())
    assert world.clinic.sees(asha).windows == [(MONDAY, WindowState.OPEN)]
    world.reading(asha)
    assert next_date(world, asha) == TUESDAY


def test_a_plan_set_before_its_window_opens_late_when_the_worker_is_late(world: World) -> None:
    asha = world.patient("Asha")
    world.worker_stops()
    world.at(asha, "06:30")
    sets_plan(world, asha, "07:00", "09:00", "11:00")
    world.at(asha, "09:30")
    world.worker_starts()
    world.phone(asha).expects(reminder())
    assert world.clinic.sees(asha).windows == [(MONDAY, WindowState.OPEN)]
    world.reading(asha)


def test_a_plan_set_after_the_windows_close_does_not_open_in_the_past(world: World) -> None:
    asha = world.patient("Asha")
    world.worker_stops()
    world.at(asha, "12:00")
    sets_plan(world, asha)
    world.worker_starts()
    world.phone(asha).expects_nothing()
    assert world.clinic.sees(asha).windows == []
    assert next_date(world, asha) == TUESDAY


def test_the_new_plans_own_hours_of_today_count(world: World) -> None:
    asha = world.patient("Asha")
    world.worker_stops()
    world.at(asha, "12:00")
    sets_plan(world, asha, "11:00", "13:00", "15:00")
    world.worker_starts()
    world.phone(asha).expects(prompt())
    assert world.clinic.sees(asha).windows == [(MONDAY, WindowState.OPEN)]
    world.reading(asha)


def test_a_day_that_was_opened_is_not_opened_again(world: World) -> None:
    asha = world.patient("Asha")
    world.at(asha, "07:30")
    world.phone(asha).expects(prompt())
    sets_plan(world, asha, "07:15", "09:00", "11:00")
    world.tick()
    assert world.clinic.sees(asha).windows == [(MONDAY, WindowState.OPEN)]
    assert next_date(world, asha) == TUESDAY
    world.reading(asha)


def test_a_first_plan_begins_at_its_next_opening_not_in_the_middle_of_a_window(world: World) -> None:
    world.begins("2026-03-02T08:00", "Pacific/Auckland")
    asha = world.patient("Asha")
    world.tick()
    world.phone(asha).expects_nothing()
    assert next_date(world, asha) == TUESDAY


def test_who_moves_while_no_worker_ran_is_asked_in_what_is_left_of_the_day(world: World) -> None:
    asha = world.patient("Asha")
    world.worker_stops()
    world.at(asha, "09:30")
    asha = world.moves(asha, "Australia/Sydney")  # where it is half past seven
    assert world.now == datetime.fromisoformat("2026-03-01T20:30:00+00:00")
    world.worker_starts()
    world.phone(asha).expects(prompt())
    assert world.clinic.sees(asha).windows == [(MONDAY, WindowState.OPEN)]
    world.reading(asha)
