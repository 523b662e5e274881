"""How often trouble came: events of heart failure a year before the sensor and since, each with its interval.

Promises counts and their uncertainty, and no comparison: one person's few events prove nothing of what the sensor did,
and an event that nobody entered is not counted. The interval is exact for events that come independently of one
another (Garwood 1936, Biometrika 28:437); those of one person come in clusters, so that it is rather too narrow. Models
of recurrent events (Andersen–Gill, negative binomial) compare groups, of which the service has none.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from math import exp, fsum, lgamma, log

DAYS_A_YEAR = 365.25
BEFORE = 365  # days before the sensor that are looked at
TAIL = 0.025  # on either side of a 95 % interval


@dataclass(frozen=True, slots=True)
class EventRate:
    """So many events in so many days; a year, with the 95 % interval."""

    events: int
    days: int
    a_year: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class AroundImplant:
    """Of the year before the sensor and of the time since, as they were entered."""

    implanted_on: date
    before: EventRate
    since: EventRate


def event_rate(events: int, days: int) -> EventRate:
    """The rate a year. Raises ValueError without a day."""
    if days <= 0 or events < 0:
        raise ValueError(f"{events} events in {days} days")
    years = days / DAYS_A_YEAR
    low = 0.0 if events == 0 else _mean(lambda mean: 1 - _at_most(events - 1, mean) < TAIL, events)
    high = _mean(lambda mean: _at_most(events, mean) > TAIL, events)
    return EventRate(events, days, events / years, low / years, high / years)


def around_implant(began_on: Sequence[date], implanted_on: date | None, today: date) -> AroundImplant | None:
    """None without events or a date of the implant: that nothing was entered is not that nothing was."""
    if not began_on or implanted_on is None or implanted_on >= today:
        return None
    before = sum(0 < (implanted_on - day).days <= BEFORE for day in began_on)
    since = sum(implanted_on <= day <= today for day in began_on)
    return AroundImplant(
        implanted_on, event_rate(before, BEFORE), event_rate(since, (today - implanted_on).days + 1)
    )  # fmt: skip


def _at_most(events: int, mean: float) -> float:
    """The probability of at most so many, of a Poisson distribution."""
    if mean <= 0:
        return 1.0
    return fsum(exp(number * log(mean) - mean - lgamma(number + 1)) for number in range(events + 1))


def _mean(is_below: Callable[[float], bool], events: int) -> float:
    """The mean at which `is_below` ends, by halving."""
    low, high = 0.0, 10.0 + 4.0 * events
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if is_below(middle) else (low, middle)
    return (low + high) / 2
