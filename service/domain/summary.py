"""What the panel shows of one patient, small enough to be carried forward, in and out of JSON.

Promises that a summary is made from the joined days and the judgement of the
trend alone, that it holds facts and no sentence, that it survives JSON unchanged,
and that a day without a reading stays visibly empty in it. JSON of another layout
is refused, never guessed at. Does not decide lanes: that is `domain.review`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median
from typing import Any, NamedTuple, TypeGuard

from service.domain import factjson
from service.domain.days import Day
from service.domain.review import Adherence, PauseNow, Raised, SilenceNow
from service.domain.signals.facts import PictureFacts, PressureFacts, ResponseFacts
from service.domain.vocabulary import Lane, Response, Swelling, WindowState

LAYOUT = 2  # of the stored JSON
STRIP_DAYS = 30
# One letter a day, so that a strip is 30 numbers and 30 letters.
RECEIVED, MISSED, DIARY_ONLY, EXCUSED, WAITING, NOTHING = "r", "m", "d", "e", "w", "-"


class RecentDay(NamedTuple):
    """What of one joined day the panel's row shows: kept with the row, so that only newer days are read again."""

    day: date
    mark: str  # what became of the day: a letter of the strip
    counted: str  # RECEIVED, MISSED or EXCUSED where a reading counts for the adherence, else NOTHING
    pa_diastolic: float | None  # mmHg, to the tenth that a sensor gives
    checkin: bool
    weight_kg: float | None
    breathlessness: int | None
    extra_pillows: int | None
    woke_breathless: bool | None
    swelling: Swelling | None
    light_headed: bool | None
    missed_medicines: bool | None


@dataclass(frozen=True, slots=True)
class Strip:
    """The last days' diastolic pressures (mmHg, None where there is none) and what became of each day."""

    first_day: date
    values: tuple[float | None, ...]
    marks: str


@dataclass(frozen=True, slots=True)
class WeightInWeek:
    """Newest weight against the median of about a week before, kg."""

    now_kg: float
    change_kg: float
    on: date


@dataclass(frozen=True, slots=True)
class SymptomWeek:
    """What of the last 7 days' diary differs from the days before; falsy when nothing does."""

    breathless_then: float | None = None  # 0-10, where it moved by a point or more
    breathless_now: float | None = None
    pillows: int = 0  # the most in a night
    nights_woken: int = 0
    swelling: Swelling | None = None  # where it is worse, how high
    light_headed: int = 0  # days
    missed_medicines: int = 0  # days

    def __bool__(self) -> bool:
        return self != SymptomWeek()


@dataclass(frozen=True, slots=True)
class TrendSummary:
    """What the trend makes of the pressures and the diary: the picture with all its facts, and what follows from it."""

    picture: PictureFacts | None = None  # pressure, diary and silence together
    lane: Lane | None = None  # that the picture calls for
    days_to_limit: float | None = None  # 0 when past it already
    signals: tuple[Raised, ...] = ()  # that hold now
    response: ResponseFacts | None = None  # to the newest adjustment

    @property
    def pressure(self) -> PressureFacts:
        return self.picture.pressure if self.picture else PressureFacts()

    @property
    def response_word(self) -> Response | None:
        return self.response.response if self.response else None

    @property
    def level(self) -> float | None:
        """To a tenth of a mmHg, as a sensor gives it."""
        return None if self.pressure.level is None else round(self.pressure.level, 1)

    @property
    def reference(self) -> float | None:
        """To a tenth of a mmHg."""
        return round(self.pressure.reference.value, 1) if self.pressure.reference else None

    @property
    def reference_is_set(self) -> bool:
        return self.pressure.reference is not None and self.pressure.reference.is_set


@dataclass(frozen=True, slots=True)
class Summary:
    """One patient's row of the panel, as of `today` (the patient's own date)."""

    today: date
    strip: Strip
    adherence: Adherence
    trend: TrendSummary
    upper: float | None
    lower: float | None
    last_reading_on: date | None
    last_diary_on: date | None
    weight: WeightInWeek | None
    symptoms: SymptomWeek
    silence: SilenceNow | None
    pause: PauseNow | None
    has_plan: bool
    silent_days: int | None
    trouble: bool = False  # this patient's data could not be worked out


def recent(day: Day) -> RecentDay:
    """Of a joined day, what the row shows."""
    return RecentDay(
        day.day,
        _mark(day),
        _counted(day),
        None if day.pa_diastolic is None else round(day.pa_diastolic, 1),
        day.checkin,
        day.weight_kg,
        day.breathlessness,
        day.extra_pillows,
        day.woke_breathless,
        day.swelling,
        day.light_headed,
        day.missed_medicines,
    )


def recent_as_json(days: Sequence[RecentDay]) -> list[Any]:
    """The first date as an ordinal, then each day's other fields in order; the dates follow one another."""
    return [days[0].day.toordinal(), *(list(day[1:]) for day in days)] if days else []


def recent_from_json(stored: Sequence[Any]) -> list[RecentDay]:
    """The days that `recent_as_json` told of. Raises KeyError, TypeError or ValueError for anything else."""
    if not stored:
        return []
    day, found = date.fromordinal(stored[0]), []
    for mark, counted, value, checkin, kg, breath, pillows, woke, swelling, light, missed in stored[1:]:
        height = None if swelling is None else Swelling(swelling)
        found.append(RecentDay(day, mark, counted, value, checkin, kg, breath, pillows, woke, height, light, missed))
        day += _A_DAY
    return found


_A_DAY = timedelta(days=1)


def adherence(days: Sequence[RecentDay]) -> Adherence:
    """Readings received ÷ expected. Excused days are out of both; a window still open counts once answered."""
    counted = "".join(day.counted for day in days)
    received = counted.count(RECEIVED)
    return Adherence(received, received + counted.count(MISSED), counted.count(EXCUSED))


def _counted(day: Day) -> str:
    if not day.wants_reading or day.window is None:
        return NOTHING
    if day.window is WindowState.EXCUSED:
        return EXCUSED
    if day.got_reading:
        return RECEIVED
    return NOTHING if day.window is WindowState.OPEN else MISSED


def strip(days: Sequence[RecentDay]) -> Strip:
    """The newest `STRIP_DAYS` of the days."""
    newest = days[-STRIP_DAYS:]
    return Strip(newest[0].day, tuple(day.pa_diastolic for day in newest), "".join(day.mark for day in newest))


def weight_change(days: Sequence[RecentDay]) -> WeightInWeek | None:
    """The newest weight of the last three days against the median of 5 to 9 days before it.

    A median of several days, because one weighing in clothes is not a change.
    """
    weighed = {day.day: day.weight_kg for day in days if day.weight_kg is not None}
    if not weighed:
        return None
    newest = max(weighed)
    before = [kg for on, kg in weighed.items() if 5 <= (newest - on).days <= 9]
    if not before or (days[-1].day - newest).days > 2:
        return None
    return WeightInWeek(weighed[newest], round(weighed[newest] - median(before), 2), newest)


def symptom_week(days: Sequence[RecentDay]) -> SymptomWeek:
    """What of the last 7 days' diary differs from the days before."""
    week = [day for day in days[-7:] if day.checkin]
    before = [day for day in days[:-7] if day.checkin]
    now = [day.breathlessness for day in week if day.breathlessness is not None]
    then = [day.breathlessness for day in before if day.breathlessness is not None]
    moved = bool(now and then) and abs(median(now) - median(then)) >= 1
    worst = _worst_swelling(week)
    return SymptomWeek(
        breathless_then=float(median(then)) if moved else None,
        breathless_now=float(median(now)) if moved else None,
        pillows=max((day.extra_pillows or 0 for day in week), default=0),
        nights_woken=sum(day.woke_breathless is True for day in week),
        swelling=worst if worst is not _worst_swelling(before[-7:]) else None,
        light_headed=sum(day.light_headed is True for day in week),
        missed_medicines=sum(day.missed_medicines is True for day in week),
    )


def _worst_swelling(days: Sequence[RecentDay]) -> Swelling | None:
    ranks = [Swelling.NONE, Swelling.ANKLE, Swelling.SHIN, Swelling.KNEE]
    seen = [day.swelling for day in days if day.swelling not in {None, Swelling.NONE}]
    return max((swelling for swelling in seen if swelling is not None), key=ranks.index, default=None)


def _mark(day: Day) -> str:
    if day.readings:
        return RECEIVED
    if day.pause is not None or day.window is WindowState.EXCUSED:
        return EXCUSED
    if day.window is WindowState.OPEN:
        return WAITING
    if day.wants_reading and day.window is not None:
        return DIARY_ONLY if day.checkin else MISSED
    return NOTHING


def as_json(known: Summary) -> dict[str, Any]:
    """Plain JSON that names its layout."""
    return {"layout": LAYOUT} | factjson.pack(known)


def is_readable(stored: Mapping[str, Any] | None) -> TypeGuard[Mapping[str, Any]]:
    """Whether a stored row is of this layout: another one is made again from the patient's rows."""
    return stored is not None and stored.get("layout") == LAYOUT


def from_json(stored: Mapping[str, Any]) -> Summary:
    """The summary that `as_json` made JSON of. Raises KeyError, TypeError or ValueError for anything else."""
    if stored.get("layout") != LAYOUT:
        raise ValueError(f"a summary of layout {stored.get('layout')!r}")
    known: Summary = factjson.unpack(Summary, {name: stored[name] for name in stored if name != "layout"})
    return known
