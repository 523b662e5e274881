"""The diary and the pressures of one patient, joined by local date.

Promises one `Day` for every date asked for, in order, whether it holds a
reading, a check-in, both or neither: a day with only one half is exactly what a
reviewer must see. Judges nothing.

Several readings of one date are made into one. Posture and hour change a pressure
(day-to-day CV of mean PA pressure 7.0 % in the morning, 14.9 % in the evening:
Crnko 2021, Neth Heart J), so like is kept with like: readings lying down before
readings sitting, those near the patient's usual hour before others, and of what is
left the median. A date that has only unlike readings keeps them, blurred: they
count for less. The order in which readings came makes no difference.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from operator import attrgetter
from statistics import median
from typing import Any, NamedTuple

from service.domain import factjson
from service.domain.diary import Answers
from service.domain.frozen import dataclass
from service.domain.readings import POUNDS
from service.domain.vocabulary import PauseCause, Posture, SafetySign, Swelling, WeightDoubt, WindowState

UNLIKE_HOURS = 6.0  # further from the usual hour than this is another time of day
OFF_HOUR = (14.9 / 7.0) ** 2  # times the variance
SITTING = 4.0  # times the variance; common practice, no source


@dataclass(frozen=True, slots=True)
class Day:
    """One local date. Pressures in mmHg, weight in kg; None is "nothing was given"."""

    day: date
    window: WindowState | None = None  # None: nothing was planned on this date
    wants_reading: bool = False
    got_reading: bool = False
    readings: int = 0
    pa_systolic: float | None = None  # each the median of those of the date's readings that are alike
    pa_diastolic: float | None = None
    pa_mean: float | None = None
    heart_rate: float | None = None
    remarks: tuple[str, ...] = ()
    checkin: bool = False
    breathlessness: int | None = None
    extra_pillows: int | None = None
    woke_breathless: bool | None = None
    slept_in_chair: bool | None = None
    swelling: Swelling | None = None
    full_belly: bool | None = None
    weight_kg: float | None = None
    light_headed: bool | None = None
    tiredness: int | None = None
    missed_medicines: bool | None = None
    safety_signs: tuple[SafetySign, ...] = ()
    note: str = ""
    pause: PauseCause | None = None
    blur: float = 1.0  # times the variance of an ordinary reading: more for one taken sitting or at another hour
    hour: float | None = None  # of the readings that the pressures are from, local, 0 to 24
    weighed_in_pounds: bool = False
    weight_doubt: WeightDoubt | None = None

    @classmethod
    def of_answers(cls, day: date, answers: Answers) -> Day:
        """The day that holds these answers of a check-in, and nothing else yet."""
        return cls(
            day,
            checkin=True,
            safety_signs=answers.safety_signs or (),
            weighed_in_pounds=answers.weight is not None and answers.weight_unit == POUNDS,
            **dict(zip(ALIKE, _alike(answers), strict=True)),
        )

    @classmethod
    def of_columns(cls, row: Any) -> Day:
        """The day that a row with the columns of a check-in holds (`diary.as_columns`), and nothing else yet."""
        return cls(
            row.local_date,
            checkin=True,
            safety_signs=tuple(map(SafetySign, row.safety_signs or ())),
            weighed_in_pounds=row.weight_unit == POUNDS,
            weight_doubt=row.weight_doubt,
            **dict(zip(ALIKE, _alike(row), strict=True)),
        )

    @property
    def sure_weight_kg(self) -> float | None:
        """The weight that may be compared: one in doubt is shown as it was given, and compared with nothing."""
        return None if self.weight_doubt else self.weight_kg

    @property
    def reading_missing(self) -> bool:
        """A reading was expected, its window is over, and none came."""
        return self.wants_reading and self.window is WindowState.MISSED and not self.got_reading


_BLANK = Day(date(1, 1, 1))
# What a day calls as the answers do, and their columns.
ALIKE = (
    "breathlessness", "extra_pillows", "woke_breathless", "slept_in_chair", "swelling", "full_belly", "weight_kg",
    "light_headed", "tiredness", "missed_medicines", "note",
)  # fmt: skip
_alike = attrgetter(*ALIKE)


class Taken(NamedTuple):
    """One current reading, mmHg; None where a pressure was not given. `hour` is local, 0 to 24; None: the usual one."""

    day: date
    pa_systolic: float | None
    pa_diastolic: float | None
    pa_mean: float | None
    heart_rate: float | None = None
    remarks: tuple[str, ...] = ()
    hour: float | None = None
    posture: Posture | None = None


class Planned(NamedTuple):
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
    usual_hour: float | None = None,
) -> tuple[Day, ...]:
    """Every date from `first` to `last`, inclusive, with whatever it holds.

    `diary` are days that carry diary answers only. What lies outside the range is left
    out, but earlier readings say what the patient's usual hour is; `usual_hour` is what
    it was before the first of them.
    """
    taken: dict[date, list[Taken]] = {}
    for reading in readings:
        taken.setdefault(reading.day, []).append(reading)
    read: dict[date, Day] = {}
    for day in sorted(taken):
        read[day] = combine(taken[day], usual_hour)
        usual_hour = usual_after(usual_hour, read[day].hour)
    answers = {day.day: day for day in diary}
    planned = {window.day: window for window in windows}
    spans = tuple(pauses)
    return tuple(_joined(day, read.get(day), answers.get(day), planned.get(day), spans) for day in dates(first, last))


def dates(first: date, last: date) -> list[date]:
    """Every date from `first` to `last`, inclusive."""
    return [first + timedelta(days=offset) for offset in range((last - first).days + 1)]


def _joined(day: date, read: Day | None, said: Day | None, planned: Planned | None, pauses: tuple[Paused, ...]) -> Day:
    cause = next((pause.cause for pause in pauses if pause.covers(day)), None)
    if read is None and said is None and planned is None:
        return Day(day, pause=cause)
    checkin = said is not None
    read, said = read or _BLANK, said or _BLANK
    # Field by field: this runs for every patient and date, and a `replace` costs three times as much.
    return Day(
        day,
        window=planned.state if planned else None,
        wants_reading=planned.wants_reading if planned else False,
        got_reading=read.got_reading or (planned is not None and planned.got_reading),
        readings=read.readings,
        pa_systolic=read.pa_systolic,
        pa_diastolic=read.pa_diastolic,
        pa_mean=read.pa_mean,
        heart_rate=read.heart_rate,
        remarks=read.remarks,
        checkin=checkin,
        breathlessness=said.breathlessness,
        extra_pillows=said.extra_pillows,
        woke_breathless=said.woke_breathless,
        slept_in_chair=said.slept_in_chair,
        swelling=said.swelling,
        full_belly=said.full_belly,
        weight_kg=said.weight_kg,
        light_headed=said.light_headed,
        tiredness=said.tiredness,
        missed_medicines=said.missed_medicines,
        safety_signs=said.safety_signs,
        note=said.note,
        pause=cause,
        blur=read.blur,
        hour=read.hour,
        weighed_in_pounds=said.weighed_in_pounds,
        weight_doubt=said.weight_doubt,
    )


# --- several readings of one date --------------------------------------------------


def combine(readings: Sequence[Taken], usual_hour: float | None) -> Day:
    """The day with the one set of pressures that its readings make, of which there is at least one."""
    lying = [one for one in readings if one.posture is not Posture.SITTING]
    alike = lying or list(readings)
    if usual_hour is None:
        # The first date decides: the earliest reading, as most people measure on waking.
        usual_hour = min((one.hour for one in alike if one.hour is not None), default=None)
    usual = [one for one in alike if _is_usual(one.hour, usual_hour)]
    alike, off_hour = (usual, 1.0) if usual else (alike, OFF_HOUR)
    return Day(
        readings[0].day,
        got_reading=True,
        readings=len(readings),
        pa_systolic=_middle([one.pa_systolic for one in alike]),
        pa_diastolic=_middle([one.pa_diastolic for one in alike]),
        pa_mean=_middle([one.pa_mean for one in alike]),
        heart_rate=_middle([one.heart_rate for one in alike]),
        remarks=tuple(remark for one in readings for remark in one.remarks),
        blur=off_hour * (1.0 if lying else SITTING),
        hour=_middle([one.hour for one in alike]),
    )


def usual_after(usual_hour: float | None, hour: float | None) -> float | None:
    """The usual hour once a date's counts too: a tenth of the way towards it, the short way round midnight."""
    if usual_hour is None or hour is None:
        return hour if usual_hour is None else usual_hour
    towards = (hour - usual_hour + 12.0) % 24.0 - 12.0
    return (usual_hour + 0.1 * towards) % 24.0


def _is_usual(hour: float | None, usual_hour: float | None) -> bool:
    if hour is None or usual_hour is None:
        return True
    apart = abs(hour - usual_hour) % 24.0
    return min(apart, 24.0 - apart) <= UNLIKE_HOURS


def _middle(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    if len(known) == 1:  # nearly every date
        return known[0]
    return float(median(known)) if known else None


# --- in and out of JSON ------------------------------------------------------------


def as_json(day: Day) -> dict[str, Any]:
    """What differs from an empty day, as plain JSON: a frozen record says no more than was there."""
    return factjson.pack(day)
