"""Days on which the clock, the place or the worker is not what it was yesterday."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest

from service.domain.steps import DEFAULT, as_json
from service.domain.vocabulary import WindowState
from tests.world import World, nudge, prompt, reminder


def test_a_worker_down_for_nine_hours_floods_nobody_and_says_that_we_did_not_ask(world: World) -> None:
    world.begins("2026-03-02T05:00", "Pacific/Auckland")
    asha = world.patient("Asha")
    ben = world.caregiver(asha, "Ben")
    world.worker_stops()
    world.at(asha, "06:30")
    world.advance(hours=9)
    world.worker_starts()
    world.phone(asha).expects_nothing()
    world.phone(ben).expects_nothing()
    seen = world.clinic.sees(asha)
    assert seen.windows == [(date(2026, 3, 2), WindowState.MISSED)]
    assert seen.silence is not None
    assert seen.silence.cause.value == "not_asked"
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())


def test_a_worker_that_comes_back_while_the_window_is_open_asks_once(world: World) -> None:
    world.begins("2026-03-02T05:00", "Pacific/Auckland")
    asha = world.patient("Asha", window=("07:00", "16:00"), due="09:00")
    world.worker_stops()
    world.at(asha, "06:00")
    world.advance(hours=9)
    world.worker_starts()
    world.phone(asha).expects(reminder())


def test_a_worker_that_stops_after_the_prompt_still_nudges_on_the_same_day(world: World) -> None:
    world.begins("2026-03-02T05:00", "Pacific/Auckland")
    asha = world.patient("Asha")
    ben = world.caregiver(asha, "Ben")
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    world.worker_stops()
    world.advance(hours=9)
    world.worker_starts()
    world.phone(ben).expects(nudge())
    world.phone(asha).expects_nothing()
    seen = world.clinic.sees(asha)
    assert seen.silence is not None
    assert seen.silence.cause.value == "no_reply"


def test_a_nudge_that_falls_into_quiet_hours_waits_for_the_morning(world: World) -> None:
    world.begins("2026-03-02T12:00", "Pacific/Auckland")
    asha = world.patient("Asha", window=("18:00", "21:00"), due="20:00")
    ben = world.caregiver(asha, "Ben")
    world.at(asha, "21:00")
    world.phone(asha).expects(prompt(), reminder())
    world.at(asha, "23:30")
    world.phone(ben).expects_nothing()
    world.at(asha, "05:59")
    world.phone(ben).expects_nothing()
    world.at(asha, "06:00")
    world.phone(ben).expects(nudge())


def test_a_patient_who_moves_is_asked_at_the_new_places_seven_and_never_twice_for_a_date(world: World) -> None:
    world.begins("2026-03-02T05:00", "Pacific/Auckland")
    asha = world.patient("Asha")
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    world.reading(asha)
    asha = world.moves(asha, "Europe/Madrid")  # where it is still Sunday evening, the first of March
    world.at(asha, "12:00")
    # Monday was opened, and answered, before the flight: it is not asked for again.
    world.phone(asha).expects_nothing()
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    days = [day for day, _ in world.clinic.sees(asha).windows]
    assert days == [date(2026, 3, 2), date(2026, 3, 3)]


def test_a_move_while_a_window_is_open_leaves_that_window_as_it_was(world: World) -> None:
    world.begins("2026-03-02T05:00", "Pacific/Auckland")
    asha = world.patient("Asha")
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    opened = world.now
    asha = world.moves(asha, "America/Santiago")
    world.until(opened + timedelta(hours=3))
    world.phone(asha).expects(reminder())
    assert world.clinic.sees(asha).windows == [(date(2026, 3, 2), WindowState.MISSED)]


# Nights on which the clocks change there, by the IANA tz database (australasia, southamerica):
# Lord Howe by half an hour, Santiago at midnight, so that the day begins at one o'clock.
NIGHTS = [
    ("Australia/Lord_Howe", "2026-04-04", "back"),
    ("Australia/Lord_Howe", "2026-10-03", "forward"),
    ("America/Santiago", "2026-04-04", "back"),
    ("America/Santiago", "2026-09-05", "forward"),
]


@pytest.mark.parametrize(("zone", "eve", "_way"), NIGHTS)
@pytest.mark.parametrize("opens", ["00:00", "00:30", "01:30", "02:00", "02:15"])
def test_a_window_in_the_night_of_a_clock_change_opens_once_each_day(
    world: World, zone: str, eve: str, _way: str, opens: str
) -> None:
    # Someone on night shifts, who has asked for it; the clinic keeps no quiet hours then.
    from datetime import time

    world.begins(f"{eve}T12:00", zone)
    world.opens_clinic(zone, quiet_from=time(12), quiet_until=time(13))
    asha = world.patient("Asha", zone=zone, window=(opens, "06:00"), due="05:00", steps=as_json(DEFAULT))
    first = date.fromisoformat(eve) + timedelta(days=1)
    for day in range(3):
        world.at(asha, "04:00")
        world.phone(asha).expects(prompt())
        world.reading(asha)
        seen = world.clinic.sees(asha)
        assert seen.windows[-1] == (first + timedelta(days=day), WindowState.ANSWERED)
        assert len(seen.windows) == day + 1
    assert world.clinic.sees(asha).adherence == (3, 3)


@pytest.mark.parametrize(("zone", "eve", "way"), NIGHTS)
def test_seven_oclock_is_seven_oclock_the_morning_after(world: World, zone: str, eve: str, way: str) -> None:
    world.begins(f"{eve}T05:00", zone)
    asha = world.patient("Asha", zone=zone)
    prompted: list[datetime] = []
    for _ in range(2):
        world.at(asha, "07:00")
        world.phone(asha).expects(prompt())
        world.reading(asha)
        prompted.append(world.now)
    change = timedelta(minutes=30) if "Lord_Howe" in zone else timedelta(hours=1)
    expected = timedelta(days=1) + (change if way == "back" else -change)
    assert prompted[1] - prompted[0] == expected
