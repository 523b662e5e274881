"""When the level will pass a limit, if it goes on as it does.

Promises an interval, not a date: the days are worked out for 81 evenly likely
pairs of level and pace, and the middle 80 % of them is told. The pace is that of
the last fortnight (least squares), mixed with how rises run that were published,
because a fortnight alone is little: PA diastolic 17 to 22 and mean PA pressure
27.8 to 32.6 mmHg over three to eight weeks (Zile 2008, Circulation 118:1433–41,
and the seated-PA cohort), about 0.05 to 0.25 mmHg a day.
On simulated rises the interval held the true day in about 85 of 100 (tests/bench).
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from service.domain.signals.facts import Forecast, PressureLimits

Array = NDArray[np.float64]
LOOK_AHEAD = 60  # days; further than that nobody can see
FORTNIGHT = 14
PUBLISHED_PACE, PUBLISHED_SPREAD = 0.15, 0.10  # mmHg a day
_ALIKE = 1.5  # neighbouring days' noise is alike, so a slope is less sure than independent days would make it
_FEWEST = 7  # days
_STEPS = np.array([NormalDist().inv_cdf((step + 0.5) / 9) for step in range(9)])


@dataclass(frozen=True, slots=True)
class PressurePace:
    """mmHg a day, signed, and its standard deviation."""

    mean: float
    sd: float


def pace(values: Array, noise: float, *, up: bool) -> PressurePace | None:
    """The pace of a break from the newest days' values [day] (nan: not known), noise in mmHg²; None if too few."""
    known = ~np.isnan(values)
    if known.sum() < _FEWEST:
        return None
    when, pressure = np.flatnonzero(known).astype(np.float64), values[known]
    when -= when.mean()
    spread = float((when * when).sum())
    seen, seen_var = float((when * pressure).sum()) / spread, noise * _ALIKE / spread
    expected, expected_var = (PUBLISHED_PACE if up else -PUBLISHED_PACE), PUBLISHED_SPREAD**2
    var = 1.0 / (1.0 / seen_var + 1.0 / expected_var)
    return PressurePace(var * (seen / seen_var + expected / expected_var), var**0.5)


def forecast(level: float, level_sd: float, going: PressurePace | None, limits: PressureLimits) -> Forecast | None:
    """Days to the upper limit when the level goes up, to the lower when it goes down; None if to neither.

    A limit that is passed already is told as 0 days, whichever way the level goes.
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
    if middle > LOOK_AHEAD:
        return None
    return Forecast(limit, up=up, days=middle, low=low, high=high if high <= LOOK_AHEAD else None)


def _passing(level: float, level_sd: float, going: PressurePace, limit: float) -> Array:
    """Days until each of the likely courses reaches the limit; inf where it never does."""
    way = 1.0 if going.mean > 0 else -1.0
    levels, paces = np.meshgrid(level + level_sd * _STEPS, going.mean + going.sd * _STEPS)
    missing, speed = (way * (limit - levels)).ravel(), (way * paces).ravel()
    days = np.full(len(missing), np.inf)
    np.divide(missing, speed, out=days, where=speed > 0)
    return np.where(missing <= 0, 0.0, days)
