"""Wall time ↔ instant, over every zone and every kind of clock change.

Sources: PEP 495 (what fold=0 and fold=1 mean), the IANA tz database as shipped
with Python's zoneinfo, and dateutil's own reading of the same rules as a second
implementation.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo, available_timezones

import dateutil.tz
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.localtime import day_bounds, first_instant, is_lived, local_date, zone
from service.domain.validation import Refused
from tests.domain.zones import CHANGES, PLACES, Change, instants

places = st.sampled_from(PLACES)
# dateutil reads the tables that end in 2037; before 1973 one zone still had seconds in its offset.
days = st.dates(date(1973, 1, 1), date(2036, 12, 31))
walls = st.times().map(lambda at: at.replace(microsecond=0))


def shown(instant: datetime, place: ZoneInfo) -> datetime:
    return instant.astimezone(place).replace(tzinfo=None)


@given(places, days, walls)
def test_the_instant_is_the_first_that_shows_the_wall_time_or_later(name: str, day: date, at: time) -> None:
    place, wall = zone(name), datetime.combine(day, at)
    instant = first_instant(day, at, place)
    assert instant.tzinfo is UTC
    assert shown(instant, place) >= wall
    for earlier in (timedelta(seconds=1), timedelta(minutes=30), timedelta(hours=1), timedelta(hours=2)):
        assert shown(instant - earlier, place) < wall


@given(places, days, walls)
def test_where_the_wall_time_exists_dateutil_names_the_same_instant(name: str, day: date, at: time) -> None:
    theirs = datetime.combine(day, at, tzinfo=dateutil.tz.gettz(name))
    if dateutil.tz.datetime_exists(theirs):
        assert first_instant(day, at, zone(name)) == theirs.astimezone(UTC)


@pytest.mark.parametrize("change", CHANGES, ids=str)
def test_every_clock_change_of_every_zone_forward_and_back(change: Change) -> None:
    place = zone(change.zone)
    before, after = shown(change.at - timedelta(seconds=1), place) + timedelta(seconds=1), shown(change.at, place)
    middle = min(before, after) + abs(after - before) / 2
    middle = middle.replace(microsecond=0)
    named = first_instant(middle.date(), middle.time(), place)
    if after > before:  # the clocks went forward: the wall time in the middle never showed
        assert named == change.at
    else:  # they went back: it showed twice, and the first time is before the change
        assert named < change.at
        assert shown(named, place) == middle
        assert shown(named + (before - after), place) == middle


@given(places, days)
def test_a_day_ends_where_the_next_begins_and_holds_only_itself(name: str, day: date) -> None:
    place = zone(name)
    start, end = day_bounds(day, place)
    if is_lived(day, place):
        assert local_date(start, place) == day
        assert start < end
    else:
        assert start == end
    assert local_date(end, place) > day


@pytest.mark.parametrize(
    ("day", "at", "name", "expected"),
    [
        # PEP 495's own examples, New York 2014/2015 (from memory): 01:30 twice, 02:30 never.
        (date(2014, 11, 2), time(1, 30), "America/New_York", "2014-11-02T05:30"),
        (date(2015, 3, 8), time(2, 30), "America/New_York", "2015-03-08T07:00"),
        # Lord Howe Island changes by half an hour (IANA tz database, australasia).
        (date(2026, 10, 4), time(2, 15), "Australia/Lord_Howe", "2026-10-03T15:30"),
        (date(2026, 4, 5), time(1, 45), "Australia/Lord_Howe", "2026-04-04T14:45"),
        # In Santiago the day of the change begins at one o'clock (southamerica).
        (date(2026, 9, 6), time(0, 0), "America/Santiago", "2026-09-06T04:00"),
        # Troll station moves by two hours (antarctica).
        (date(2026, 3, 29), time(1, 30), "Antarctica/Troll", "2026-03-29T01:00"),
        # Apia left out 30 December 2011: its wall times are the first instant of the 31st (australasia).
        (date(2011, 12, 30), time(7, 0), "Pacific/Apia", "2011-12-30T10:00"),
        # Kwajalein left out 21 August 1993 (australasia).
        (date(1993, 8, 21), time(7, 0), "Pacific/Kwajalein", "1993-08-21T12:00"),
    ],
)
def test_known_nights(day: date, at: time, name: str, expected: str) -> None:
    assert first_instant(day, at, zone(name)) == datetime.fromisoformat(f"{expected}+00:00")


@pytest.mark.parametrize(
    ("name", "day"), [("Pacific/Apia", date(2011, 12, 30)), ("Pacific/Kwajalein", date(1993, 8, 21))]
)
def test_a_date_that_was_left_out_was_not_lived_and_its_neighbours_were(name: str, day: date) -> None:
    assert [is_lived(day + timedelta(days=n), zone(name)) for n in (-1, 0, 1)] == [True, False, True]


@pytest.mark.parametrize("name", ["", "Mars/Base", "../etc/passwd", "Factory", "localtime", "Europe", "utc\x00"])
def test_a_name_that_is_no_place_is_refused(name: str) -> None:
    with pytest.raises(Refused) as refused:
        zone(name)
    assert refused.value.field == "zone"


def test_every_zone_of_the_database_is_known_and_kept() -> None:
    for name in available_timezones() - {"Factory", "localtime"}:
        assert zone(name) is zone(name)


@given(places, instants)
def test_the_local_date_is_the_one_whose_bounds_hold_the_instant(name: str, instant: datetime) -> None:
    place = zone(name)
    start, end = day_bounds(local_date(instant, place), place)
    # A day may be left and entered again within the hour when clocks go back at midnight.
    assert start <= instant < end + timedelta(hours=3)
