"""Arrays of many patients, the patient along the last axis: their types, and what is done to all of them alike."""

from __future__ import annotations

from typing import overload

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]  # nan is "not known"
Flags = NDArray[np.bool_]
Days = NDArray[np.int64]  # proleptic ordinals; 0 is never
Bytes = NDArray[np.uint8]
PLACES = 6  # far below what is read, and the same however many patients were worked out at once


def or_nan(value: float | None) -> float:
    """A number for an array."""
    return np.nan if value is None else float(value)


@overload
def rounded(value: float) -> float: ...
@overload
def rounded(value: None) -> None: ...
@overload
def rounded(value: float | None) -> float | None: ...
def rounded(value: float | None) -> float | None:
    """To so many `PLACES`."""
    return None if value is None else round(value, PLACES)


def middle(values: Array) -> Array:
    """The median down the first axis, nan left out; nan where there is nothing."""
    ordered = np.sort(values, axis=0)
    count = (~np.isnan(values)).sum(axis=0)
    low, high = np.maximum((count - 1) // 2, 0), np.minimum(count // 2, len(values) - 1)
    everyone = np.arange(values.shape[1])
    found: Array = np.where(count > 0, (ordered[low, everyone] + ordered[high, everyone]) / 2, np.nan)
    return found
