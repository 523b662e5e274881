"""What is known of one patient on one date: the facts that signals and their sentences are made from.

Promises plain frozen values with their units: pressures in mmHg (PA diastolic
unless a name says otherwise), weights in kg, dates local to the patient. Holds
no rule and ships no clinical goal; `None` always reads "not known".

The engine that makes them is in `engine`; the picture they make together in `picture`;
their words in `service.words.sentences.signals`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from service.domain.days import Day
from service.domain.vocabulary import Lane, Pressure, Response, SafetySign, SignalKind, SilenceCause

Pressures = tuple[float | None, float | None, float | None]  # diastolic, mean, systolic in mmHg
# How sure a reference that staff set is, as the standard deviation of a mean of 14 days of usual noise, mmHg.
TYPED_SD = 0.5


class Picture(StrEnum):
    """What pressure, diary and silence say together. Each is one sentence to staff."""

    SAFETY_ANSWER = "safety_answer"
    UP_AND_WORSE = "up_and_worse"
    SILENT_WHILE_RISING = "silent_while_rising"
    DOWN_AND_LIGHT_HEADED = "down_and_light_headed"
    SILENT_AND_UNWELL = "silent_and_unwell"
    UP_AND_WELL = "up_and_well"  # the early call
    WORSE_WITH_FLAT_PRESSURE = "worse_with_flat_pressure"
    DOWN = "down"
    WORSE_WITHOUT_PRESSURE = "worse_without_pressure"
    SILENT = "silent"
    QUIET = "quiet"  # no signal in what was received; never "all clear"


@dataclass(frozen=True, slots=True)
class AnchoredReference:
    """An anchored baseline, mmHg. `is_set` is False while it is only proposed by the first settled fortnight.

    `value` is the main pressure's: PA diastolic, where it is read. One that staff set has
    each pressure's own in `pressures` (diastolic, mean, systolic); where that is None, or
    one of them is, the other pressures are not judged. No day before `to_day` is judged by it.
    """

    value: float
    sd: float  # of the mean itself
    from_day: date | None = None
    to_day: date | None = None
    is_set: bool = True
    pressures: Pressures | None = None

    @property
    def channels(self) -> Pressures:
        """The reference of each pressure: diastolic, mean, systolic."""
        return self.pressures or (self.value, None, None)


def typed_reference(
    pressures: Pressures, from_day: date | None = None, to_day: date | None = None
) -> AnchoredReference:
    """The reference that staff typed in or accepted, of at least one pressure. Raises ValueError for none."""
    value = next((value for value in pressures if value is not None), None)
    if value is None:
        raise ValueError("a reference needs a pressure")
    return AnchoredReference(value, TYPED_SD, from_day, to_day, pressures=pressures)


@dataclass(frozen=True, slots=True)
class PressureLimits:
    """What a clinician typed in for this patient; nothing is assumed where nothing was typed."""

    upper: float | None = None
    lower: float | None = None


@dataclass(frozen=True, slots=True)
class AdjustmentMade:
    made_on: date
    what: str = ""


@dataclass(frozen=True, slots=True)
class Break:
    """The level has left the reference, up or down."""

    up: bool
    size: float  # level minus reference, signed
    probability: float  # that the level is beyond the reference by the margin
    ahead: float  # the same a few days ahead
    began_on: date
    pace: float | None = None  # mmHg a day since it began; None when it began too long ago to tell


@dataclass(frozen=True, slots=True)
class Forecast:
    """Days until the level passes a limit, if it goes on as it does: 80 % interval, None is "later than we look"."""

    limit: float
    up: bool
    days: float | None  # the middle; 0 when it is past it already
    low: float
    high: float | None


@dataclass(frozen=True, slots=True)
class LimitRun:
    """The newest days with readings, at least three and all beyond a limit."""

    up: bool
    limit: float  # mmHg
    readings: int
    since: date
    median: float  # of the last `newest`, mmHg
    newest: int = 3


@dataclass(frozen=True, slots=True)
class Area:
    """mmHg-days over the reference and days over the upper limit, by the last 7, 30 and 90 days.

    The daily sum of max(0, pressure − reference), see `domain.trend.reference`.
    """

    days: tuple[int, ...] = (7, 30, 90)
    over_reference: tuple[float, ...] = ()
    days_above_limit: tuple[int, ...] | None = None  # None: no limit was typed in


@dataclass(frozen=True, slots=True)
class ResponseFacts:
    """The response to one adjustment."""

    adjustment: AdjustmentMade
    response: Response
    before: float | None  # level just before
    after: float | None  # level now
    readings_after: int
    days_to_reference: int | None  # days until the level was back within the margin of the reference


@dataclass(frozen=True, slots=True)
class PressureFacts:
    """Where the pressure is. `level` and the rest are None until enough readings came."""

    of: Pressure = Pressure.DIASTOLIC  # or another, where no diastolic is read
    level: float | None = None
    level_sd: float | None = None
    slope: float | None = None  # mmHg a day
    slope_sd: float | None = None
    pace: float | None = None  # mmHg a day that a forecast goes by, while there is a break; and how sure
    pace_sd: float | None = None
    reference: AnchoredReference | None = None
    usual: float | None = None  # the level of about 3 to 8 weeks ago, once it is known
    limits: PressureLimits = PressureLimits()
    broken: Break | None = None
    forecast: Forecast | None = None
    in_a_row: LimitRun | None = None
    last_reading_on: date | None = None

    @property
    def rising(self) -> bool:
        return self.broken is not None and self.broken.up

    @property
    def falling(self) -> bool:
        return self.broken is not None and not self.broken.up


class Symptom(StrEnum):
    """What of the diary is worse than usual."""

    BREATHLESS = "breathless"
    PILLOWS = "pillows"
    WOKEN = "woken"
    SWELLING = "swelling"
    TIRED = "tired"


@dataclass(frozen=True, slots=True)
class SymptomChange:
    """One symptom that is worse: breathlessness 0-10, pillows more than usual, nights of 7, the swelling's rank."""

    symptom: Symptom
    now: float = 0.0
    usual: float | None = None  # breathlessness only


class WeightSpan(StrEnum):
    """Against what a weight has changed."""

    DAYS_3 = "days_3"
    WEEK = "week"
    FORTNIGHT = "fortnight"  # by the trend of all weighings
    OVER_DRY = "over_dry"
    UNDER_DRY = "under_dry"


@dataclass(frozen=True, slots=True)
class WeightChange:
    """The largest change of weight that a rule speaks of, kg, signed."""

    kg: float
    span: WeightSpan


@dataclass(frozen=True, slots=True)
class DiaryFacts:
    """What the diary says against the patient's own usual."""

    last_on: date | None = None
    answered: int = 0  # days with a diary in the last 7
    worse: tuple[SymptomChange, ...] = ()
    light_headed: int = 0  # days of the last 7, where that is more than usual
    weight_gain: WeightChange | None = None
    weight_loss: WeightChange | None = None
    safety: tuple[SafetySign, ...] = ()  # the signs ticked

    @property
    def unwell(self) -> bool:
        return bool(self.worse or self.weight_gain)


@dataclass(frozen=True, slots=True)
class SilenceFacts:
    """The run of missed readings that has not ended. `missed` 0 is "not silent"."""

    missed: int = 0
    since: date | None = None
    cause: SilenceCause | None = None
    silent_days: int = 3  # from how many missed readings on a patient counts as silent

    @property
    def silent(self) -> bool:
        return self.missed >= max(self.silent_days, 1)


@dataclass(frozen=True, slots=True)
class PictureFacts:
    """One picture, as of `today`, with everything that its sentence rests on."""

    picture: Picture
    today: date
    pressure: PressureFacts = PressureFacts()
    diary: DiaryFacts = DiaryFacts()
    silence: SilenceFacts = SilenceFacts()


@dataclass(frozen=True, slots=True)
class JoinedPicture:
    """The three together. Sort a lane by `order`, smallest first."""

    facts: PictureFacts
    lane: Lane
    order: tuple[float, float, float]  # days to a limit, −size of the break, −length of silence

    @property
    def picture(self) -> Picture:
        return self.facts.picture


@dataclass(frozen=True, slots=True)
class Episode:
    """A named reason to look, raised once per episode."""

    kind: SignalKind
    raised_on: date
    began_on: date
    facts: PictureFacts  # of the day it was raised
    ended_on: date | None = None  # no longer holds; carried until somebody has seen it


@dataclass(frozen=True, slots=True)
class Case:
    """What one patient's assessment is made from.

    `days` are joined days in any order: those with a reading or a diary are enough.
    Where nothing is carried they begin with the first that is known; else those after
    the newest carried state are needed. Days after `today` are
    never looked at. Without a `reference` the mean of the first 14 days with readings
    stands in for it and `AnchoredReference.is_set` says so.
    """

    days: Sequence[Day]
    today: date
    reference: AnchoredReference | None = None
    limits: PressureLimits = PressureLimits()
    adjustments: Sequence[AdjustmentMade] = ()
    silence: SilenceFacts = SilenceFacts()
    dry_weight_kg: float | None = None
    zone: str = ""  # whose clocks the days' readings are told by
    silent_days: int = 0  # days without a reading that count as silent where nobody says what was planned; 0: none do


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything the engine says of one patient on `today`."""

    today: date
    pressure: PressureFacts
    diary: DiaryFacts
    silence: SilenceFacts
    area: Area
    joined: JoinedPicture
    signals: tuple[Episode, ...] = ()  # open ones, and all that were raised or ended from `since` on
    response: ResponseFacts | None = None  # to the newest adjustment
    mean_level: float | None = None
    systolic_level: float | None = None
    since: date | None = None  # the first date that was stepped through
    checkin_on: date | None = None  # last date with a check-in
