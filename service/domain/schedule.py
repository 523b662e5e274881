"""A plan told ahead: every window of a span of dates, with what the clocks do on the way.

Promises the same dates and instants as the worker will use, because it asks the
same rules. Knows only what is planned today: plans, zones and pauses may change.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from service.domain.localtime import day_bounds, is_lived
from service.domain.plan import PlanRule, next_date
from service.domain.windows import WindowTimes, times

_DAY = timedelta(days=1)
_SECOND = timedelta(seconds=1)


@dataclass(frozen=True)
class Planned:
    """One window ahead. `paused` days are not asked for."""

    day: date
    times: WindowTimes
    paused: bool


@dataclass(frozen=True)
class ClockChange:
    """A night on which the clocks of a zone change: at which instant, and by how much (forward is positive)."""

    day: date
    at: datetime
    by: timedelta


def planned(
    rule: PlanRule, zone: ZoneInfo, first: date, last: date, pauses: Sequence[tuple[date, date]] = ()
) -> Iterator[Planned]:
    """Every window from `first` to `last`, both included. `pauses` are date ranges, ends included."""
    day = next_date(rule, first - _DAY, zone)
    while day <= last:
        paused = any(begins <= day <= ends for begins, ends in pauses)
        yield Planned(day, times(rule, day, zone), paused)
        day = next_date(rule, day, zone)


def clock_changes(zone: ZoneInfo, first: date, last: date) -> list[ClockChange]:
    """The clock changes in `zone` on the dates from `first` to `last`."""
    found = []
    day = first
    while day <= last:
        start, end = day_bounds(day, zone)
        if is_lived(day, zone) and (before := _offset(start - _SECOND, zone)) != (
            after := _offset(end - _SECOND, zone)
        ):
            at = _change_between(start - _SECOND, end - _SECOND, zone)
            found.append(ClockChange(day, at, after - before))
        day += _DAY
    return found


def _offset(at: datetime, zone: ZoneInfo) -> timedelta:
    return at.astimezone(zone).utcoffset() or timedelta(0)


def _change_between(low: datetime, high: datetime, zone: ZoneInfo) -> datetime:
    before = _offset(low, zone)
    while high - low > _SECOND:
        middle = low + timedelta(seconds=int((high - low).total_seconds()) // 2)
        if _offset(middle, zone) == before:
            low = middle
        else:
            high = middle
    return high.astimezone(UTC)
