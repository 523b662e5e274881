"""From the trend, the diary and the silence of one evening to the rules of each signal.

Promises one rule for each kind of signal, each with the point at which it is
raised and the lower point at which it is let go. Limits are judged only where a
clinician typed them.

One rule stands beside the filter: three days of readings in a row beyond a
typed-in limit are beyond it, whatever a filter makes of them. The filter is slow,
on purpose, to believe a sudden step; a limit that a clinician typed in is not to
wait for that. Three days is this service's own choice; no source prescribes it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.signals.diary import DiaryState, SymptomChanges, WeightChanges
from service.domain.signals.episodes import ROW, EpisodeState, Rule
from service.domain.signals.settings import EngineSettings, z
from service.domain.trend.state import TrendState, main_channel, of_main
from service.domain.vocabulary import SignalKind

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Days = NDArray[np.int64]
QUIET_DIARY = 7  # days without a rule holding after which a diary episode is over
QUICK_UP, QUICK_DOWN = 0, 1
IN_A_ROW = 3
STILL_NEWS = 7  # days without a reading after which the last ones say nothing of now
UP, DOWN = 0, 1


@dataclass(frozen=True, slots=True)
class LimitRuns:
    """The newest unbroken run of days whose reading is beyond a limit: [above, below] × patients. 0 is none."""

    count: Days  # days with a reading, [2, patient]
    began_on: Days  # ordinal of the first of them
    newest: Array  # the last IN_A_ROW readings of PA diastolic, newest first, [IN_A_ROW, patient]
    read_on: Days  # [patient]


def no_runs(patients: int) -> LimitRuns:
    """No reading yet."""
    return LimitRuns(
        count=np.zeros((2, patients), dtype=np.int64),
        began_on=np.zeros((2, patients), dtype=np.int64),
        newest=np.full((IN_A_ROW, patients), np.nan),
        read_on=np.zeros(patients, dtype=np.int64),
    )


def run_on(runs: LimitRuns, day: int, diastolic: Array, upper: Array, lower: Array) -> LimitRuns:
    """One day on. Pressures and limits in mmHg, [patient]; nan where there is none. At the limit is not beyond it."""
    seen = ~np.isnan(diastolic)
    beyond = np.stack([diastolic > upper, diastolic < lower])  # nan is neither
    count = np.where(seen, np.where(beyond, runs.count + 1, 0), runs.count)
    return LimitRuns(
        count,
        np.where(seen, np.where(count == 1, day, np.where(beyond, runs.began_on, 0)), runs.began_on),
        np.where(seen, np.concatenate([diastolic[None], runs.newest[:-1]]), runs.newest),
        np.where(seen, day, runs.read_on),
    )


@dataclass(frozen=True, slots=True)
class RuleInputs:
    """What the rules look at. `safety` and `missed` are [patient]."""

    day: int
    trend: TrendState
    episodes: EpisodeState
    runs: LimitRuns
    quick: Flags  # [2, patient]: whether a quick rise, a quick fall was going on the evening before
    upper: Array
    lower: Array
    safety: Flags
    missed: Days  # planned readings missed in a row


def pressure_rules(evening: RuleInputs, settings: EngineSettings) -> tuple[dict[SignalKind, Rule], Flags]:
    """Rising, falling, above and below a limit; and the quick rises and falls that go on."""
    trend, found = evening.trend, evening.trend.evidence
    quick = evening.quick.copy()
    rules = {}
    for kind, slot, near, far, sure, calm, way in (
        (SignalKind.RISING, QUICK_UP, found.rise, found.far_up, settings.rise_sure, trend.calm_on, 1.0),
        (SignalKind.FALLING, QUICK_DOWN, found.fall, found.far_down, settings.fall_sure, trend.calm_below, -1.0),
    ):
        # A slow fall is asked for the same certainty as a quick one: a fall is rarely what harms first.
        at, far_at = z(sure), z(settings.far_sure) if way > 0 else z(sure)
        starts = near >= at
        quick[slot] = (evening.quick[slot] | starts) & (near > at - settings.let_go)
        far_holds = far >= far_at
        rules[kind] = Rule(
            holds=starts | far_holds,
            lets_go=~quick[slot] & (far < far_at - settings.let_go),
            size=way * trend.excess.now,
            step=settings.new_step,
            # A new rise on top of a level that has long been high.
            afresh=quick[slot] & ~evening.quick[slot],
            quiet_days=settings.new_step_days,
            began_on=np.clip(calm + 1, None, evening.day),
            heard=trend.read_on == evening.day,
        )
    rules.update(_limit_rules(evening, settings))
    return rules, quick


def diary_rules(
    evening: RuleInputs, diary: DiaryState, weight: WeightChanges, symptoms: SymptomChanges
) -> dict[SignalKind, Rule]:
    """Weight, symptoms and safety answers."""
    return {
        SignalKind.WEIGHT_GAIN: _lasting(evening, diary, SignalKind.WEIGHT_GAIN, weight.gain),
        SignalKind.WEIGHT_LOSS: _lasting(evening, diary, SignalKind.WEIGHT_LOSS, weight.loss),
        SignalKind.WORSE_SYMPTOMS: _lasting(
            evening,
            diary,
            SignalKind.WORSE_SYMPTOMS,
            symptoms.worse | symptoms.light_headed,
            marks=_marks(symptoms),
        ),
        SignalKind.SAFETY_ANSWER: Rule(
            holds=evening.safety, lets_go=~evening.safety, afresh=evening.safety, quiet_days=1
        ),
    }


def silence_rule(evening: RuleInputs, silent_days: NDArray[np.int64]) -> Rule:
    """So many planned readings missed in a row; 0 is never silent."""
    holds = (silent_days > 0) & (evening.missed >= silent_days)
    return Rule(holds=holds, lets_go=evening.missed == 0, began_on=evening.day - evening.missed + 1)


def _limit_rules(evening: RuleInputs, settings: EngineSettings) -> dict[SignalKind, Rule]:
    # Limits are typed in for PA diastolic; another pressure is not held against them.
    trend = evening.trend
    diastolic = (main_channel(trend) == 0) & trend.filtered.started[: trend.patients]
    level, var = of_main(trend, trend.filtered.level), of_main(trend, trend.filtered.level_var)
    spread = np.sqrt(np.maximum(var, 1e-12))
    at = z(settings.limit_sure)
    rules = {}
    for kind, side, limit, way in (
        (SignalKind.ABOVE_LIMIT, UP, evening.upper, 1.0),
        (SignalKind.BELOW_LIMIT, DOWN, evening.lower, -1.0),
    ):
        beyond = np.where(diastolic & ~np.isnan(limit), way * (level - limit) / spread, -np.inf)
        size = np.where(np.isfinite(beyond), way * (level - limit), 0.0)
        fresh = evening.day - evening.runs.read_on <= STILL_NEWS
        in_a_row = fresh & (evening.runs.count[side] >= IN_A_ROW)
        rules[kind] = Rule(
            holds=(beyond >= at) | in_a_row,
            lets_go=(beyond < at - 2 * settings.let_go) & ~in_a_row,
            # The filter lags behind the readings: what three of them raised is at least as large as what it raises.
            size=np.where(in_a_row, np.fmax(size, at * spread), size),
            step=2 * settings.new_step,
            quiet_days=settings.new_step_days,
            began_on=np.where(in_a_row, evening.runs.began_on[side], evening.day),
            heard=trend.read_on == evening.day,
        )
    return rules


def _lasting(evening: RuleInputs, diary: DiaryState, kind: SignalKind, holds: Flags, marks: Days | None = None) -> Rule:
    """A diary's answers come and go: an episode is over once its rule has not held for a week."""
    heard = diary.written_on == evening.day
    held_on = np.where(holds & heard, evening.day, evening.episodes.held_on[ROW[kind]])
    over = evening.day - held_on >= QUIET_DIARY
    return Rule(holds=holds & ~over, lets_go=over, marks=marks, quiet_days=3, heard=heard)


def _marks(symptoms: SymptomChanges) -> Days:
    flags = (
        symptoms.breathless,
        symptoms.more_pillows,
        symptoms.woken,
        symptoms.more_swelling,
        symptoms.light_headed,
    )
    bits: Days = np.sum([flag.astype(np.int64) << bit for bit, flag in enumerate(flags)], axis=0, dtype=np.int64)
    return bits
