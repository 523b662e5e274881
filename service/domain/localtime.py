"""Wall time to instants.

Promises that every local date has exactly one instant for a given wall time,
so a daily window can neither be doubled nor skipped by a clock change.
Does not know what is scheduled, nor what time it is now.

Reads ambiguous and missing wall times by PEP 495: `fold=0` is the offset before
a clock change, `fold=1` the one after it.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from functools import cache, lru_cache
from zoneinfo import ZoneInfo, available_timezones

from service.domain.validation import Refused

# Names a time zone database carries that say nothing about where a person lives.
_NOT_A_PLACE = frozenset({"Factory", "localtime", "posixrules"})
_MIDNIGHT = time(0)
_SECOND = timedelta(seconds=1)
_DAY = timedelta(days=1)


@cache
def zone(name: str) -> ZoneInfo:
    """The IANA zone called `name`. Raises Refused("zone", …) for any other text.

    Every zone asked for is kept: the standard library drops all but a few, and
    reading one again from disk costs more than a patient's whole tick.
    """
    if name not in _names():
        raise Refused("zone", name, "an IANA time zone name, such as Europe/Madrid")
    return ZoneInfo(name)


@lru_cache(maxsize=1 << 16)
def first_instant(day: date, at: time, zone: ZoneInfo) -> datetime:
    """The first UTC instant at which clocks in `zone` show `at` on `day`, or later.

    A wall time that occurs twice (clocks go back) is its first occurrence.
    One that does not occur (clocks go forward) is the first instant after the gap.
    Remembered: a thousand patients who share a zone and an hour cost one calculation.
    """
    wall = datetime.combine(day, at)
    instant = wall.replace(tzinfo=zone).astimezone(UTC)
    if _shown(instant, zone) == wall:
        return instant
    return _end_of_gap(wall, zone)


def local_date(instant: datetime, where: ZoneInfo | str) -> date:
    """The date that a calendar on the wall shows there at `instant` (aware); `where` is a zone, or its IANA name."""
    return instant.astimezone(zone(where) if isinstance(where, str) else where).date()


def offset(at: datetime, zone: ZoneInfo) -> timedelta:
    """By how much clocks in `zone` are ahead of UTC at `at`."""
    return at.astimezone(zone).utcoffset() or timedelta(0)


def later(now: datetime, last: datetime | None) -> datetime:
    """`now`, but after `last` even when the machine's clock was set back in between: of a record the newest counts."""
    return now if last is None else max(now, last + timedelta(microseconds=1))


def is_lived(day: date, zone: ZoneInfo) -> bool:
    """Whether `day` has any instant at all in `zone`.

    A place that moves across the date line leaves one out: 30 December 2011 in Apia.
    """
    return local_date(first_instant(day, _MIDNIGHT, zone), zone) == day


def day_bounds(day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """The first instant of `day` in `zone` and the first one of the day after, in UTC."""
    return first_instant(day, _MIDNIGHT, zone), first_instant(day + _DAY, _MIDNIGHT, zone)


def first_second(low: datetime, high: datetime, holds: Callable[[datetime], bool]) -> datetime:
    """The first instant, whole seconds after `low`, from which on it holds; it does at `high`, and not at `low`."""
    while high - low > _SECOND:
        middle = low + timedelta(seconds=int((high - low).total_seconds()) // 2)
        if holds(middle):
            high = middle
        else:
            low = middle
    return high


@cache
def _names() -> frozenset[str]:
    return frozenset(available_timezones()) - _NOT_A_PLACE


def _shown(instant: datetime, zone: ZoneInfo) -> datetime:
    return instant.astimezone(zone).replace(tzinfo=None)


def _end_of_gap(wall: datetime, zone: ZoneInfo) -> datetime:
    # In a gap the later offset gives an instant before the change and the earlier
    # one an instant at or after it. The first instant that shows `wall` or later
    # lies between them, on a whole second: no zone has ever changed on less.
    before = wall.replace(tzinfo=zone, fold=1, microsecond=0).astimezone(UTC) - _SECOND
    after = wall.replace(tzinfo=zone, fold=0).astimezone(UTC)
    after += timedelta(microseconds=-after.microsecond % 1_000_000)
    return first_second(before, after, lambda instant: _shown(instant, zone) >= wall)
