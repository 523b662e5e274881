"""How a clinic is doing, in numbers that it can act on.

Promises pure counting over facts: every number says what it was divided by, and
one that cannot be known is None, not zero. Ranks nobody and sets no target.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median

WEEK = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Share:
    """A part of a whole; both are shown."""

    part: int
    whole: int

    @property
    def percent(self) -> float | None:
        return 100 * self.part / self.whole if self.whole else None


@dataclass(frozen=True, slots=True)
class Waiting:
    """How many days passed between one thing and the next, for those where the next has come."""

    median_days: float | None
    known: int
    open: int  # the next has not come


@dataclass(frozen=True, slots=True)
class Span:
    """From a day to a day, inclusive; None is "still so"."""

    who: Hashable
    first: date
    last: date | None


def by_week(dated: Iterable[tuple[date, int, int]], first: date, weeks: int) -> list[Share]:
    """(date, part, whole) summed into weeks that begin on `first`'s weekday."""
    parts, wholes = [0] * weeks, [0] * weeks
    for day, part, whole in dated:
        index = (day - first).days // 7
        if 0 <= index < weeks:
            parts[index] += part
            wholes[index] += whole
    return [Share(part, whole) for part, whole in zip(parts, wholes, strict=True)]


def wait(
    begun: Iterable[tuple[Hashable, date]], came: Iterable[tuple[Hashable, date]], *, at_most: int | None = None
) -> Waiting:
    """Days from each beginning to the first thing on or after it that is the same person's.

    What came more than `at_most` days later belongs to something else.
    """
    later: dict[Hashable, list[date]] = {}
    for who, day in came:
        later.setdefault(who, []).append(day)
    days: list[int] = []
    waiting = 0
    for who, day in begun:
        after = [(next_day - day).days for next_day in later.get(who, []) if next_day >= day]
        first = min(after, default=None)
        if first is None or (at_most is not None and first > at_most):
            waiting += 1
        else:
            days.append(first)
    return Waiting(float(median(days)) if days else None, len(days), waiting)


def episodes(raised: Iterable[tuple[Hashable, date]], apart: int = 14) -> int:
    """How many episodes: signals of one person within `apart` days of the one before are the same episode."""
    count = 0
    last: dict[Hashable, date] = {}
    for who, day in sorted(raised, key=lambda pair: pair[1]):
        if who not in last or (day - last[who]).days > apart:
            count += 1
        last[who] = day
    return count


def per_100_patient_weeks(number: int, patient_days: int) -> float | None:
    """A count for every 100 patients watched for a week."""
    return number / (patient_days / 7) * 100 if patient_days else None


def days_inside(spans: Iterable[Span], first: date, last: date) -> int:
    """Days of all spans that lie between `first` and `last`, inclusive."""
    return sum(max(nights + 1, 0) for nights in _nights(spans, first, last))


def nights_inside(spans: Iterable[Span], first: date, last: date) -> int:
    """Nights that begin between `first` and `last`: a stay from Monday to Wednesday is two.

    A stay that still goes on has had the nights up to `last`.
    """
    return sum(max(nights, 0) for nights in _nights(spans, first, last))


def _nights(spans: Iterable[Span], first: date, last: date) -> Iterator[int]:
    for span in spans:
        yield (min(span.last or last, last) - max(span.first, first)).days
