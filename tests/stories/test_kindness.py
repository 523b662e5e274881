"""Closer follow-up where it is needed, easier where it is not, and hours that suit."""

from __future__ import annotations

from datetime import date, time, timedelta

import pytest
from sqlalchemy import select

from service.care import pauses
from service.domain.localtime import local_date, zone
from service.domain.vocabulary import ActorKind, MessageKind, Pace, PauseCause, TaskKind
from service.enrolling import plans
from service.enrolling.plans import propose_hours
from service.store.audit import OPERATOR, Act, Actor
from service.store.session import read_session, write_session
from service.store.tables import Patient, Pause, Window
from service.words.sentences import review
from tests.inwords import ENGLISH
from tests.world import Expected, World, nudge, prompt, reminder

pytestmark = pytest.mark.databases("sqlite")

REPLY = Expected(MessageKind.REPLY)


@pytest.fixture(autouse=True)
def on_a_sunday_evening(world: World) -> None:
    world.begins("2026-03-01T20:00", "Pacific/Auckland")


def pace_today(world: World, patient: Patient) -> Pace | None:
    with read_session(world.engine) as session:
        newest = session.query(Window).filter_by(patient_id=patient.id).order_by(Window.local_date.desc()).first()
        assert newest is not None
        return newest.pace


def answers_for(world: World, patient: Patient, days: int) -> None:
    for _ in range(days):
        world.at(patient, "07:00")
        world.phone(patient).expects(prompt())
        world.advance(minutes=20)
        world.reading(patient)


@pytest.mark.databases("both")  # asks what no other test asks
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


@pytest.mark.databases("both")  # asks what no other test asks
def test_steps_set_by_hand_for_one_patient_are_left_alone(world: World) -> None:
    from service.domain.steps import DEFAULT, as_json

    asha = world.patient("Asha", enrolled=timedelta(0), steps=as_json(DEFAULT))
    world.at(asha, "08:29")
    world.phone(asha).expects(prompt())
    world.at(asha, "08:30")
    world.phone(asha).expects(reminder())
    assert pace_today(world, asha) is None


def test_a_hospital_stay_told_by_text_ends_with_closer_follow_up_that_ends_too(world: World) -> None:
    asha = world.patient("Asha")
    ben = world.caregiver(asha, "Ben")
    world.at(asha, "10:00")
    world.phone(asha).expects(prompt(), reminder())
    world.phone(ben).expects(nudge()).texts("2").expects(REPLY)
    world.advance(days=9)  # until told otherwise: nobody is asked anything
    world.phone(asha).expects_nothing()
    world.phone(ben).expects_nothing()
    with write_session(world.engine) as session:
        stay = session.scalars(select(Pause)).one()
        last = local_date(world.now, zone(asha.zone))
        pauses.end_pause(Act(session, OPERATOR, stay.clinic_id, world.now), stay, last)
    world.at(asha, "07:45")  # halfway to half past eight
    world.phone(asha).expects(prompt(), reminder())
    assert pace_today(world, asha) is Pace.BACK_FROM_HOSPITAL
    world.reading(asha)
    answers_for(world, asha, 13)
    assert pace_today(world, asha) is Pace.BACK_FROM_HOSPITAL  # the fourteenth day after it
    answers_for(world, asha, 1)
    assert pace_today(world, asha) is not Pace.BACK_FROM_HOSPITAL


def test_back_from_hospital_staff_hear_of_silence_a_day_sooner(world: World) -> None:
    asha = world.patient("Asha")
    answers_for(world, asha, 1)
    day = date(2026, 3, 3)
    world.pauses(asha, day, day, PauseCause.IN_HOSPITAL)
    world.advance(days=1, hours=12)
    world.at(asha, "10:00")
    world.phone(asha).expects(prompt(), reminder())
    assert world.clinic.sees(asha).tasks == []
    world.at(asha, "10:00")
    world.phone(asha).expects(prompt(), reminder())
    # The clinic's own number of silent days is three, as `enrol_clinic` sets it.
    assert world.clinic.sees(asha).tasks == [TaskKind.SILENT]


def test_who_answers_reliably_is_left_in_peace_longer_until_they_miss(world: World) -> None:
    asha = world.patient("Asha")
    ben = world.caregiver(asha, "Ben")
    answers_for(world, asha, 20)
    world.at(asha, "23:00")
    world.at(asha, "09:15")
    world.phone(asha).expects(prompt(), reminder())
    assert pace_today(world, asha) is Pace.ANSWERS_RELIABLY
    world.at(asha, "10:59")
    world.phone(ben).expects_nothing()
    world.at(asha, "11:00")  # an hour after the clinic's usual
    world.phone(ben).expects(nudge())
    world.at(asha, "08:30")  # the day after a miss, nobody is eased off any more
    world.phone(asha).expects(prompt(), reminder())
    assert pace_today(world, asha) is None
    world.reading(asha)


def test_a_usual_hour_is_proposed_and_changes_nothing_until_staff_use_it(world: World) -> None:
    asha = world.patient("Asha", window=("07:00", "12:00"))
    for _ in range(14):
        world.at(asha, "08:30")
        world.phone(asha).expects(prompt(), reminder())
        world.at(asha, "10:20")
        world.reading(asha)

    def proposed():
        with read_session(world.engine) as session:
            return propose_hours(session, asha.clinic_id, asha.id, world.now)

    found = proposed()
    assert found is not None
    assert (found.usual, found.readings) == (time(10, 19), 14)
    assert (found.rule.opens, found.rule.due) == (time(9, 15), time(10, 45))
    assert "would suit better" in review.hours(ENGLISH, found)
    for _ in range(3):  # proposed it stays, and the old hours stand
        world.at(asha, "07:00")
        world.phone(asha).expects(prompt())
        world.at(asha, "08:30")
        world.phone(asha).expects(reminder())
        world.at(asha, "10:20")
        world.reading(asha)
    with write_session(world.engine) as session:
        held, rule = session.get_one(Patient, asha.id), found.rule
        plans.set_plan(
            Act(session, Actor(ActorKind.STAFF), held.clinic_id, world.now),
            held,
            plans.NewPlan(rule.opens, rule.due, rule.closes),
        )
    assert proposed() is None
    world.at(asha, "09:14")
    world.phone(asha).expects_nothing()
    world.at(asha, "09:15")
    world.phone(asha).expects(prompt())
    world.at(asha, "10:20")
    world.reading(asha)
    world.at(asha, "23:00")
    world.phone(asha).expects_nothing()  # in time: no reminder


@pytest.mark.databases("both")  # asks what no other test asks
def test_nobody_with_no_habit_is_proposed_anything(world: World) -> None:
    asha = world.patient("Asha", window=("07:00", "20:00"), due="12:00")
    for n in range(12):
        world.at(asha, ("07:10", "13:00", "19:30")[n % 3])
        world.reading(asha)
        world.phone(asha).expects(*[prompt()] * len(world.phone(asha).unread()))
    with read_session(world.engine) as session:
        assert propose_hours(session, asha.clinic_id, asha.id, world.now) is None
