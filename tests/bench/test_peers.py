"""The detectors of other schools that the engine is compared with, against what is known of them."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy.stats import t as student

from tests.bench import peers


def test_run_lengths_are_those_of_every_way_to_cut_the_series():
    # Adams & MacKay 2007: the recursion is exact. Here every way to cut five readings is weighed one by one, each
    # piece by its marginal likelihood, a chain of Student's t (Murphy 2007, Conjugate Bayesian analysis, eq. 99).
    values, hazard, mean, variance = [18.2, 17.6, 21.9, 22.4, 21.5], 0.2, 18.0, 1.5
    prior = peers.begun(np.array([mean]), np.array([variance]), lengths=8)
    runs = prior
    for value in values:
        runs = peers.run_lengths(runs, np.array([value]), prior, hazard)
    found = np.exp(runs.log[:, 0])
    weighed = np.zeros(8)
    for cuts in product((False, True), repeat=5):  # whether a new run begins after each reading
        likely, kappa, alpha, at, beta, length = 1.0, 0.1, 6.0, mean, 5.0 * variance, 0
        for value, cut in zip(values, cuts, strict=True):
            scale = (beta * (kappa + 1) / (alpha * kappa)) ** 0.5
            likely *= float(student.pdf(value, 2 * alpha, at, scale)) * (hazard if cut else 1 - hazard)
            beta += kappa * (value - at) ** 2 / (2 * (kappa + 1))
            at, kappa, alpha, length = (kappa * at + value) / (kappa + 1), kappa + 1, alpha + 0.5, length + 1
            if cut:
                kappa, alpha, at, beta, length = 0.1, 6.0, mean, 5.0 * variance, 0
        weighed[length] += likely
    np.testing.assert_allclose(found, weighed / weighed.sum(), atol=1e-12)


def test_the_likelihood_ratio_finds_a_ramp_and_its_size_goes_as_theory_says():
    # Of noise alone, twice the ratio for one known beginning is half a chi square of one degree, its mean 0.5, and the
    # largest of many is a few times that; a ramp of half a standard deviation a day is far above it within two weeks.
    random = np.random.default_rng(5)
    noise = random.normal(0, 1.0, (160, 300))
    ramp = noise + 0.5 * np.clip(np.arange(160) - 140, 0, None)[:, None]
    quiet, loud = peers.glr(noise)[154], peers.glr(ramp)[154]
    assert 0.25 <= quiet.mean() <= 4.0
    assert (loud > np.quantile(quiet, 0.99)).mean() >= 0.99


@pytest.mark.parametrize("depth", [1, 3])
def test_boosted_trees_come_to_the_frequencies_of_a_table(depth: int):
    # With two columns of yes and no the likeliest probabilities are the shares of the four cells; trees that ask one
    # question each can give what adds up (Friedman 2001), deeper ones any table.
    random = np.random.default_rng(2)
    rows = random.integers(0, 2, (40_000, 2)).astype(np.float64)
    odds = -1.0 + 0.9 * rows[:, 0] + (1.4 if depth > 1 else 0.0) * rows[:, 0] * rows[:, 1] + 0.6 * rows[:, 1]
    was = (random.random(len(rows)) < 1 / (1 + np.exp(-odds))).astype(np.float64)
    told = 1 / (1 + np.exp(-peers.Boosted(rows, was, depth=depth, trees=150).odds(rows)))
    for cell in product((0.0, 1.0), repeat=2):
        here = (rows == cell).all(axis=1)
        assert told[here].mean() == pytest.approx(was[here].mean(), abs=0.01)
