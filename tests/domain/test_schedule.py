"""A plan told ahead, as text and as a calendar, read back by other libraries than ours.

References: dateutil.rrule (RFC 5545 recurrence), dateutil.tz (an independent reading
of the IANA rules), icalendar (RFC 5545 files), each file's own VTIMEZONE.
"""

from __future__ import annotations

import re
import uuid
from datetime import UTC, date, datetime, time, timedelta

import dateutil.tz
import pytest
from dateutil.rrule import rrulestr
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar

from service.domain.localtime import zone
from service.domain.plan import EVERY_DAY, PlanAhead, PlanRule, clock_changes, windows_ahead
from service.reports import calendars, yearsheet
from service.words.language import load_language
from tests.domain.zones import CHANGES, PLACES, Change, changes_of

DAY = timedelta(days=1)
ENGLISH = load_language("en")
MORNING = PlanRule(EVERY_DAY, time(7), time(8, 30), time(10))
FIRST = date(2026, 1, 1)
Instants = set[tuple[datetime, datetime]]


def ahead(rule: PlanRule, name: str, pauses: tuple[tuple[date, date], ...] = (), first: date = FIRST) -> PlanAhead:
    since = datetime.combine(first, time(12), zone(name))
    ids = uuid.UUID(int=7), uuid.UUID(int=8)
    return PlanAhead(*ids, "F-1", "en", zone(name), True, rule, since, since, "Fernmoor", pauses)


def read_back(file: bytes, name: str, horizon: datetime) -> Instants:
    """What somebody who knows only the standard makes of the file: (start, end) of each occurrence, UTC."""
    calendar = Calendar.from_ical(file)
    zones = {part["TZID"]: part.to_tz(lookup_tzid=False) for part in calendar.walk("VTIMEZONE")}
    found: Instants = set()
    for event in calendar.walk("VEVENT"):
        starts, ends = event["DTSTART"].dt, event["DTEND"].dt
        if "RRULE" not in event:
            found.add((starts.astimezone(UTC), ends.astimezone(UTC)))
            continue
        # A place on UTC is written with a Z, and has no TZID.
        place = zones[event["DTSTART"].params["TZID"]] if "TZID" in event["DTSTART"].params else UTC
        left_out = event.get("EXDATE", [])
        left_out = left_out if isinstance(left_out, list) else [left_out]
        exceptions = {one.dt.replace(tzinfo=None) for dates in left_out for one in dates.dts}
        until = event["RRULE"].get("UNTIL", [horizon])[0]
        text = re.sub(r";?UNTIL=\w+", "", event["RRULE"].to_ical().decode())
        first = starts.replace(tzinfo=None)
        length = _instant(ends.replace(tzinfo=None), place) - _instant(first, place)
        for wall in rrulestr(text, dtstart=first):
            at = _instant(wall, place)
            if at > min(until, horizon):
                break
            # "Nonexistent local time … MUST be ignored" (RFC 5545, 3.3.10); "the same exact duration" (3.8.5.3).
            exists = dateutil.tz.datetime_exists(wall.replace(tzinfo=dateutil.tz.gettz(name)))
            if wall not in exceptions and exists:
                found.add((at, at + length))
    return found


def _instant(wall: datetime, place: object) -> datetime:
    return wall.replace(tzinfo=place).astimezone(UTC)  # type: ignore[arg-type]


def ours(
    rule: PlanRule, name: str, last: date, pauses: tuple[tuple[date, date], ...] = (), first: date = FIRST
) -> Instants:
    some = windows_ahead(rule, zone(name), first, last, pauses)
    return {(one.times.opens_at, one.times.closes_at) for one in some if not one.paused}


def agree(rule: PlanRule, name: str, pauses: tuple[tuple[date, date], ...] = (), first: date = FIRST) -> None:
    last = first + 500 * DAY
    horizon = datetime.combine(last + 3 * DAY, time(), UTC)
    theirs = read_back(calendars.write(ahead(rule, name, pauses, first)), name, horizon)
    mine = ours(rule, name, last, pauses, first)
    upto = datetime.combine(last - DAY, time(), UTC)
    assert {pair for pair in theirs if pair[0] < upto} == {pair for pair in mine if pair[0] < upto}


@pytest.mark.parametrize("name", sorted({change.zone for change in CHANGES}))
def test_a_calendar_of_a_place_that_changes_its_clocks_says_what_the_worker_does(name: str) -> None:
    for rule in (
        MORNING,
        PlanRule(EVERY_DAY, time(0), time(1), time(6)),
        PlanRule(EVERY_DAY, time(2, 15), time(2, 30), time(2, 45)),
    ):
        agree(rule, name)


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from(PLACES),
    st.integers(1, EVERY_DAY),
    st.integers(0, 47),
    st.integers(1, 12),
    st.lists(st.tuples(st.integers(0, 400), st.integers(0, 30)), max_size=3),
)
def test_a_calendar_of_any_place_weekdays_hours_and_pauses_says_what_the_worker_does(
    name: str, weekdays: int, opens: int, length: int, breaks: list[tuple[int, int]]
) -> None:
    closes = min(opens + length, 48)
    at = [time(half // 2, 30 * (half % 2)) if half < 48 else time(23, 59) for half in (opens, closes)]
    rule = PlanRule(weekdays, at[0], at[0], at[1])
    agree(rule, name, tuple((FIRST + n * DAY, FIRST + (n + m) * DAY) for n, m in breaks))


def test_a_pause_until_told_ends_the_calendar_and_a_pause_that_ends_is_left_out() -> None:
    until_told = ((date(2026, 3, 1), date.max),)
    agree(MORNING, "Pacific/Auckland", until_told)
    file = calendars.write(ahead(MORNING, "Pacific/Auckland", until_told))
    assert file.count(b"EXDATE") == 0
    agree(MORNING, "Pacific/Auckland", ((date(2026, 3, 1), date(2026, 3, 4)), (date(2025, 12, 1), FIRST)))


def test_the_date_the_islands_left_out_is_in_no_calendar() -> None:
    agree(MORNING, "Pacific/Apia", first=date(2011, 12, 1))


def test_a_calendar_names_nobody_and_nothing_clinical() -> None:
    file = calendars.write(ahead(MORNING, "Europe/Madrid")).decode()
    assert {
        line for line in file.splitlines() if line.startswith(("SUMMARY", "DESCRIPTION", "LOCATION", "ATTENDEE"))
    } == {"SUMMARY:Fernmoor"}


@pytest.mark.parametrize("change", CHANGES, ids=str)
def test_clock_changes_are_found_on_their_dates_and_instants(change: Change) -> None:
    year = change.at.year
    found = clock_changes(zone(change.zone), date(year, 1, 2), date(year, 12, 30))
    known = changes_of(change.zone, datetime(year, 1, 2, tzinfo=UTC), datetime(year, 12, 30, tzinfo=UTC))
    # Two within one date cancel out and are nothing that a person would see on that date.
    assert [one.at for one in found] == [one.at for one in known]
    for one in found:
        before = (one.at - timedelta(seconds=1)).astimezone(zone(change.zone)).utcoffset()
        after = one.at.astimezone(zone(change.zone)).utcoffset()
        assert before is not None
        assert after is not None
        assert one.by == after - before


LINE = re.compile(
    r"  (?:\w{3}) +(?P<day>\d+)   +(?P<opens>\d\d:\d\d)\+? +(?P<due>\d\d:\d\d)\+? +(?P<closes>\d\d:\d\d)\+? +\w{3} +\d+ (?P<utc>\d\d:\d\d)"
)


@pytest.mark.parametrize("name", sorted({change.zone for change in CHANGES}))
def test_the_printed_year_says_what_the_wall_clock_says(name: str) -> None:
    place, year = dateutil.tz.gettz(name), 2026
    sheet = ahead(MORNING, name, first=date(2020, 1, 1))
    month, seen = 0, 0
    for line in yearsheet.write(ENGLISH, sheet, year).splitlines():
        assert len(line) <= 80
        if line.split(" ")[0] in ENGLISH.months:
            month = ENGLISH.months.index(line.split(" ")[0]) + 1
        if told := LINE.match(line):
            seen += 1
            day = date(year, month, int(told["day"]))
            assert line[2:5] == f"{day:%a}"
            assert (told["opens"], told["due"], told["closes"]) == ("07:00", "08:30", "10:00")
            utc = datetime.combine(day, time(7), place).astimezone(UTC)
            assert told["utc"] == f"{utc:%H:%M}"
    assert seen in {365, 366}


def test_the_printed_year_marks_clock_changes_and_pauses() -> None:
    # Lord Howe Island, 2026: 5 April back and 4 October forward by half an hour (IANA tz database, australasia).
    rule = PlanRule(EVERY_DAY, time(2), time(2, 15), time(3))
    pauses = ((date(2026, 3, 1), date(2026, 3, 1)),)
    text = yearsheet.write(
        ENGLISH,
        ahead(rule, "Australia/Lord_Howe", pauses, date(2026, 2, 27)),
        2026,
    )
    assert text.startswith(
        "Fernmoor F-1: plan for 2026, as it stands today\n"
        "Place: Australia/Lord_Howe\n"
        "Every day, 02:00 to 03:00, reading and diary\n"
        "Sun  5 April: clocks go back 30 minutes\n"
        "Sun  4 October: clocks go forward 30 minutes\n"
        "\n"
        "February 2026\n"
        "  day       opens   due     closes   opens (UTC)\n"
        "  Fri 27    02:00   02:15   03:00    Thu 26 15:00\n"
        "  Sat 28    02:00   02:15   03:00    Fri 27 15:00\n"
    )
    assert "  Sun  1    –       –       –                       pause\n" in text
    assert "  Sun  4    02:30   02:30   03:00    Sat  3 15:30   clocks go forward 30 minutes\n" in text


def test_a_year_before_the_enrolment_has_no_days() -> None:
    sheet = ahead(MORNING, "Europe/Madrid")
    assert "January" not in yearsheet.write(ENGLISH, sheet, 2025)
