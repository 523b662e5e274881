"""The trend of the three pressures of many patients, carried from day to day.

    state = begin(patients)
    state = step(state, day, readings, settings)      # readings [3, patient], mmHg, nan is missing

Promises that a new reading costs the same after ten years as after a month, and
that days taken one at a time give the numbers that a whole history gives. A late
or corrected reading is replayed from a state kept before it: see `domain.signals.state`.
Raises nothing and decides nothing: that is `domain.signals`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from service.domain.signals.settings import EngineSettings
from service.domain.trend import kalman
from service.domain.trend import reference as reference_rules
from service.domain.trend.kalman import Filtered
from service.domain.trend.reference import Anchor

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
CHANNELS = ("pa_diastolic", "pa_mean", "pa_systolic")
RING = 90  # days of values kept: what the longest area looks back
_FIRST_NOISE = (2.0, 4.0, 9.0)  # mmHg², before anything is known: 7 % of 20, 29 and 43 mmHg
_FIRST_ALIKE = 0.8  # how alike the noise of two pressures is taken to be at first
_HABIT = 30.0  # days' worth of that first guess


@dataclass(frozen=True)
class TrendState:
    """After the evening of `day` (a proleptic ordinal), [.., patient]. Zero is "before anything"."""

    day: int
    filtered: Filtered  # 3 × patients series: all diastolic, all mean, all systolic
    moments: Array  # [6, patient], see DD below
    paired: Array  # days on which they could be learned
    anchor: Anchor
    beyond: NDArray[np.float32]  # [RING, patient]: excess over the reference by day; nan where not known
    values: NDArray[np.float32]  # [RING, patient]: the day's pressure, or the level where none was read
    usual_total: Array  # of `beyond` over the days of the recent usual
    usual_count: Array
    calm_on: NDArray[np.int64]  # last day on which the pressure was not above, and not below, its baseline
    calm_below: NDArray[np.int64]
    read_on: NDArray[np.int64]  # last day with a reading
    excess: Excess
    evidence: Evidence

    @property
    def patients(self) -> int:
        return len(self.paired)


def begin(patients: int) -> TrendState:
    """Nothing is known of anybody."""
    nothing = np.full(patients, -np.inf)
    zero = np.zeros(patients)
    moments = np.empty((6, patients))
    for row, (one, other) in enumerate(((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))):
        alike = 1.0 if one == other else _FIRST_ALIKE
        moments[row] = alike * (_FIRST_NOISE[one] * _FIRST_NOISE[other]) ** 0.5
    return TrendState(
        day=0,
        filtered=kalman.start(3 * patients),
        moments=moments,
        paired=zero,
        anchor=reference_rules.unanchored(3, patients),
        beyond=np.full((RING, patients), np.nan, dtype=np.float32),
        values=np.full((RING, patients), np.nan, dtype=np.float32),
        usual_total=zero,
        usual_count=zero,
        calm_on=np.zeros(patients, dtype=np.int64),
        calm_below=np.zeros(patients, dtype=np.int64),
        read_on=np.zeros(patients, dtype=np.int64),
        excess=Excess(zero, zero, zero, zero, zero, np.zeros(patients, dtype=np.bool_)),
        evidence=Evidence(nothing, nothing, nothing, nothing, zero),
    )


def step(
    state: TrendState, day: int, readings: Array, settings: EngineSettings, blur: Array | None = None
) -> TrendState:
    """One day on. Days are given one after the other; a day without any reading is given too."""
    if state.day and day != state.day + 1:
        raise ValueError(f"day {day} does not follow {state.day}")
    n, tuning = state.patients, settings.tuning
    expected = (state.filtered.level + state.filtered.slope).reshape(3, n)
    spread = np.sqrt(state.filtered.level_var + state.filtered.noise).reshape(3, n)
    known_before = state.filtered.started.reshape(3, n)
    flat_blur = None if blur is None else np.tile(blur, 3)
    filtered = kalman.advance(state.filtered, readings.reshape(-1), tuning, flat_blur)
    moments, paired = _learn(state, readings - expected, spread, known_before, settings)
    anchor = reference_rules.take(state.anchor, readings, day, settings.reference_days)
    beyond = _beyond(filtered, anchor, moments, day, settings)
    usual_total, usual_count = _usual(state, day, settings)
    usual = usual_total / (usual_count + max(settings.reference_weight, 1e-9))
    found = evidence(beyond, usual, settings)
    ring, values = state.beyond.copy(), state.values.copy()
    ring[day % RING] = np.where(beyond.known, beyond.now, np.nan)
    values[day % RING] = _value(filtered, readings)
    above = beyond.known & (beyond.now - usual > settings.margin / 2) & (beyond.ahead > 0)
    below = beyond.known & (beyond.now - usual < -settings.margin / 2) & (beyond.ahead < 0)
    return TrendState(
        day,
        filtered,
        moments,
        paired,
        anchor,
        ring,
        values,
        usual_total,
        usual_count,
        np.where(above, state.calm_on, day),
        np.where(below, state.calm_below, day),
        np.where(~np.isnan(readings).all(axis=0), day, state.read_on),
        beyond,
        found,
    )


def with_references(state: TrendState, given: Array, sd: Array, from_day: NDArray[np.int64]) -> TrendState:
    """References that staff set, [3, patient], nan where none is, with their standard deviations.

    Each judges no day before its `from_day`. A pressure without one of its own is then not judged.
    """
    is_set: NDArray[np.bool_] = np.logical_or.reduce(~np.isnan(given), axis=0)
    anchor = replace(
        state.anchor,
        value=np.where(is_set, given, state.anchor.value),
        var=np.where(is_set, sd * sd, state.anchor.var),
        is_set=is_set,
        from_day=np.where(is_set, from_day, 0),
    )
    return replace(state, anchor=anchor)


def main_channel(state: TrendState) -> NDArray[np.intp]:
    """Which pressure stands for each patient: diastolic where it is read, else mean, else systolic."""
    count = state.filtered.count.reshape(3, state.patients)
    first: NDArray[np.intp] = np.argmax(count > 0, axis=0)
    return first


def of_main(state: TrendState, values: Array) -> Array:
    """The main channel's element of [3 × patients] or [3, patient]."""
    n = state.patients
    chosen: Array = values.reshape(3, n)[main_channel(state), np.arange(n)]
    return chosen


def _learn(
    state: TrendState, surprise: Array, spread: Array, known: NDArray[np.bool_], settings: EngineSettings
) -> tuple[Array, Array]:
    """The second moments of the three surprises of a day, from days on which there are two or three."""
    seen = known & ~np.isnan(surprise)
    limit = settings.far_reading * spread
    pulled = np.where(seen, np.clip(np.where(seen, surprise, 0.0), -limit, limit), 0.0)
    paired = state.paired + (seen.sum(axis=0) >= 2)
    pace = np.maximum(settings.noise_pace, 1.0 / (paired + _HABIT))
    moments = state.moments.copy()
    for row, (one, other) in enumerate(((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))):
        both = seen[one] & seen[other]
        moments[row] += np.where(both, pace * (pulled[one] * pulled[other] - moments[row]), 0.0)
    return moments, paired


def _beyond(filtered: Filtered, anchor: Anchor, moments: Array, day: int, settings: EngineSettings) -> Excess:
    shape = anchor.value.shape
    ahead, ahead_var = filtered.ahead(settings.ahead_days, settings.slope_kept)
    level = filtered.level.reshape(shape)
    judged = ~np.isnan(anchor.value) & filtered.started.reshape(shape) & (day >= anchor.from_day)
    weight = weights(moments, judged)
    reference = np.where(judged, anchor.value, 0.0)
    return excess(
        weight,
        moments,
        level - reference,
        ahead.reshape(shape) - reference,
        filtered.level_var.reshape(shape),
        ahead_var.reshape(shape),
        np.where(judged, anchor.var, 0.0),
        judged,
    )


def _usual(state: TrendState, day: int, settings: EngineSettings) -> tuple[Array, Array]:
    """The recent usual's sum and count, one day further: one day comes in, one goes out."""
    total, count = state.usual_total.copy(), state.usual_count.copy()
    for lag, sign in ((settings.usual_from, 1.0), (settings.usual_to, -1.0)):
        value = state.beyond[(day - lag) % RING].astype(np.float64)
        there = ~np.isnan(value)
        total += sign * np.where(there, value, 0.0)
        count += sign * there
    return total, count


def _value(filtered: Filtered, readings: Array) -> Array:
    n = readings.shape[1]
    started = filtered.started.reshape(3, n)
    channel, everyone = np.argmax(started, axis=0), np.arange(n)
    read, level = readings[channel, everyone], filtered.level.reshape(3, n)[channel, everyone]
    return np.where(started.any(axis=0), np.where(np.isnan(read), level, read), np.nan)


# --- the break from baseline -------------------------------------------------------------
#
# One number per patient from whichever of the three pressures there are: each pressure's
# distance from its own reference, weighed by how steady that pressure is in this patient
# (generalised least squares with weights that are never negative, so that three columns of
# the same noise count as one).
#
# Two baselines are used. The reference is anchored and never moves; but a mean of 14 days is
# itself uncertain and healthy pressures wander by a mmHg or so over months, so a quick rise
# is judged against the patient's recent usual, the mean level of about three to eight weeks
# ago, into which the reference is mixed as so many days' worth. A level far beyond the
# reference counts however slowly it came.

# Rows of the carried second moments of the surprises: diastolic, mean, systolic, and their products.
DD, MM, SS, DM, DS, MS = range(6)


@dataclass(frozen=True)
class Excess:
    """Beyond the reference, mmHg of PA diastolic (or of what there is), one element a patient."""

    now: Array
    ahead: Array  # a few days on
    now_var: Array
    ahead_var: Array
    reference_var: Array
    known: Flags


@dataclass(frozen=True)
class Evidence:
    """How many standard deviations beyond the margin, one element a patient; −inf where nothing is known."""

    rise: Array
    fall: Array
    far_up: Array
    far_down: Array
    usual: Array  # the recent usual they were judged against, mmHg beyond the reference


def weights(moments: Array, known: Flags) -> Array:
    """What each pressure counts for, [3, patient], adding to 1 where any is known."""
    pair = _share(moments[DD], moments[MM], moments[DM])
    first = np.where(known[0] & known[1], pair, np.where(known[0], 1.0, 0.0))
    second = np.where(known[0] & known[1], 1.0 - pair, np.where(known[1], 1.0, 0.0))
    var = first**2 * moments[DD] + second**2 * moments[MM] + 2 * first * second * moments[DM]
    shared = first * moments[DS] + second * moments[MS]
    either = known[0] | known[1]
    two = np.where(either & known[2], _share(var, moments[SS], shared), np.where(either, 1.0, 0.0))
    three = np.where(either & known[2], 1.0 - two, np.where(known[2], 1.0, 0.0))
    return np.stack([first * two, second * two, three])


def excess(weight: Array, moments: Array, now: Array, ahead: Array, now_var: Array, ahead_var: Array,
           reference_var: Array, known: Flags) -> Excess:  # fmt: skip
    """The pressures' distances from their references, [3, patient], as one."""
    parts = [np.where(known, values, 0.0) for values in (now, ahead, now_var, ahead_var, reference_var)]
    return Excess(
        (weight * parts[0]).sum(axis=0),
        (weight * parts[1]).sum(axis=0),
        _variance(weight, moments, parts[2]),
        _variance(weight, moments, parts[3]),
        _variance(weight, moments, parts[4]),
        np.logical_or.reduce(known, axis=0),
    )


def evidence(beyond: Excess, usual: Array, settings: EngineSettings) -> Evidence:
    """How sure a break is, up and down."""
    wander = settings.wander**2
    quick = np.sqrt(beyond.ahead_var + wander)
    slow = np.sqrt(beyond.now_var + beyond.reference_var + wander)
    margin, far = settings.margin, settings.far_margin
    rise = (beyond.ahead - usual - margin) / quick
    # Coming back to the reference from below is no rise, and from above no fall.
    rise = np.where(beyond.ahead > margin, rise, -np.inf)
    fall = (-np.maximum(beyond.ahead - usual, beyond.ahead) - margin) / quick
    far_up, far_down = (beyond.now - far) / slow, (-beyond.now - far) / slow
    nothing = ~beyond.known
    for found in (rise, fall, far_up, far_down):
        found[nothing] = -np.inf
    return Evidence(rise, fall, far_up, far_down, usual)


def _share(one: Array, other: Array, both: Array) -> Array:
    """The first one's weight in the steadiest mix of two, never negative."""
    first, second = np.maximum(other - both, 0.0), np.maximum(one - both, 0.0)
    share: Array = np.divide(first, first + second, out=np.full_like(first, 0.5), where=first + second > 0)
    return share


def _variance(weight: Array, moments: Array, var: Array) -> Array:
    sd = np.sqrt(np.maximum(var, 0.0)) * weight
    total: Array = (sd * sd).sum(axis=0)
    for one, other, row in ((0, 1, DM), (0, 2, DS), (1, 2, MS)):
        scale = np.sqrt(moments[one] * moments[other])
        alike = np.clip(np.divide(moments[row], scale, out=np.zeros_like(scale), where=scale > 0), -1.0, 1.0)
        total = np.asarray(total + 2 * alike * sd[one] * sd[other], dtype=np.float64)
    held: Array = np.maximum(total, 0.0)
    return held
