"""What is said of the pressure must be true as often as it is said, of patients that nothing was made on.

Simulated, by the two generators; the seeds are used nowhere else. The bars are those that the bench
prints, a little wider where a small panel's chance needs it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.domain.trend import calibration
from tests.bench import bench_calibration as bench
from tests.bench import panels, volumes


def test_ten_bins_measure_what_is_said_against_what_was():
    # By hand: five days said 0.2 of which two were, five said 0.9 of which all were: (0.2 + 0.1) / 2.
    said = np.array([0.2] * 5 + [0.9] * 5)
    was = np.array([True, True, False, False, False] + [True] * 5)
    assert bench.calibration_error(said, was) == pytest.approx(0.15)
    assert bench.calibration_error(said, was, least=0.3) == pytest.approx(0.1)
    assert bench.calibration_error(np.array([0.4, 0.4]), np.array([True, False])) == pytest.approx(0.1)


def test_the_mean_of_some_weeks_ago_is_of_those_days_alone():
    # 90 days whose value is their own number: 21 to 56 days before day 100 are 44 to 79, in the middle 61.5.
    days = np.arange(11, 101)
    ring = np.full((90, 1), np.nan, dtype=np.float32)
    ring[days % 90, 0] = days
    assert calibration.mean_before(ring, 100)[0] == pytest.approx(61.5)
    ring[(days % 90)[(days >= 44) & (days < 67)], 0] = np.nan
    assert np.isnan(calibration.mean_before(ring, 100)[0])  # 13 known days are too few


def test_what_is_said_moves_the_right_way():
    one = [np.array([value]) for value in (20.0, 0.5, 0.0, 1.7, 18.0, 0.0)]

    def up(**changed: float) -> float:
        names = ("level", "level_var", "slope", "noise", "before", "off")
        given = {name: np.array([changed.get(name, float(value[0]))]) for name, value in zip(names, one, strict=True)}
        return float(calibration.probability_up(**given)[0])

    assert up(level=19.0) < up() < up(level=22.0) < up(level=24.0) <= calibration.SUREST
    assert up(slope=-0.1) < up() < up(slope=0.1)
    assert up(level=23.0, level_var=4.0) < up(level=23.0)  # after a gap less is known
    assert up(off=-2.0) < up() < up(off=2.0)
    assert np.isnan(up(before=np.nan))
    var, slope, off = [0.5, 0.5, 2.0, 0.5, 0.5], [0.0, -0.2, 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, -4.0, 1.0]
    sd = calibration.level_sd(np.array(var), np.array(slope), np.full(5, 1.7), np.array(off))
    assert (sd[0] < sd[1:4]).all()
    assert sd[4] == sd[0]  # within one reading's noise the last readings say nothing


def test_the_last_days_lie_above_the_level_by_their_mean():
    ring = np.full((90, 2), np.nan, dtype=np.float32)
    ring[99 % 90], ring[100 % 90] = [24.0, np.nan], [26.0, 23.0]
    assert calibration.off_level(ring, np.array([20.0, 20.0]), 100).tolist() == [5.0, 1.5]


@pytest.mark.slow
@pytest.mark.parametrize("generator", ["panels", "volumes"])
def test_the_band_the_probability_and_the_forecast_hold_as_often_as_they_say(generator: str):
    if generator == "panels":
        treated = [panels.make(family, 8100 + place, 60) for place, family in enumerate(panels.FAMILIES)]
        rises = [panels.make(replace(panels.FAMILIES[1], treated=False, events_per_year=1.5), 8200, 80)]
    else:
        treated = [volumes.make(8300, 240)]
        rises = [volumes.make(seed, 160, treated=False) for seed in range(8400, 8403)]
    course = bench.course(panels.beside(treated))
    every, in_rise = bench.within_band(course)
    assert 0.77 <= every.mean() <= 0.84
    assert in_rise.mean() >= 0.72
    said, was = bench.up(course)
    assert bench.calibration_error(said, was) <= 0.05
    assert bench.calibration_error(said, was, least=0.3) <= 0.08
    ahead = bench.forecasts(rises)
    assert ahead.held >= 0.65 * ahead.told
    assert ahead.foretold >= ahead.crossings / 3
