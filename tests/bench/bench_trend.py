"""What the trend costs, as ratios taken in one run.

`trend_vs_reference`: patients a second of the production filter (robust, noise
adapting, whole course kept) ÷ statsmodels filtering the same series one by one.
`trend_vs_copy`: time to filter 10,000 patients × 365 days ÷ time to copy that array.
`trend_update`: one reading for one patient (state from bytes, one evening of the
whole watch, state to bytes) at 1,000 days of history ÷ at 30 days.
`trend_memory`: peak memory of a process that watches 1,000,000 patients × 90 days
in chunks ÷ the size of those readings.
Both sides alternate, seven rounds, process CPU time, median with least and most.
"""

from __future__ import annotations

import gc
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from statistics import median

import numpy as np
from numpy.typing import NDArray

from service.domain.signals import engine
from service.domain.signals import state as engine_state
from service.domain.signals.settings import DEFAULT
from service.domain.signals.state import CarriedState, DayInputs
from service.domain.trend import kalman
from service.domain.trend import state as trend_state

Array = NDArray[np.float64]
ROUNDS = 7
FIRST_DAY = 740_000
CHUNK = 10_000


def main() -> None:
    """Print the ratios."""
    gc.collect()
    gc.freeze()
    gc.disable()
    readings = _readings(365, 10_000)
    _vs_copy(readings)
    _vs_reference(readings)
    _update()
    _memory()


def _vs_copy(readings: Array) -> None:
    patients = readings.shape[1]
    ours, copied = _alternate(lambda: kalman.latest(kalman.start(patients), readings, DEFAULT.tuning), readings.copy)
    _say("trend_vs_copy", [one / other for one, other in zip(ours, copied, strict=True)], "(time to copy is 1; ≤ 40)")


def _vs_reference(readings: Array) -> None:
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    few = 30
    models = [UnobservedComponents(readings[:, patient], "local linear trend") for patient in range(few)]

    def reference() -> None:
        for model in models:
            model.filter([1.0, 0.03, 0.001])

    patients = readings.shape[1]
    ours, theirs = _alternate(lambda: kalman.run(kalman.start(patients), readings, DEFAULT.tuning), reference)
    ratios = [(other / few) / (one / patients) for one, other in zip(ours, theirs, strict=True)]
    _say("trend_vs_reference", ratios, "times as many patients a second as statsmodels one by one (≥ 400)")


def _update() -> None:
    short, long = (_carried(days) for days in (30, 1000))
    today = DayInputs(np.array([[20.0], [28.0], [42.0]]), answers=np.full((7, 1), np.nan))

    def one(stored: bytes) -> Callable[[], None]:
        def update() -> None:
            for _ in range(20):
                carried = engine_state.from_bytes(stored, DEFAULT)
                moved, _ = engine.ahead(carried, carried.now.day + 1, today, DEFAULT)
                engine_state.as_bytes(moved, DEFAULT)

        return update

    at_long, at_short = _alternate(one(long), one(short))
    ratios = [one / other for one, other in zip(at_long, at_short, strict=True)]
    _say("trend_update", ratios, f"(30 days of history is 1; ≤ 1.5); {median(at_long) / 20 * 1000:.1f} ms each")


def _carried(days: int) -> bytes:
    random = np.random.default_rng(3)
    carried = CarriedState(engine_state.begin(1))
    for day in range(days):
        pressures = np.array([[20.0], [28.0], [42.0]]) + random.normal(0, 1.3, (3, 1))
        today = DayInputs(pressures, answers=np.full((7, 1), np.nan))
        carried, _ = engine.ahead(carried, FIRST_DAY + day, today, DEFAULT)
    return engine_state.as_bytes(carried, DEFAULT)


def _memory() -> None:
    """In a process of its own, so that nothing else counts."""
    code = "from tests.bench.bench_trend import watch_a_million; watch_a_million()"
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    print(done.stdout, end="", flush=True)


def watch_a_million(patients: int = 1_000_000, days: int = 90) -> None:
    """Run the trend of so many patients, a chunk at a time, keeping each one's level and evidence."""
    kept = np.empty((3, patients), dtype=np.float32)
    random = np.random.default_rng(4)
    begun = time.process_time()
    for first in range(0, patients, CHUNK):
        diastolic = np.round(20.0 + random.normal(0, 1.4, (days, CHUNK)), 1)
        diastolic[random.random(diastolic.shape) < 0.15] = np.nan
        state = trend_state.begin(CHUNK)
        for day in range(days):
            readings = np.stack([diastolic[day], diastolic[day] + 8.0, diastolic[day] + 22.0])
            state = trend_state.step(state, FIRST_DAY + day, readings, DEFAULT)
        part = slice(first, first + CHUNK)
        kept[0, part] = trend_state.of_main(state, state.filtered.level)
        kept[1, part] = trend_state.of_main(state, state.filtered.slope)
        kept[2, part] = state.evidence.rise
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    size = patients * days * 8
    print(
        f"trend_memory ratio={peak / size:.2f} peak {peak / 1e6:.0f} MB for {patients:,} patients × {days} days of "
        f"three pressures in chunks of {CHUNK:,}; {time.process_time() - begun:.0f} s; one pressure alone is "
        f"{size / 1e6:.0f} MB"
    )


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
