"""What the panel shows of one patient, small enough to be carried forward, in and out of JSON.

Promises that a summary is made from the joined days and the judgement of the
trend alone, that it holds facts and no sentence, that it survives JSON unchanged,
and that a day without a reading stays visibly empty in it. JSON of another layout
is refused, never guessed at. Does not decide lanes: that is `domain.review`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from enum import StrEnum
from typing import Any, NamedTuple, TypeGuard

from service.domain import factjson
from service.domain.days import Day, Paused
from service.domain.frozen import dataclass
from service.domain.signals.facts import (
    Assessment,
    DiaryFacts,
    Episode,
    PictureFacts,
    PressureFacts,
    PressureLimits,
    ResponseFacts,
)
from service.domain.vocabulary import Response, SignalKind, SilenceCause, WindowState

LAYOUT = 12  # of the stored JSON
STRIP_DAYS = 30
BEYOND_LIMIT = frozenset({SignalKind.ABOVE_LIMIT, SignalKind.BELOW_LIMIT})
# One letter a day, so that a strip is 30 numbers and 30 letters.
RECEIVED, MISSED, DIARY_ONLY, EXCUSED, WAITING, NOTHING = "r", "m", "d", "e", "w", "-"


class RecentDays(NamedTuple):
    """What of some joined days, one after another, the panel's row shows, a list a field.

    Kept with the row, so that only newer days are read again; as lists, because nearly all
    of it is handed on from day to day as it is.
    """

    first: int  # the date of the first of them, as a proleptic ordinal
    marks: str  # what became of each day: a letter of the strip
    counted: str  # RECEIVED, MISSED or EXCUSED where a reading counts for the adherence, else NOTHING
    pa_diastolic: list[float | None]  # mmHg, to the tenth that a sensor gives

    @property
    def days(self) -> int:
        """How many there are."""
        return len(self.marks)

    @property
    def last(self) -> int:
        """The date of the last of them, as a proleptic ordinal."""
        return self.first + len(self.marks) - 1

    def between(self, first: int, last: int) -> RecentDays:
        """Those of them from one date to another, inclusive."""
        if first <= self.first and self.last <= last:
            return self
        begin, end = max(first - self.first, 0), max(last - self.first + 1, 0)
        columns: tuple[Any, ...] = self[1:]
        return RecentDays(self.first + begin, *[column[begin:end] for column in columns])

    def followed_by(self, newer: RecentDays) -> RecentDays:
        """These and those of the dates that come next."""
        if not self.days:
            return newer
        columns: tuple[Any, ...] = self[1:]
        return RecentDays(self.first, *[one + other for one, other in zip(columns, newer[1:], strict=True)])


@dataclass(frozen=True, slots=True)
class Strip:
    """The last days' diastolic pressures (mmHg, None where there is none) and what became of each day."""

    first_day: date
    values: tuple[float | None, ...]
    marks: str


@dataclass(frozen=True, slots=True)
class TrendSummary:
    """What the trend makes of the pressures and the diary: the picture with all its facts, and what follows from it."""

    picture: PictureFacts | None = None  # pressure, diary and silence together
    signals: tuple[Episode, ...] = ()  # that hold now
    response: ResponseFacts | None = None  # to the newest adjustment

    @property
    def pressure(self) -> PressureFacts:
        return self.picture.pressure if self.picture else PressureFacts()

    @property
    def diary(self) -> DiaryFacts:
        return self.picture.diary if self.picture else DiaryFacts()

    @property
    def days_to_limit(self) -> float | None:
        """Expected days, to a tenth, until a typed-in limit is passed; 0 when it is; None when nothing points there."""
        if any(signal.kind in BEYOND_LIMIT for signal in self.signals):
            return 0.0
        forecast = self.pressure.forecast
        return None if forecast is None or forecast.slowing else round(forecast.days, 1)

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
class Adherence:
    """Readings received of those expected; excused days are in neither number."""

    received: int
    expected: int
    excused: int = 0

    def __str__(self) -> str:
        return f"{self.received} of {self.expected}"


@dataclass(frozen=True, slots=True)
class SilenceNow:
    """The run of missed readings that has not ended."""

    first_day: date
    last_day: date
    missed: int
    cause: SilenceCause


class Behind(StrEnum):
    """What a row rests on that is shown while a change far back is still being worked out."""

    EARLIER = "earlier"  # what was known before it, as of the row's day
    NOTHING = "nothing"  # nothing was worked out before


@dataclass(frozen=True, slots=True)
class Summary:
    """One patient's row of the panel, as of `today` (the patient's own date)."""

    today: date
    strip: Strip
    adherence: Adherence = Adherence(0, 0)
    trend: TrendSummary = TrendSummary()
    upper: float | None = None
    lower: float | None = None
    last_reading_on: date | None = None
    last_diary_on: date | None = None
    silence: SilenceNow | None = None
    pause: Paused | None = None
    has_plan: bool = True
    silent_days: int | None = None
    trouble: bool = False  # this patient's data could not be worked out
    behind: Behind | None = None  # never in a stored row: the worker works out all there is
    made_on: date | None = None  # when a row that is behind was made, on the clinic's calendar
    made_at: str = ""  # and clock, HH:MM


def of_assessment(
    assessment: Assessment,
    shown: RecentDays,
    limits: PressureLimits,
    *,
    silence: SilenceNow | None,
    pause: Paused | None,
    has_plan: bool,
    silent_days: int | None,
) -> Summary:
    """The row of an assessment; `shown` are the days of the strip, the last of them the assessment's own."""
    picture = assessment.picture
    going_on = tuple(episode for episode in assessment.signals if episode.ended_on is None)
    return Summary(
        today=picture.today,
        strip=strip(shown),
        adherence=adherence(shown),
        trend=TrendSummary(picture, going_on, assessment.response),
        upper=limits.upper,
        lower=limits.lower,
        last_reading_on=picture.pressure.last_reading_on,
        last_diary_on=assessment.checkin_on,
        silence=silence,
        pause=pause,
        has_plan=has_plan,
        silent_days=silent_days,
    )


def recent(days: Sequence[Day]) -> RecentDays:
    """Of joined days, one after another, what the row shows."""
    return RecentDays(
        days[0].day.toordinal() if days else 1,
        "".join([_mark(day) for day in days]),
        "".join([_counted(day) for day in days]),
        [None if day.pa_diastolic is None else round(day.pa_diastolic, 1) for day in days],
    )


NO_DAYS = recent(())


def recent_from_json(stored: Sequence[Any]) -> RecentDays:
    """The days that were stored as a plain list. Raises TypeError or ValueError for anything else."""
    found = RecentDays(*stored)
    if any(len(column) != found.days for column in found[1:]):
        raise ValueError("recent days of different lengths")
    return found


def adherence(days: RecentDays) -> Adherence:
    """Readings received ÷ expected. Excused days are out of both; a window still open counts once answered."""
    received = days.counted.count(RECEIVED)
    return Adherence(received, received + days.counted.count(MISSED), days.counted.count(EXCUSED))


def _counted(day: Day) -> str:
    if not day.wants_reading or day.window is None:
        return NOTHING
    if day.window is WindowState.EXCUSED:
        return EXCUSED
    if day.got_reading:
        return RECEIVED
    return NOTHING if day.window is WindowState.OPEN else MISSED


def strip(days: RecentDays) -> Strip:
    """The newest `STRIP_DAYS` of the days."""
    newest = days.between(days.last - STRIP_DAYS + 1, days.last)
    return Strip(date.fromordinal(newest.first), tuple(newest.pa_diastolic), newest.marks)


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
    return factjson.as_layout(known, LAYOUT)


def is_readable(stored: Mapping[str, Any] | None) -> TypeGuard[Mapping[str, Any]]:
    """Whether a stored row is of this layout: another one is made again from the patient's rows."""
    return stored is not None and stored.get(factjson.LAYOUT) == LAYOUT


def from_json(stored: Mapping[str, Any]) -> Summary:
    """The summary that `as_json` made JSON of. Raises KeyError, TypeError or ValueError for anything else."""
    known: Summary = factjson.of_layout(Summary, stored, LAYOUT)
    return known
