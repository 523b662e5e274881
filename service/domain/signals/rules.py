"""From the trend, the diary and the silence of one evening to the rules of each signal.

Promises one rule for each kind of signal, each with the point at which it is
raised and the lower point at which it is let go. Limits are judged only where a
clinician typed them.

A fall that begins and stays above the range of healthy people is what treatment wants:
it is followed as coming down and is no signal. Below that range, or below a lower limit
that a clinician typed in, a fall is one.

One rule stands beside the filter: three days of readings in a row beyond a
typed-in limit are beyond it, whatever a filter makes of them. The filter is slow,
on purpose, to believe a sudden step; a limit that a clinician typed in is not to
wait for that. Three days is this service's own choice; no source prescribes it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from service.domain.arrays import Array, Days, Flags
from service.domain.signals import high, jumps
from service.domain.signals.diary import (
    BELLY,
    BREATH,
    CHAIR,
    LIGHT,
    PILLOWS,
    SWELLING,
    WEIGHT,
    WOKE,
    SymptomChanges,
    WeightChanges,
)
from service.domain.signals.episodes import ROW, Rule
from service.domain.signals.settings import EngineSettings, z
from service.domain.signals.state import COMING_DOWN, DOWN, IN_A_ROW, JOINT, UP, EngineState
from service.domain.trend.state import TrendState, main_channel, of_main
from service.domain.vocabulary import SignalKind

QUIET_DIARY = 7  # days without a rule holding after which a diary episode is over
STILL_NEWS = 7  # days without a reading after which the last ones say nothing of now
# The upper end of resting pressures in healthy people, mean + 2 standard deviations: diastolic 8.8 ± 3.0, mean
# 14.0 ± 3.3, systolic 20.8 ± 4.4 mmHg (Kovacs 2009, Eur Respir J 34:888, from memory). Not a goal: it only
# tells a fall from a raised pressure from a fall to a low one.
HEALTHY_MOST = (14.8, 20.6, 29.6)


def pressure_rules(
    evening: EngineState, travelling: Flags, lift: Array, settings: EngineSettings
) -> tuple[dict[SignalKind, Rule], Flags]:
    """Rising, falling, a jump, high for weeks, above and below a limit; and the quick rises and falls that go on.

    On a date of `travelling` nothing is raised as rising or falling: another place, and altitude most of
    all, changes a pressure. A limit and a jump are told all the same. `lift` is what heart rate and diary
    add to a rise, see `joint`.
    `evening` has the trend, the runs and the jump of its own evening; the rest is still of the evening before.
    """
    trend, found = evening.trend, evening.trend.evidence
    quick, treated = evening.quick.copy(), _raised_throughout(evening)
    at = z(settings.fall_sure)
    goes_on = evening.quick[COMING_DOWN] & (found.coming_down > at - settings.let_go)
    quick[COMING_DOWN] = (found.coming_down >= at) | goes_on
    rules = {}
    for kind, slot, near, far, sure, calm, way in (
        (SignalKind.RISING, UP, found.rise, found.far_up, settings.rise_sure, trend.calm_on, 1.0),
        (SignalKind.FALLING, DOWN, found.fall, found.far_down, settings.fall_sure, trend.calm_below, -1.0),
    ):
        # A slow fall is asked for the same certainty as a quick one: a fall is rarely what harms first.
        at, far_at = z(sure), z(settings.far_sure) if way > 0 else z(sure)
        stays_raised = treated & (way < 0)
        starts = near >= at
        quick[slot] = (evening.quick[slot] | starts) & (near > at - settings.let_go)
        far_holds = far >= far_at
        rules[kind] = Rule(
            holds=(starts | far_holds) & ~stays_raised,
            lets_go=(~quick[slot] & (far < far_at - settings.let_go)) | stays_raised,
            size=way * trend.excess.now,
            step=settings.new_step,
            # A new rise on top of a level that has long been high.
            afresh=quick[slot] & ~evening.quick[slot],
            quiet_days=settings.new_step_days,
            began_on=np.minimum(np.clip(calm + 1, None, evening.day), _jump_that_way(evening, way)),
            heard=(trend.read_on == evening.day) & ~travelling,
        )
    rules[SignalKind.RISING] = _with_the_others(rules[SignalKind.RISING], evening, quick, found.rise + lift, settings)
    rules[SignalKind.JUMP] = _jump_rule(evening)
    rules[SignalKind.HIGH_STEADY] = _high_rule(evening, travelling, settings)
    rules.update(_limit_rules(evening, settings))
    return rules, quick


def diary_rules(
    evening: EngineState, safety: Flags, weight: WeightChanges, symptoms: SymptomChanges
) -> dict[SignalKind, Rule]:
    """Weight, symptoms and safety answers."""
    return {
        SignalKind.WEIGHT_GAIN: _lasting(evening, SignalKind.WEIGHT_GAIN, weight.gain, _weighed),
        SignalKind.WEIGHT_LOSS: _lasting(evening, SignalKind.WEIGHT_LOSS, weight.loss, _weighed),
        SignalKind.WORSE_SYMPTOMS: _lasting(
            evening,
            SignalKind.WORSE_SYMPTOMS,
            symptoms.lasting | symptoms.light_headed,
            _answered,
            _marks(symptoms),
            symptoms.at_once,
            symptoms.unanswered,
        ),
        SignalKind.SAFETY_ANSWER: Rule(holds=safety, lets_go=~safety, afresh=safety, quiet_days=1),
    }


def silence_rule(evening: EngineState, missed: Days) -> Rule:
    """So many readings missed in a row, [patient]."""
    holds = (evening.silent_days > 0) & (missed >= evening.silent_days)
    return Rule(holds=holds, lets_go=missed == 0, began_on=evening.day - missed + 1)


def _with_the_others(rule: Rule, evening: EngineState, quick: Flags, near: Array, settings: EngineSettings) -> Rule:
    """The rule of a rise, also held by pressure, heart rate and diary together; notes in `quick` where they do.

    It only holds on more days, and lets go on fewer. What the pressure alone comes to tell is told again.
    """
    at = z(settings.rise_sure)
    starts = near >= at
    quick[JOINT] = (evening.quick[JOINT] | starts) & (near > at - settings.let_go)
    return replace(rule, holds=rule.holds | starts, lets_go=rule.lets_go & ~quick[JOINT])


def _jump_that_way(evening: EngineState, way: float) -> Days:
    """The day from which readings are far, up (1) or down (-1), for the filter is slow to believe them; else today."""
    jump = evening.jump
    found: Days = np.where((jump.count > 0) & (jumps.is_up(jump) == (way > 0)), jump.began_on, evening.day)
    return found


def _jump_rule(evening: EngineState) -> Rule:
    """From the second far reading in a row; told again at the third, and then no more."""
    jump = evening.jump
    return Rule(
        holds=jumps.holds(jump),
        lets_go=~jumps.holds(jump),
        marks=(jump.count >= jumps.LAST).astype(np.int64),
        began_on=jump.began_on,
        heard=jump.newest_on[0] == evening.day,
    )


def _raised_throughout(evening: EngineState) -> Flags:
    """Whether what the main pressure fell from and what it is now are both raised, and no lower limit is passed."""
    trend = evening.trend
    channel = main_channel(trend)
    most = np.array(HEALTHY_MOST)[channel]
    start = np.where(np.isnan(trend.anchor.value), trend.anchor.origin, trend.anchor.value)
    level = of_main(trend, trend.filtered.level)
    under = (channel == 0) & (level < evening.lower)  # nan is no limit
    raised: Flags = (of_main(trend, start) > most) & (level > most) & ~under
    return raised


def high_edge(evening: EngineState, trend: TrendState, settings: EngineSettings) -> Array:
    """From where the level of the main pressure is high on the evening of `trend`; nan where nothing says."""
    anchor = trend.anchor
    reference = np.where(trend.day >= anchor.from_day, of_main(trend, anchor.value), np.nan)
    in_force = (evening.goal_from <= trend.day) & (trend.day <= evening.goal_until) & (main_channel(trend) == 0)
    return high.edge(reference, np.where(in_force, evening.goal, np.nan), settings)


def _high_rule(evening: EngineState, travelling: Flags, settings: EngineSettings) -> Rule:
    """A level that has been high for weeks. A further move is told again."""
    trend = evening.trend
    over = of_main(trend, trend.filtered.level) - high_edge(evening, trend, settings)
    return Rule(
        holds=high.standing(evening.high, trend, settings),
        lets_go=evening.high.since == 0,
        size=np.where(np.isnan(over), 0.0, over),
        step=settings.new_step,
        quiet_days=settings.new_step_days,
        began_on=evening.high.since,
        heard=(trend.read_on == evening.day) & ~travelling,
    )


def _limit_rules(evening: EngineState, settings: EngineSettings) -> dict[SignalKind, Rule]:
    # Limits are typed in for PA diastolic; another pressure is not held against them.
    trend = evening.trend
    diastolic = (main_channel(trend) == 0) & trend.filtered.started[0]
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
        fresh = evening.day - evening.jump.newest_on[0] <= STILL_NEWS
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


def _lasting(
    evening: EngineState,
    kind: SignalKind,
    holds: Flags,
    answered: Callable[[EngineState, Days], Flags],
    marks: Days | None = None,
    at_once: Array | None = None,
    unanswered: Flags | bool = False,
) -> Rule:
    """A diary's answers come and go: an episode is over once its rule has not held for a week, and two answers say so.

    Without answers it goes on: somebody who falls silent while unwell is not better for it.
    """
    heard = (evening.diary.written_on == evening.day) | unanswered
    held_on = np.where(holds & heard, evening.day, evening.episodes.held_on[ROW[kind]])
    quiet = evening.day - held_on >= QUIET_DIARY
    return Rule(
        holds=holds & ~quiet,
        lets_go=quiet & answered(evening, held_on),
        size=at_once,
        step=1.0,  # one strong answer more is something new
        marks=marks,
        heard=heard,
    )


def _weighed(evening: EngineState, since: Days) -> Flags:
    """Whether there are two weighings since then."""
    twice: Flags = evening.diary.last_on[WEIGHT, 1] > since
    return twice


def _answered(evening: EngineState, since: Days) -> Flags:
    """Whether every question that the episode was told for has two answers since then."""
    told = evening.episodes.told_marks[ROW[SignalKind.WORSE_SYMPTOMS]]
    found = np.ones(evening.patients, dtype=np.bool_)
    for bit, question in enumerate(MARKED):
        found &= ((told >> bit & 1) == 0) | (evening.diary.last_on[question, 1] > since)
    return found


MARKED = (BREATH, PILLOWS, WOKE, SWELLING, LIGHT, CHAIR, BELLY)  # the questions in the order of their marks


def _marks(symptoms: SymptomChanges) -> Days:
    flags = (
        symptoms.breathless,
        symptoms.more_pillows,
        symptoms.woken,
        symptoms.more_swelling,
        symptoms.light_headed,
        symptoms.in_chair,
        symptoms.full_belly,
    )
    bits: Days = np.sum([flag.astype(np.int64) << bit for bit, flag in enumerate(flags)], axis=0, dtype=np.int64)
    return bits
