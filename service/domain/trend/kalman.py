"""A Kalman filter for a local linear trend: level and slope of a pressure, from daily readings with gaps.

State-space, with a damped slope: each day the level
moves by the slope, the slope shrinks by `damping`, and both wander a little. A
missing day is predicted through, so uncertainty grows where nothing is known.
A reading far from what was expected gets a robust weight: it is pulled in to `clip`
standard deviations before it counts (a reading taken sitting up does not move the level much), and
the measurement noise follows the patient.

Promises the same numbers whether days come one at a time or a year at once, for
one patient or a hundred thousand; with `clip` and `adapt` off it is the Kalman
filter, number for number. Knows no reference, no limit and no signal.

Source of the recursions: Durbin & Koopman, Time Series Analysis by State Space
Methods, chapters 3 and 4; damping as in Gardner & McKenzie 1985.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

UNKNOWN = 1e7  # variance of a level nobody has measured yet: the diffuse start of Durbin & Koopman
# E[min(z², c²)] at c = 2 for a standard normal z: what clipping takes off the noise's estimate.
_CLIP_BIAS = 0.9205


@dataclass(frozen=True, slots=True)
class Tuning:
    """How pressures move. Variances are in units of the measurement noise's own variance.

    Chosen on simulated panels (tests/bench), not taken from patients; only `noise_cv`
    is a published figure: day-to-day CV of mean PA pressure 7.0 % in the morning
    (Crnko 2021, Neth Heart J).
    """

    level: float = 0.03  # variance of the level's own daily step
    slope: float = 0.001  # variance of the slope's daily step
    damping: float = 0.95  # the part of a slope that is left a day later
    slope_start: float = 0.005  # variance of the first slope
    clip: float | None = 2.0  # standard deviations beyond which a surprise counts no more; None: all counts
    adapt: float = 0.02  # how fast the measurement noise follows the patient; 0: it is fixed
    noise_cv: float = 0.07  # the first guess of the noise, as a share of the first reading
    noise_least: float = 0.25  # mmHg²: a pressure is rounded and breath by breath it varies
    noise_most: float = 36.0


@dataclass(frozen=True)
class Filtered:
    """The filter's state after some day, one element a series. Pressures in mmHg."""

    level: Array
    slope: Array  # mmHg a day
    level_var: Array
    cross_var: Array
    slope_var: Array
    noise: Array  # variance of one reading
    count: Array  # days with a reading so far

    @property
    def started(self) -> NDArray[np.bool_]:
        """Where at least one reading has come."""
        return self.count > 0

    def ahead(self, days: float, damping: float) -> tuple[Array, Array]:
        """Level expected `days` from now, and its variance (without the wandering still to come)."""
        reach = (1 - damping**days) / (1 - damping) if damping < 1 else days
        mean = self.level + reach * self.slope
        return mean, self.level_var + 2 * reach * self.cross_var + reach * reach * self.slope_var


@dataclass(frozen=True)
class Course:
    """Day by day, [day, series]: what was known on the evening of each day."""

    level: Array
    level_var: Array | None  # only where asked for
    log_likelihood: Array  # [series]: of all readings but none of the missing days; 0 unless asked for


def start(
    series: int,
    *,
    level: float = 0.0,
    level_var: float = UNKNOWN,
    slope: float = 0.0,
    slope_var: float = 0.0,
    noise: float = 1.0,
) -> Filtered:
    """The state the evening before the first day. By default nothing is known of the level."""

    def full(value: float) -> Array:
        return np.full(series, value, dtype=np.float64)

    return Filtered(full(level), full(slope), full(level_var), full(0.0), full(slope_var), full(noise), full(0.0))


def advance(state: Filtered, reading: Array, tuning: Tuning, blur: Array | None = None) -> Filtered:
    """One day on. `reading` in mmHg, nan where none came; `blur` multiplies the variance of that reading."""
    moved = Filtered(*(getattr(state, field.name).copy() for field in fields(state)))
    _Kernel(moved, tuning).step(reading, blur)
    return moved


def run(
    state: Filtered, readings: Array, tuning: Tuning, *, variance: bool = False, likelihood: bool = False
) -> tuple[Filtered, Course]:
    """Many days on. `readings` is [day, series]; the course is that of every evening."""
    days, series = readings.shape
    moved = Filtered(*(getattr(state, field.name).copy() for field in fields(state)))
    level, log_likelihood = np.empty((days, series)), np.zeros(series)
    level_var = np.empty((days, series)) if variance else None
    for block in _blocks(series):
        part = part_of(moved, block)
        kernel = _Kernel(part, tuning)
        for day in range(days):
            kernel.step(readings[day, block], None)
            level[day, block] = part.level
            if level_var is not None:
                level_var[day, block] = part.level_var
            if likelihood:
                log_likelihood[block] += kernel.log_density()
    return moved, Course(level, level_var, log_likelihood)


def latest(state: Filtered, readings: Array, tuning: Tuning) -> Filtered:
    """Many days on, keeping only the last evening."""
    moved = Filtered(*(getattr(state, field.name).copy() for field in fields(state)))
    for block in _blocks(readings.shape[1]):
        kernel = _Kernel(part_of(moved, block), tuning)
        for day in range(len(readings)):
            kernel.step(readings[day, block], None)
    return moved


def part_of(state: Filtered, chosen: NDArray[np.intp] | NDArray[np.bool_] | slice) -> Filtered:
    """The state of some of the series."""
    return replace(state, **{field.name: getattr(state, field.name)[chosen] for field in fields(state)})


_BLOCK = 16384  # series worked on at a time, so that a day's arrays stay in the processor's cache


def _blocks(series: int) -> list[slice]:
    return [slice(begin, min(begin + _BLOCK, series)) for begin in range(0, series, _BLOCK)]


class _Kernel:
    """One day of the recursion, in place, on arrays it was given."""

    def __init__(self, state: Filtered, tuning: Tuning) -> None:
        self.tuning = tuning
        self.level, self.slope, self.noise, self.count = state.level, state.slope, state.noise, state.count
        self.level_var, self.cross_var, self.slope_var = state.level_var, state.cross_var, state.slope_var
        series = len(state.level)
        self._a, self._b, self._c = np.empty(series), np.empty(series), np.empty(series)
        self._surprise, self._spread, self._gain = np.empty(series), np.empty(series), np.empty(series)
        self._seen, self._root = np.empty(series), np.empty(series, dtype=np.float32)
        self._all_started = bool((state.count > 0).all())
        self._some_new = not self._all_started

    def step(self, reading: Array, blur: Array | None) -> None:
        tuning = self.tuning
        a, b, gain, surprise, spread = self._a, self._b, self._gain, self._surprise, self._spread
        missing = np.isnan(reading)
        np.subtract(1.0, missing, out=self._seen)
        self._predict()
        self._some_new = not self._all_started
        if self._some_new:
            self._begin(reading, missing)
        noise = self.noise if blur is None else np.multiply(self.noise, blur, out=self._c)
        np.add(self.level_var, noise, out=spread)
        np.divide(self._seen, spread, out=gain)
        np.subtract(reading, self.level, out=surprise)
        if tuning.clip is None:
            np.copyto(surprise, 0.0, where=missing)
        else:
            # Where to pull in needs no more than single precision, whose root costs a fifth.
            np.copyto(self._root, spread, casting="same_kind")
            np.sqrt(self._root, out=self._root)
            np.multiply(self._root, tuning.clip, out=a)
            # fmin and fmax leave no nan: a missing day gets some number, which a gain of zero then drops.
            np.fmin(surprise, a, out=surprise)
            np.fmax(surprise, np.negative(a, out=b), out=surprise)
        np.multiply(surprise, gain, out=a)
        self.level += np.multiply(self.level_var, a, out=b)
        self.slope += np.multiply(self.cross_var, a, out=b)
        if tuning.adapt:
            self._follow_noise(a, blur)
        np.multiply(self.cross_var, gain, out=a)
        self.slope_var -= np.multiply(a, self.cross_var, out=b)
        np.multiply(self.level_var, gain, out=a)
        self.cross_var -= np.multiply(a, self.cross_var, out=b)
        self.level_var -= np.multiply(a, self.level_var, out=b)
        self.count += self._seen

    def log_density(self) -> Array:
        """Of the last step's reading; 0 where there was none. Meant for clipping off."""
        density: Array = -0.5 * (np.log(2 * np.pi * self._spread) + self._surprise**2 / self._spread)
        return np.where(self._seen > 0, density, 0.0)

    def _predict(self) -> None:
        tuning, a, b = self.tuning, self._a, self._b
        self.level += self.slope
        np.add(self.cross_var, self.slope_var, out=a)
        self.level_var += a
        self.level_var += self.cross_var
        self.level_var += np.multiply(self.noise, tuning.level, out=b)
        np.multiply(a, tuning.damping, out=self.cross_var)
        if tuning.damping != 1.0:
            self.slope *= tuning.damping
            self.slope_var *= tuning.damping * tuning.damping
        self.slope_var += np.multiply(self.noise, tuning.slope, out=b)

    def _begin(self, reading: Array, missing: NDArray[np.bool_]) -> None:
        """Before the first reading nothing moves; at it, the noise is guessed from its size."""
        tuning = self.tuning
        if not tuning.adapt:
            self._all_started = True
            return
        new = ~missing & (self.count == 0)
        unborn = self.count == 0
        if new.any():
            guess = np.clip((tuning.noise_cv * reading[new]) ** 2, tuning.noise_least, tuning.noise_most)
            self.noise[new] = guess
            self.slope_var[new] = tuning.slope_start * guess
        self.level_var[unborn] = UNKNOWN
        self.cross_var[unborn] = 0.0
        self.slope_var[unborn & missing] = 0.0
        self._all_started = not bool((unborn & missing).any())

    def _follow_noise(self, scaled: Array, blur: Array | None) -> None:
        # A surprise as large as expected leaves the noise as it is; a larger one raises it.
        tuning, b = self.tuning, self._b
        np.multiply(self._surprise, scaled, out=b)
        if tuning.clip is not None:
            b *= 1.0 / _CLIP_BIAS
        b -= self._seen
        if blur is not None:
            b /= blur  # a blurred reading says little of the noise of a clear one
        b *= tuning.adapt
        b += 1.0
        if self._some_new:
            b[self.count == 0] = 1.0  # the first reading surprises nobody
        self.noise *= b
        np.clip(self.noise, tuning.noise_least, tuning.noise_most, out=self.noise)
