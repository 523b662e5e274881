"""The diary: what is carried of it, each patient's own usual, and the rules on symptoms and weight.

Promises that "usual" is made of answers at least a week old, so that a slow
worsening is not taken for the new usual while it happens, that a day without a
diary changes nothing, and that nobody is compared with anybody else: a person
who always rates their breath 4 is not worse at 4. One bad day is not a change;
the middle of the last three answers is. Scales: 0–10 numeric rating ("worst in
the last 24 hours"), pillows as change from usual, woken by breathlessness,
swelling by its height.

Weight is held against three days ago, a week ago, dry weight, and the trend of a
fortnight. Sources: more than 2 kg in 3 days, European Society of Cardiology
guidance for patients; 5 lb in a week and 2–3 lb in a day, US heart-failure
patient sheets. "Ago" is the median of the weighings around that day, so that one
weighing in clothes is no change. Alone these are weak: more than 2 kg in 2–3 days
found 21 % of events (Ledwidge 2013, Eur J Heart Fail 15), so quiet weight says
little.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from service.domain.signals.settings import EngineSettings

Array = NDArray[np.float64]
Days = NDArray[np.int64]
Flags = NDArray[np.bool_]

QUESTIONS = (
    "breathlessness",
    "extra_pillows",
    "woke_breathless",
    "swelling",
    "light_headed",
    "tiredness",
    "weight_kg",
)
BREATH, PILLOWS, WOKE, SWELLING, LIGHT, TIRED, WEIGHT = range(len(QUESTIONS))
RING = 16  # days kept one by one: what the fortnight's weight trend looks back
AGE = 7  # days before an answer counts towards the usual
LENGTH = 28.0  # days the usual looks back, as the time constant of a running mean


@dataclass(frozen=True)
class DiaryState:
    """After some evening. Questions × patients; nan is "not answered"."""

    ring: Array  # [RING, question, patient] by day
    last: Array  # [question, 3, patient]: the three newest answers, newest first
    last_on: Days  # [question, 3, patient]: their days; 0 is never
    usual: Array  # [question, patient]
    usual_of: Array  # answers it is made of
    written_on: Days  # [patient]: last day with any answer
    pounds: Flags  # the newest weight was given in lb
    dry_weight: Array  # kg; nan where none was typed in


def begin(patients: int) -> DiaryState:
    """No diary yet."""
    kinds = len(QUESTIONS)
    return DiaryState(
        ring=np.full((RING, kinds, patients), np.nan),
        last=np.full((kinds, 3, patients), np.nan),
        last_on=np.zeros((kinds, 3, patients), dtype=np.int64),
        usual=np.zeros((kinds, patients)),
        usual_of=np.zeros((kinds, patients)),
        written_on=np.zeros(patients, dtype=np.int64),
        pounds=np.zeros(patients, dtype=np.bool_),
        dry_weight=np.full(patients, np.nan),
    )


def step(state: DiaryState, day: int, answers: Array, pounds: Flags | None = None) -> DiaryState:
    """One day on. `answers` is [question, patient]: weights in kg, yes is 1, swelling 0 none to 3 knee.

    `pounds` is whose weight of this day was given in lb; None: nobody's.
    """
    given = ~np.isnan(answers)
    old = state.ring[(day - AGE) % RING]
    aged = ~np.isnan(old)
    usual_of = state.usual_of + aged
    pace = 1.0 / np.clip(usual_of, 1.0, LENGTH)
    usual = state.usual + np.where(aged, pace * (np.where(aged, old, 0.0) - state.usual), 0.0)
    ring = state.ring.copy()
    ring[day % RING] = answers
    shifted = np.concatenate([answers[:, None], state.last[:, :2]], axis=1)
    days = np.concatenate([np.full_like(state.last_on[:, :1], day), state.last_on[:, :2]], axis=1)
    return DiaryState(
        ring,
        np.where(given[:, None], shifted, state.last),
        np.where(given[:, None], days, state.last_on),
        usual,
        usual_of,
        np.where(given.any(axis=0), day, state.written_on),
        np.where(given[WEIGHT], False if pounds is None else pounds, state.pounds),
        state.dry_weight,
    )


def lagged(state: DiaryState, question: int, day: int, first: int, last: int) -> Array:
    """The answers of `first` to `last` days ago, [day, patient]."""
    rows = (day - np.arange(first, last + 1)) % RING
    answers: Array = state.ring[rows, question]
    return answers


def recent(state: DiaryState, question: int, day: int, within: int = 7) -> Array:
    """The up to three newest answers of the last `within` days, [3, patient]; nan where there are fewer."""
    fresh = state.last_on[question] > day - within
    return np.where(fresh, state.last[question], np.nan)


def middle(values: Array) -> Array:
    """The median down the first axis, nan left out; nan where there is nothing."""
    ordered = np.sort(values, axis=0)
    count = (~np.isnan(values)).sum(axis=0)
    low, high = np.maximum((count - 1) // 2, 0), np.minimum(count // 2, len(values) - 1)
    everyone = np.arange(values.shape[1])
    found: Array = np.where(count > 0, (ordered[low, everyone] + ordered[high, everyone]) / 2, np.nan)
    return found


def theil_sen(when: Array, values: Array, sure: float = 0.95) -> tuple[Array, Array, Array]:
    """The slope that half of all pairs agree on (Theil–Sen), and its lower and upper confidence limit.

    Of [day, patient] values at the times `when` [day]: Sen 1968, J Am Stat Assoc 63:1379–89. A single odd
    day cannot turn it; nan where fewer than two days are known.

    Times must differ from one another; nan values are left out.
    """
    first, second = np.triu_indices(len(when), k=1)
    slopes = (values[second] - values[first]) / (when[second] - when[first])[:, None]
    slopes.sort(axis=0)  # nan last
    pairs = (~np.isnan(slopes)).sum(axis=0)
    days = (~np.isnan(values)).sum(axis=0)
    # The variance of Kendall's score without ties.
    sigma = np.sqrt(days * (days - 1) * (2 * days + 5) / 18.0)
    reach = NormalDist().inv_cdf(0.5 + sure / 2) * sigma
    low = np.clip(np.round((pairs - reach) / 2.0), 1, np.maximum(pairs, 1)).astype(np.intp) - 1
    high = np.clip(np.round((pairs + reach) / 2.0), 0, np.maximum(pairs - 1, 0)).astype(np.intp)
    everyone = np.arange(values.shape[1])
    enough = pairs > 0
    lower, upper = np.maximum((pairs - 1) // 2, 0), np.maximum(pairs // 2, 0)
    middle = (slopes[lower, everyone] + slopes[np.minimum(upper, len(slopes) - 1), everyone]) / 2
    return (
        np.where(enough, middle, np.nan),
        np.where(enough, slopes[low, everyone], np.nan),
        np.where(enough, slopes[high, everyone], np.nan),
    )


_FEWEST_USUAL = 3  # older answers before a usual is known
_TIRED_STEP = 3.0  # told beside other changes, never alone


@dataclass(frozen=True)
class SymptomChanges:
    """One element a patient. Counts are of days; each Flag is a change against the usual."""

    breath: Array
    breath_usual: Array
    breathless: Flags
    pillows: Array
    more_pillows: Flags
    nights_woken: Array
    woken: Flags
    swelling: Array
    more_swelling: Flags
    days_light_headed: Array
    light_headed: Flags
    more_tired: Flags

    @property
    def worse(self) -> Flags:
        found: Flags = self.breathless | self.more_pillows | self.woken | self.more_swelling
        return found


def symptom_changes(state: DiaryState, day: int, settings: EngineSettings) -> SymptomChanges:
    """What differs from the usual on the evening of `day`, from the answers of the last seven days."""
    breath, pillows = recent(state, BREATH, day), recent(state, PILLOWS, day)
    swelling, tired = recent(state, SWELLING, day), recent(state, TIRED, day)
    usual = state.usual
    known = state.usual_of[BREATH] >= _FEWEST_USUAL
    breath_now, swelling_now = middle(breath), middle(swelling)
    nights, light = _days(state, WOKE, day), _days(state, LIGHT, day)
    with np.errstate(invalid="ignore"):
        pillow_days = (pillows - np.round(usual[PILLOWS]) >= 1).sum(axis=0)
        return SymptomChanges(
            breath=breath_now,
            breath_usual=np.where(known, usual[BREATH], np.nan),
            breathless=known & _two(breath) & (breath_now - usual[BREATH] >= settings.breathless_step),
            pillows=np.where(pillow_days > 0, np.nan_to_num(np.fmax.reduce(pillows, axis=0)), 0.0),
            more_pillows=pillow_days >= settings.pillow_days,
            nights_woken=nights,
            woken=nights - 7.0 * usual[WOKE] >= settings.woken_nights,
            swelling=swelling_now,
            more_swelling=_two(swelling) & (swelling_now - usual[SWELLING] >= settings.swelling_step),
            days_light_headed=light,
            light_headed=light - 7.0 * usual[LIGHT] >= settings.light_headed_days,
            more_tired=(state.usual_of[TIRED] >= _FEWEST_USUAL) & (middle(tired) - usual[TIRED] >= _TIRED_STEP),
        )


def _days(state: DiaryState, question: int, day: int) -> Array:
    """Days of the last seven on which the answer was yes."""
    with np.errstate(invalid="ignore"):
        counted: Array = (lagged(state, question, day, 0, 6) > 0).sum(axis=0).astype(np.float64)
    return counted


def _two(answers: Array) -> Flags:
    enough: Flags = (~np.isnan(answers)).sum(axis=0) >= 2
    return enough


KG_PER_POUND = 0.45359237  # exactly, NIST SP 811
FORTNIGHT = 14
_FEWEST = 8  # weighings in a fortnight before its trend is told


@dataclass(frozen=True)
class WeightChanges:
    """kg, one element a patient; nan is not known. A rule that holds is True."""

    now: Array
    in_3_days: Array
    in_week: Array
    over_dry: Array
    in_fortnight: Array
    gain: Flags
    loss: Flags


def weight_changes(state: DiaryState, day: int, settings: EngineSettings) -> WeightChanges:
    """The rules on the evening of `day`. Without a weighing that day only the trend and dry weight speak."""
    today = lagged(state, WEIGHT, day, 0, 0)[0]
    three = today - middle(lagged(state, WEIGHT, day, 2, 4))
    week = today - middle(lagged(state, WEIGHT, day, 6, 8))
    fresh = middle(recent(state, WEIGHT, day, within=4))
    dry = fresh - state.dry_weight
    fortnight = _fortnight(state, day, settings)
    with np.errstate(invalid="ignore"):
        gain = (
            (three > settings.gain_3_days)
            | (week > settings.gain_week)
            | _day_rule(state, day, today, settings)
            | (dry > settings.gain_over_dry)
            | (fortnight > settings.gain_trend)
        )
        loss = (three < -settings.loss_3_days) | (week < -settings.loss_week) | (dry < -settings.loss_under_dry)
    return WeightChanges(today, three, week, dry, fortnight, gain, loss)


def _day_rule(state: DiaryState, day: int, today: Array, settings: EngineSettings) -> Flags:
    """So many pounds in a day, still there at the next weighing: two noisy scales make a pound or two alone."""
    if not state.pounds.any():
        return np.zeros(len(today), dtype=np.bool_)
    before = middle(lagged(state, WEIGHT, day, 2, 4))
    yesterday = lagged(state, WEIGHT, day, 1, 1)[0]
    step = settings.gain_day_pounds * KG_PER_POUND
    with np.errstate(invalid="ignore"):
        held: Flags = state.pounds & (today - before > step) & (yesterday - before > step)
    return held


def _fortnight(state: DiaryState, day: int, settings: EngineSettings) -> Array:
    """Change over 14 days by the Theil–Sen slope, where its 95 % interval leaves zero out; else nan."""
    found = np.full(state.ring.shape[2], np.nan)
    window = lagged(state, WEIGHT, day, 0, FORTNIGHT - 1)[::-1]
    newer, older = middle(window[-4:]), middle(window[:5])
    with np.errstate(invalid="ignore"):
        # A cheap look first: the slope of all pairs is only worked out where it can matter.
        candidate = (newer - older > settings.gain_trend / 3) & ((~np.isnan(window)).sum(axis=0) >= _FEWEST)
    if candidate.any():
        slope, low, _ = theil_sen(np.arange(FORTNIGHT, dtype=np.float64), window[:, candidate])
        found[candidate] = np.where(low > 0, slope * FORTNIGHT, np.nan)
    return found


@dataclass(frozen=True)
class DiaryFindings:
    """What the diary rules found on an evening."""

    weight: WeightChanges
    symptoms: SymptomChanges


def diary_findings(diary: DiaryState, day: int, settings: EngineSettings) -> DiaryFindings:
    """The diary rules on the evening of `day`."""
    return DiaryFindings(weight_changes(diary, day, settings), symptom_changes(diary, day, settings))
