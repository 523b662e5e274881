"""A Kalman filter for a local linear trend: level and slope of a pressure, from daily readings with gaps.

State-space, with a damped slope: each day the level moves by the slope, the slope shrinks
to `slope_kept` of it, and both wander a little. A missing day is predicted through, so
uncertainty grows where nothing is known. A reading far from what was expected gets a
robust weight: it is pulled in to `far_reading` standard deviations before it counts (a
reading taken sitting up does not move the level much), and the measurement noise
follows the patient.

Promises the same numbers for one patient or a hundred thousand; with no reading too far
(`far_reading` infinite) and `noise_pace` 0 it is the Kalman filter, number for number.
Knows no reference, no limit and no signal.

Source of the recursions: Durbin & Koopman, Time Series Analysis by State Space
Methods, chapters 3 and 4; damping as in Gardner & McKenzie 1985.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.domain.arrays import Array, Flags
from service.domain.signals.settings import EngineSettings

UNKNOWN = 1e7  # variance of a level nobody has measured yet: the diffuse start of Durbin & Koopman
# E[min(z², c²)] at c = 2 for a standard normal z: what clipping takes off the noise's estimate.
_CLIP_BIAS = 0.9205
# The first guess of the noise, as a share of the first reading: day-to-day CV of mean PA pressure in
# the morning (Crnko 2021, Neth Heart J). The rest was chosen on simulated panels (tests/bench).
NOISE_CV = 0.07
NOISE_LEAST, NOISE_MOST = 0.25, 36.0  # mmHg²: a pressure is rounded and breath by breath it varies
FIRST_SLOPE = 0.005  # variance of the first slope, in units of the noise's


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
    def started(self) -> Flags:
        """Where at least one reading has come."""
        return self.count > 0

    def ahead(self, days: float, damping: float) -> tuple[Array, Array]:
        """Level expected `days` from now, and its variance (without the wandering still to come)."""
        reach = (1 - damping**days) / (1 - damping) if damping < 1 else days
        mean = self.level + reach * self.slope
        return mean, self.level_var + 2 * reach * self.cross_var + reach * reach * self.slope_var


def start(
    shape: int | tuple[int, ...],
    *,
    level: float = 0.0,
    level_var: float = UNKNOWN,
    slope: float = 0.0,
    slope_var: float = 0.0,
    noise: float = 1.0,
) -> Filtered:
    """The state the evening before the first day. By default nothing is known of the level."""

    def full(value: float) -> Array:
        return np.full(shape, value, dtype=np.float64)

    return Filtered(full(level), full(slope), full(level_var), full(0.0), full(slope_var), full(noise), full(0.0))


def anew(state: Filtered, which: Flags) -> Filtered:
    """The state with no level known of those series: their next reading alone tells it. Their noise is kept."""
    return Filtered(
        state.level,
        np.where(which, 0.0, state.slope),
        np.where(which, UNKNOWN, state.level_var),
        np.where(which, 0.0, state.cross_var),
        np.where(which, FIRST_SLOPE * state.noise, state.slope_var),
        state.noise,
        state.count,
    )


def advance(state: Filtered, reading: Array, settings: EngineSettings, blur: Array | None = None) -> Filtered:
    """One day on. `reading` in mmHg, nan where none came; `blur` multiplies the variance of that reading."""
    seen, damping = ~np.isnan(reading), settings.slope_kept
    level, slope = state.level + state.slope, state.slope * damping
    cross_var = state.cross_var + state.slope_var
    level_var = state.level_var + cross_var
    level_var += state.cross_var
    level_var += state.noise * settings.level_step
    cross_var *= damping
    slope_var = state.slope_var * (damping * damping)
    slope_var += state.noise * settings.slope_step
    noise, new = state.noise, ~state.started
    is_guessing = bool(settings.noise_pace) and bool(new.any())
    if is_guessing:
        # Before the first reading nothing moves; at it, the noise is guessed from its size.
        guess = np.clip((NOISE_CV * reading) ** 2, NOISE_LEAST, NOISE_MOST)
        noise = np.where(seen & new, guess, noise)
        level_var[new], cross_var[new] = UNKNOWN, 0.0
        slope_var = np.where(new, np.where(seen, FIRST_SLOPE * guess, 0.0), slope_var)
    spread = level_var + (noise if blur is None else noise * blur)
    gain = seen / spread
    # Where to pull in needs no more than single precision, whose root costs a fifth.
    reach = np.sqrt(spread.astype(np.float32)) * settings.far_reading
    surprise = np.where(seen, reading - level, 0.0)
    np.minimum(surprise, reach, out=surprise)
    np.maximum(surprise, -reach, out=surprise)
    pull = surprise * gain
    if settings.noise_pace:
        # A surprise as large as expected leaves the noise as it is; a larger one raises it.
        growth = surprise * pull
        growth *= 1.0 / _CLIP_BIAS
        growth -= seen
        if blur is not None:
            growth /= blur  # a blurred reading says little of the noise of a clear one
        growth *= settings.noise_pace
        growth += 1.0
        if is_guessing:
            growth[new] = 1.0  # the first reading surprises nobody
        noise = np.clip(noise * growth, NOISE_LEAST, NOISE_MOST)
    share = level_var * gain
    return Filtered(
        level + level_var * pull,
        slope + cross_var * pull,
        level_var - share * level_var,
        cross_var - share * cross_var,
        slope_var - cross_var * gain * cross_var,
        noise,
        state.count + seen,
    )
