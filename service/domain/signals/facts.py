"""What is known of one patient on one date: the facts that signals and their sentences are made from.

Promises plain frozen values with their units: pressures in mmHg (PA diastolic
unless a name says otherwise), weights in kg, dates local to the patient. Holds
no rule and ships no clinical goal; `None` always reads "not known".

The engine that makes them is in `engine`; the picture they make together in `picture`;
their words in `service.words.sentences.signals`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date
from enum import StrEnum
from statistics import NormalDist

from service.domain.days import Day
from service.domain.frozen import dataclass
from service.domain.vocabulary import (
    ContextKind,
    Knowledge,
    Pressure,
    Response,
    SafetySign,
    SignalKind,
    SilenceCause,
    Swelling,
)

Pressures = tuple[float | None, float | None, float | None]  # diastolic, mean, systolic in mmHg
# How sure a reference that staff typed is, as the standard deviation of a mean of 14 days of usual noise, mmHg.
TYPED_SD = 0.5
STILL_NOW = 3  # days after a reading for which the level is told as that of now; our own number, no source
EIGHTY = NormalDist().inv_cdf(0.9)  # standard deviations either side of a mean that hold 80 of 100


class Picture(StrEnum):
    """What pressure, diary and silence say together. Each is one sentence to staff."""

    SAFETY_ANSWER = "safety_answer"
    JUMP_GOES_ON = "jump_goes_on"  # a third far reading, or symptoms or silence beside two
    UP_AND_WORSE = "up_and_worse"
    SILENT_WHILE_RISING = "silent_while_rising"
    DOWN_AND_LIGHT_HEADED = "down_and_light_headed"
    SILENT_AND_UNWELL = "silent_and_unwell"
    JUMP = "jump"  # two readings far from the level
    UP_AND_WELL = "up_and_well"  # the early call
    UP_AND_LIGHTER = "up_and_lighter"  # pressure and weight point different ways
    WORSE_WITH_FLAT_PRESSURE = "worse_with_flat_pressure"
    HIGH_STEADY = "high_steady"  # for weeks, whatever is rising slowly or not
    DOWN = "down"
    TRAVELLING = "travelling"  # where pressures are not compared
    COMING_DOWN = "coming_down"  # from a raised level, or back to the reference
    WORSE_WITHOUT_PRESSURE = "worse_without_pressure"
    LIGHT_HEADED = "light_headed"  # alone it says nothing of congestion
    CHANGED = "changed"  # something else differs from the usual
    STARTING = "starting"  # a new patient's first days
    SILENT = "silent"
    TOO_LITTLE = "too_little"  # too little came to say "unchanged"
    UNCOMPARED = "uncompared"  # what came cannot be compared
    QUIET = "quiet"  # compared and unchanged, by the counts of `picture`; never "all clear"


@dataclass(frozen=True, slots=True)
class Compared:
    """What comparing one channel with the patient's own usual came to. Days are those of the last `of`."""

    knowledge: Knowledge = Knowledge.NOTHING
    days: int = 0  # on which it was compared and unchanged
    heard: int = 0  # on which anything came
    of: int = 7
    last_on: date | None = None


@dataclass(frozen=True, slots=True)
class AnchoredReference:
    """An anchored baseline, mmHg. `is_set` is False while the first settled fortnight stands in for it.

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
    pressures: Pressures, from_day: date | None = None, to_day: date | None = None, sd: float | None = None
) -> AnchoredReference:
    """The reference that staff typed in or accepted, of at least one pressure. Raises ValueError for none.

    `sd` is that of an accepted fortnight's mean, mmHg; None for typed figures.
    """
    value = next((value for value in pressures if value is not None), None)
    if value is None:
        raise ValueError("a reference needs a pressure")
    return AnchoredReference(value, TYPED_SD if sd is None else sd, from_day, to_day, pressures=pressures)


class ProposalReason(StrEnum):
    """Why a settled fortnight is proposed in place of the reference."""

    DIFFERS = "differs"
    WAS_MOVING = "was_moving"  # when the reference was taken, which is not quite where it settled
    OLD = "old"  # the reference is
    HIGHER = "higher"  # than the first readings, so that it does not stand in by itself


@dataclass(frozen=True, slots=True)
class ReferenceProposal:
    """A settled fortnight of the main pressure, mmHg, for staff to accept as reference or not."""

    value: float
    sd: float  # of that mean
    from_day: date
    to_day: date
    reference: float | None  # in force
    is_set: bool  # by staff
    why: ProposalReason


@dataclass(frozen=True, slots=True)
class PressureLimits:
    """What a clinician typed in for this patient; nothing is assumed where nothing was typed."""

    upper: float | None = None
    lower: float | None = None


@dataclass(frozen=True, slots=True)
class Goal:
    """A clinician's aim for this patient's PA diastolic, mmHg; in force from the day it was set to its last."""

    lower: float | None
    upper: float | None
    from_day: date
    until: date

    def covers(self, day: date) -> bool:
        return self.from_day <= day <= self.until


@dataclass(frozen=True, slots=True)
class ContextTag:
    """What else was so on these dates; `to_day` None is "until told"."""

    kind: ContextKind
    from_day: date
    to_day: date | None
    offset: float | None = None  # mmHg by which a recalibrated sensor reads higher from `from_day` on

    def covers(self, day: date) -> bool:
        return self.from_day <= day and (self.to_day is None or day <= self.to_day)


def scale_shift(tags: Iterable[ContextTag], day: date) -> float:
    """mmHg to add to what was read on that day to have it on the scale after the last of these recalibrations."""
    return sum(tag.offset for tag in tags if tag.offset is not None and tag.from_day > day)


@dataclass(frozen=True, slots=True)
class AdjustmentMade:
    made_on: date
    what: str = ""


@dataclass(frozen=True, slots=True)
class Beside:
    """What beside the pressure brought a rise earlier, so far as it does today; symptoms told as worse left out."""

    heart: bool = False  # heart rate did, see `PressureFacts.heart`
    breath: SymptomChange | None = None  # not yet enough to be told alone; nor is the weight
    weight_kg: float | None = None  # more than a week ago


@dataclass(frozen=True, slots=True)
class Break:
    """The level has left the reference, up or down."""

    up: bool
    size: float  # level minus what it is judged against, signed
    probability: float  # that the level is beyond that by the margin
    ahead: float  # the same a few days ahead
    began_on: date
    pace: float | None = None  # mmHg a day since it began; None when it began too long ago, or a gap lies in it
    gap_from: date | None = None  # it happened somewhere after this day's reading and up to
    gap_to: date | None = None  # this day's: between them nothing was read
    over_usual: bool = False  # judged against the recent usual; else against the reference
    beside: Beside | None = None  # the pressure alone would not tell it yet; None: it does


@dataclass(frozen=True, slots=True)
class HeartRate:
    """Heart rate of the last days and of some weeks before, beats a minute, where they may be compared."""

    now: float
    usual: float
    knowledge: Knowledge  # CHANGED where it is far enough from the usual to be told
    steady: bool = False  # it is where it was in the fortnight before


@dataclass(frozen=True, slots=True)
class ComingDown:
    """The level comes down from a raised one, or back to the reference: what treatment wants, no warning in itself."""

    since: date
    by: float | None = None  # mmHg since then; None when it began too long ago to tell


@dataclass(frozen=True, slots=True)
class Forecast:
    """Days until the level passes a limit, if it goes on as it does, and their 80 % interval."""

    limit: float
    up: bool
    days: float  # the middle; 0 when it is past it already
    low: float
    high: float
    slowing: bool = False  # it goes more slowly than it did: the days are not told


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
class LastReading:
    """One of the newest days' readings as it was read, mmHg."""

    value: float
    on: date


@dataclass(frozen=True, slots=True)
class Jump:
    """The newest readings, at least two in a row, are far from the level: a jump or a fault, not yet known."""

    up: bool
    level: float  # expected when they began, mmHg
    around: float  # the mean of the last up to three of them
    readings: int  # days
    since: date


@dataclass(frozen=True, slots=True)
class High:
    """The level has been above the reference, or the goal, for weeks, and does not rise quickly."""

    above: float  # mmHg: the reference, or the goal's upper end
    since: date
    days: int  # so far, `today` included
    over: tuple[float, ...]  # mmHg-days above it in each of the `periods`, see `domain.trend.reference`
    periods: tuple[int, ...] = (7, 30, 90)  # the last days, `today` included
    over_goal: bool = False  # it is the goal that is passed


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
    level_sd: float | None = None  # calibrated: see `domain.trend.calibration`
    slope: float | None = None  # mmHg a day
    slope_sd: float | None = None
    pace: float | None = None  # mmHg a day that a forecast goes by, while there is a break; and how sure
    pace_sd: float | None = None
    reference: AnchoredReference | None = None
    usual: float | None = None  # the level of about 3 to 8 weeks ago, once it is known
    far: bool = False  # from the reference
    fortnight: AnchoredReference | None = None  # newly settled far from it, and where the level is
    limits: PressureLimits = PressureLimits()
    goal: Goal | None = None  # in force
    tags: tuple[ContextTag, ...] = ()  # of the last 7 days
    travelling: bool = False  # today: a reading raises no rise and no fall
    broken: Break | None = None
    coming_down: ComingDown | None = None  # while there is no break
    forecast: Forecast | None = None
    in_a_row: LimitRun | None = None
    jump: Jump | None = None
    high: High | None = None
    last: tuple[LastReading, ...] = ()  # the newest days' readings as they were read, newest last
    last_reading_on: date | None = None
    compared: Compared = Compared()
    probability_up: float | None = None  # that the level is 2 mmHg above its mean of 21 to 56 days before
    heart: HeartRate | None = None  # None: not known, or it counts for nothing

    @property
    def band(self) -> tuple[float | None, float | None]:
        """Within which the level is in 80 of 100, mmHg."""
        if self.level is None or self.level_sd is None:
            return None, None
        return self.level - EIGHTY * self.level_sd, self.level + EIGHTY * self.level_sd

    @property
    def is_past_limit(self) -> bool:
        """Whether the level is beyond a limit, near it or not."""
        return self.forecast is not None and self.forecast.days <= 0

    def is_near(self, limit: float) -> bool:
        """Whether the level is no farther from the limit than its error: on which side of it it is nobody knows."""
        low, high = self.band
        return low is not None and high is not None and low <= limit <= high

    @property
    def heart_compared(self) -> Knowledge:
        """What comparing heart rate came to."""
        return self.heart.knowledge if self.heart else Knowledge.NOTHING

    @property
    def heart_moved(self) -> bool:
        """Whether heart rate has changed, and not stayed there for a fortnight."""
        return self.heart is not None and self.heart.knowledge is Knowledge.CHANGED and not self.heart.steady

    @property
    def has_baseline(self) -> bool:
        """Whether there is anything of the patient's own to compare with."""
        return self.reference is not None or self.usual is not None

    @property
    def rising(self) -> bool:
        return self.broken is not None and self.broken.up

    @property
    def falling(self) -> bool:
        return self.broken is not None and not self.broken.up


def without_forecast(pressure: PressureFacts) -> PressureFacts:
    """The same, saying nothing of days to come. That a limit is passed already is no forecast."""
    return replace(pressure, forecast=pressure.forecast if pressure.is_past_limit else None, pace=None, pace_sd=None)


class Symptom(StrEnum):
    """What of the diary is worse than usual; breathlessness and what goes with it come first."""

    BREATHLESS = "breathless"
    WOKEN = "woken"
    CHAIR = "chair"
    PILLOWS = "pillows"
    SWELLING = "swelling"
    BELLY = "belly"
    TIRED = "tired"


# Breathlessness and its kin outrank weight: hazard ratio 5.9 for dyspnoea against 1.01 for 5 lb in a week
# (Howie-Esquivel 2019).
OF_BREATH = frozenset({Symptom.BREATHLESS, Symptom.WOKEN, Symptom.CHAIR, Symptom.PILLOWS})


@dataclass(frozen=True, slots=True)
class SymptomChange:
    """One symptom that differs: breathlessness 0-10, pillows more than usual, days of `of`, the swelling's rank."""

    symptom: Symptom
    now: float = 0.0
    usual: float | None = None  # breathlessness only
    of: int = 7
    at_once: bool = False  # one strong answer: no second is waited for


@dataclass(frozen=True, slots=True)
class LastAnswers:
    """What the newest diary said; None is "not answered"."""

    on: date
    breathlessness: int | None = None  # 0-10
    extra_pillows: int | None = None
    woke_breathless: bool | None = None
    slept_in_chair: bool | None = None
    swelling: Swelling | None = None
    full_belly: bool | None = None
    light_headed: bool | None = None
    weight_kg: float | None = None


class WeightSpan(StrEnum):
    """Against what a weight has changed."""

    DAYS_3 = "days_3"
    WEEK = "week"
    FORTNIGHT = "fortnight"  # by the trend of all weighings
    OVER_USUAL = "over_usual"  # the patient's own
    OVER_DRY = "over_dry"
    UNDER_DRY = "under_dry"


@dataclass(frozen=True, slots=True)
class WeightChange:
    """The largest change of weight that a rule speaks of, kg, signed."""

    kg: float
    span: WeightSpan
    on: date | None = None  # the day it was told, where it no longer shows and no weighings have closed it


@dataclass(frozen=True, slots=True)
class WeightWeek:
    """The newest weight of the last three days, kg, and its change from about a week before; None is not known."""

    kg: float | None = None
    change_kg: float | None = None


@dataclass(frozen=True, slots=True)
class DiaryFacts:
    """What the diary says against the patient's own usual.

    `compared` is of the symptoms, `weighed` of the weight. Changes that no answers have
    closed stay here after the answers themselves grew old; `standing_on` is then the day
    on which they were told.
    """

    asked: int = 0  # diaries planned a week; 0: none is expected
    compared: Compared = Compared()
    weighed: Compared = Compared()
    said: LastAnswers | None = None
    last_differs: bool = False  # the newest day compared was not unchanged
    worse: tuple[SymptomChange, ...] = ()
    once: tuple[SymptomChange, ...] = ()  # bad nights of these days, where the newest answer was no such night
    eased: SymptomChange | None = None  # breathlessness, less than usual
    light_headed: int = 0  # days of the last 7, where that is more than usual
    medicines_missed: int = 0  # days
    weight: WeightWeek = WeightWeek()
    weight_gain: WeightChange | None = None
    weight_loss: WeightChange | None = None
    since: date | None = None  # when the symptoms' change was first told
    standing_on: date | None = None
    safety: tuple[SafetySign, ...] = ()  # the signs ticked

    @property
    def unwell(self) -> bool:
        return bool(self.worse or self.weight_gain)

    @property
    def last_on(self) -> date | None:
        """The last date with an answer."""
        return self.said.on if self.said else None

    @property
    def breathless(self) -> bool:
        """Whether breathlessness, or what goes with it, is worse."""
        return any(change.symptom in OF_BREATH for change in self.worse)

    @property
    def at_once(self) -> int:
        """How many strong answers there are."""
        return sum(change.at_once for change in self.worse)


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
class AfterStay:
    """The days after a stay in hospital: for how long their number is told, and a rise told at a lower bar."""

    discharged_on: date
    until: date
    watched_until: date | None = None  # None: at the bar of every other day

    def covers(self, day: date) -> bool:
        return self.discharged_on <= day <= self.until


@dataclass(frozen=True, slots=True)
class PictureFacts:
    """One picture, as of `today`, with everything that its sentence rests on."""

    picture: Picture
    today: date
    pressure: PressureFacts = PressureFacts()
    diary: DiaryFacts = DiaryFacts()
    silence: SilenceFacts = SilenceFacts()
    starting: date | None = None  # enrolled on that day, while that is new
    after_stay: AfterStay | None = None  # while it lasts

    @property
    def last_known_on(self) -> date | None:
        """The date of the newest reading, where it is too long ago for the level to be told as that of now."""
        last = self.pressure.last_reading_on
        return last if last is not None and (self.today - last).days > STILL_NOW else None

    @property
    def day_after_stay(self) -> int | None:
        """0 on the day of discharge."""
        return None if self.after_stay is None else (self.today - self.after_stay.discharged_on).days


@dataclass(frozen=True, slots=True)
class Episode:
    """A named reason to look, raised once per episode."""

    kind: SignalKind
    raised_on: date
    began_on: date
    facts: PictureFacts  # of the day it was raised
    ended_on: date | None = None  # no longer holds; carried until somebody has seen it


# Episodes that rest on the diary's answers: these staff may close.
OF_DIARY = (SignalKind.WORSE_SYMPTOMS, SignalKind.WEIGHT_GAIN, SignalKind.WEIGHT_LOSS)


@dataclass(frozen=True, slots=True)
class EpisodeClosed:
    """Staff closed an episode of the diary on that date: they knew the answers up to `known_to`, and no later ones."""

    kind: SignalKind
    on: date
    known_to: date
    new_usual: bool = False  # those answers are this patient's usual from now on


@dataclass(frozen=True, slots=True)
class Case:
    """What one patient's assessment is made from.

    `days` are joined days in any order: those with a reading or a diary are enough.
    Where nothing is carried they begin with the first that is known; else those after
    the newest carried state are needed. Days after `today` are
    never looked at. Without a `reference` the mean of the first settled fortnight stands in
    for it and `AnchoredReference.is_set` says so; until there is one the recent usual does.
    """

    days: Sequence[Day]
    today: date
    reference: AnchoredReference | None = None
    limits: PressureLimits = PressureLimits()
    adjustments: Sequence[AdjustmentMade] = ()  # oldest first
    goal: Goal | None = None
    tags: tuple[ContextTag, ...] = ()  # those of a day after `today` count for nothing yet
    silence: SilenceFacts = SilenceFacts()
    in_hospital: bool = False  # on `today`: what treatment there will do nobody can foresee from here
    dry_weight_kg: float | None = None
    zone: str = ""  # whose clocks the days' readings are told by
    silent_days: int = 0  # days without a reading that count as silent where nobody says what was planned; 0: none do
    readings_a_week: int = 7  # planned
    diaries_a_week: int = 0  # planned; 0: none is expected
    enrolled_on: date | None = None
    closed: Sequence[EpisodeClosed] = ()
    stays: tuple[AfterStay, ...] = ()  # those with a discharge after `today` count for nothing yet


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything the engine says of one patient on `today`."""

    picture: PictureFacts
    signals: tuple[Episode, ...] = ()  # open ones, and all that were raised or ended from `since` on
    response: ResponseFacts | None = None  # to the newest adjustment
    since: date | None = None  # the first date that was stepped through
    checkin_on: date | None = None  # last date with a check-in
    proposal: ReferenceProposal | None = None
