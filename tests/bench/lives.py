"""Invented patients whose whole truth is known, one family for each way in which a clinic may be misled.

A life has its true pressure, what the sensor read and the diary said, when the patient was
decompensating, and which days nothing disturbed. Readings and diaries go into the service as the
rows of a past file do, so what comes out is what a nurse would have read. Sizes after the published
series named in `panels`; shapes and shares are assumptions. Nothing here is ever a check value.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from service.domain.signals.facts import PressureLimits
from service.replaying.past import Options, PastDiaries, PastReadings, read_diary, read_readings
from tests.bench.panels import Array, Flags

DAYS = 170
FIRST = date(2026, 1, 5)
ONSETS = (95, 115)  # days between which what happens begins
NOISE, MEMORY = 1.3, 0.35  # mmHg (7 % of 18, Crnko 2021), and how alike neighbouring days are
STEP, STRONG = 2, 4  # points of breathlessness over the usual: the conventions that answers cross
# Of an ordinary patient's days, those with such an answer though nothing is wrong: woken, slept in a chair, ankles
# swollen, two more pillows, and breath much harder than usual. Assumed; no source.
WOKEN, SEATED, SWOLLEN, PROPPED, WINDED = 0.01, 0.005, 0.05, 0.002, 0.003


@dataclass
class Life:
    """One patient, by day."""

    truth: Array
    onward: Array  # the truth as it would have gone on untreated
    sensor: Array  # what a perfect reading would have shown: the truth, and what is wrong with the sensor
    symptoms: Array  # points of breathlessness over the usual, without noise
    unwell: Flags  # decompensating
    disturbed: Flags  # anything simulated that is not an ordinary day
    event: tuple[int, int] | None = None  # onset and treatment of a decompensation
    upper: float | None = None
    noise: Array = field(default_factory=lambda: np.full(DAYS, NOISE))
    missing: Array = field(default_factory=lambda: np.full(DAYS, 0.1))
    answered: Flags = field(default_factory=lambda: np.ones(DAYS, dtype=np.bool_))
    light_headed: Flags = field(default_factory=lambda: np.zeros(DAYS, dtype=np.bool_))
    sitting: float = 0.0  # share of the readings
    beats: Array = field(default_factory=lambda: np.full(DAYS, 3.5))  # a minute, how heart rate scatters between days
    slips: float = 0.0  # share of the weights that are typed in the other unit
    taken: Array = field(default_factory=lambda: np.full(DAYS, np.nan))  # as they were read
    breath: Array = field(default_factory=lambda: np.full(DAYS, np.nan))  # as it was answered, less the usual
    nights: Array = field(default_factory=lambda: np.full(DAYS, np.nan))  # 1 woken breathless, or in a chair; 0 neither


def steady(random: np.random.Generator, base: float = 0.0) -> Life:
    """An ordinary patient: a level of their own that wanders a little."""
    level = base or float(np.clip(random.normal(19, 4), 11, 30))
    wander, course = 0.0, np.empty(DAYS)
    for day in range(DAYS):
        wander = 0.975 * wander + random.normal(0, 0.1)
        course[day] = level + wander
    still = np.zeros(DAYS, dtype=np.bool_)
    return Life(course, course.copy(), course.copy(), np.zeros(DAYS), still.copy(), still.copy())


def rising(random: np.random.Generator, size: float, days: int, base: float = 0.0) -> Life:
    """A rise that is treated at its peak; symptoms lag by about a week."""
    life = steady(random, base)
    onset = int(random.integers(*ONSETS))
    bend = random.uniform(0.8, 1.3)
    share = np.clip((np.arange(DAYS) - onset) / days, 0.0, None) ** bend
    treated = onset + days
    excess = size * np.where(np.arange(DAYS) <= treated, share, np.exp(-(np.arange(DAYS) - treated) / 5.0))
    _add(life, excess)
    life.onward = life.onward + np.minimum(size * share, 20.0)
    life.unwell[onset:treated] = excess[onset:treated] >= 3.0
    life.disturbed[onset : treated + 25] = True
    life.event = (onset, treated)
    life.upper = float(round(life.truth[onset - 20 : onset].mean() + random.uniform(3.5, 6.0)))
    _feel(life, excess)
    return life


def _add(life: Life, excess: Array) -> None:
    life.truth, life.sensor = life.truth + excess, life.sensor + excess


def _feel(life: Life, excess: Array) -> None:
    lag, felt = 0.0, np.zeros(DAYS)
    for day in range(DAYS):
        lag += (max(excess[day], 0.0) - lag) / 6.0
        felt[day] = 0.7 * lag
    life.symptoms = felt


# --- the families ---------------------------------------------------------------------


def quiet(random: np.random.Generator) -> Life:
    return steady(random)


def wet(random: np.random.Generator) -> Life:
    """Enrolled congested, brought down to 18, later back at 27."""
    life = rising(random, 9.0, 26, base=18.0)
    down = np.clip(1 - np.clip(np.arange(DAYS) - 10, 0, None) / 28.0, 0.0, 1.0) * random.uniform(6, 10)
    _add(life, down)
    life.onward = life.onward + down
    life.disturbed[:65] = True
    return life


def jump(random: np.random.Generator) -> Life:
    """From one day to the next far up: half of them are the sensor's fault, half are true."""
    life = steady(random)
    onset, days = int(random.integers(*ONSETS)), int(random.integers(6, 15))
    step = np.zeros(DAYS)
    step[onset : onset + days] = random.uniform(9, 16)
    life.sensor = life.sensor + step
    if random.random() < 0.5:
        life.truth, life.onward = life.truth + step, life.onward + step
        life.unwell[onset + 2 : onset + days] = True
        life.event = (onset, onset + days)
        _feel(life, step)
    life.disturbed[onset : onset + days + 25] = True
    return life


def high_and_steady(random: np.random.Generator) -> Life:
    """Slowly up by 7 to 9 mmHg, and there it stays."""
    life = steady(random)
    onset = 60
    course = np.clip((np.arange(DAYS) - onset) / 40.0, 0.0, 1.0) * random.uniform(7, 9)
    _add(life, course)
    life.onward = life.truth.copy()
    life.disturbed[onset:] = True
    life.unwell[onset + 30 :] = True
    _feel(life, 0.3 * course)
    return life


def diary_stops(random: np.random.Generator) -> Life:
    """Whoever feels worse answers no more."""
    life = rising(random, 6.0, 22)
    worse = np.flatnonzero(life.symptoms >= STEP)
    if len(worse):
        life.answered[worse[0] + 3 : worse[0] + 40] = False
    return life


def posture(random: np.random.Generator) -> Life:
    """A quarter of the readings are taken sitting, 5 mmHg lower."""
    life = rising(random, 5.5, 24) if random.random() < 0.5 else steady(random)
    life.sitting = 0.25
    return life


def rhythm(random: np.random.Generator) -> Life:
    """The rhythm becomes irregular: readings scatter twice as much, and heart rate says nothing."""
    life = rising(random, 6.0, 24) if random.random() < 0.5 else steady(random)
    life.noise[80:] = 2.2 * NOISE
    life.beats[80:] = 12.0
    life.disturbed[80:] = True
    return life


def travel(random: np.random.Generator) -> Life:
    """Ten days at altitude: the pressure is up, and nobody is ill."""
    life = steady(random)
    onset = int(random.integers(*ONSETS))
    up = np.zeros(DAYS)
    up[onset : onset + 10] = random.uniform(2.5, 4.5)
    _add(life, up)
    life.onward = life.truth.copy()
    life.disturbed[onset : onset + 35] = True
    return life


def slips(random: np.random.Generator) -> Life:
    """Weights typed in the other unit now and then."""
    life = rising(random, 5.0, 25) if random.random() < 0.5 else steady(random)
    life.slips = 0.04
    return life


def sensor_offset(random: np.random.Generator) -> Life:
    """The sensor drifts by 3 mmHg or so; the pressure does not."""
    life = steady(random)
    life.sensor = life.sensor + np.clip((np.arange(DAYS) - 90) / 30.0, 0.0, 1.0) * random.choice([-3.5, 3.5])
    life.disturbed[90:] = True
    return life


def missing_when_worse(random: np.random.Generator) -> Life:
    """Readings are missed the more, the worse it is."""
    life = rising(random, 6.0, 24)
    life.missing = np.where(life.unwell, 0.6, 0.1)
    return life


def slow_rise(random: np.random.Generator) -> Life:
    return rising(random, 5.5, 42)


def quick_rise(random: np.random.Generator) -> Life:
    return rising(random, 7.0, 11)


def over_treated(random: np.random.Generator) -> Life:
    """Too far down for a month, and light-headed."""
    life = steady(random)
    onset = int(random.integers(*ONSETS))
    low = np.zeros(DAYS)
    low[onset : onset + 14] = np.linspace(0, -6, 14)
    low[onset + 14 : onset + 34] = -6.0
    low[onset + 34 :] = -6.0 * np.exp(-np.arange(DAYS - onset - 34) / 6.0)
    _add(life, low)
    life.onward = life.truth.copy()
    life.disturbed[onset : onset + 60] = True
    life.light_headed[onset + 8 : onset + 36] = random.random(28) < 0.5
    return life


FAMILIES: dict[str, Callable[[np.random.Generator], Life]] = {
    "quiet": quiet,
    "wet enrolment": wet,
    "jump": jump,
    "high and steady": high_and_steady,
    "diary stops when worse": diary_stops,
    "posture and second readings": posture,
    "rhythm change": rhythm,
    "travel": travel,
    "unit slips": slips,
    "sensor offset": sensor_offset,
    "missing not at random": missing_when_worse,
    "slow rise": slow_rise,
    "quick rise": quick_rise,
    "over-treatment": over_treated,
}


# --- rows, as a past file has them ----------------------------------------------------

READINGS = "patient,taken_at,pa_systolic,pa_diastolic,pa_mean,heart_rate,pressure_unit,posture"
DIARY = (
    "patient,local_date,breathlessness,extra_pillows,weight,weight_unit,light_headed,"
    "woke_breathless,slept_in_chair,swelling"
)


def files(lives: dict[str, Life], random: np.random.Generator) -> tuple[PastReadings, PastDiaries, Options]:
    """Their rows as the service reads them, and the limits that were typed in. Fills `taken`, `breath` and `nights`."""
    readings, diary = [READINGS], [DIARY]
    for name, life in lives.items():
        readings += [f"{name},{row}" for row in _read(life, random)]
        diary += [f"{name},{row}" for row in _written(life, random)]
    limits = {name: PressureLimits(upper=life.upper) for name, life in lives.items() if life.upper is not None}
    taken, written = read_readings(f"{row}\n" for row in readings), read_diary(f"{row}\n" for row in diary)
    if taken.refused or written.refused:
        raise ValueError(f"a simulated row was refused: {(taken.refused + written.refused)[0]}")
    return taken, written, Options(limits=limits)


def _read(life: Life, random: np.random.Generator) -> Iterator[str]:
    noise, pulse, rates = random.normal(), random.normal(22, 4), _heart_rates(life, random.spawn(1)[0])
    for day in range(DAYS):
        noise = MEMORY * noise + (1 - MEMORY**2) ** 0.5 * random.normal()
        if random.random() < life.missing[day]:
            continue
        low = life.sensor[day] + life.noise[day] * noise
        sits = random.random() < life.sitting
        life.taken[day] = round(max(low - (5.0 if sits else 0.0), 1.0), 1)
        yield _reading(day, life.taken[day], pulse, "07:10", "sitting" if sits else "lying", rates[day])
        if life.sitting and random.random() < 0.3:
            yield _reading(day, round(max(low + random.normal(1, 2.0), 1.0), 1), pulse, "19:00", "lying", rates[day])


def _heart_rates(life: Life, random: np.random.Generator) -> Array:
    """Beats a minute: in six of ten they answer what is felt, in a beat or two a point; a fever for a week in a third."""
    answers = random.uniform(0.8, 2.2) * (random.random() < 0.6) * (life.beats < 10)
    rates = np.clip(random.normal(70, 9), 50, 100) + answers * life.symptoms + random.normal(0, 1.0, DAYS) * life.beats
    if random.random() < 1 / 3:
        first = int(random.integers(20, DAYS - 7))
        rates[first : first + 6] += random.uniform(6, 16)
    return np.round(np.clip(rates, 40, 160))


def _reading(day: int, diastolic: float, pulse: float, hour: str, posture: str, rate: float) -> str:
    at = f"{FIRST + timedelta(days=day)}T{hour}:00+00:00"
    return f"{at},{diastolic + pulse:.1f},{diastolic:.1f},{diastolic + pulse / 3:.1f},{rate:.0f},mm[Hg],{posture}"


def _written(life: Life, random: np.random.Generator) -> Iterator[str]:
    usual, kilograms = int(random.integers(0, 4)), float(random.uniform(60, 100))
    for day in range(DAYS):
        if not life.answered[day] or random.random() < 0.12:
            continue
        felt, odd = life.symptoms[day], random.random(5) < (WOKEN, SEATED, SWOLLEN, PROPPED, WINDED)
        breath = int(np.clip(round(usual + felt + random.normal(0, 0.5)) + 4 * odd[4], 0, 10))
        life.breath[day] = breath - usual
        weight = kilograms + 0.25 * felt + random.normal(0, 0.4)
        if random.random() < life.slips:
            weight /= 0.45359237
        pillows = 2 * odd[3] or int(felt > 3.5 and random.random() < 0.6)
        woken, seated = (
            odd[0] or random.random() < 0.08 * max(felt - 2, 0),
            odd[1] or random.random() < 0.03 * max(felt - 3, 0),
        )
        life.nights[day] = woken or seated
        swelling = ("none", "ankle", "shin")[min(int(odd[2]) + int(felt > 3), 2)]
        answers = ("yes" if one else "no" for one in (life.light_headed[day], woken, seated))
        yield f"{FIRST + timedelta(days=day)},{breath},{pillows},{weight:.1f},kg,{','.join(answers)},{swelling}"
