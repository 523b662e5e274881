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

from service.domain.arrays import Array, Days, Flags
from service.domain.signals.settings import EngineSettings
from service.domain.trend import kalman
from service.domain.trend import reference as reference_rules
from service.domain.trend.kalman import Filtered
from service.domain.trend.reference import Anchor
from service.domain.vocabulary import Pressure

CHANNELS = tuple(Pressure)
ENOUGH_USUAL = 14  # days of recent weeks before they are told, or stand alone
RING = 90  # days of values kept: what the longest area looks back
_FIRST_NOISE = (2.0, 4.0, 9.0)  # mmHg², before anything is known: 7 % of 20, 29 and 43 mmHg
_FIRST_ALIKE = 0.8  # how alike the noise of two pressures is taken to be at first
_HABIT = 30.0  # days' worth of that first guess


@dataclass(frozen=True)
class TrendState:
    """After the evening of `day` (a proleptic ordinal), [.., patient]. Zero is "before anything"."""

    day: int
    filtered: Filtered  # [3, patient]
    moments: Array  # [6, patient], see DD below
    paired: Array  # days on which they could be learned
    anchor: Anchor
    beyond: NDArray[np.float32]  # [RING, patient]: distance from the origin by day; nan where not known
    values: NDArray[np.float32]  # [RING, patient]: the day's pressure, or the level where none was read
    usual_total: Array  # of `beyond` over the days of the recent usual
    usual_count: Array
    low_from: Days  # first day of the low under the reference that goes on; 0 is none
    long_low_on: Days  # last day on which such a low had become the usual; 0 is never
    calm_on: Days  # last day on which the pressure was not above, and not below, its baseline
    calm_below: Days
    read_on: Days  # last day with a reading
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
        filtered=kalman.start((3, patients)),
        moments=moments,
        paired=zero,
        anchor=reference_rules.unanchored(3, patients),
        beyond=np.full((RING, patients), np.nan, dtype=np.float32),
        values=np.full((RING, patients), np.nan, dtype=np.float32),
        usual_total=zero,
        usual_count=zero,
        low_from=np.zeros(patients, dtype=np.int64),
        long_low_on=np.zeros(patients, dtype=np.int64),
        calm_on=np.zeros(patients, dtype=np.int64),
        calm_below=np.zeros(patients, dtype=np.int64),
        read_on=np.zeros(patients, dtype=np.int64),
        excess=Excess(zero, zero, zero, zero, zero, zero, zero, np.zeros(patients, dtype=np.bool_)),
        evidence=Evidence(nothing, nothing, nothing, nothing, nothing, zero, np.zeros(patients, dtype=np.bool_)),
    )


def step(
    state: TrendState,
    day: int,
    readings: Array,
    settings: EngineSettings,
    blur: Array | None = None,
    anew: Flags | None = None,
    jumped_on: Days | None = None,
) -> TrendState:
    """One day on. Days are given one after the other; a day without any reading is given too.

    Of whom the level is to be told `anew`, [patient], it begins with this day's readings, and the days since
    `jumped_on` make no usual: a jump that is over is not what later pressures are held against. None: of nobody.
    """
    if state.day and day != state.day + 1:
        raise ValueError(f"day {day} does not follow {state.day}")
    before = state.filtered
    if anew is not None and anew.any():
        before = kalman.anew(before, anew & ~np.isnan(readings))
    filtered = kalman.advance(before, readings, settings, blur)
    moments, paired = _learn(state, readings, settings)
    anchor = reference_rules.take(state.anchor, readings, day, settings.reference_days)
    beyond = _beyond(filtered, anchor, moments, day, settings)
    usual_total, usual_count = _usual(state, day, settings)
    low_from, long_low_on = _lows(state, beyond, day, settings)
    lately = day - long_low_on <= settings.usual_to
    usual = _judged_against(state, usual_total, usual_count, beyond.base, lately & (long_low_on > 0), day, settings)
    found = evidence(beyond, usual, lately | np.isnan(beyond.reference), settings)
    ring, values = state.beyond.copy(), state.values.copy()
    if anew is not None and jumped_on is not None and anew.any():
        for lag in range(1, settings.usual_from):  # older ones count already
            ring[(day - lag) % RING, anew & (day - lag >= jumped_on)] = np.nan
    ring[day % RING] = np.where(beyond.known, beyond.now, np.nan)
    values[day % RING] = _value(filtered, readings)
    over_base = found.by_usual | (beyond.ahead > beyond.base)
    above = beyond.known & (beyond.now - usual > settings.margin / 2) & over_base
    below = beyond.known & (beyond.now - usual < -settings.margin / 2)
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
        low_from,
        long_low_on,
        np.where(above, state.calm_on, day),
        np.where(below, state.calm_below, day),
        np.where(~np.isnan(readings).all(axis=0), day, state.read_on),
        beyond,
        found,
    )


def with_references(state: TrendState, given: Array, sd: Array, first_day: Days, last_day: Days) -> TrendState:
    """References that staff set, [3, patient], nan where none is: see `reference.with_set`."""
    return replace(state, anchor=reference_rules.with_set(state.anchor, given, sd, first_day, last_day))


def main_channel(state: TrendState) -> NDArray[np.intp]:
    """Which pressure stands for each patient: diastolic where it is read, else mean, else systolic."""
    first: NDArray[np.intp] = np.argmax(state.filtered.started, axis=0)
    return first


def of_main(state: TrendState, values: Array) -> Array:
    """The main channel's element of [3, patient]."""
    chosen: Array = values[main_channel(state), np.arange(state.patients)]
    return chosen


def near_reference(state: TrendState, settings: EngineSettings) -> Flags:
    """Whether the level is not far from the reference, [patient]; not where there is none."""
    with np.errstate(invalid="ignore"):
        near: Flags = np.abs(state.excess.now - state.excess.reference) <= settings.far_margin
    return near


def settled_anew(state: TrendState) -> Flags:
    """Whether the level of the main pressure is where a fortnight has newly settled, [patient]."""
    newest, level = state.anchor.newest, of_main(state, state.filtered.level)
    with np.errstate(invalid="ignore"):
        there = np.abs(level - of_main(state, newest.value)) <= reference_rules.DIFFERENT
    found: Flags = there & (state.day - newest.last_day <= reference_rules.STILL_THERE)
    return found


def _learn(state: TrendState, readings: Array, settings: EngineSettings) -> tuple[Array, Array]:
    """The second moments of the three surprises of a day, from days on which there are two or three."""
    before = state.filtered
    surprise = readings - (before.level + before.slope)
    seen = before.started & ~np.isnan(surprise)
    limit = settings.far_reading * np.sqrt(before.level_var + before.noise)
    pulled = np.where(seen, np.clip(np.where(seen, surprise, 0.0), -limit, limit), 0.0)
    paired = state.paired + (seen.sum(axis=0) >= 2)
    pace = np.maximum(settings.noise_pace, 1.0 / (paired + _HABIT))
    moments = state.moments.copy()
    for row, (one, other) in enumerate(((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))):
        both = seen[one] & seen[other]
        moments[row] += np.where(both, pace * (pulled[one] * pulled[other] - moments[row]), 0.0)
    return moments, paired


def _beyond(filtered: Filtered, anchor: Anchor, moments: Array, day: int, settings: EngineSettings) -> Excess:
    ahead, ahead_var = filtered.ahead(settings.ahead_days, settings.slope_kept)
    judged = ~np.isnan(anchor.origin) & filtered.started
    weight = weights(moments, judged)
    origin = np.where(judged, anchor.origin, 0.0)
    return excess(
        weight,
        moments,
        filtered.level - origin,
        ahead - origin,
        filtered.level_var,
        ahead_var,
        np.where(day >= anchor.from_day, anchor.value - origin, np.nan),
        anchor.reference.var,
        np.where(anchor.is_set, np.nan, 0.0),
        judged,
    )


def _lows(state: TrendState, beyond: Excess, day: int, settings: EngineSettings) -> tuple[Days, Days]:
    """The low under the reference that goes on, and the last day on which one had lasted long enough."""
    under = np.maximum(beyond.now, beyond.ahead) - beyond.base
    begins = beyond.known & (under < -settings.far_margin) & (state.low_from == 0)
    low_from = np.where(begins, day, state.low_from)
    low_from = np.where(beyond.known & (under > -settings.far_margin / 2), 0, low_from)
    is_long = (low_from > 0) & (day - low_from + 1 >= settings.low_days)
    return low_from, np.where(is_long, day, state.long_low_on)


def _judged_against(
    state: TrendState, total: Array, count: Array, base: Array, low: Flags, day: int, settings: EngineSettings
) -> Array:
    """What a quick rise or fall is held against: the recent usual, into which the reference is mixed.

    A reference far above the recent usual says little of it, and pulls it up no more than a margin's worth.
    Who was low for long is held against the days of the low, which the recent usual is slow to take in.
    """
    mean = np.divide(total, count, out=base.copy(), where=count > 0)
    share = settings.reference_weight / np.maximum(count + settings.reference_weight, 1e-9)
    usual: Array = mean + share * np.minimum(base - mean, settings.pulled_up)
    usual = np.where(np.isnan(base) & (count >= ENOUGH_USUAL), mean, usual)
    if low.any():
        near, days = np.zeros(int(low.sum())), np.zeros(int(low.sum()))
        for lag in range(settings.low_days // 2, settings.low_days + settings.low_days // 2):
            value = state.beyond[(day - lag) % RING, low].astype(np.float64)
            near += np.where(np.isnan(value), 0.0, value)
            days += ~np.isnan(value)
        lower = np.divide(near, days, out=np.full_like(near, np.inf), where=days > 0)
        usual[low] = np.minimum(usual[low], lower)
    return usual


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
    channel, everyone = np.argmax(filtered.started, axis=0), np.arange(readings.shape[1])
    read, level = readings[channel, everyone], filtered.level[channel, everyone]
    return np.where(filtered.started.any(axis=0), np.where(np.isnan(read), level, read), np.nan)


# --- the break from baseline -------------------------------------------------------------
#
# One number per patient from whichever of the three pressures there are: each pressure's
# distance from its own reference, weighed by how steady that pressure is in this patient
# (generalised least squares with weights that are never negative, so that three columns of
# the same noise count as one).
#
# Distances are counted from an origin that never moves, each pressure's own. Two baselines
# are told apart. The reference is anchored and never moves; but a mean of 14 days is
# itself uncertain and healthy pressures wander by a mmHg or so over months, so a quick rise
# is judged against the patient's recent usual, the mean level of about three to eight weeks
# ago, into which the reference is mixed as so many days' worth. Coming back to the reference
# after a short low is no rise. After a low of three weeks, or where there is no reference,
# the recent usual alone decides: somebody brought down from 28 to 18 who climbs to 23 has
# risen. A level far beyond the reference counts however slowly it came.

# Rows of the carried second moments of the surprises: diastolic, mean, systolic, and their products.
DD, MM, SS, DM, DS, MS = range(6)


@dataclass(frozen=True)
class Excess:
    """Beyond the origin, mmHg of PA diastolic (or of what there is), one element a patient."""

    now: Array
    ahead: Array  # a few days on
    now_var: Array
    ahead_var: Array
    reference: Array  # where the reference is, beyond the origin; nan where there is none
    base: Array  # the same, and until there is one the first readings' mean; nan until a set one counts
    reference_var: Array
    known: Flags


@dataclass(frozen=True)
class Evidence:
    """How many standard deviations beyond the margin, one element a patient; −inf where nothing is known."""

    rise: Array
    fall: Array
    far_up: Array
    far_down: Array
    coming_down: Array  # from the recent usual, wherever the reference is
    usual: Array  # what they were judged against, mmHg beyond the origin
    by_usual: Flags  # that alone: a rise may be one although the level is under the reference


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
           reference: Array, reference_var: Array, instead: Array, known: Flags) -> Excess:  # fmt: skip
    """The pressures' distances from their origins, [3, patient], as one; `instead` of a reference, [patient]."""
    parts = [np.where(known, values, 0.0) for values in (now, ahead, now_var, ahead_var)]
    has = known & ~np.isnan(reference)
    share = np.where(has, weight, 0.0)
    all_of_it = share.sum(axis=0)
    at = np.divide(
        (share * np.where(has, reference, 0.0)).sum(axis=0),
        all_of_it,
        out=np.full_like(all_of_it, np.nan),
        where=all_of_it > 0,
    )
    return Excess(
        (weight * parts[0]).sum(axis=0),
        (weight * parts[1]).sum(axis=0),
        _variance(weight, moments, parts[2]),
        _variance(weight, moments, parts[3]),
        at,
        np.where(np.isnan(at), instead, at),
        _variance(weight, moments, np.where(has, reference_var, 0.0)),
        np.logical_or.reduce(known, axis=0),
    )


def evidence(beyond: Excess, usual: Array, by_usual: Flags, settings: EngineSettings) -> Evidence:
    """How sure a break is, up and down. Who is judged `by_usual` alone may rise from under the reference."""
    wander, base = settings.wander**2, beyond.base
    quick = np.sqrt(beyond.ahead_var + wander)
    slow = np.sqrt(beyond.now_var + beyond.reference_var + wander)
    margin, far = settings.margin, settings.far_margin
    rise = (beyond.ahead - usual - margin) / quick
    # Coming back to the reference from a short low is no rise, and from above no fall.
    rise = np.where((beyond.ahead - base > margin) | by_usual, rise, -np.inf)
    down = (usual - beyond.ahead - margin) / quick
    fall = np.fmin(down, (base - beyond.ahead - margin) / quick)
    far_up, far_down = (beyond.now - base - far) / slow, (base - beyond.now - far) / slow
    nothing = ~beyond.known
    for found in (rise, fall, down):
        found[nothing | np.isnan(usual)] = -np.inf
    for found in (far_up, far_down):
        found[nothing | np.isnan(beyond.reference)] = -np.inf
    return Evidence(rise, fall, far_up, far_down, down, usual, by_usual)


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
