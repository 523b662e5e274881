"""Closer follow-up where it is needed, easier where it is not, and hours that suit."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from service.domain.words import Pace, PauseCause, TaskKind
from service.store.session import reading
from service.store.tables import Patient, Window
from tests.world import World, prompt, reminder


@pytest.fixture(autouse=True)
def on_a_sunday_evening(world: World) -> None:
    world.begins("2026-03-01T20:00", "Pacific/Auckland")


def pace_today(world: World, patient: Patient) -> Pace | None:
    with reading(world.engine) as session:
        newest = session.query(Window).filter_by(patient_id=patient.id).order_by(Window.local_date.desc()).first()
        assert newest is not None
        return newest.pace


def answers_for(world: World, patient: Patient, days: int) -> None:
    for _ in range(days):
        world.at(patient, "07:00")
        world.phone(patient).expects(prompt())
        world.advance(minutes=20)
        world.reading(patient)


def test_someone_new_is_reminded_sooner_and_staff_hear_a_day_sooner(world: World) -> None:
    asha = world.patient("Asha", enrolled=timedelta(0))
    world.at(asha, "07:44")
    world.phone(asha).expects(prompt())
    world.at(asha, "07:45")
    world.phone(asha).expects(reminder())
    assert pace_today(world, asha) is Pace.NEW_HERE
    world.at(asha, "12:00")
    assert world.clinic.sees(asha).tasks == []
    world.advance(days=1)
    world.phone(asha).expects(prompt(), reminder())
    assert world.clinic.sees(asha).tasks == [TaskKind.SILENT]


def test_after_two_weeks_the_clinics_usual_steps_and_when_reliable_easier_ones(world: World) -> None:
    asha = world.patient("Asha", enrolled=timedelta(0))
    answers_for(world, asha, 13)
    assert pace_today(world, asha) is Pace.NEW_HERE
    answers_for(world, asha, 1)
    assert pace_today(world, asha) is None
    answers_for(world, asha, 8)
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    assert pace_today(world, asha) is Pace.ANSWERS_RELIABLY
    world.at(asha, "09:14")
    world.phone(asha).expects_nothing()
    world.at(asha, "09:15")  # halfway from half past eight to ten
    world.phone(asha).expects(reminder())


def test_after_a_hospital_stay_closer_again(world: World) -> None:
    asha = world.patient("Asha")
    answers_for(world, asha, 2)
    assert pace_today(world, asha) is None
    day = date(2026, 3, 4)
    world.pauses(asha, day, day + timedelta(days=2), PauseCause.IN_HOSPITAL)
    world.advance(days=3, hours=12)
    world.phone(asha).expects_nothing()
    world.at(asha, "07:45")
    world.phone(asha).expects(prompt(), reminder())
    assert pace_today(world, asha) is Pace.BACK_FROM_HOSPITAL


def test_steps_set_by_hand_for_one_patient_are_left_alone(world: World) -> None:
    from service.domain.steps import DEFAULT, as_json

    asha = world.patient("Asha", enrolled=timedelta(0), steps=as_json(DEFAULT))
    world.at(asha, "08:29")
    world.phone(asha).expects(prompt())
    world.at(asha, "08:30")
    world.phone(asha).expects(reminder())
    assert pace_today(world, asha) is None
