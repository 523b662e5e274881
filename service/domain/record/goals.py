"""Time in a goal's range: on how many days with a reading PA diastolic was within it, and how far above it otherwise.

Promises counts of what was read: a day without a reading is in neither number, nothing is interpolated, and days
on which the goal was not in force are left out. A goal is a clinician's; none is shipped.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from service.domain.signals.facts import Goal
from service.domain.trend.reference import PERIODS, area_over

SPANS = PERIODS  # days, as the engine tells the area over a level


@dataclass(frozen=True, slots=True)
class InRange:
    """The days of a span on which the goal was in force: read, within it (both ends included), and above it."""

    days: int  # of the span
    first: date  # the span's first day, or the goal's where that is later
    read: int
    within: int
    above: float | None  # mmHg-days above the upper end, each reading's day counted once; None where there is none
    is_cut: bool = False  # the goal was set within the span


def in_range(goal: Goal, values: Iterable[tuple[date, float | None]], today: date, days: int) -> InRange:
    """What the `days` up to `today` say. `values`: each day's PA diastolic, mmHg, None where there was no reading."""
    begin = today - timedelta(days=days - 1)
    first, last = max(begin, goal.from_day), min(today, goal.until)
    read = [value for day, value in values if value is not None and first <= day <= last]
    lower = float("-inf") if goal.lower is None else goal.lower
    upper = float("inf") if goal.upper is None else goal.upper
    above = None if goal.upper is None else round(float(area_over(np.array(read), goal.upper)), 1)
    within = sum(lower <= value <= upper for value in read)
    return InRange(days, first, len(read), within, above, first > begin)
