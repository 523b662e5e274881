"""Area over reference, in mmHg-days, and days above the limit.

The rule: each day counts max(0, pressure − reference), with the day's own
reading where there is one and the filter's level where there is none; days are
added, not joined by trapezoids. Noise alone therefore adds a little (about 0.4
standard deviations a day at the reference): compare a patient with themselves.
Promises the same sum whatever order the readings came in.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
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
