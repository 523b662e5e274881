"""Days on which the clock, the place or the worker is not what it was yesterday."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import select

from service.domain.steps import DEFAULT, as_json
from service.domain.vocabulary import MessageKind, WindowState
from service.enrolling.people import newest_move
from service.store.session import read_session
from service.store.tables import Checkin, Reading
from tests.world import Expected, World, nudge, prompt, reminder


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


def test_what_an_old_window_still_asks_keeps_quiet_hours_where_the_patient_is_now(world: World) -> None:
    world.begins("2026-03-02T05:00", "Pacific/Auckland")
    asha = world.patient("Asha", window=("07:00", "12:00"))
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    asha = world.moves(asha, "Australia/Brisbane")  # where half past eight is half past five
    world.at(asha, "05:59")
    world.phone(asha).expects_nothing()
    world.at(asha, "06:00")  # where the clinic's quiet hours end
    world.phone(asha).expects(reminder())
    world.reading(asha)


def test_a_zone_with_the_same_clocks_changes_no_agreed_hour(world: World) -> None:
    world.begins("2026-03-02T04:00", "Pacific/Auckland")
    asha = world.patient("Asha", window=("05:00", "10:00"))
    world.at(asha, "05:00")
    world.phone(asha).expects(prompt())
    asha = world.moves(asha, "Antarctica/McMurdo")  # keeps Auckland's time: IANA tz database, `backward`
    world.at(asha, "08:30")
    world.phone(asha).expects(reminder())
    world.reading(asha)


# Nights on which the clocks change there, by the IANA tz database (australasia, southamerica):
# Lord Howe by half an hour, Santiago at midnight, so that the day begins at one o'clock.
# The windows open at and within the time that is skipped or comes twice (tests/domain/test_windows.py has every zone).
NIGHTS = [
    ("Australia/Lord_Howe", "2026-04-04", "back", ("01:30", "02:00")),
    ("Australia/Lord_Howe", "2026-10-03", "forward", ("02:00", "02:15")),
    ("America/Santiago", "2026-04-04", "back", ("00:00", "00:30")),
    ("America/Santiago", "2026-09-05", "forward", ("00:00", "00:30")),
]


@pytest.mark.databases("sqlite")
@pytest.mark.parametrize(
    ("zone", "eve", "_way", "opens"), [(*night, opens) for *night, times in NIGHTS for opens in times]
)
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


@pytest.mark.parametrize(("zone", "eve", "way"), [night[:3] for night in NIGHTS])
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


def test_a_reading_that_arrives_after_a_move_belongs_to_the_day_it_was_taken_on(world: World) -> None:
    world.begins("2026-03-02T05:00", "Pacific/Auckland")
    asha = world.patient("Asha")
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    taken_at = world.now + timedelta(minutes=20)  # a quarter to eight in Auckland: Sunday evening in Madrid
    world.advance(minutes=30)
    asha = world.moves(asha, "Europe/Madrid")
    world.reading(asha, taken_at=taken_at)
    assert world.clinic.sees(asha).windows == [(date(2026, 3, 2), WindowState.ANSWERED)]
    # Without a window, the wall calendar of the place they lived in then.
    world.reading(asha, taken_at=taken_at - timedelta(hours=24))
    with read_session(world.engine) as session:
        days = set(session.scalars(select(Reading.local_date)))
    assert days == {date(2026, 3, 1), date(2026, 3, 2)}


def test_a_text_to_a_window_that_is_still_open_is_of_its_date(world: World) -> None:
    world.begins("2026-03-02T05:00", "Pacific/Auckland")
    asha = world.patient("Asha")
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    asha = world.moves(asha, "Europe/Madrid")  # where it is Sunday evening
    world.phone(asha).texts("82.4")
    world.phone(asha).expects(Expected(MessageKind.REPLY))
    with read_session(world.engine) as session:
        assert session.scalars(select(Checkin.local_date)).one() == date(2026, 3, 2)
    world.reading(asha)


def test_a_date_that_a_move_leaves_without_a_window_is_named(world: World) -> None:
    world.begins("2026-03-02T05:00", "America/Santiago")
    asha = world.patient("Asha", zone="America/Santiago")
    world.at(asha, "05:30")
    asha = world.moves(asha, "Pacific/Auckland")  # where Monday's hours were over long ago
    with read_session(world.engine) as session:
        move = newest_move(session, asha.id)
    assert move is not None
    assert (move.from_zone, move.to_zone, move.without_window) == (
        "America/Santiago",
        "Pacific/Auckland",
        ["2026-03-02"],
    )
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    assert [day for day, _ in world.clinic.sees(asha).windows] == [date(2026, 3, 3)]
    world.reading(asha)
