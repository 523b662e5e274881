"""Detectors of other schools to compare with, each giving a number per day and patient to be swept over a threshold.

`glr` is the generalised likelihood ratio on the innovations of a Kalman filter (Willsky & Jones 1976, IEEE Trans
Autom Control 21:108) for a ramp of unknown beginning and slope; `run_lengths` is Bayesian online change point
detection (Adams & MacKay 2007, arXiv:0710.3742) with a normal-gamma prior; `Boosted` is gradient boosting of small
trees with a logistic loss (Friedman 2001, Ann Stat 29:1189) on the engine's own outputs, as `features` makes them.
Each is told what the engine works out for itself: the noise of each patient from the first weeks.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln, stdtr

from service.domain.signals import joint
from service.domain.signals.diary import DiaryFindings
from service.domain.signals.heart import heart_rates
from service.domain.signals.settings import DEFAULT
from service.domain.signals.state import EngineState
from tests.bench.panels import Array, Panel

FIRST = 28  # days from which level and noise are taken at first
MOST_AGO = 40  # days ago at which a ramp may have begun
GAIN = 0.06  # of the steady filter of a level that wanders: what a noise ten times the wandering makes of it


def glr(values: Array) -> Array:
    """Log likelihood ratio of a ramp that began in the last weeks against none, [day, patient]; nan is missing."""
    days, patients = values.shape
    level, noise = np.nanmean(values[:FIRST], axis=0), np.maximum(np.nanstd(values[:FIRST], axis=0), 0.5)
    innovations, seen = np.zeros((days, patients)), ~np.isnan(values)
    for day in range(FIRST, days):
        innovations[day] = np.where(seen[day], values[day] - level, 0.0) / noise
        level = level + GAIN * innovations[day] * noise
    found = np.full((days, patients), -np.inf)
    signature = _ramp_through_the_filter()
    for day in range(FIRST + 1, days):
        for ago in range(3, min(MOST_AGO, day - FIRST) + 1):
            shape = signature[:ago, None] * seen[day - ago + 1 : day + 1]
            fit = (shape * innovations[day - ago + 1 : day + 1]).sum(axis=0)
            ratio = np.where(fit > 0, fit * fit / np.maximum((shape * shape).sum(axis=0), 1e-9) / 2.0, 0.0)
            found[day] = np.maximum(found[day], ratio)
    return found


def _ramp_through_the_filter() -> Array:
    """What the innovations of the filter show of a ramp of one a day."""
    level, told = 0.0, np.empty(MOST_AGO)
    for day in range(MOST_AGO):
        told[day] = day + 1 - level
        level += GAIN * told[day]
    return told


# --- run lengths --------------------------------------------------------------------------

HAZARD = 1 / 120.0  # a day
LONGEST = 60
NEW = 25  # days within which a run is new
UP_BY = 1.0  # mmHg over the usual


@dataclass(frozen=True)
class Runs:
    """[run length, patient]: log probability, and the normal-gamma posterior of each."""

    log: Array
    mean: Array
    kappa: Array
    alpha: Array
    beta: Array


def run_lengths(runs: Runs, value: Array, prior: Runs, hazard: float = HAZARD) -> Runs:
    """One reading on, [patient]; nan is missing and changes nothing. The longest run takes in what is longer."""
    seen = ~np.isnan(value)
    at = np.where(seen, value, 0.0)
    scale = runs.beta * (runs.kappa + 1) / (runs.alpha * runs.kappa)
    log_like = _student(at, runs.mean, scale, 2 * runs.alpha)
    grown = runs.log + log_like + np.log1p(-hazard)
    begun = np.logaddexp.reduce(runs.log + log_like, axis=0) + np.log(hazard)
    log = np.vstack([begun, grown[:-1]])
    log[-1] = np.logaddexp(log[-1], grown[-1])
    log -= np.logaddexp.reduce(log, axis=0)
    mean = (runs.kappa * runs.mean + at) / (runs.kappa + 1)
    beta = runs.beta + runs.kappa * (at - runs.mean) ** 2 / (2 * (runs.kappa + 1))
    moved = [
        np.vstack([first[:1], after[:-1]])
        for first, after in (
            (prior.mean, mean), (prior.kappa, runs.kappa + 1), (prior.alpha, runs.alpha + 0.5), (prior.beta, beta),
        )
    ]  # fmt: skip
    pairs = zip((log, *moved), (runs.log, runs.mean, runs.kappa, runs.alpha, runs.beta), strict=True)
    return Runs(*(np.where(seen, new, old) for new, old in pairs))


def begun(mean: Array, variance: Array, lengths: int = LONGEST) -> Runs:
    """The prior of every run of each patient, and certainty that one begins now."""
    shape = (lengths, len(mean))
    log = np.full(shape, -np.inf)
    log[0] = 0.0
    full = [np.broadcast_to(one, shape).copy() for one in (mean, np.full(len(mean), 0.1), np.full(len(mean), 6.0))]
    return Runs(log, full[0], full[1], full[2], np.broadcast_to(5.0 * variance, shape).copy())


def change_point(values: Array) -> Array:
    """The probability that a new run has begun whose mean is over the weeks before, [day, patient]."""
    days, patients = values.shape
    prior = begun(np.nanmean(values[:FIRST], axis=0), np.nanvar(values[:FIRST], axis=0) + 0.25)
    runs, found = prior, np.full((days, patients), -np.inf)
    for day in range(days):
        runs = run_lengths(runs, values[day], prior)
        if day < 2 * FIRST:
            continue
        usual = np.nanmean(np.vstack([values[max(day - 60, 0) : day - 21], prior.mean[:1]]), axis=0)
        spread = np.sqrt(runs.beta / (runs.alpha * runs.kappa))
        over = stdtr(2 * runs.alpha, (runs.mean - usual - UP_BY) / spread)
        found[day] = (np.exp(runs.log) * over)[3:NEW].sum(axis=0)
    return found


def _student(value: Array, mean: Array, scale: Array, freedom: Array) -> Array:
    far = (value - mean) ** 2 / (freedom * scale)
    found: Array = (
        gammaln((freedom + 1) / 2) - gammaln(freedom / 2)
        - np.log(np.pi * freedom * scale) / 2 - (freedom + 1) / 2 * np.log1p(far)
    )  # fmt: skip
    return found


# --- gradient boosting ---------------------------------------------------------------------

BINS, DEPTH, TREES, PACE, STIFF = 32, 3, 80, 0.15, 20.0


Evening = tuple[EngineState, object, DiaryFindings | None]  # what the engine made of one


def features(panel: Panel, evenings: Iterable[Evening], *, others: bool) -> tuple[Array, Array]:
    """[day, patient, feature] of the engine's outputs, with those of heart rate and diary or not; and [day, patient]
    whether it was a day of a rise, nan where that is not learned from."""
    days, patients = panel.diastolic.shape
    was = np.zeros((days, patients))
    was[:FIRST] = np.nan
    for patient, day, onset in zip(panel.event_patient, panel.event_day, panel.event_onset, strict=True):
        was[onset : day + 1, patient] = 1.0
        was[day + 1 : day + FIRST, patient] = np.nan
    rows = []
    for state, _, findings in evenings:
        trend, excess, sd = state.trend, state.trend.excess, np.sqrt(state.trend.filtered.noise[0])
        told = [trend.evidence.rise, trend.evidence.far_up, (excess.now - trend.evidence.usual) / sd,
                trend.filtered.slope[0] / sd, (state.jump.newest[0] - trend.filtered.level[0]) / sd]  # fmt: skip
        if others:
            told += list(joint.channels(heart_rates(state.heart, state.day), findings, DEFAULT))
        rows.append(np.clip(np.nan_to_num(np.stack(told, axis=-1), nan=0.0), -20.0, 20.0))
    return np.stack(rows), was


class Boosted:
    """Small trees, each grown on what the sum of those before it leaves unexplained."""

    def __init__(self, rows: Array, was: Array, *, depth: int = DEPTH, trees: int = TREES) -> None:
        """`rows` [row, feature], `was` [row] 0 or 1."""
        self.edges = [np.unique(np.quantile(one, np.linspace(0, 1, BINS + 1)[1:-1])) for one in rows.T]
        self.depth, self.start = depth, float(np.log(was.mean() / (1 - was.mean())))
        self.trees: list[tuple[list[tuple[int, int]], Array]] = []
        binned, odds = self._binned(rows), np.full(len(was), self.start)
        for _ in range(trees):
            likely = 1 / (1 + np.exp(-odds))
            tree = self._grown(binned, was - likely, likely * (1 - likely))
            self.trees.append(tree)
            odds += self._leaf(tree, binned)

    def odds(self, rows: Array) -> Array:
        """Log odds, [row]."""
        binned = self._binned(rows)
        found: Array = self.start + np.sum([self._leaf(tree, binned) for tree in self.trees], axis=0)
        return found

    def _binned(self, rows: Array) -> list[np.ndarray]:
        return [np.searchsorted(edges, one, side="right") for edges, one in zip(self.edges, rows.T, strict=True)]

    def _grown(self, binned: list[np.ndarray], slope: Array, bend: Array) -> tuple[list[tuple[int, int]], Array]:
        """One question a level, the same for all its nodes: the one that explains most."""
        node, asked = np.zeros(len(slope), dtype=np.int64), []
        for level in range(self.depth):
            best = (-np.inf, 0, 0)
            for feature, bins in enumerate(binned):
                place, size = node * BINS + bins, 2**level * BINS
                up, down = (np.bincount(place, one, size).reshape(-1, BINS).cumsum(axis=1) for one in (slope, bend))
                left = up[:, :-1] ** 2 / (down[:, :-1] + STIFF)
                right = (up[:, -1:] - up[:, :-1]) ** 2 / (down[:, -1:] - down[:, :-1] + STIFF)
                gain = (left + right).sum(axis=0)
                best = max(best, (float(gain.max()), feature, int(gain.argmax())))
            asked.append(best[1:])
            node = 2 * node + (binned[best[1]] > best[2])
        total = [np.bincount(node, one, 2**self.depth) for one in (slope, bend)]
        return asked, PACE * total[0] / (total[1] + STIFF)

    def _leaf(self, tree: tuple[list[tuple[int, int]], Array], binned: list[np.ndarray]) -> Array:
        node = np.zeros(len(binned[0]), dtype=np.int64)
        for feature, cut in tree[0]:
            node = 2 * node + (binned[feature] > cut)
        found: Array = tree[1][node]
        return found
