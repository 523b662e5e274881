"""The diary: what is carried of it, each patient's own usual, and the rules on symptoms and weight.

Promises that "usual" is anchored: it is made of the first fortnight of answers, each a week
old when it counts, and never rises by itself, however slowly somebody gets worse. It follows
whoever gets better, and staff may accept another. A day without a diary changes nothing, and
nobody is compared with anybody else: a person who always rates their breath 4 is not worse at 4.
One bad day is not a change; the middle of the last three answers is. But one strong answer counts
at once: breathlessness far over the usual, woken breathless or slept in a chair where that is not
usual, or more pillows by two (the steps are conventions of ours, no source). A single bad night is
told while it is the newest answer, and opens an episode only where another joins it or nothing more
is heard by the day after the next diary was due. Where a diary is asked weekly, the answers of two
weeks are looked at instead of one.
Scales: 0–10 numeric rating ("worst in the last 24 hours"), pillows as change from usual, woken by
breathlessness, swelling by its height.

Weight is held against three days ago, a week ago, dry weight, the trend of a fortnight, and its
own usual, which alone follows upward too, by what flesh and no congestion can come to. Sources:
more than 2 kg in 3 days, European Society of Cardiology guidance for patients; 5 lb in a week and
2–3 lb in a day, US heart-failure patient sheets. "Ago" is the median of the weighings around that
day, so that one weighing in clothes is no change. Alone these are weak: more than 2 kg in 2–3 days
found 21 % of events (Ledwidge 2013, Eur J Heart Fail 15), so quiet weight says little.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

from service.domain.arrays import Array, Days, Flags, middle
from service.domain.readings import KG_IN_POUND
from service.domain.signals.settings import EngineSettings

QUESTIONS = (
    "breathlessness",
    "extra_pillows",
    "woke_breathless",
    "swelling",
    "light_headed",
    "tiredness",
    "sure_weight_kg",
    "slept_in_chair",
    "full_belly",
    "missed_medicines",
)
BREATH, PILLOWS, WOKE, SWELLING, LIGHT, TIRED, WEIGHT, CHAIR, BELLY, MISSED = range(len(QUESTIONS))
WEEK, TWO_WEEKS = 7, 14  # days whose answers speak of now: where more than one diary a week is asked, and else
RING = 16  # days kept one by one: what the fortnight's weight trend looks back
AGE = 7  # days before an answer counts towards the usual
ANCHORED, ANCHORED_WEEKLY = 14, 6  # answers that a usual is made of, once for all
LENGTH = 28.0  # answers that `lately` looks back, as the time constant of a running mean
# By how much less the answers must be lately before the usual follows them down: two to three standard errors of
# `lately` where nothing changed. And kg by which the usual weight may rise with a weighing, about a pound in three
# weeks: people who are not congested gain less, and a congestion brings more. Conventions of ours, no source.
_EASED = {"breathlessness": 0.4, "tiredness": 0.6, "extra_pillows": 0.3, "swelling": 0.3, "sure_weight_kg": 0.3}
EASED = np.array([_EASED.get(question, 0.2) for question in QUESTIONS])[:, None]  # share of days for yes and no
FLESH = 0.02
# An answer so far over the usual is not taken into it while it is made: it may be the beginning of something.
_FAR = {"breathlessness": 2.0, "tiredness": 3.0, "extra_pillows": 2.0, "swelling": 2.0, "sure_weight_kg": 2.0}
_FEWEST_USUAL = 3  # older answers before a usual is known
FAR = np.array([_FAR.get(question, np.inf) for question in QUESTIONS])[:, None]


@dataclass(frozen=True)
class DiaryState:
    """After some evening. Questions × patients; nan is "not answered"."""

    ring: Array  # [RING, question, patient] by day
    last: Array  # [question, 3, patient]: the three newest answers, newest first
    last_on: Days  # [question, 3, patient]: their days; 0 is never
    usual: Array  # [question, patient]
    usual_of: Array  # answers it is made of
    lately: Array  # the running mean of all answers; a yes is 1
    written_on: Days  # [patient]: last day with any answer
    pounds: Flags  # the newest weight was given in lb
    dry_weight: Array  # kg; nan where none was typed in
    asked: Days  # diaries planned a week; 0: none is expected
    known_to: Days  # [question, patient]: staff closed an episode knowing the answers up to this day; 0: none

    @property
    def within(self) -> Days:
        """[patient]: the days whose answers speak of now."""
        return np.where(self.asked == 1, TWO_WEEKS, WEEK)


def begin(patients: int) -> DiaryState:
    """No diary yet."""
    kinds = len(QUESTIONS)
    return DiaryState(
        ring=np.full((RING, kinds, patients), np.nan),
        last=np.full((kinds, 3, patients), np.nan),
        last_on=np.zeros((kinds, 3, patients), dtype=np.int64),
        usual=np.zeros((kinds, patients)),
        usual_of=np.zeros((kinds, patients)),
        lately=np.zeros((kinds, patients)),
        written_on=np.zeros(patients, dtype=np.int64),
        pounds=np.zeros(patients, dtype=np.bool_),
        dry_weight=np.full(patients, np.nan),
        asked=np.zeros(patients, dtype=np.int64),
        known_to=np.zeros((kinds, patients), dtype=np.int64),
    )


def step(state: DiaryState, day: int, answers: Array, pounds: Flags | None = None) -> DiaryState:
    """One day on. `answers` is [question, patient]: weights in kg, yes is 1, swelling 0 none to 3 knee.

    `pounds` is whose weight of this day was given in lb; None: nobody's.
    """
    given = ~np.isnan(answers)
    old = state.ring[(day - AGE) % RING]
    usual, usual_of, lately = _usual_on(state, old, answers, given)
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
        lately,
        np.where(given.any(axis=0), day, state.written_on),
        np.where(given[WEIGHT], False if pounds is None else pounds, state.pounds),
        state.dry_weight,
        state.asked,
        state.known_to,
    )


def _usual_on(state: DiaryState, aged: Array, answers: Array, given: Flags) -> tuple[Array, Array, Array]:
    """The usual, the answers it is made of and `lately`, one day on; `aged` are the answers of a week ago."""
    whole = state.usual_of >= np.where(state.asked == 1, ANCHORED_WEEKLY, ANCHORED)
    with np.errstate(invalid="ignore"):
        strange = (state.usual_of >= _FEWEST_USUAL) & (aged - state.usual >= FAR)
    joins = ~np.isnan(aged) & ~whole & ~strange
    usual_of = state.usual_of + joins
    usual = np.where(joins, state.usual + (aged - state.usual) / np.maximum(usual_of, 1.0), state.usual)
    moved = np.where(given, state.lately + (answers - state.lately) / LENGTH, state.lately)
    lately = np.where(whole, moved, usual)
    usual = np.where(whole & (lately < usual - EASED), lately, usual)
    flesh = np.where(whole & given, np.clip(lately - usual, 0.0, FLESH), 0.0)[WEIGHT]
    usual[WEIGHT] += flesh
    return usual, usual_of, lately


def known(
    state: DiaryState, patient: int, day: int, evening: int, *, weight: bool, new_usual: bool = False
) -> DiaryState:
    """The state of `evening` once staff have closed what the answers up to `day` told, of weight or else of symptoms.

    Those answers are no news any more. Where staff said that they are the `new_usual`, the mean of
    the last week's (or two weeks') is what later ones are held against.
    """
    known_to = state.known_to.copy()
    of = [WEIGHT] if weight else [row for row in range(len(QUESTIONS)) if row not in {WEIGHT, MISSED}]
    known_to[of, patient] = day
    if not new_usual:
        return replace(state, known_to=known_to)
    usual, usual_of, lately = state.usual.copy(), state.usual_of.copy(), state.lately.copy()
    within = state.within[patient]
    week = min(day, evening) - np.arange(within)  # answers of the day itself are yet to come
    answers = state.ring[week[week > evening - RING] % RING, :, patient][:, of]
    # Of who fell silent since, only the three newest answers are kept longer than the ring.
    on, newest = state.last_on[of, :, patient].T, state.last[of, :, patient].T
    of_week = (on > day - within) & (on <= day) & np.isnan(answers).all(axis=0)
    answers = np.concatenate([answers, np.where(of_week, newest, np.nan)])
    heard = (~np.isnan(answers)).sum(axis=0)
    rows = np.array(of)[heard > 0]
    usual[rows, patient] = lately[rows, patient] = np.nansum(answers, axis=0)[heard > 0] / heard[heard > 0]
    usual_of[rows, patient] = ANCHORED
    return replace(state, known_to=known_to, usual=usual, usual_of=usual_of, lately=lately)


def lagged(state: DiaryState, question: int, day: int, first: int, last: int) -> Array:
    """The answers of `first` to `last` days ago, [day, patient]."""
    rows = (day - np.arange(first, last + 1)) % RING
    answers: Array = state.ring[rows, question]
    return answers


def recent(state: DiaryState, question: int, day: int, within: Days | int) -> Array:
    """The up to three newest answers of the last `within` days, newest first, [3, patient]; nan for none."""
    fresh = state.last_on[question] > np.maximum(day - within, state.known_to[question])
    return np.where(fresh, state.last[question], np.nan)


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
    steepness = (slopes[lower, everyone] + slopes[np.minimum(upper, len(slopes) - 1), everyone]) / 2
    return (
        np.where(enough, steepness, np.nan),
        np.where(enough, slopes[low, everyone], np.nan),
        np.where(enough, slopes[high, everyone], np.nan),
    )


UNANSWERED = (
    1  # days after the next diary was due on which a single bad night unanswered opens an episode; our convention
)
STRONG_TOGETHER = 2  # strong answers that are a call together; a convention of ours, no source
SWOLLEN = 3  # grades of swelling over the usual, of the last three answers together; our convention
_TIRED_STEP = 3.0  # told beside other changes, never alone


@dataclass(frozen=True)
class SymptomChanges:
    """One element a patient. Counts are of days; each Flag is a change against the usual.

    `jumped`, `woken_once`, `pillows_at_once` and `chair_once` are the strong answers among them:
    what the newest answer to that question says.
    """

    breath: Array
    breath_usual: Array
    breathless: Flags
    eased: Flags
    jumped: Flags
    pillows: Array
    more_pillows: Flags
    pillows_at_once: Flags
    nights_woken: Array
    woken: Flags
    woken_once: Flags
    nights_in_chair: Array
    in_chair: Flags
    chair_once: Flags
    bad_nights: Flags  # woken or in a chair on more than one night beyond the usual ones
    unanswered: Flags  # after one, nothing more was said of the nights for days
    days_full_belly: Array
    full_belly: Flags
    swelling: Array
    more_swelling: Flags
    days_light_headed: Array
    light_headed: Flags
    more_tired: Flags

    @property
    def worse(self) -> Flags:
        found: Flags = self.lasting | self.woken_once | self.chair_once
        return found

    @property
    def lasting(self) -> Flags:
        """What opens an episode: all that is worse but a single bad night, after which the next was asked about."""
        found: Flags = self.breathless | self.more_pillows | self.bad_nights | self.more_swelling | self.full_belly
        return found | self.unanswered | (self.at_once >= STRONG_TOGETHER)

    @property
    def at_once(self) -> Array:
        """How many strong answers there are."""
        counted: Array = np.sum(
            [self.jumped, self.woken_once, self.pillows_at_once, self.chair_once], axis=0, dtype=np.float64
        )
        return counted


def symptom_changes(state: DiaryState, day: int, settings: EngineSettings) -> SymptomChanges:
    """What differs from the usual on the evening of `day`, from the answers of the last week (or two)."""
    within, usual = state.within, state.usual
    breath, pillows = recent(state, BREATH, day, within), recent(state, PILLOWS, day, within)
    swelling, tired = recent(state, SWELLING, day, within), recent(state, TIRED, day, within)
    woken_once, chair_once = (
        (recent(state, question, day, within)[0] > 0) & ~_is_usual(state, question) for question in (WOKE, CHAIR)
    )
    known = state.usual_of[BREATH] >= _FEWEST_USUAL
    nights, seated = days_of(state, WOKE, day), days_of(state, CHAIR, day)
    light, belly = days_of(state, LIGHT, day), days_of(state, BELLY, day)
    # Each by itself: a night in bed of somebody who usually sits takes nothing from one on which they were woken.
    woken_more, seated_more = nights - within * usual[WOKE], seated - within * usual[CHAIR]
    bad_nights = np.maximum(woken_more, 0.0) + np.maximum(seated_more, 0.0) >= settings.woken_nights
    patience = np.where(state.asked > 0, np.ceil(WEEK / np.maximum(state.asked, 1)), 1) + UNANSWERED
    unanswered = (woken_once & (day - state.last_on[WOKE, 0] >= patience)) | (
        chair_once & (day - state.last_on[CHAIR, 0] >= patience)
    )
    with np.errstate(invalid="ignore"):
        jumped = known & (breath[0] - np.round(usual[BREATH]) >= settings.breathless_jump)
        breath_now, swelling_now = np.where(jumped, breath[0], middle(breath)), middle(swelling)
        swollen = swelling - np.round(usual[SWELLING])
        over = pillows - np.round(usual[PILLOWS])
        pillow_days, pillows_at_once = (over >= 1).sum(axis=0), over[0] >= settings.pillows_at_once
        return SymptomChanges(
            breath=breath_now,
            breath_usual=np.where(known, usual[BREATH], np.nan),
            breathless=jumped | (known & _two(breath) & (breath_now - usual[BREATH] >= settings.breathless_step)),
            eased=known & _two(breath) & (usual[BREATH] - breath_now >= settings.breathless_step),
            jumped=jumped,
            pillows=np.where(pillow_days > 0, np.nan_to_num(np.fmax.reduce(pillows, axis=0)), 0.0),
            more_pillows=pillows_at_once | (pillow_days >= settings.pillow_days),
            pillows_at_once=pillows_at_once,
            nights_woken=nights,
            woken=woken_once | (bad_nights & (woken_more > 0)),
            woken_once=woken_once,
            nights_in_chair=seated,
            in_chair=chair_once | (bad_nights & (seated_more > 0)),
            chair_once=chair_once,
            bad_nights=bad_nights,
            unanswered=unanswered,
            days_full_belly=belly,
            full_belly=belly - within * usual[BELLY] >= settings.full_belly_days,
            swelling=swelling_now,
            # Ankles swell now and then in the well: one grade is told when three answers in a row say so, two at once.
            more_swelling=(swollen >= settings.swelling_step).sum(axis=0)
            + (swollen >= 2 * settings.swelling_step).sum(axis=0)
            >= SWOLLEN,
            days_light_headed=light,
            light_headed=light - within * usual[LIGHT] >= settings.light_headed_days,
            more_tired=(state.usual_of[TIRED] >= _FEWEST_USUAL) & (middle(tired) - usual[TIRED] >= _TIRED_STEP),
        )


def days_of(state: DiaryState, question: int, day: int) -> Array:
    """Days of the last week (or two) on which the answer was yes."""
    ago = np.arange(TWO_WEEKS)[:, None]
    with np.errstate(invalid="ignore"):
        news = (ago < state.within) & (day - ago > state.known_to[question])
        yes = (lagged(state, question, day, 0, TWO_WEEKS - 1) > 0) & news
    counted: Array = yes.sum(axis=0).astype(np.float64)
    return counted


def _is_usual(state: DiaryState, question: int) -> Flags:
    """Whether a yes comes at least once a week in this patient."""
    often: Flags = WEEK * state.usual[question] >= 1.0
    return often


def _two(answers: Array) -> Flags:
    enough: Flags = (~np.isnan(answers)).sum(axis=0) >= 2
    return enough


NEWEST = 3  # answers that outweigh the older ones of their week
SURELY_ALIKE = 0.75  # of the step from which a breath is worse; a convention of ours, no source


@dataclass(frozen=True)
class DaysCompared:
    """Of the last week (or two), [patient]."""

    heard: Days  # days with any answer
    unchanged: Days  # days on which the symptoms were compared with the usual, and were not worse or better
    newest_unchanged: Flags  # the newest day that could be compared is one of them
    mostly_unchanged: Flags  # of the newest three that could be compared, more are than are not


def days_compared(state: DiaryState, day: int, settings: EngineSettings) -> DaysCompared:
    """The symptoms of a day are compared where breathlessness was answered and a usual of it is known.

    It outranks the others, so a day without it says too little; the others count where they were answered.
    A day is unchanged only within three quarters of the step from which it is worse: between the two neither is said.
    """
    ago = np.arange(TWO_WEEKS)
    ring, usual = state.ring[(day - ago) % RING], state.usual
    heard = ago[:, None] < state.within
    looked = heard & (day - ago[:, None] > state.known_to[BREATH])
    breath = ring[:, BREATH] - usual[BREATH]
    compared = looked & ~np.isnan(breath) & (state.usual_of[BREATH] >= _FEWEST_USUAL)
    with np.errstate(invalid="ignore"):
        differs = (
            (np.abs(breath) >= SURELY_ALIKE * settings.breathless_step)
            | (ring[:, PILLOWS] - np.round(usual[PILLOWS]) >= 1)
            | (ring[:, SWELLING] - np.round(usual[SWELLING]) >= settings.swelling_step)
        )
        for question in (WOKE, CHAIR, BELLY, LIGHT):
            differs |= (ring[:, question] > 0) & ~_is_usual(state, question)
    unchanged = compared & ~differs
    newest = np.argmax(compared, axis=0)  # the first row is today's
    three = compared & (np.cumsum(compared, axis=0) <= NEWEST)
    return DaysCompared(
        heard=(heard & ~np.isnan(ring).all(axis=1)).sum(axis=0),
        unchanged=unchanged.sum(axis=0),
        newest_unchanged=unchanged[newest, np.arange(ring.shape[2])],
        mostly_unchanged=2 * (three & unchanged).sum(axis=0) > three.sum(axis=0),
    )


FORTNIGHT = 14
_FEWEST = 8  # weighings in a fortnight before its trend is told


@dataclass(frozen=True)
class WeightChanges:
    """kg, one element a patient; nan is not known. A rule that holds is True."""

    newest: Array  # of the last three days
    in_3_days: Array
    in_week: Array  # the newest against about a week ago
    over_dry: Array
    over_usual: Array
    in_fortnight: Array
    gain: Flags
    loss: Flags


def weight_changes(state: DiaryState, day: int, settings: EngineSettings) -> WeightChanges:
    """The rules on the evening of `day`. Without a weighing that day only the trend and dry weight speak."""
    today = lagged(state, WEIGHT, day, 0, 0)[0]
    three = today - middle(lagged(state, WEIGHT, day, 2, 4))
    newest = recent(state, WEIGHT, day, within=3)[0]
    in_week = newest - middle(lagged(state, WEIGHT, day, 6, 8))
    week = np.where(np.isnan(today), np.nan, in_week)
    fresh = middle(recent(state, WEIGHT, day, within=4))
    dry = fresh - state.dry_weight
    over = np.where(state.usual_of[WEIGHT] >= _FEWEST_USUAL, fresh - state.usual[WEIGHT], np.nan)
    fortnight = _fortnight(state, day, settings)
    with np.errstate(invalid="ignore"):
        gain = (
            (three > settings.gain_3_days)
            | (week > settings.gain_week)
            | _day_rule(state, day, today, settings)
            | (dry > settings.gain_over_dry)
            | (over > settings.gain_over_usual)
            | (fortnight > settings.gain_trend)
        )
        loss = (three < -settings.loss_3_days) | (week < -settings.loss_week) | (dry < -settings.loss_under_dry)
    news = state.last_on[WEIGHT, 0] > state.known_to[WEIGHT]
    return WeightChanges(newest, three, in_week, dry, over, fortnight, gain & news, loss & news)


def _day_rule(state: DiaryState, day: int, today: Array, settings: EngineSettings) -> Flags:
    """So many pounds in a day, still there at the next weighing: two noisy scales make a pound or two alone."""
    if not state.pounds.any():
        return np.zeros(len(today), dtype=np.bool_)
    before = middle(lagged(state, WEIGHT, day, 2, 4))
    yesterday = lagged(state, WEIGHT, day, 1, 1)[0]
    step = settings.gain_day_pounds * KG_IN_POUND
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
