"""The day as people live it: prompt, reminder, nudge, task; and what stops them."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from service.domain.vocabulary import Lane, PauseCause, TaskKind, WindowState
from tests.faulty import Fault
from tests.world import World, nudge, prompt, reminder

SUNDAY, MONDAY = date(2026, 3, 1), date(2026, 3, 2)


@pytest.fixture(autouse=True)
def on_a_sunday_evening(world: World) -> None:
    world.begins("2026-03-01T20:00", "Pacific/Auckland")


def test_answered_in_time_is_one_message_and_a_quiet_day(world: World) -> None:
    asha = world.patient("Asha")
    ben = world.caregiver(asha, "Ben")

    world.at(asha, "07:00")
    world.phone(asha).expects(prompt("reading", "checkin")).follows_link().checks_in(weight=82.4)
    world.advance(minutes=10)
    world.reading(asha)
    world.advance(hours=12)

    world.phone(asha).expects_nothing()
    world.phone(ben).expects_nothing()
    seen = world.clinic.sees(asha)
    assert seen.windows == [(MONDAY, WindowState.ANSWERED)]
    assert seen.silences == []
    assert seen.tasks == []


def test_a_reading_that_came_early_is_not_asked_for(world: World) -> None:
    asha = world.patient("Asha")
    world.at(asha, "06:15")
    world.reading(asha)
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt("checkin"))
    world.at(asha, "08:30")
    world.phone(asha).expects_nothing()


def test_everything_came_early_and_the_telephone_stays_quiet(world: World) -> None:
    asha = world.patient("Asha")
    world.at(asha, "06:15")
    world.reading(asha)
    world.checks_in(asha)
    world.at(asha, "20:00")
    world.phone(asha).expects_nothing()
    assert world.clinic.sees(asha).windows == [(MONDAY, WindowState.ANSWERED)]


def test_reminded_and_then_the_reading_comes(world: World) -> None:
    asha = world.patient("Asha")
    ben = world.caregiver(asha, "Ben")
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    world.at(asha, "08:30")
    world.phone(asha).expects(reminder())
    world.at(asha, "09:10")
    world.reading(asha)
    world.at(asha, "12:00")
    world.phone(ben).expects_nothing()
    assert world.clinic.sees(asha).windows == [(MONDAY, WindowState.ANSWERED)]


def test_a_missed_reading_reaches_the_caregiver_once_and_an_answer_is_shown(world: World) -> None:
    asha = world.patient("Asha")
    ben = world.caregiver(asha, "Ben")
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    world.at(asha, "08:30")
    world.phone(asha).expects(reminder())
    world.at(asha, "10:00")
    world.phone(ben).expects(nudge()).follows_link().answers("spoke to them")

    seen = world.clinic.sees(asha)
    assert seen.silence is not None
    assert (seen.silence.cause.value, seen.silence.missed) == ("no_reply", 1)
    assert seen.tasks == [TaskKind.CAREGIVER_SAYS]
    world.at(asha, "22:00")
    world.phone(ben).expects_nothing()


def test_in_hospital_pauses_everything_from_then_on(world: World) -> None:
    asha = world.patient("Asha")
    ben = world.caregiver(asha, "Ben")
    world.at(asha, "10:00")
    world.phone(asha).expects(prompt(), reminder())
    world.phone(ben).expects(nudge()).follows_link().answers("in hospital")
    world.advance(days=3)
    world.phone(asha).expects_nothing()
    world.phone(ben).expects_nothing()
    seen = world.clinic.sees(asha)
    assert {state for _, state in seen.windows} == {WindowState.EXCUSED}
    assert seen.silences == []
    assert seen.adherence == (0, 0)


def test_nothing_is_asked_in_a_pause_and_the_day_after_it_is_as_any_other(world: World) -> None:
    asha = world.patient("Asha")
    world.pauses(asha, MONDAY, MONDAY + timedelta(days=1), PauseCause.AWAY)
    world.advance(days=2)
    world.phone(asha).expects_nothing()
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    assert [state.value for _, state in world.clinic.sees(asha).windows] == ["excused", "excused", "open"]


def test_consent_withdrawn_between_enqueue_and_send_stops_the_message(world: World) -> None:
    asha = world.patient("Asha")
    world.gateway.misbehave(Fault.TEMPORARY, times=1)
    world.at(asha, "07:00")  # the prompt is written, and the gateway refuses it for now
    world.phone(asha).expects_nothing()
    world.withdraws_consent(asha)
    world.at(asha, "20:00")
    world.phone(asha).expects_nothing()
    assert ("reminder", "no_consent") in world.clinic.sees(asha).reasons


def test_three_silent_days_are_one_task_and_the_patient_is_not_lost_from_sight(world: World) -> None:
    asha = world.patient("Asha")
    for _ in range(5):
        world.at(asha, "12:00")
        world.phone(asha).expects(prompt(), reminder())
    seen = world.clinic.sees(asha)
    assert seen.tasks == [TaskKind.SILENT]
    assert seen.silence is not None
    assert seen.silence.missed == 5
    assert seen.lane is Lane.NOT_HEARD_FROM
    world.reading(asha)
    assert world.clinic.sees(asha).silence is None


def test_a_late_reading_repairs_the_day_and_ends_the_silence(world: World) -> None:
    asha = world.patient("Asha")
    world.at(asha, "14:00")
    world.phone(asha).expects(prompt(), reminder())
    assert world.clinic.sees(asha).adherence == (0, 1)
    world.reading(asha, taken_at=world.now - timedelta(hours=6))
    seen = world.clinic.sees(asha)
    assert seen.adherence == (1, 1)
    assert seen.silences == []
    assert seen.windows == [(MONDAY, WindowState.ANSWERED)]
