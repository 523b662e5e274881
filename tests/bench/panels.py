"""Simulated panels of patients: pressures, diaries, and the days decompensations were treated.

Every patient here is invented by a random number generator. The magnitudes are
published ones, named where they are used; the shapes (how a rise bends, how long
a benign bump lasts) are assumptions and are stated as such. Nothing made here is
ever a check value: it measures how rules compare, not how patients fare.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from operator import attrgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Whole = NDArray[np.int64]


@dataclass(frozen=True)
class Family:
    """One way patients might be. Pressures are mmHg of PA diastolic, times are days."""

    name: str
    # Day-to-day coefficient of variation of morning mean PA pressure 7.0 % (Crnko 2021); its spread is assumed.
    noise_cv: float = 0.07
    noise_spread: float = 0.25  # log-normal, between patients
    noise_memory: float = 0.4  # lag-1 autocorrelation of the noise; assumed
    heavy_tails: bool = False
    wander_sd: float = 0.8  # slow benign wandering, and how long it lasts; assumed
    wander_days: float = 45.0
    drift_per_year: float = 0.0  # sd between patients of a straight drift
    steps_per_year: float = 0.0  # lasting benign steps up or down
    step_sd: float = 1.5
    bumps_per_year: float = 2.0  # benign rises of 2–3 days, such as after a salty meal; assumed
    bump: float = 4.0
    missing: float = 0.15
    gaps_per_year: float = 1.0  # runs of 4–12 days without a reading
    seated: float = 0.02  # share of readings taken sitting up; assumed
    seated_by: float = -5.0
    events_per_year: float = 0.9
    # Rise before an event: estimated PA diastolic 17→22 and 21→24 (Zile 2008), mean PA 27.8→32.6 over
    # 60 days (seated-PA cohort), beginning more than 3 weeks before (Stevenson 2009).
    rise: float = 5.0
    rise_sd: float = 1.5
    rise_least: float = 3.0
    rise_days: tuple[int, int] = (14, 35)
    treated: bool = True  # else a rise goes on as it went: what a forecast that says "if it goes on" is held against
    # Beats a minute more for each mmHg of a rise, and how many days later; resting heart rate is up in the weeks before a
    # decompensation (Adamson 2004, Circulation 110:2389, from memory), by how much is assumed. 0: it says nothing.
    felt: float = 0.55  # points of breathlessness for each mmHg of a rise, and whose weight goes with it; assumed
    gaining: float = 0.5
    heart_gain: float = 1.0
    heart_lag: float = 3.0
    fevers_per_year: float = 1.0  # three to seven days of a faster heart, and steps by a drug; assumed
    falls: float = 0.0  # share of events before which pressure does not rise (3 of 10 in one small series)
    baseline: tuple[float, float] = (19.0, 5.5)  # diastolic, mean and sd (17±7 and 21±9, Zile 2008)


FAMILIES: tuple[Family, ...] = (
    Family("plain", wander_sd=0.4, bumps_per_year=0.0, gaps_per_year=0.0, seated=0.0),
    Family("usual"),
    Family("drifting", drift_per_year=2.0, wander_sd=1.1, wander_days=60.0, steps_per_year=0.5),
    Family("noisy", noise_cv=0.085, noise_spread=0.35, noise_memory=0.5, heavy_tails=True, seated=0.04, missing=0.22),
    Family("slow rise", rise_days=(30, 60), rise=4.8),
    Family("quick rise", rise_days=(10, 18), rise=6.0, bumps_per_year=4.0),
    Family("low and high", baseline=(20.0, 8.0), rise=5.5, noise_spread=0.4),
    Family("some without a rise", falls=0.1),
)
# In which heart rate says nothing of a rise, and has twice as many other reasons to move: never fitted on.
DEAF = Family("heart rate says nothing", heart_gain=0.0, fevers_per_year=2.0)
PACED, IRREGULAR = 0.2, 0.2  # shares of patients whose heart rate is set by a device, or scatters; assumed


@dataclass(frozen=True)
class Diary:
    """What patients answered, [day, patient]; nan is "no diary"."""

    weight_kg: Array
    breathlessness: Array
    extra_pillows: Array
    woke_breathless: Array
    swelling: Array  # 0 none … 3 knee or above


@dataclass(frozen=True)
class Panel:
    """Readings in mmHg, [day, patient]; nan is missing."""

    family: str
    diastolic: Array
    mean: Array
    systolic: Array
    event_patient: Whole
    event_day: Whole
    event_onset: Whole  # the day the rise began
    diary: Diary
    truth: Array  # the diastolic pressure without noise and posture, mmHg
    heart: Array  # beats a minute, [day, patient]; nan is missing

    @property
    def patient_years(self) -> float:
        return self.diastolic.size / 365.25


def make(family: Family, seed: int, patients: int = 400, days: int = 365) -> Panel:
    """A panel of `family`. The same seed is the same panel."""
    random = np.random.default_rng(seed)
    base = np.clip(random.normal(*family.baseline, patients), 8.0, 36.0)
    truth = np.tile(base, (days, 1)) + _wander(random, family, days, patients)
    events = _events(random, family, days, patients)
    excess = np.zeros((days, patients))
    in_hospital = np.zeros((days, patients), dtype=bool)
    for patient, day, onset, size in zip(*events, strict=True):
        if family.treated:
            _rise(random, excess[:, patient], in_hospital[:, patient], day, onset, size)
        else:
            _goes_on(random, excess[:, patient], day, onset, size)
    truth += np.where(np.abs(excess) > 0, excess, 0.0)
    truth += _bumps(random, family, days, patients)
    truth = np.maximum(truth, 3.0)
    diastolic, mean, systolic = _measured(random, family, truth)
    gone = _missing(random, family, days, patients) | in_hospital
    for pressures in (diastolic, mean, systolic):
        pressures[gone] = np.nan
    diary = _diary(random, family, excess, in_hospital, days, patients)
    heart = np.where(gone, np.nan, _heart(np.random.default_rng([seed, 5]), family, excess))
    return Panel(family.name, diastolic, mean, systolic, events[0], events[1], events[2], diary, truth, heart)


def beside(some: Sequence[Panel]) -> Panel:
    """One panel of the patients of several of as many days, in their order."""
    before = np.cumsum([0, *(one.diastolic.shape[1] for one in some)])

    def joined(name: str) -> Any:
        return np.concatenate([attrgetter(name)(one) for one in some], axis=-1)

    return Panel(
        ", ".join(one.family for one in some),
        joined("diastolic"),
        joined("mean"),
        joined("systolic"),
        np.concatenate([one.event_patient + first for one, first in zip(some, before[:-1], strict=True)]),
        joined("event_day"),
        joined("event_onset"),
        Diary(*(joined(f"diary.{one.name}") for one in fields(Diary))),
        joined("truth"),
        joined("heart"),
    )


def quiet(family: Family) -> Family:
    """The same patients without a single event: what is raised on them is false."""
    return replace(family, name=f"{family.name}, no events", events_per_year=0.0)


def _wander(random: np.random.Generator, family: Family, days: int, patients: int) -> Array:
    keep = np.exp(-1.0 / family.wander_days)
    course = np.empty((days, patients))
    course[0] = random.normal(0, family.wander_sd, patients)
    kicks = random.normal(0, family.wander_sd * np.sqrt(1 - keep**2), (days, patients))
    for day in range(1, days):
        course[day] = keep * course[day - 1] + kicks[day]
    course += np.outer(np.arange(days) / 365.25, random.normal(0, family.drift_per_year, patients))
    for patient, count in enumerate(random.poisson(family.steps_per_year * days / 365.25, patients)):
        for _ in range(count):
            course[random.integers(20, days) :, patient] += random.normal(0, family.step_sd)
    return course


def _events(random: np.random.Generator, family: Family, days: int, patients: int) -> tuple[Whole, Whole, Whole, Array]:
    rows = []
    for patient in range(patients):
        free_from = 40
        while True:
            length = int(random.integers(family.rise_days[0], family.rise_days[1] + 1))
            wait = random.exponential(365.25 / family.events_per_year) if family.events_per_year else days
            day = int(max(free_from + length, free_from + wait))
            if day >= days:
                break
            size = max(family.rise_least, random.normal(family.rise, family.rise_sd))
            if random.random() < family.falls:
                size = -0.3 * size
            rows.append((patient, day, day - length, size))
            free_from = day + 60
    table = np.array(rows, dtype=float).reshape(-1, 4)
    return (*(table[:, column].astype(np.int64) for column in range(3)), table[:, 3])  # type: ignore[return-value]


def _rise(random: np.random.Generator, excess: Array, away: Flags, day: int, onset: int, size: float) -> None:
    """A rise to `size` on the event's day, bent a little either way, then treated over about a week."""
    share = np.linspace(0, 1, day - onset + 1)
    excess[onset : day + 1] += size * share ** random.uniform(0.7, 1.5)
    stay = int(random.integers(0, 8))
    after = np.arange(1, len(excess) - day)
    excess[day + 1 :] += size * np.exp(-after / random.uniform(3, 7))
    away[day + 1 : day + 1 + stay] = True


def _goes_on(random: np.random.Generator, excess: Array, day: int, onset: int, size: float) -> None:
    """The same rise untreated: on along its own bend to the end of the panel, at most 20 mmHg."""
    share = np.arange(len(excess) - onset) / (day - onset)
    excess[onset:] = np.minimum(size * share ** random.uniform(0.7, 1.5), 20.0)


def _bumps(random: np.random.Generator, family: Family, days: int, patients: int) -> Array:
    course = np.zeros((days, patients))
    for patient, count in enumerate(random.poisson(family.bumps_per_year * days / 365.25, patients)):
        for _ in range(count):
            first = int(random.integers(15, days))
            course[first : first + int(random.integers(2, 4)), patient] += random.uniform(0.5, 1.3) * family.bump
    return course


def _measured(random: np.random.Generator, family: Family, truth: Array) -> tuple[Array, Array, Array]:
    days, patients = truth.shape
    cv = family.noise_cv * np.exp(random.normal(0, family.noise_spread, patients))
    shocks = (
        random.standard_t(4, (days, patients)) / np.sqrt(2)
        if family.heavy_tails
        else random.normal(size=(days, patients))
    )
    noise = np.empty((days, patients))
    noise[0] = shocks[0]
    for day in range(1, days):
        noise[day] = family.noise_memory * noise[day - 1] + np.sqrt(1 - family.noise_memory**2) * shocks[day]
    seated = random.random((days, patients)) < family.seated
    diastolic = truth * (1 + cv * noise) + np.where(seated, family.seated_by, 0.0)
    diastolic = np.maximum(diastolic, 1.0)
    pulse = np.maximum(8.0, random.normal(24, 6, patients) + 0.3 * (truth - truth.mean(axis=0)))
    pulse = pulse * (1 + 0.06 * random.normal(size=(days, patients)))
    # Mean from systolic and diastolic as (S + 2D)/3 (Thorax table), measured with a little noise of its own.
    mean = diastolic + pulse / 3 + random.normal(0, 0.3, (days, patients))
    return np.round(diastolic, 1), np.round(np.maximum(mean, diastolic), 1), np.round(diastolic + pulse, 1)


def _missing(random: np.random.Generator, family: Family, days: int, patients: int) -> Flags:
    gone = random.random((days, patients)) < family.missing
    for patient, count in enumerate(random.poisson(family.gaps_per_year * days / 365.25, patients)):
        for _ in range(count):
            first = int(random.integers(15, days))
            gone[first : first + int(random.integers(4, 13)), patient] = True
    return gone


def _diary(random: np.random.Generator, family: Family, excess: Array, away: Flags, days: int, patients: int) -> Diary:
    """Symptoms lag the pressure; weight drifts from about 30 days before (Chaudhry 2007) and only in some.

    More than 2 kg in 2–3 days was found in 21 % of events (Ledwidge 2013), so weight is made a weak witness.
    """
    lag = np.empty_like(excess)
    slow = np.zeros(patients)
    for day in range(days):
        slow = slow + (np.maximum(excess[day], 0) - slow) / 6
        lag[day] = slow
    gains = random.random(patients) < family.gaining
    weight = random.normal(82, 15, patients) + np.cumsum(random.normal(0, 0.05, (days, patients)), axis=0)
    weight = weight + lag * np.where(gains, random.uniform(0.25, 0.7, patients), 0.05)
    weight = weight + random.normal(0, 0.45, (days, patients))
    usual = np.clip(random.normal(2, 1.2, patients), 0, 5)
    breath = np.clip(np.round(usual + family.felt * lag + random.normal(0, 0.7, (days, patients))), 0, 10)
    felt = np.clip(lag - 2.0, 0, None) * family.felt / 0.55
    woke = (random.random((days, patients)) < np.clip(0.01 + 0.08 * felt, 0, 0.8)).astype(float)
    pillows = np.where(random.random((days, patients)) < np.clip(0.01 + 0.12 * felt, 0, 0.9), 1.0, 0.0)
    swelling = np.clip(np.round(0.35 * felt + random.normal(0.1, 0.3, (days, patients))), 0, 3)
    none = (random.random((days, patients)) < 0.2) | away
    given = [np.where(none, np.nan, answers) for answers in (np.round(weight, 1), breath, pillows, woke, swelling)]
    return Diary(*given)


def _heart(random: np.random.Generator, family: Family, excess: Array) -> Array:
    """Resting heart rate, beats a minute: it answers a rise in seven of ten of those whom nothing paces."""
    days, patients = excess.shape
    gain = np.where(random.random(patients) < 0.7, family.heart_gain * random.uniform(0.4, 1.6, patients), 0.0)
    lag, wander, noise = np.zeros(patients), random.normal(0, 2.0, patients), np.zeros(patients)
    size = random.uniform(2.0, 4.5, patients)
    course = np.empty((days, patients))
    for day in range(days):
        lag = lag + (np.maximum(excess[day], 0.0) - lag) / max(family.heart_lag, 1.0)
        wander = 0.97 * wander + random.normal(0, 0.5, patients)
        noise = 0.3 * noise + 0.95 * random.normal(0, size)
        course[day] = gain * lag + wander + noise
    for patient in range(patients):
        for _ in range(random.poisson(family.fevers_per_year * days / 365.25)):
            first = int(random.integers(10, days))
            course[first : first + int(random.integers(3, 8)), patient] += random.uniform(6, 16)
        for _ in range(random.poisson(0.5 * family.fevers_per_year * days / 365.25)):
            course[random.integers(10, days) :, patient] += random.normal(0, 5)
    rhythm, rest = random.random(patients), np.clip(random.normal(70, 9, patients), 50, 100)
    course = np.where(rhythm < PACED, random.normal(0, 0.6, (days, patients)), course)
    scatter = random.normal(0, 9.0, (days, patients)) + 0.3 * course
    course = np.where((rhythm >= PACED) & (rhythm < PACED + IRREGULAR), scatter, course)
    found: Array = np.round(np.clip(rest + course, 40, 160))
    return found


STARTS = (28.0, 26.0, 24.0)  # mmHg at which people are enrolled congested


def wet_enrolment(seed: int, start: float, patients: int = 300, days: int = 240) -> Panel:
    """People enrolled congested at `start` mmHg of PA diastolic, brought down to 18, and later back at 27.

    The rise to 27 takes 26 days and its last is the event. Noise of 1.3 mmHg (7 % of 18, Crnko 2021) and 12 % missing
    are given; how long the start, the fall and the time at 18 last is assumed, and different in each patient.
    """
    random = np.random.default_rng(seed)
    truth = np.full((days, patients), start)
    onset = random.integers(105, 190, patients)
    for patient, rises_on in enumerate(onset):
        begins, falls = int(random.integers(0, 28)), int(random.integers(14, 43))
        course = truth[:, patient]
        course[begins : begins + falls] = np.linspace(start, 18.0, falls)
        course[begins + falls :] = 18.0
        course[rises_on : rises_on + 27] = np.linspace(18.0, 27.0, 27)
        after = np.arange(1, days - rises_on - 26)
        course[rises_on + 27 :] = 18.0 + 9.0 * np.exp(-after / 5.0)
    diastolic = truth + random.normal(0, 1.3, truth.shape)
    mean = diastolic + random.normal(24, 1.5, patients) / 3 + random.normal(0, 0.3, truth.shape)
    pressures = [np.round(diastolic, 1), np.round(mean, 1), np.round(2 * diastolic + 3 * (mean - diastolic), 1)]
    gone = random.random(truth.shape) < 0.12
    for values in pressures:
        values[gone] = np.nan
    none = np.zeros(truth.shape, dtype=bool)
    diary = _diary(random, FAMILIES[0], np.maximum(truth - 18.0, 0.0), none, days, patients)
    heart = _heart(np.random.default_rng([seed, 5]), FAMILIES[0], np.maximum(truth - 18.0, 0.0))
    who = np.arange(patients, dtype=np.int64)
    one, two, three = pressures
    heart = np.where(gone, np.nan, heart)
    return Panel(f"wet enrolment, {start:g}", one, two, three, who, onset + 26, onset, diary, truth, heart)
