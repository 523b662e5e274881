"""Make the numbers of `domain.trend.calibration` and `domain.signals.joint` from simulated patients, and print them.

    .venv/bin/python deploy/calibrating.py          # calibration
    .venv/bin/python deploy/calibrating.py joint

The seeds are FITTED and JOINED below and nobody else's: `deploy/bench calibration` and `detection` check on
others. The second generator, tests/bench/volumes.py, is never used here. Needs the test lock (statsmodels).
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from service.domain.arrays import Array
from service.domain.signals import joint
from service.domain.signals.facts import EIGHTY
from service.domain.signals.heart import heart_rates
from service.domain.signals.settings import DEFAULT
from service.domain.trend import calibration
from tests.bench import bench_calibration as bench
from tests.bench import bench_detection, panels
from tests.bench.panels import Panel

FITTED = (2001, 2002)
HELD = 0.81  # of the days within the band: a little more than is said, since others are less kind than these
SURE = 0.9
LIKELY = 0.05  # days on which nothing is up tell nothing of how sure one may be when it is

JOINED = (2001, 2002)
NO_DIARY, NO_HEART = 0.3, 0.2  # shares of those patients of whom it is not known
NEAR = (-2.0, 3.0)  # standard deviations beyond the margin, between which another channel can decide
SETTLED_IN, TREATED = 60, 30  # days at first, and after an event, that are not learned from


def main() -> None:
    """Print the numbers."""
    if "joint" in sys.argv[1:]:
        _join()
    else:
        _calibrate()


def _calibrate() -> None:
    from statsmodels.api import Logit, QuantReg

    courses = [bench.course(panel) for seed in FITTED for panel in bench.made(seed)]
    known = [~np.isnan(one.level) for one in courses]
    made = [calibration.width(one.level_var, one.slope, one.noise, one.off) for one in courses]
    width = np.concatenate([one[here] for one, here in zip(made, known, strict=True)])
    off = np.concatenate([np.abs(one.truth - one.level)[here] for one, here in zip(courses, known, strict=True)])
    some = np.random.default_rng(FITTED[0]).choice(len(off), 60_000, replace=False)
    share, lag, last = QuantReg(off[some], width[some]).fit(q=HELD).params / EIGHTY
    print(f"SHARE = {share:.3f}\nLAG = {lag:.2f}\nOFF = {last:.2f}")

    rows, was = [], []
    for one in courses:
        here = ~np.isnan(one.before) & ~np.isnan(one.truth_before) & ~np.isnan(one.level)
        rows.append(calibration.evidence(one.level, one.level_var, one.slope, one.noise, one.before, one.off)[here])
        was.append((one.truth - one.truth_before > calibration.UP_BY)[here].astype(np.float64))
    seen, up = np.concatenate(rows), np.concatenate(was)
    likely = _logistic(seen @ Logit(up, seen).fit(disp=0).params) > LIKELY
    numbers = Logit(up[likely], seen[likely]).fit(disp=0).params
    print(f"EVEN, DISTANCE, SLOPE, NEWEST = {', '.join(f'{number:.2f}' for number in numbers)}")
    print(f"SUREST = {up[_logistic(seen @ numbers) > SURE].mean():.2f}")


def _join() -> None:
    """The weights beside the pressure, of the log odds of a day in a rise that ends in an event."""
    from statsmodels.api import Logit

    # Half of the patients hardly feel a rise, nor gain weight by it.
    hardly_felt = [replace(one, felt=0.15, gaining=0.1, heart_gain=1.5) for one in panels.FAMILIES]
    made = [panels.make(family, seed, 150) for seed in JOINED for family in (*panels.FAMILIES, *hardly_felt)]
    rows = [row for place, panel in enumerate(made) for row in _days_near_a_rise(panel, place)]
    seen, was = (np.concatenate(part) for part in zip(*rows, strict=True))
    _, pressure, *weights = Logit(was, seen).fit(disp=0).params
    print(f"WEIGHTS = ({', '.join(f'{weight / pressure:.2f}' for weight in weights)})")


def _days_near_a_rise(panel: Panel, seed: int) -> Iterator[tuple[Array, Array]]:
    """Of each day: one, the evidence of the pressure and the channels, a row a patient; and who was in a rise."""
    random, (days, patients) = np.random.default_rng(seed), panel.diastolic.shape
    silent, deaf = random.random(patients) < NO_DIARY, random.random(patients) < NO_HEART
    for answers in vars(panel.diary).values():
        answers[:, silent] = np.nan
    panel.heart[:, deaf] = np.nan
    rises, left_out = np.zeros((2, days, patients), dtype=np.bool_)
    left_out[:SETTLED_IN] = True
    for patient, day, onset in zip(panel.event_patient, panel.event_day, panel.event_onset, strict=True):
        rises[onset : day + 1, patient] = True
        left_out[day + 1 : day + TREATED, patient] = True
    for day, (state, _, findings) in enumerate(bench_detection.evenings(panel, diary=True, heart=True)):
        near = state.trend.evidence.rise
        beside = joint.channels(heart_rates(state.heart, state.day), findings, DEFAULT)
        here = (state.trend.read_on == state.day) & (near > NEAR[0]) & (near < NEAR[1]) & ~left_out[day]
        yield np.vstack([np.ones(patients), near, beside]).T[here], rises[day, here].astype(np.float64)


def _logistic(odds: Array) -> Array:
    return np.asarray(1.0 / (1.0 + np.exp(-odds)), dtype=np.float64)


if __name__ == "__main__":
    main()
