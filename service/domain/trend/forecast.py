"""When the level will pass a limit, if it goes on as it does.

Promises an interval, not a date: the days are worked out for 81 evenly likely
pairs of level and pace, and the middle 80 % of them is told, the early end first.
Nothing is told where the late end is further away than anybody can see. The pace is that
of the last fortnight (least squares), mixed with how rises run that were published,
because a fortnight alone is little: PA diastolic 17 to 22 and mean PA pressure
27.8 to 32.6 mmHg over three to eight weeks (Zile 2008, Circulation 118:1433–41,
and the seated-PA cohort), about 0.05 to 0.25 mmHg a day. It is less sure than that, since
rises bend. One that bends towards a level of its own would be told for long of a limit it never
passes: where the last week goes more slowly than the fortnight, the days are marked `slowing`.
They still call for a look before the limit, but as days they are not told. How many of the
forecasts held on simulated rises that nobody treated, and how many crossings were foretold,
`deploy/bench calibration` prints.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from service.domain.arrays import Array
from service.domain.signals.facts import Forecast, PressureLimits

LOOK_AHEAD = 60  # days; further than that nobody can see
FORTNIGHT, WEEK = 14, 7
PUBLISHED_PACE, PUBLISHED_SPREAD = 0.15, 0.10  # mmHg a day
_ALIKE = 1.5  # neighbouring days' noise is alike, so a slope is less sure than independent days would make it
_FEWEST = 7  # days
_BENDS = 0.1  # mmHg a day: how much a pace changes until the limit is reached; assumed
_STEPS = np.array([NormalDist().inv_cdf((step + 0.5) / 9) for step in range(9)])


@dataclass(frozen=True, slots=True)
class PressurePace:
    """mmHg a day, signed, and its standard deviation."""

    mean: float
    sd: float
    slowing: bool = False


def pace(values: Array, noise: float, *, up: bool) -> PressurePace | None:
    """The pace of a break from the newest days' values [day] (nan: not known), noise in mmHg²; None if too few."""
    if (~np.isnan(values)).sum() < _FEWEST:
        return None
    seen, spread = _straight(values)
    seen_var = noise * _ALIKE / spread
    expected, expected_var = (PUBLISHED_PACE if up else -PUBLISHED_PACE), PUBLISHED_SPREAD**2
    var = 1.0 / (1.0 / seen_var + 1.0 / expected_var)
    way = 1.0 if up else -1.0
    slowing = way * _straight(values[-WEEK:])[0] < max(way * seen, 0.0)
    return PressurePace(var * (seen / seen_var + expected / expected_var), (var + _BENDS**2) ** 0.5, slowing)


def forecast(level: float, level_sd: float, going: PressurePace | None, limits: PressureLimits) -> Forecast | None:
    """Days to the upper limit when the level goes up, to the lower when it goes down; None if to neither.

    A limit that is passed already is told as 0 days, whichever way the level goes. None too where
    it is not sure enough that the limit is passed within `LOOK_AHEAD` days.
    """
    if limits.upper is not None and level > limits.upper:
        return Forecast(limits.upper, up=True, days=0.0, low=0.0, high=0.0)
    if limits.lower is not None and level < limits.lower:
        return Forecast(limits.lower, up=False, days=0.0, low=0.0, high=0.0)
    if going is None:
        return None
    up = going.mean > 0
    limit = limits.upper if up else limits.lower
    if limit is None:
        return None
    days = np.sort(_passing(level, level_sd, going, limit))
    low, middle, high = (float(days[round(share * (len(days) - 1))]) for share in (0.1, 0.5, 0.9))
    if high > LOOK_AHEAD:
        return None
    return Forecast(limit, up=up, days=middle, low=low, high=high, slowing=going.slowing)


def _straight(values: Array) -> tuple[float, float]:
    """The slope of the known days by least squares, a day, and the spread of their times; 0 where that is none."""
    known = ~np.isnan(values)
    if known.sum() < 2:
        return 0.0, 0.0
    when = np.flatnonzero(known).astype(np.float64)
    when -= when.mean()
    spread = float((when * when).sum())
    return float((when * values[known]).sum()) / spread, spread


def _passing(level: float, level_sd: float, going: PressurePace, limit: float) -> Array:
    """Days until each of the likely courses reaches the limit; inf where it never does."""
    way = 1.0 if going.mean > 0 else -1.0
    levels, paces = np.meshgrid(level + level_sd * _STEPS, going.mean + going.sd * _STEPS)
    missing, speed = (way * (limit - levels)).ravel(), (way * paces).ravel()
    days = np.full(len(missing), np.inf)
    np.divide(missing, speed, out=days, where=speed > 0)
    return np.where(missing <= 0, 0.0, days)
