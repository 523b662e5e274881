"""Moves from zone to zone: every instant has one date, and a window's hours decide it, whatever the clocks do.

Checked against the wall: the `zoneinfo` of the standard library over the IANA tz database, instant by
instant, and against dates written out by hand where a clock change or the date line lies in the way.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from service.domain.moves import Lived, OpenHours, without_window
from service.domain.plan import PlanRule, next_opening, window_times

ZONES = [
    ZoneInfo(name)
    for name in (
        "Pacific/Auckland", "Pacific/Kiritimati", "Pacific/Honolulu", "Pacific/Apia", "Europe/London", "Europe/Madrid",
        "Asia/Kathmandu", "Australia/Lord_Howe", "America/Santiago", "America/St_Johns", "Africa/Casablanca",
    )
]  # fmt: skip
zones = st.sampled_from(ZONES)
instants = st.integers(0, 2 * 365 * 24 * 3600).map(
    lambda second: datetime(2026, 1, 1, tzinfo=UTC) + timedelta(seconds=second)
)
RULES = [
    PlanRule(0b1111111, time(7), time(8, 30), time(10)),
    PlanRule(0b0010101, time(0), time(2), time(4)),
    PlanRule(0b1111111, time(18), time(20), time(23, 30)),
]
rules = st.sampled_from(RULES)
DAY = timedelta(days=1)


def lived_through(
    rule: PlanRule, was: ZoneInfo, now: ZoneInfo, moved: datetime
) -> tuple[Lived, list[OpenHours], list[date]]:
    """Four days before a move and four after it, as the worker opens windows; and the dates left without one."""
    windows: dict[date, OpenHours] = {}

    def opens(zone: ZoneInfo, at: datetime, until: datetime) -> date:
        day, opens_at = next_opening(rule, zone, at)
        while opens_at <= until:
            times = window_times(rule, day, zone)
            windows.setdefault(day, OpenHours(times.opens_at, times.closes_at, day))
            day, opens_at = next_opening(rule, zone, max(opens_at, times.opens_at))
        return day

    expected = opens(was, moved - 4 * DAY, moved)
    following, _ = next_opening(rule, now, moved)
    left = without_window(rule, expected, following, set(windows))
    opens(now, moved, moved + 4 * DAY)
    every = sorted(windows.values(), key=lambda window: window.opens_at)
    return Lived(now, ((moved, was),), every), every, left


@given(rules, zones, zones, instants, st.integers(-3 * 1440, 3 * 1440))
def test_an_instant_in_a_windows_hours_is_that_windows_and_else_the_calendars_on_the_wall(
    rule: PlanRule, was: ZoneInfo, now: ZoneInfo, moved: datetime, minutes: int
) -> None:
    lived, windows, _ = lived_through(rule, was, now, moved)
    at = moved + timedelta(minutes=minutes)
    wall = at.astimezone(was if at < moved else now).date()
    within = [window.day for window in windows if window.opens_at <= at < window.closes_at]
    day = lived.date_of(at)
    assert day in within if within else day == wall
    if wall in within:
        assert day == wall


@given(rules, zones, zones, instants)
def test_no_planned_date_around_a_move_is_lost_without_a_word(
    rule: PlanRule, was: ZoneInfo, now: ZoneInfo, moved: datetime
) -> None:
    _, windows, left = lived_through(rule, was, now, moved)
    opened = [window.day for window in windows]
    assert len(opened) == len(set(opened))
    assert not set(left) & set(opened)
    planned = {opened[0] + n * DAY for n in range((max(opened) - min(opened)).days + 1)} if opened else set()
    silent = {day for day in planned if rule.weekdays >> day.weekday() & 1} - set(opened) - set(left)
    assert silent == set()


@given(zones, instants)
def test_who_never_moved_lives_by_the_wall(zone: ZoneInfo, at: datetime) -> None:
    assert Lived(zone).date_of(at) == at.astimezone(zone).date()


def test_of_two_moves_the_one_between_counts() -> None:
    first, second = datetime(2026, 3, 1, tzinfo=UTC), datetime(2026, 3, 5, tzinfo=UTC)
    auckland, madrid, santiago = (ZoneInfo(name) for name in ("Pacific/Auckland", "Europe/Madrid", "America/Santiago"))
    lived = Lived(santiago, ((first, auckland), (second, madrid)))
    assert lived.zone_at(first - timedelta(seconds=1)) is auckland
    assert lived.zone_at(first) is madrid
    assert lived.zone_at(second) is santiago


def test_a_date_that_the_date_line_takes_away_is_named() -> None:
    # Honolulu (UTC-10) to Kiritimati (UTC+14): the same clock, a day on. Eight in the evening of the first of
    # March is eight in the evening of the second, whose morning is over.
    moved = datetime(2026, 3, 2, 6, tzinfo=UTC)
    _, windows, left = lived_through(RULES[0], ZoneInfo("Pacific/Honolulu"), ZoneInfo("Pacific/Kiritimati"), moved)
    assert left == [date(2026, 3, 2)]
    assert date(2026, 3, 3) in [window.day for window in windows]
