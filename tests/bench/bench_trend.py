"""What the Kalman filter costs, as a ratio taken in one run.

`trend_vs_reference`: patients a second of the filter as the service runs it, day by
day (robust, noise adapting), ÷ the filter of statsmodels' state space alone (compiled,
without its results), the same model with its damped slope, on the same series one by one.
Both sides alternate, seven rounds, process CPU time, median with least and most.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Callable
from statistics import median
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.domain.signals.settings import DEFAULT
from service.domain.trend import kalman

Array = NDArray[np.float64]
ROUNDS = 7


def main() -> None:
    """Print the ratios."""
    gc.collect()
    gc.freeze()
    gc.disable()
    _vs_reference(_readings(365, 10_000))


def _vs_reference(readings: Array) -> None:
    few = 30
    models = [_reference_model(readings[:, patient]) for patient in range(few)]

    def reference() -> None:
        for model in models:
            model.filter()

    def every_day() -> None:
        state = kalman.start(patients)
        for day in readings:
            state = kalman.advance(state, day, DEFAULT)

    patients = readings.shape[1]
    ours, theirs = _alternate(every_day, reference)
    ratios = [(other / few) / (one / patients) for one, other in zip(ours, theirs, strict=True)]
    _say("trend_vs_reference", ratios, "times as many patients a second as the reference's bare filter (≥ 100)")


def _reference_model(readings: Array) -> Any:
    """The same model: a level moved by a slope that is damped, both wandering, a reading of noise 1."""
    from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

    model = KalmanFilter(k_endog=1, k_states=2, k_posdef=2)
    model.bind(readings.copy())
    model["design"] = np.array([[1.0, 0.0]])
    model["transition"] = np.array([[1.0, 1.0], [0.0, DEFAULT.slope_kept]])
    model["selection"] = np.eye(2)
    model["state_cov"] = np.diag([DEFAULT.level_step, DEFAULT.slope_step])
    model["obs_cov"] = np.eye(1)
    model.initialize_approximate_diffuse(kalman.UNKNOWN)
    return model


def _readings(days: int, patients: int) -> Array:
    random = np.random.default_rng(1)
    readings = 20.0 + random.normal(0, 1.4, (days, patients))
    readings[random.random(readings.shape) < 0.15] = np.nan
    return readings


def _alternate(one: Callable[[], object], other: Callable[[], object]) -> tuple[list[float], list[float]]:
    first, second = [], []
    for round_ in range(ROUNDS + 1):
        for action, times in ((one, first), (other, second)):
            begun = time.process_time()
            action()
            if round_:  # the first round warms up
                times.append(time.process_time() - begun)
    return first, second


def _say(name: str, ratios: list[float], words: str) -> None:
    print(f"{name} ratio={median(ratios):.2f} [{min(ratios):.2f}, {max(ratios):.2f}] {words}", flush=True)


if __name__ == "__main__":
    main()
