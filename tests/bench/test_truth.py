"""The bench of what is said: its scoring, against lives whose answer is plain."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench import bench_truth as bench
from tests.bench import lives


def _life(seed: int = 1, family: str = "quiet") -> lives.Life:
    random = np.random.default_rng(seed)
    life = lives.FAMILIES[family](random)
    lives.files({"T-1": life}, random)
    return life


def test_the_same_seed_is_the_same_life_and_every_row_is_one_the_service_takes():
    for family in lives.FAMILIES:
        one, again = _life(5, family), _life(5, family)
        np.testing.assert_array_equal(one.taken, again.taken)
        np.testing.assert_array_equal(one.truth, again.truth)
        assert 40 < (~np.isnan(one.taken)).sum() < lives.DAYS


def test_the_detector_is_sure_at_the_peak_of_a_rise_and_seldom_of_nothing():
    rise = _life(3, "quick rise")
    assert rise.event is not None
    assert bench.detector(rise)[rise.event[1]] > 0.95
    quiet = np.concatenate([bench.detector(_life(seed)) for seed in range(8)])
    assert (quiet > 0.95).mean() < 0.01


def test_answers_say_so_by_the_middle_of_three_or_one_strong_one():
    life = _life()
    life.nights[:] = np.nan
    for answers, says in (([0, 2, 2], True), ([0, 0, 2], False), ([0, 0, 4], True), ([2], False), ([], False)):
        life.breath[:] = np.nan
        life.breath[60 - len(answers) + 1 : 61] = answers
        assert bench._answers_say(life, 60) is says
    for nights, says in (([0, 0, 1], True), ([0, 1, 0], False), ([1, 0, 1, 0], True)):
        life.nights[:] = np.nan
        life.nights[60 - len(nights) + 1 : 61] = nights
        assert bench._answers_say(life, 60) is says


def test_the_days_to_a_limit_are_those_of_the_course_untreated():
    life = _life(2, "slow rise")
    assert life.event is not None
    onset, treated = life.event
    assert life.upper is not None
    days = bench._crossing(life, onset)
    assert life.onward[onset + days] > life.upper >= life.onward[onset + days - 1]
    assert (life.onward[treated + 1 :] >= life.truth[treated + 1 :]).all()
    life.upper = None
    assert bench._crossing(life, onset) > lives.DAYS


@pytest.mark.parametrize(
    ("days", "episodes"), [([], 0), ([50], 1), ([50, 60, 70], 1), ([50, 70], 2), ([20, 30, 40], 0)]
)
def test_told_days_near_one_another_are_one_episode_false_where_it_begins(days: list[int], episodes: int):
    told, ordinary = np.zeros(lives.DAYS, dtype=bool), np.ones(lives.DAYS, dtype=bool)
    ordinary[:30] = False
    told[days] = True
    assert bench._episodes(told & ordinary, told) == episodes


@pytest.mark.slow
def test_what_is_said_of_ordinary_patients_is_true_and_they_are_settled():
    """The bar over all families is 0.80 (`deploy/bench truth`); ten patients spread by some 0.05 around it."""
    found = bench.scored("quiet", 77, patients=10)
    assert found.truth >= 0.98
    assert np.mean(found.settled) >= 0.75
    assert not found.comforted
    assert sum(map(len, found.claims.values())) > 10 * lives.DAYS
