"""A second generator of invented patients, built on other assumptions than `panels`: a store of fluid.

Fluid comes in, more on some days than on others, and goes out in proportion to what is there.
Before an event less goes out: the store fills towards a new balance, quickly at first and then
ever slower, and may stay there for a while before anybody treats it. Pressure follows the store
with a bend, swings with the seasons and wanders as a random walk; its noise is alike from day to
day by a measure of each patient's own, is sometimes large, and readings are missed in spells.
Weight follows the store, breath only what is over a patient's own threshold of it. The heart answers what the
store is over its usual with a reflex that soon has no more to give, and not at all in some (`reflex` False: in none).
Of `panels` it uses the published magnitudes and nothing else. What is scored on it was not chosen on it.
"""

from __future__ import annotations

import numpy as np

from tests.bench.panels import Array, Diary, Flags, Panel, Whole

EVENTS_A_YEAR = 0.9
LEAST_RISE = 3.0  # mmHg above the balance: a smaller one is no event here


def make(seed: int, patients: int = 400, days: int = 365, *, treated: bool = True, reflex: bool = True) -> Panel:
    """A panel of such patients. The same seed is the same panel. Not `treated`: what is impaired stays so."""
    random = np.random.default_rng([seed, 7])
    impaired, events = _impaired(random, patients, days, treated=treated)
    store = _store(random, impaired)
    base = np.clip(random.gamma(12.0, 1.6, patients), 8.0, 34.0)
    stiffness = random.uniform(0.8, 1.4, patients)
    phase, swing = random.uniform(0, 2 * np.pi, patients), random.uniform(0, 0.8, patients)
    season: Array = swing * np.sin(2 * np.pi * np.arange(days)[:, None] / 365.25 + phase)
    walk = np.cumsum(random.normal(0, 0.07, (days, patients)), axis=0)
    truth: Array = np.maximum(base + stiffness * (store + 0.03 * store**2) + season + walk, 3.0)
    read: Array = np.maximum(truth + _noise(random, truth), 1.0)
    diastolic: Array = np.round(read, 1)
    pulse: Array = np.maximum(9.0, random.normal(22, 5, patients) + random.normal(0, 1.5, (days, patients)))
    mean: Array = np.round(diastolic + pulse / 3 + random.normal(0, 0.2, (days, patients)), 1)
    systolic: Array = np.round(diastolic + pulse, 1)
    gone = _spells(random, patients, days)
    for pressures in (diastolic, mean, systolic):
        pressures[gone] = np.nan
    more = np.random.default_rng([seed, 8])
    diary = _diary(more, store)
    heart = np.where(gone, np.nan, _heart(more, store, reflex=reflex))
    return Panel("volumes", diastolic, mean, systolic, *events, diary, truth, heart)


def _impaired(
    random: np.random.Generator, patients: int, days: int, *, treated: bool
) -> tuple[Array, tuple[Whole, Whole, Whole]]:
    """How much of the usual outflow there is, [day, patient], and the events: whose, treated on, begun on."""
    share, rows = np.ones((days, patients)), []
    for patient in range(patients):
        day = 45 + int(random.exponential(365.25 / EVENTS_A_YEAR))
        while day + 60 < days:
            length = int(random.integers(12, 55))
            depth = random.uniform(0.35, 0.62)
            share[day : day + length if treated else days, patient] = depth
            if treated:
                share[day + length : day + length + 12, patient] = 1.5  # more goes out than comes in
            if (1 / depth - 1) * 7.0 * (1 - np.exp(-length * depth / 7.0)) >= LEAST_RISE:
                rows.append((patient, day + length, day))
            if not treated:
                break
            day += length + 50 + int(random.exponential(365.25 / EVENTS_A_YEAR))
    table = np.array(rows, dtype=np.int64).reshape(-1, 3)
    return share, (table[:, 0], table[:, 1], table[:, 2])


def _store(random: np.random.Generator, impaired: Array) -> Array:
    """Litres' worth of excess fluid: what comes in keeps the balance at an outflow of a seventh a day."""
    days, patients = impaired.shape
    store, course = np.zeros(patients), np.empty((days, patients))
    intake = random.normal(0, 0.35, (days, patients))
    for day in range(days):
        store = store + 1.0 + intake[day] - impaired[day] * (store + 7.0) / 7.0
        course[day] = np.maximum(store, -2.5)
    return course


def _diary(random: np.random.Generator, store: Array) -> Diary:
    """Written on two days of three, in spells; the answers come from what is over a threshold, days later."""
    days, patients = store.shape
    over = np.clip(store - random.gamma(6.0, 0.4, patients), 0.0, None)
    felt = np.vstack([over[:4], over[:-4]])
    weight = random.normal(79, 13, patients) + random.uniform(0.05, 0.5, patients) * store
    weight = weight + random.laplace(0, 0.35, store.shape)
    breath = np.clip(np.floor(random.uniform(0, 3, patients) + 0.9 * felt + random.uniform(-1, 1, store.shape)), 0, 10)
    at_night = (random.random(store.shape) < 0.005 + 0.06 * felt).astype(float)
    pillows = np.where(random.random(store.shape) < np.minimum(0.005 + 0.1 * felt, 0.9), 1.0, 0.0)
    swelling = np.clip(np.floor(0.4 * felt + random.uniform(-0.2, 0.5, store.shape)), 0, 3)
    none = _spells(random, patients, days) | (random.random(store.shape) < 0.2)
    given = [np.where(none, np.nan, one) for one in (np.round(weight, 1), breath, pillows, at_night, swelling)]
    return Diary(*given)


def _heart(random: np.random.Generator, store: Array, *, reflex: bool) -> Array:
    """Beats a minute. Three of ten are paced or irregular; the others' hearts wander as a random walk and by season."""
    patients = store.shape[1]
    most = random.gamma(3.0, 3.0, patients) * (random.random(patients) < 0.75) * reflex
    rest, rhythm = random.normal(72, 8, patients), random.random(patients)
    walk = np.cumsum(random.normal(0, 0.25, store.shape), axis=0)
    rate = rest + walk + most * np.tanh(np.maximum(store, 0.0) / 5.0) + random.laplace(0, 2.2, store.shape)
    rate = np.where(rhythm < 0.15, np.round(rest / 10) * 10 + random.integers(0, 2, store.shape), rate)
    rate = np.where((rhythm >= 0.15) & (rhythm < 0.3), rest + random.gamma(4.0, 5.0, store.shape) - 20.0, rate)
    found: Array = np.round(np.clip(rate, 40.0, 170.0)).astype(np.float64)
    return found


def _noise(random: np.random.Generator, truth: Array) -> Array:
    days, patients = truth.shape
    memory = random.uniform(0.0, 0.6, patients)
    size = random.uniform(0.045, 0.095, patients) * truth.mean(axis=0)
    shocks = random.laplace(0, 1 / np.sqrt(2), (days, patients))
    noise = np.empty((days, patients))
    noise[0] = shocks[0]
    for day in range(1, days):
        noise[day] = memory * noise[day - 1] + np.sqrt(1 - memory**2) * shocks[day]
    told: Array = noise * size
    return told


def _spells(random: np.random.Generator, patients: int, days: int) -> Flags:
    """Days without a reading: whoever missed one is likelier to miss the next."""
    gone, course = np.zeros(patients, dtype=bool), np.zeros((days, patients), dtype=bool)
    for day in range(days):
        gone = random.random(patients) < np.where(gone, 0.55, 0.07)
        course[day] = gone
    return course
