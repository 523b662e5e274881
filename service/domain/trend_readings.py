"""Several readings of one date, made into one.

Posture and hour change a pressure (day-to-day CV of mean PA pressure 7.0 % in
the morning, 14.9 % in the evening: Crnko 2021, Neth Heart J), so like is kept
with like: readings lying down before readings sitting, those near the patient's
usual hour before others, and of what is left the median. A date that has only
unlike readings keeps them, blurred: they count for less.
Promises the same result whatever order the readings came in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from service.domain.vocabulary import Posture

UNLIKE_HOURS = 6.0  # further from the usual hour than this is another time of day
OFF_HOUR = (14.9 / 7.0) ** 2  # times the variance
SITTING = 4.0  # times the variance; common practice, no source


@dataclass(frozen=True, slots=True)
class One:
    """One reading, mmHg; None where a pressure was not given. `hour` is local, 0 to 24."""

    diastolic: float | None
    mean: float | None
    systolic: float | None
    hour: float
    posture: Posture | None = None


@dataclass(frozen=True, slots=True)
class Combined:
    """One date. `blur` multiplies the variance of its pressures; `hour` is carried to the next date."""

    diastolic: float | None
    mean: float | None
    systolic: float | None
    blur: float
    hour: float


def combine(readings: Sequence[One], usual_hour: float | None) -> Combined:
    """The date's one set of pressures. Raises ValueError without a reading."""
    kept = list(readings)
    if len(kept) == 1 and kept[0].posture is not Posture.SITTING:  # nearly every date: nothing to choose
        one = kept[0]
        near = usual_hour is None or _apart(one.hour, usual_hour) <= UNLIKE_HOURS
        return Combined(one.diastolic, one.mean, one.systolic, 1.0 if near else OFF_HOUR, one.hour)
    lying = [one for one in kept if one.posture is not Posture.SITTING]
    kept = lying or kept
    if usual_hour is None:
        # The first date decides: the earliest reading, as most people measure on waking.
        usual_hour = min(one.hour for one in kept)
    alike = [one for one in kept if _apart(one.hour, usual_hour) <= UNLIKE_HOURS]
    kept = alike or kept
    hour = median(one.hour for one in kept)
    blur = (1.0 if lying else SITTING) * (1.0 if alike else OFF_HOUR)
    return Combined(
        _middle([one.diastolic for one in kept]),
        _middle([one.mean for one in kept]),
        _middle([one.systolic for one in kept]),
        blur,
        hour,
    )


def usual_after(usual_hour: float | None, combined: Combined) -> float:
    """The usual hour once this date counts too: a tenth of the way towards it, the short way round midnight."""
    if usual_hour is None:
        return combined.hour
    towards = (combined.hour - usual_hour + 12.0) % 24.0 - 12.0
    return (usual_hour + 0.1 * towards) % 24.0


def _apart(one: float, other: float) -> float:
    apart = abs(one - other) % 24.0
    return min(apart, 24.0 - apart)


def _middle(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if known else None
