"""When the level will pass a limit, if it goes on as it does.

Promises an interval, not a date: the days are worked out for 81 evenly likely
pairs of level and slope, and the middle 80 % of them is told. The slope shrinks
as the filter says, so a slow rise may never arrive, and is then not forecast.
"""

from __future__ import annotations

from statistics import NormalDist

import numpy as np

from service.domain.signals_facts import Forecast, PressureFacts

LOOK_AHEAD = 60  # days; further than that nobody can see
_STEPS = np.array([NormalDist().inv_cdf((step + 0.5) / 9) for step in range(9)])


def forecast(pressure: PressureFacts, cross_var: float, damping: float) -> Forecast | None:
    """Days to the upper limit when the level is rising, to the lower when it is falling; None if to neither.

    A limit that is passed already is told as 0 days, whichever way the pressure goes.
    """
    level, slope = pressure.level, pressure.slope
    if level is None or slope is None or pressure.level_sd is None or pressure.slope_sd is None:
        return None
    upper, lower = pressure.limits.upper, pressure.limits.lower
    if upper is not None and level > upper:
        return Forecast(upper, up=True, days=0.0, low=0.0, high=0.0)
    if lower is not None and level < lower:
        return Forecast(lower, up=False, days=0.0, low=0.0, high=0.0)
    limit = upper if slope > 0 else lower
    if limit is None:
        return None
    levels, slopes = _likely(level, slope, pressure.level_sd, pressure.slope_sd, cross_var)
    days = np.sort(_passing(levels, slopes, limit, damping))
    low, middle, high = (float(days[int(share * (len(days) - 1))]) for share in (0.1, 0.5, 0.9))
    if middle > LOOK_AHEAD:
        return None
    return Forecast(limit, up=slope > 0, days=middle, low=low, high=high if high <= LOOK_AHEAD else None)


def _likely(
    level: float, slope: float, level_sd: float, slope_sd: float, cross_var: float
) -> tuple[np.ndarray, np.ndarray]:
    """Evenly likely levels and slopes, with the correlation the filter says they have."""
    own, with_level = np.meshgrid(_STEPS, _STEPS)
    alike = float(np.clip(cross_var / (level_sd * slope_sd), -1.0, 1.0)) if level_sd > 0 and slope_sd > 0 else 0.0
    levels = level + level_sd * with_level
    slopes = slope + slope_sd * (alike * with_level + (1 - alike**2) ** 0.5 * own)
    return levels.ravel(), slopes.ravel()


def _passing(levels: np.ndarray, slopes: np.ndarray, limit: float, damping: float) -> np.ndarray:
    """Days until `level + slope·(1 − dampingᵏ)/(1 − damping)` reaches the limit; inf where it never does."""
    way = 1.0 if limit >= float(np.median(levels)) else -1.0
    missing, pace = way * (limit - levels), way * slopes
    with np.errstate(divide="ignore", invalid="ignore"):
        need = missing / pace
        if damping < 1.0:
            left = 1.0 - need * (1.0 - damping)
            days = np.where(left > 0, np.log(np.maximum(left, 1e-12)) / np.log(damping), np.inf)
        else:
            days = need
    return np.where(missing <= 0, 0.0, np.where(pace > 0, days, np.inf))
