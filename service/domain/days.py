"""The diary and the pressures of one patient, joined by local date.

Promises one `Day` for every date asked for, in order, whether it holds a
reading, a check-in, both or neither: a day with only one half is exactly what a
reviewer must see. Judges nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from statistics import median
from typing import Any

from service.domain.vocabulary import PauseCause, SafetySign, Swelling, WindowState


@dataclass(frozen=True, slots=True)
class Day:
    """One local date. Pressures in mmHg, weight in kg; None is "nothing was given"."""

    day: date
    window: WindowState | None = None  # None: nothing was planned on this date
    wants_reading: bool = False
    got_reading: bool = False
    readings: int = 0
    pa_systolic: float | None = None  # each the median of the date's readings
    pa_diastolic: float | None = None
    pa_mean: float | None = None
    heart_rate: float | None = None
    remarks: tuple[str, ...] = ()
    checkin: bool = False
    breathlessness: int | None = None
    extra_pillows: int | None = None
    woke_breathless: bool | None = None
    swelling: Swelling | None = None
    weight_kg: float | None = None
    light_headed: bool | None = None
    tiredness: int | None = None
    missed_medicines: bool | None = None
    safety_signs: tuple[SafetySign, ...] = ()
    note: str = ""
    pause: PauseCause | None = None

    @property
    def reading_missing(self) -> bool:
        """A reading was expected, its window is over, and none came."""
        return self.wants_reading and self.window is WindowState.MISSED and not self.got_reading

    @property
    def diary_only(self) -> bool:
        return self.checkin and self.readings == 0

    @property
    def reading_only(self) -> bool:
        return self.readings > 0 and not self.checkin


@dataclass(frozen=True, slots=True)
class Taken:
    """One current reading, mmHg."""

    day: date
    pa_systolic: float
    pa_diastolic: float
    pa_mean: float
    heart_rate: float | None = None
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Planned:
    """One window: what was expected of a date."""

    day: date
    state: WindowState
    wants_reading: bool
    got_reading: bool


@dataclass(frozen=True, slots=True)
class Paused:
    """A date range in which nothing is expected; `to_day` None is "until told"."""

    cause: PauseCause
    from_day: date
    to_day: date | None

    def covers(self, day: date) -> bool:
        return self.from_day <= day and (self.to_day is None or day <= self.to_day)


def join(
    first: date,
    last: date,
    *,
    readings: Iterable[Taken] = (),
    diary: Iterable[Day] = (),
    windows: Iterable[Planned] = (),
    pauses: Iterable[Paused] = (),
) -> tuple[Day, ...]:
    """Every date from `first` to `last`, inclusive, with whatever it holds.

    `diary` are days that carry diary answers only; everything outside the range is left out.
    """
    taken: dict[date, list[Taken]] = {}
    for reading in readings:
        taken.setdefault(reading.day, []).append(reading)
    answers = {day.day: day for day in diary}
    planned = {window.day: window for window in windows}
    spans = tuple(pauses)
    return tuple(_one(day, taken.get(day, []), answers.get(day), planned.get(day), spans) for day in dates(first, last))


def dates(first: date, last: date) -> list[date]:
    """Every date from `first` to `last`, inclusive."""
    return [first + timedelta(days=offset) for offset in range((last - first).days + 1)]


def _one(
    day: date, taken: list[Taken], answers: Day | None, planned: Planned | None, pauses: tuple[Paused, ...]
) -> Day:
    joined = replace(answers, day=day, checkin=True) if answers else Day(day)
    rates = [reading.heart_rate for reading in taken if reading.heart_rate is not None]
    return replace(
        joined,
        window=planned.state if planned else None,
        wants_reading=planned.wants_reading if planned else False,
        got_reading=(planned.got_reading if planned else False) or bool(taken),
        readings=len(taken),
        pa_systolic=_middle([reading.pa_systolic for reading in taken]),
        pa_diastolic=_middle([reading.pa_diastolic for reading in taken]),
        pa_mean=_middle([reading.pa_mean for reading in taken]),
        heart_rate=_middle(rates),
        remarks=tuple(remark for reading in taken for remark in reading.remarks),
        pause=next((pause.cause for pause in pauses if pause.covers(day)), None),
    )


def _middle(values: list[float]) -> float | None:
    if not values:
        return None
    return values[0] if len(values) == 1 else float(median(values))


# --- in and out of JSON ------------------------------------------------------------

_WORDS: Mapping[str, type] = {"window": WindowState, "swelling": Swelling, "pause": PauseCause}
_NAMES = tuple(field.name for field in fields(Day))
_BLANK = Day(date(1, 1, 1))


def as_json(day: Day) -> dict[str, Any]:
    """What differs from an empty day, as plain JSON: a frozen record says no more than was there."""
    told: dict[str, Any] = {"day": day.day.isoformat()}
    for name in _NAMES[1:]:
        value = getattr(day, name)
        if value != getattr(_BLANK, name):
            told[name] = [str(item) for item in value] if isinstance(value, tuple) else value
    return told


def from_json(told: Mapping[str, Any]) -> Day:
    """The day that `as_json` told of. Raises KeyError or ValueError for anything else."""
    values = {name: told[name] for name in _NAMES[1:] if name in told}
    for name, vocabulary in _WORDS.items():
        if values.get(name) is not None:
            values[name] = vocabulary(values[name])
    if "safety_signs" in values:
        values["safety_signs"] = tuple(SafetySign(sign) for sign in values["safety_signs"])
    if "remarks" in values:
        values["remarks"] = tuple(values["remarks"])
    return Day(date.fromisoformat(told["day"]), **values)
