"""The anchored reference: proposed from a settled fortnight, accepted or typed in by staff.

Promises that a reference, once there, never moves by itself, and that a proposal
says which days it was made from and how sure its mean is. The convention of a
mean of 14 days is Zile 2025, Circ Heart Fail 18:e012754.

The area over it, in mmHg-days: each day counts max(0, pressure − reference), with
the day's own reading where there is one and the filter's level where there is
none; days are added, not joined by trapezoids. Noise alone therefore adds a little
(about 0.4 standard deviations a day at the reference): compare a patient with
themselves. The same sum whatever order the readings came in.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from service.domain.signals.facts import AnchoredReference

Array = NDArray[np.float64]
SETTLED_SLOPE = 0.1  # mmHg a day: a fortnight that moves faster is no baseline; common practice, no source


@dataclass(frozen=True)
class Anchor:
    """Per channel and patient: the reference, or the readings that will make it. mmHg."""

    value: Array  # nan until there is one
    var: Array  # of that mean
    total: Array
    squares: Array
    count: Array
    first_day: NDArray[np.int64]  # ordinals of the days it is made from, per patient; 0 is none
    last_day: NDArray[np.int64]
    is_set: NDArray[np.bool_]  # by staff
    from_day: NDArray[np.int64]  # a set reference judges no day before this ordinal


def unanchored(channels: int, patients: int) -> Anchor:
    """No reading yet."""
    shape = (channels, patients)
    return Anchor(
        value=np.full(shape, np.nan),
        var=np.full(shape, np.nan),
        total=np.zeros(shape),
        squares=np.zeros(shape),
        count=np.zeros(shape),
        first_day=np.zeros(patients, dtype=np.int64),
        last_day=np.zeros(patients, dtype=np.int64),
        is_set=np.zeros(patients, dtype=np.bool_),
        from_day=np.zeros(patients, dtype=np.int64),
    )


def take(anchor: Anchor, readings: Array, day: int, days_wanted: int) -> Anchor:
    """Let a day's readings count towards references that are not there yet."""
    wanted = np.isnan(anchor.value) & ~anchor.is_set
    if not wanted.any():
        return anchor
    seen = wanted & ~np.isnan(readings)
    given = np.where(seen, readings, 0.0)
    count, total, squares = anchor.count + seen, anchor.total + given, anchor.squares + given * given
    done = seen & (count >= days_wanted)
    mean = np.divide(total, count, out=np.zeros_like(total), where=count > 0)
    spread = np.maximum(squares - count * mean * mean, 0.0) / np.maximum(count - 1, 1)
    any_seen = seen.any(axis=0)
    return Anchor(
        np.where(done, mean, anchor.value),
        np.where(done, spread / np.maximum(count, 1), anchor.var),
        total,
        squares,
        count,
        np.where(any_seen & (anchor.first_day == 0), day, anchor.first_day),
        np.where(any_seen, day, anchor.last_day),
        anchor.is_set,
        anchor.from_day,
    )


def proposal(days: list[date], values: list[float], wanted: int = 14) -> AnchoredReference | None:
    """The newest settled fortnight: `wanted` days with readings, at most 3 weeks apart, without a trend.

    For staff to accept or not; None where no such fortnight is among the days given (in order).
    """
    ordinals, pressures = np.array([day.toordinal() for day in days]), np.array(values, dtype=np.float64)
    for end in range(len(days), wanted - 1, -1):
        part, when = pressures[end - wanted : end], ordinals[end - wanted : end]
        if when[-1] - when[0] > wanted * 1.5:
            continue
        slope = float(np.polyfit(when - when[0], part, 1)[0])
        if abs(slope) <= SETTLED_SLOPE:
            sd = float(part.std(ddof=1)) / wanted**0.5
            return AnchoredReference(float(part.mean()), sd, days[end - wanted], days[end - 1], is_set=False)
    return None


PERIODS = (7, 30, 90)


def over_reference(values: Array, reference: Array | float) -> Array:
    """mmHg-days of [day, patient] values over the reference; nan days count nothing."""
    above = np.maximum(np.nan_to_num(values - reference, nan=0.0), 0.0)
    total: Array = above.sum(axis=0)
    return total


def days_above(values: Array, limit: Array | float) -> NDArray[np.int64]:
    """Days on which the value is above the limit."""
    with np.errstate(invalid="ignore"):
        counted: NDArray[np.int64] = (values > limit).sum(axis=0)
    return counted


def newest(ring: NDArray[np.float32], day: int, days: int) -> Array:
    """The last `days` rows of a ring that is indexed by day, oldest first."""
    rows = (day - np.arange(days - 1, -1, -1)) % len(ring)
    return ring[rows].astype(np.float64)
