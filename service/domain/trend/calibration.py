"""How sure the level is, and how likely the pressure is up: the filter's own figures made to be true as often as said.

The filter takes readings of neighbouring days for independent and a rise for rare, so its
variance is too small, most of all while the pressure moves. What is said of a level goes by
three numbers more: the filter's standard deviation times a share; so many days of the slope,
by which the filter lags; and a part of what the last readings lie off the level, beyond one
reading's noise, since the filter is slow to believe them. The probability that the pressure is
up is a logistic function of the distance from the mean of some weeks ago, of the slope and of
the last readings, all in standard deviations.

The numbers below were made by `deploy/calibrating.py` on simulated patients of its seeds;
`deploy/bench calibration` says how often what is said is true of others, also of a generator
built otherwise. Of real patients they say nothing until `neaptide replay --days-out` has been
scored on a clinic's own.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from service.domain.arrays import Array
from service.domain.trend import reference

UP_BY = 2.0  # mmHg
SINCE, UNTIL = 56, 21  # days before, both counted in: the weeks against which "up" is meant
FEWEST = 14  # of those days known

SHARE = 0.860  # of the filter's standard deviation
LAG = 6.01  # days of the slope, whichever way it points
OFF = 0.50  # of what the last readings lie off the level, beyond one reading's standard deviation
LAST = 2  # days
EVEN, DISTANCE, SLOPE, NEWEST = -2.37, 2.34, 8.47, 0.95
UNSURE = 4.0  # times the level's variance, beside that of a reading
SUREST = 0.94  # more than this was never true as often as said


def level_sd(level_var: Array, slope: Array, noise: Array, off: Array) -> Array:
    """The level's standard deviation, mmHg, by the filter and `off_level`; 80 of 100 lie within `EIGHTY`."""
    sd: Array = width(level_var, slope, noise, off) @ np.array([SHARE, LAG, OFF])
    return sd


def width(level_var: Array, slope: Array, noise: Array, off: Array) -> Array:
    """What the standard deviation is made from, along a last axis: the filter's own, the slope, the last readings."""
    beyond = np.maximum(np.abs(off) - np.sqrt(noise), 0.0)
    return np.stack([np.sqrt(np.maximum(level_var, 0.0)), np.abs(slope), beyond], axis=-1)


def off_level(values: NDArray[np.float32], level: Array, day: int) -> Array:
    """How far the last days lie above the level, mmHg, of a ring by day; a day on which nothing is known lies on it."""
    off: Array = np.nan_to_num(reference.newest(values, day, LAST) - level).mean(axis=0)
    return off


def mean_before(values: NDArray[np.float32], day: int) -> Array:
    """The mean of the days `SINCE` to `UNTIL` before `day`, of a ring by day; nan where too few of them are known."""
    some = reference.newest(values, day - UNTIL, SINCE - UNTIL + 1)
    known = ~np.isnan(some)
    count = known.sum(axis=0)
    total = np.where(known, some, 0.0).sum(axis=0)
    return np.where(count >= FEWEST, total / np.maximum(count, 1), np.nan)


def probability_up(level: Array, level_var: Array, slope: Array, noise: Array, before: Array, off: Array) -> Array:
    """That the level is more than `UP_BY` above `before`; nan where that is. Pressures in mmHg, variances in mmHg²."""
    odds = evidence(level, level_var, slope, noise, before, off) @ np.array([EVEN, DISTANCE, SLOPE, NEWEST])
    probability: Array = np.minimum(1.0 / (1.0 + np.exp(-np.clip(odds, -30.0, 30.0))), SUREST)
    return probability


def evidence(level: Array, level_var: Array, slope: Array, noise: Array, before: Array, off: Array) -> Array:
    """What the probability is made from, along a last axis: one, the distance, the slope, the last readings."""
    # After a gap the level is less known, and so is its distance.
    distance = (level - before - UP_BY) / np.sqrt(noise + UNSURE * level_var)
    sd = np.sqrt(noise)
    return np.stack([np.ones_like(level), distance, slope / sd, off / sd], axis=-1)
