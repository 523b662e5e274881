"""Pressure readings: units, plausibility, and what makes two of them the same.

Promises that a reading which cannot be true is refused by field, value and what
is accepted, and that one which is merely odd is kept with a remark. Does not say
whether a pressure is good or bad: limits are the clinician's.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from types import MappingProxyType
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from service.domain.validation import Refused, is_storable, not_within
from service.domain.vocabulary import Posture, Source

V = TypeVar("V", float, NDArray[np.float64])

# NIST SP 811 (2008), appendix B.8: conventional mmHg and cmH2O in pascal.
MMHG_IN_PASCAL = 133.322387415
CMH2O_IN_PASCAL = 98.0665
MMHG = "mm[Hg]"
UNITS: Mapping[str, float] = MappingProxyType(
    {  # UCUM code → mmHg in one of it; and how everybody else writes the first
        MMHG: 1.0,
        "mmHg": 1.0,
        "cm[H2O]": CMH2O_IN_PASCAL / MMHG_IN_PASCAL,
        "kPa": 1000.0 / MMHG_IN_PASCAL,
    }
)
KG_IN_POUND = 0.45359237  # exact, NIST SP 811, appendix B.8
KG, POUNDS = "kg", "[lb_av]"  # UCUM
UNITS_OF_WEIGHT: Mapping[str, float] = MappingProxyType({KG: 1.0, POUNDS: KG_IN_POUND})

# Wide bounds on what a sensor in a living person can report. Common practice, no source.
RANGES: Mapping[str, tuple[float, float, str]] = MappingProxyType(
    {
        "pa_systolic": (2.0, 200.0, "mmHg"),
        "pa_diastolic": (-5.0, 150.0, "mmHg"),
        "pa_mean": (-5.0, 180.0, "mmHg"),
        "heart_rate": (20.0, 300.0, "beats a minute"),
    }
)
# What no unit takes more of: the least and the most of each range, as a number in whichever unit.
IN_ANY_UNIT: Mapping[str, tuple[float, float]] = MappingProxyType({
    name: (
        math.floor(100 * min(least / factor for factor in factors)) / 100,
        math.ceil(100 * max(most / factor for factor in factors)) / 100,
    )
    for name, (least, most, unit) in RANGES.items()
    for factors in [UNITS.values() if unit == "mmHg" else (1.0,)]
})  # fmt: skip
# History from before enrolment is welcome; an instant before this is a clock that lost its battery.
EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
BEGINS = EARLIEST.isoformat()
CLOCK_SKEW = timedelta(minutes=5)
# Kept to a hundredth of a mmHg: finer than any sensor, coarse enough that a value sent
# again in another unit is recognised as the same.
KEPT_DECIMALS = 2
# Beyond these a pressure stands in the wrong column more often than it is true: systolic pressures of living people are
# above the first in mmHg and below the last in kPa; so are means and the second. Common practice, no source.
LEAST_SYSTOLIC, LEAST_MEAN, MOST_KPA = 10.0, 5.0, 15.0
SMALL_PULSE = 4.0  # mmHg between systolic and diastolic; common practice, no source
MEAN_SLACK = 0.05  # mmHg of rounding forgiven when a measured mean sits on the edge
LONGEST_SOURCE_REF = 80


@dataclass(frozen=True, slots=True)
class NewReading:
    """A reading as it was sent. Pressures are in `unit` (UCUM), heart rate in beats a minute.

    `patient` is the patient's id or the clinic's own reference for them.
    `supersedes` is the id of the reading that this one corrects.
    """

    patient: uuid.UUID | str
    taken_at: datetime
    pa_systolic: float | None
    pa_diastolic: float | None
    pa_mean: float | None = None
    heart_rate: float | None = None
    unit: str = MMHG
    posture: Posture | None = None
    source: Source = Source.API
    source_ref: str | None = None
    supersedes: uuid.UUID | None = None


@dataclass(slots=True)
class CheckedReading:
    """A believable reading: pressures in mmHg, the instant in UTC, remarks on what is odd about it."""

    taken_at: datetime
    pa_systolic: float | None  # None only where a reading was checked in part
    pa_diastolic: float | None
    pa_mean: float | None
    mean_is_derived: bool
    heart_rate: float | None
    remarks: list[str]


def to_mmhg(value: V, unit: str) -> V:
    """A number, or an array of them, in mmHg. `unit` is a UCUM code.

    Raises Refused("pressure_unit", …) for any other unit.
    """
    try:
        return value * UNITS[unit]
    except KeyError:
        raise Refused("pressure_unit", unit, "one of %(words)s", words=tuple(UNITS)) from None


def to_kg(value: float, unit: str) -> float:
    """`value` in kilograms. `unit` is a UCUM code; raises Refused("weight_unit", …) for another."""
    try:
        return value * UNITS_OF_WEIGHT[unit]
    except KeyError:
        raise Refused("weight_unit", unit, "one of %(words)s", words=tuple(UNITS_OF_WEIGHT)) from None


def mean_of(systolic: V, diastolic: V) -> V:
    """The mean estimated from the other two: (S + 2 D) / 3. Used only where none was measured."""
    return (systolic + 2.0 * diastolic) / 3.0


def checked(new: NewReading, now: datetime, *, in_part: bool = False) -> CheckedReading:
    """The reading in mmHg, if it can be true; a mean that was not measured is estimated from the other two.

    `in_part` is for past data: one pressure is enough then, and those not given stay None.
    Raises Refused.
    """
    taken_at = _instant(new.taken_at, now)
    systolic = None if in_part and new.pa_systolic is None else _pressure("pa_systolic", new.pa_systolic, new.unit)
    diastolic = None if in_part and new.pa_diastolic is None else _pressure("pa_diastolic", new.pa_diastolic, new.unit)
    mean = None if new.pa_mean is None else _pressure("pa_mean", new.pa_mean, new.unit)
    if systolic is None and diastolic is None and mean is None:
        raise Refused("pa_diastolic", None, "at least one pressure")
    _ask_for_the_unit(new)
    low, high = -math.inf if diastolic is None else diastolic, math.inf if systolic is None else systolic
    if high < low:
        raise Refused(
            "pa_systolic", new.pa_systolic, "not below the diastolic pressure, %(least)s", least=new.pa_diastolic
        )
    if mean is not None and not low - MEAN_SLACK <= mean <= high + MEAN_SLACK:
        raise Refused("pa_mean", new.pa_mean, "from the diastolic to the systolic pressure, %(ends)s", ends=_ends(new))
    if mean is None and systolic is not None and diastolic is not None:
        mean = round(mean_of(systolic, diastolic), KEPT_DECIMALS)
    rate = None if new.heart_rate is None else _in_range("heart_rate", new.heart_rate, 1.0)
    _check_source_ref(new.source_ref)
    remarks = _remarks(new.posture, high - low, taken_at > now)
    return CheckedReading(taken_at, systolic, diastolic, mean, new.pa_mean is None, rate, remarks)


def says_nothing_new(repeat: CheckedReading, current: CheckedReading) -> bool:
    """Whether `repeat`, of the same instant as `current`, tells nothing that `current` does not.

    What the repeat leaves out (mean, heart rate) does not make it another reading.
    """
    return (
        repeat.pa_systolic == current.pa_systolic
        and repeat.pa_diastolic == current.pa_diastolic
        and (repeat.mean_is_derived or (repeat.pa_mean == current.pa_mean and not current.mean_is_derived))
        and (repeat.heart_rate is None or repeat.heart_rate == current.heart_rate)
    )


def _instant(taken_at: datetime, now: datetime) -> datetime:
    if taken_at.tzinfo is None:
        raise Refused("taken_at", taken_at.isoformat(), "an instant with its offset, such as 2026-03-01T07:12:00+01:00")
    try:
        instant = taken_at.astimezone(UTC)
    except OverflowError:
        raise Refused("taken_at", taken_at.isoformat(), "an instant from %(earliest)s on", earliest=BEGINS) from None
    if instant > now + CLOCK_SKEW:
        raise Refused("taken_at", taken_at.isoformat(), "an instant that is not in the future")
    if instant < EARLIEST:
        raise Refused("taken_at", taken_at.isoformat(), "an instant from %(earliest)s on", earliest=BEGINS)
    return instant


def _pressure(field: str, value: float | None, unit: str) -> float:
    return round(_in_range(field, value, to_mmhg(1.0, unit), unit), KEPT_DECIMALS)


def _ask_for_the_unit(new: NewReading) -> None:
    """Raises Refused with the question that settles it where mmHg and kPa seem to have been mixed up."""
    field, value = ("pa_mean", new.pa_mean) if new.pa_systolic is None else ("pa_systolic", new.pa_systolic)
    if value is None:
        return
    if UNITS[new.unit] == 1.0:
        doubtful = value < (LEAST_MEAN if field == "pa_mean" else LEAST_SYSTOLIC)
        one, other, factor = "mmHg", "kPa", UNITS["kPa"]
    else:
        doubtful = new.unit == "kPa" and value > MOST_KPA
        one, other, factor = "kPa", "mmHg", 1 / UNITS["kPa"]
    if doubtful:
        raise Refused(
            field,
            value,
            "in %(other)s either way: is it %(given)s %(other)s, which is %(meant)s %(one)s,"
            " or is it %(given)s %(one)s, which is %(really)s %(other)s?",
            other=other,
            one=one,
            meant=float(f"{value * factor:.3g}"),
            really=float(f"{value / factor:.3g}"),
            given=float(value),
        )


def _in_range(field: str, value: float | None, factor: float, unit: str = MMHG) -> float:
    least, most, words = RANGES[field]
    if isinstance(value, int | float) and not isinstance(value, bool):
        converted = value * factor
        if least <= converted <= most:  # false for NaN
            return float(converted)
    if unit != MMHG:  # say the range in the unit it was sent in
        least, most, words = math.ceil(least / factor * 100) / 100, math.floor(most / factor * 100) / 100, unit
    raise not_within(field, value, least, most, words)


def _ends(new: NewReading) -> str:
    bounds = ("any" if value is None else f"{value:g}" for value in (new.pa_diastolic, new.pa_systolic))
    return " to ".join(bounds)


def _check_source_ref(source_ref: str | None) -> None:
    if source_ref is not None and (len(source_ref) > LONGEST_SOURCE_REF or not is_storable(source_ref)):
        raise Refused("source_ref", source_ref, "at most %(most)s characters", most=LONGEST_SOURCE_REF)


def _remarks(posture: Posture | None, pulse_pressure: float, ahead: bool) -> list[str]:
    remarks = []
    if pulse_pressure < SMALL_PULSE:
        remarks.append("small pulse pressure")
    if posture is Posture.SITTING:
        remarks.append("taken sitting")
    if ahead:
        remarks.append("clock ahead")
    return remarks
