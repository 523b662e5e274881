"""How a clinic is doing, in numbers that it can act on.

Promises pure counting over facts: every number says what it was divided by, and
one that cannot be known is None, not zero. Ranks nobody and sets no target.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from statistics import median

EPISODE_DAYS = 14  # our own; no source
FEW = 5  # fewer than these tell nothing yet of how things go; our own, no source


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


def share(dated: Iterable[tuple[date, int, int]], first: date, last: date) -> Share:
    """(date, part, whole) summed from `first` to `last`, inclusive."""
    inside = [(part, whole) for day, part, whole in dated if first <= day <= last]
    return Share(sum(part for part, _ in inside), sum(whole for _, whole in inside))


def waits(
    begun: Iterable[tuple[Hashable, date]], came: Iterable[tuple[Hashable, date]], *, at_most: int
) -> list[tuple[date, int | None]]:
    """Of each beginning its day, and the days to the first thing on or after it that is the same person's.

    None where it has not come; what came more than `at_most` days later belongs to something else.
    """
    later: dict[Hashable, list[date]] = {}
    for who, day in came:
        later.setdefault(who, []).append(day)
    found = []
    for who, day in begun:
        first = min(((next_day - day).days for next_day in later.get(who, []) if next_day >= day), default=None)
        found.append((day, None if first is None or first > at_most else first))
    return found


def waiting(waited: Iterable[int | None]) -> Waiting:
    """Their median, of those that are over."""
    every = list(waited)
    over = [days for days in every if days is not None]
    return Waiting(float(median(over)) if over else None, len(over), len(every) - len(over))


def episodes(raised: Iterable[tuple[Hashable, date]], apart: int = EPISODE_DAYS) -> list[date]:
    """When each episode began: signals of one person within `apart` days of the one before are the same episode."""
    began = []
    last: dict[Hashable, date] = {}
    for who, day in sorted(raised, key=lambda pair: pair[1]):
        if who not in last or (day - last[who]).days > apart:
            began.append(day)
        last[who] = day
    return began


def per_100_patient_weeks(number: int, patient_days: int) -> float | None:
    """A count for every 100 patients watched for a week."""
    return number / (patient_days / 7) * 100 if patient_days else None


@dataclass(frozen=True, slots=True)
class Figures:
    """What was counted over `weeks` weeks."""

    weeks: int
    readings: Share
    reviews: Share
    first_contact: Waiting
    to_settled: Waiting
    signals: int
    episodes: int
    patient_days: int
    nights: int

    @property
    def patient_weeks(self) -> float:
        return self.patient_days / 7

    @property
    def signals_per_100(self) -> float | None:
        return per_100_patient_weeks(self.signals, self.patient_days)


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
