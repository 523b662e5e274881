"""Plain rules to compare with: one reading, a mean of five days, EWMA, CUSUM, and weight.

Each gives a number per day and patient that is compared with a threshold; told is
the day it goes above, and again only after it has been below. Every rule takes the
mean of the first 14 days with readings as its reference, as the engine does.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
REFERENCE_DAYS = 14


def reference(values: Array) -> tuple[Array, Array, Flags]:
    """Mean and sd of the first 14 readings, and the days from which it is known."""
    seen = ~np.isnan(values)
    order = np.cumsum(seen, axis=0)
    first = np.where(seen & (order <= REFERENCE_DAYS), values, np.nan)
    return np.nanmean(first, axis=0), np.nanstd(first, axis=0, ddof=1), order >= REFERENCE_DAYS


def crossings(number: Array, threshold: float, known: Flags) -> Flags:
    """The days on which the number goes above the threshold."""
    above = known & (number > threshold)
    new = above.copy()
    new[1:] &= ~above[:-1]
    return new


def one_reading(values: Array) -> Array:
    """mmHg over the reference; a day without a reading keeps the last one's."""
    base, _, _ = reference(values)
    return _held(values - base)


def mean_of_five(values: Array) -> Array:
    """Mean of the last five days, at least two of them read, over the reference."""
    base, _, _ = reference(values)
    known = ~np.isnan(values)
    total, count = _window(np.nan_to_num(values), 5), _window(known.astype(np.float64), 5)
    mean = np.divide(total, count, out=np.full_like(total, np.nan), where=count >= 2)
    return _held(mean - base)


def ewma(values: Array, target: Array, weight: float) -> Array:
    """Exponentially weighted moving average from the target (NIST/SEMATECH e-Handbook 6.3.2.4)."""
    course, level = np.empty_like(values), np.array(target, dtype=np.float64)
    for day, today in enumerate(values):
        level = np.where(np.isnan(today), level, weight * today + (1 - weight) * level)
        course[day] = level
    return course


def cusum(standard: Array, slack: float, start: float = 0.0, known: Flags | None = None) -> Array:
    """Upper CUSUM of standardised values (Lucas & Crosier 1982): S = max(0, S + x − k)."""
    course, total = np.empty_like(standard), np.full(standard.shape[1:], start)
    for day, today in enumerate(standard):
        total = np.where(np.isnan(today), total, np.maximum(0.0, total + today - slack))
        if known is not None:
            total = np.where(known[day], total, start)
        course[day] = total
    return course


def cusum_of(values: Array) -> Array:
    """CUSUM with the textbook k of half a standard deviation; starts again after 60 to let an alarm end."""
    base, sd, known = reference(values)
    course = cusum((values - base) / np.maximum(sd, 0.3), 0.5, known=known)
    return np.minimum(course, 60.0)


def ewma_of(values: Array) -> Array:
    """EWMA with λ = 0.2, in standard deviations of its own long-run spread."""
    base, sd, _ = reference(values)
    spread = np.maximum(sd, 0.3) * (0.2 / 1.8) ** 0.5
    found: Array = (ewma(values, base, 0.2) - base) / spread
    return found


def weight_in_three_days(weight: Array) -> Array:
    """kg more than three days ago: two weighings, as patients are told to compare."""
    change = np.full_like(weight, -np.inf)
    change[3:] = weight[3:] - weight[:-3]
    return np.where(np.isnan(change), -np.inf, change)


def _held(number: Array) -> Array:
    """A day that is not known keeps the number of the day before."""
    held = number.copy()
    held[0] = np.where(np.isnan(held[0]), -np.inf, held[0])
    for day in range(1, len(held)):
        held[day] = np.where(np.isnan(held[day]), held[day - 1], held[day])
    return held


def _window(values: Array, days: int) -> Array:
    total = np.cumsum(values, axis=0)
    total[days:] = total[days:] - total[:-days].copy()
    return total
