"""Whether what is said of the pressure is true as often as it is said: `deploy/bench calibration`.

On simulated patients that nothing was made on, of the panels and of the second generator:
`band` is the share of days on which the true level lies within the 80 % band, of all days and
of those in a rise; `probability` the mean distance between the probability that the pressure is
up and how often it was, in ten bins, of all days and of those with 0.3 or more; `forecast` the
share of the forecasts on true rises, going on as if untreated, that held, and of the crossings
that were forecast on some day. Each line prints `ratio=`; what is aimed at stands behind it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.domain.signals import engine
from service.domain.signals import state as engine_state
from service.domain.signals.episodes import ROW
from service.domain.signals.facts import EIGHTY
from service.domain.signals.patient_facts import Evening
from service.domain.signals.settings import DEFAULT
from service.domain.trend import calibration
from service.domain.trend import state as trend_state
from service.domain.vocabulary import SignalKind
from tests.bench import panels, volumes
from tests.bench.panels import Array, Flags, Panel

FIRST_DAY = 740_000
PATIENTS = 120
SEEDS = (7001, 7002)  # nothing was chosen on them
NEVER = 10**6
BEGUN = 14  # days before anything is scored


@dataclass(frozen=True)
class Course:
    """What the filter made of a panel's diastolic pressures, [day, patient], beside the truth. mmHg."""

    level: Array
    slope: Array
    level_var: Array
    noise: Array
    off: Array  # how far the last readings lie above the level
    before: Array  # mean of 21 to 56 days before; nan where not known
    truth: Array
    truth_before: Array
    rising: Flags  # between a rise's onset and its event


def course(panel: Panel) -> Course:
    """The panel day by day."""
    days, patients = panel.diastolic.shape
    state, found = trend_state.begin(patients), []
    truth_before = np.full((days, patients), np.nan)
    for day in range(days):
        readings = np.stack([panel.diastolic[day], panel.mean[day], panel.systolic[day]])
        state = trend_state.step(state, FIRST_DAY + day, readings, DEFAULT)
        filtered = state.filtered
        before = calibration.mean_before(state.values, FIRST_DAY + day)
        off = calibration.off_level(state.values, filtered.level[0], FIRST_DAY + day)
        found.append([filtered.level[0], filtered.slope[0], filtered.level_var[0], filtered.noise[0], off, before])
        if day >= calibration.SINCE:
            some = panel.truth[day - calibration.SINCE : day - calibration.UNTIL + 1]
            truth_before[day] = some.mean(axis=0)
    rising = np.zeros((days, patients), dtype=np.bool_)
    for patient, day, onset in zip(panel.event_patient, panel.event_day, panel.event_onset, strict=True):
        rising[onset : day + 1, patient] = True
    level, slope, level_var, noise, off, before = np.stack(found, axis=1)
    level = np.where(np.cumsum(~np.isnan(panel.diastolic), axis=0) >= BEGUN, level, np.nan)
    return Course(level, slope, level_var, noise, off, before, panel.truth, truth_before, rising)


def within_band(one: Course) -> tuple[Flags, Flags]:
    """Whether the true level lay within the band, of every known day and of those in a rise."""
    known = ~np.isnan(one.level)
    reach = EIGHTY * calibration.level_sd(one.level_var, one.slope, one.noise, one.off)
    held = np.abs(one.truth - one.level) <= reach
    return held[known], held[known & one.rising]


def up(one: Course) -> tuple[Array, Flags]:
    """The probabilities that the pressure is up, and whether it was."""
    said = calibration.probability_up(one.level, one.level_var, one.slope, one.noise, one.before, one.off)
    known = ~np.isnan(said) & ~np.isnan(one.truth_before)
    return said[known], (one.truth - one.truth_before > calibration.UP_BY)[known]


def calibration_error(said: Array, was: Flags, least: float = 0.0) -> float:
    """Mean distance, over ten even bins from `least` to 1, between what was said and how often it was."""
    said, was = said[said >= least], was[said >= least]
    bins = np.minimum(((said - least) / (1.0 - least) * 10).astype(np.int64), 9)
    total = 0.0
    for number in range(10):
        here = bins == number
        if here.any():
            total += here.mean() * abs(said[here].mean() - was[here].mean())
    return total


# --- forecasts ------------------------------------------------------------------------


@dataclass(frozen=True)
class Forecasts:
    """Of true rises that go on untreated towards a limit."""

    told: int  # on days in a rise
    held: int
    crossings: int
    foretold: int  # of the crossings, forecast on some day


def forecasts(some: Sequence[Panel]) -> Forecasts:
    """The forecasts of panels of untreated rises, each with a limit 3 to 7 mmHg above where it began."""
    panel = panels.beside(some)
    days, patients = panel.diastolic.shape
    onsets: dict[int, int] = {}
    for patient, onset in zip(panel.event_patient.tolist(), panel.event_onset.tolist(), strict=True):
        onsets.setdefault(patient, onset)
    each = [np.random.default_rng(place).uniform(3, 7, one.truth.shape[1]) for place, one in enumerate(some)]
    above: Array = np.concatenate(each)
    upper = np.full(patients, np.nan)
    crosses: dict[int, int] = {}
    for patient, onset in onsets.items():
        upper[patient] = round(panel.truth[onset - 20 : onset, patient].mean() + above[patient])
        if (crossing := _crossing(panel.truth[:, patient], onset, float(upper[patient]))) is not None:
            crosses[patient] = crossing
    state = replace(engine_state.begin(patients), upper=upper)
    told = held = 0
    foretold: set[int] = set()
    for day in range(days):
        readings = np.stack([panel.diastolic[day], panel.mean[day], panel.systolic[day]])
        state, _, _ = engine.step(state, FIRST_DAY + day, engine_state.DayInputs(readings), DEFAULT)
        evening = Evening(state, None, DEFAULT)
        for patient in map(int, np.flatnonzero(state.episodes.open[ROW[SignalKind.RISING]])):
            if not onsets.get(patient, NEVER) <= day < crosses.get(patient, NEVER):
                continue
            made = evening.pressure(patient).forecast
            if made is None or not made.up or made.days == 0 or made.slowing:
                continue
            left = crosses.get(patient, NEVER) - day
            told += 1
            held += max(1, round(made.low)) <= left <= round(made.high)
            if patient in crosses:
                foretold.add(patient)
    return Forecasts(told, held, len(crosses), len(foretold))


def _crossing(truth: Array, onset: int, limit: float) -> int | None:
    """The first day from the onset on which the true level is over the limit and stays so for three days."""
    over = truth > limit
    return next((day for day in range(onset, len(truth) - 3) if over[day : day + 3].all()), None)


# --- what is printed ------------------------------------------------------------------


def made(seed: int) -> list[Panel]:
    """A panel of each family, each from a seed of its own."""
    return [panels.make(family, seed + 100 * place, PATIENTS) for place, family in enumerate(panels.FAMILIES)]


def untreated(seed: int) -> list[Panel]:
    """The same families with more rises, none of them treated."""
    families = [replace(family, treated=False, events_per_year=1.5) for family in panels.FAMILIES if not family.falls]
    return [panels.make(family, seed + 100 * place, PATIENTS) for place, family in enumerate(families)]


def main() -> None:
    """Print the figures of both generators."""
    for name, treated, rises in (
        ("panels", [one for seed in SEEDS for one in made(seed)], untreated(SEEDS[0])),
        (
            "volumes",
            [volumes.make(seed, 2 * PATIENTS) for seed in SEEDS],
            [volumes.make(seed, 2 * PATIENTS, treated=False) for seed in SEEDS],
        ),
    ):
        for line in lines(name, course(panels.beside(treated)), rises):
            print(line, flush=True)


def lines(name: str, treated: Course, rises: Sequence[Panel]) -> Iterable[str]:
    (every, in_rise), (said, was) = within_band(treated), up(treated)
    yield f"band_{name} ratio={every.mean():.3f} of days within the 80 % band (0.77 to 0.84)"
    yield f"band_rises_{name} ratio={in_rise.mean():.3f} of days in a rise (≥ 0.72)"
    yield f"probability_{name} ratio={calibration_error(said, was):.3f} calibration error (≤ 0.05)"
    yield f"probability_likely_{name} ratio={calibration_error(said, was, 0.3):.3f} the same where 0.3 or more (≤ 0.05)"
    ahead = forecasts(rises)
    yield f"forecast_held_{name} ratio={ahead.held / max(ahead.told, 1):.3f} of {ahead.told} forecasts in rises (≥ 0.70)"
    yield f"forecast_told_{name} ratio={ahead.foretold / max(ahead.crossings, 1):.3f} of {ahead.crossings} crossings (≥ 0.33)"


if __name__ == "__main__":
    main()
