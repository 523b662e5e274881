"""One judgement of a rise from pressure, heart rate and diary together.

Promises that the others, and a stay just over, only ever bring a rise earlier. `lift` is what the others add to the
pressure's own standard deviations beyond its margin: never negative, and zero where they are quiet, missing or not
known, so that what the pressure alone tells is told on the same day with and without them. It is at most `MOST`: a
pressure that is not on its way by itself is not made a rise by anything else.

A logistic model of "a decompensation is on its way" on the engine's own outputs. Each number is a channel's log odds
÷ those of one standard deviation of pressure. Made by `deploy/calibrating.py joint`, which names its seeds and its
simulated generators; `deploy/bench detection` tests them on a generator they never saw and on one in which heart
rate says nothing. Of real patients they say nothing until `neaptide replay` has been read on a clinic's own.
"""

from __future__ import annotations

import numpy as np

from service.domain.arrays import Array, Flags
from service.domain.signals.diary import SURELY_ALIKE, DiaryFindings
from service.domain.signals.heart import HeartRates
from service.domain.signals.settings import EngineSettings, z

HEART, BREATH, SIGNS, WEIGHT = WEIGHTS = (0.30, 2.83, 0.84, 1.10)
MOST = 1.0


def lift(heart: HeartRates, findings: DiaryFindings | None, settings: EngineSettings) -> Array:
    """By how many standard deviations heart rate and diary lower the bar for a rise of pressure, [patient]."""
    return np.minimum(np.array(WEIGHTS) @ channels(heart, findings, settings), MOST)


def after_stay(watched: Flags, settings: EngineSettings) -> Array:
    """By how many standard deviations the bar is lower on the dates after a stay that a clinic watches, [patient].

    Never a higher bar, whatever the settings: half of those who are admitted again within 30 days are so by day 11, a
    third within the first week (PMC5826892); how much lower is our own number, no source. On simulated panels, watched
    every day, the pressures alone then saw 0.88 of the events instead of 0.81, 0.72 instead of 0.57 a week ahead, with
    1.9 false episodes a patient-year instead of 0.8: in a fortnight after a stay about 0.05 more.
    """
    return np.where(watched, max(z(settings.rise_sure) - z(settings.after_stay_sure), 0.0), 0.0)


def channels(heart: HeartRates, findings: DiaryFindings | None, settings: EngineSettings) -> Array:
    """What the model looks at beside the pressure, [weight, patient], in the order of `WEIGHTS`.

    Heart rate in standard deviations over the usual, from 1 to 3; breathlessness in steps over the usual, at most 2,
    and nothing while it is told as unchanged; how many other signs are more than usual, at most 2; the week's weight
    in parts of the gain that is told, from half of it to 1.5. 0 where it is quiet or not known.
    """
    above = _between(heart.above, 3.0, 1.0)
    if findings is None:
        return np.stack([above, *np.zeros((3, len(above)))])
    found = findings.symptoms
    signs = (found.more_pillows, found.woken, found.in_chair, found.more_swelling, found.full_belly)
    return np.stack([
        above,
        _between((found.breath - found.breath_usual) / settings.breathless_step, 2.0, SURELY_ALIKE),
        _between(np.sum(signs, axis=0, dtype=np.float64), 2.0),
        _between(findings.weight.in_week / settings.gain_week, 1.5, 0.5),
    ])  # fmt: skip


def _between(value: Array, most: float, least: float = 0.0) -> Array:
    return np.where(value >= least, np.minimum(value, most), 0.0)  # nan is nothing
