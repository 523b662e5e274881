"""What the engine carries of each patient from one evening to the next, also as bytes.

    carried = CarriedState(now=begin(1))
    carried = resume(carried, day)          # where to replay from when `day` changed
    as_bytes(carried, settings), from_bytes(stored, settings)

Promises that bytes of another version or of other settings are refused and never
misread (rebuild from the rows then: they are the truth), and that a late or
corrected reading is replayed from the newest state kept before its day.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.domain.signals import diary as diary_rules
from service.domain.signals import episodes as episode_rules
from service.domain.signals.diary import DiaryState
from service.domain.signals.episodes import EpisodeState
from service.domain.signals.settings import EngineSettings
from service.domain.trend import state as trend_state
from service.domain.trend.state import TrendState

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Days = NDArray[np.int64]

VERSION = 1
KEEP_EVERY = 14  # days between the states that are kept
KEEP = 3  # of them: a reading up to about six weeks late is replayed from one
_HEAD = struct.Struct("<4sHIB")
_MAGIC = b"NTWT"


class Outdated(Exception):
    """These bytes are of another version or other settings: rebuild from the rows."""


@dataclass(frozen=True)
class EngineState:
    """What is carried of some patients from one evening to the next."""

    trend: TrendState
    diary: DiaryState
    episodes: EpisodeState
    quick: Flags  # [2, patient], see `rules`
    upper: Array  # limits, mmHg; nan where none was typed in
    lower: Array
    silent_days: Days  # 0: silence is not judged

    @property
    def day(self) -> int:
        """The evening it is; 0 before the first."""
        return self.trend.day

    @property
    def patients(self) -> int:
        return self.trend.patients


@dataclass(frozen=True)
class DayInputs:
    """What came on one date. nan is missing."""

    readings: Array  # [3, patient] diastolic, mean, systolic in mmHg
    blur: Array | None = None  # [patient], see domain.days
    answers: Array | None = None  # [question, patient], see `diary`; None: nobody keeps a diary
    safety: Flags | None = None  # [patient]: the diary of this date ticked a safety sign
    pounds: Flags | None = None  # [patient]: the weight of this date was given in lb; None: nobody's
    missed: Days | None = None  # [patient]: planned readings missed in a row, this date included


def begin(patients: int) -> EngineState:
    """Nothing is known of anybody."""
    return EngineState(
        trend_state.begin(patients),
        diary_rules.begin(patients),
        episode_rules.none_yet(patients),
        np.zeros((2, patients), dtype=np.bool_),
        np.full(patients, np.nan),
        np.full(patients, np.nan),
        np.zeros(patients, dtype=np.int64),
    )


@dataclass(frozen=True)
class CarriedState:
    """The state now, and a few earlier ones, oldest first."""

    now: EngineState
    kept: tuple[EngineState, ...] = ()


def resume(carried: CarriedState, day: int) -> CarriedState | None:
    """The newest state before `day`, with those kept before it; None: begin at the first row.

    Rows from the day after its `now.day` on are then run again, in the order of their days.
    """
    if carried.now.day < day:
        return carried
    kept = [state for state in carried.kept if state.day < day]
    return CarriedState(kept[-1], tuple(kept[:-1])) if kept else None


def as_bytes(carried: CarriedState, settings: EngineSettings) -> bytes:
    """For storing."""
    states = (*carried.kept, carried.now)
    body = b"".join(_pack(state) for state in states)
    return _HEAD.pack(_MAGIC, VERSION, _mark(settings), len(states)) + zlib.compress(body, 6)


def from_bytes(stored: bytes, settings: EngineSettings) -> CarriedState:
    """What was stored. Raises Outdated for anything but bytes of this version and these settings."""
    try:
        magic, version, mark, count = _HEAD.unpack_from(stored)
        if (magic, version, mark) != (_MAGIC, VERSION, _mark(settings)) or count == 0:
            raise Outdated
        body = memoryview(zlib.decompress(stored[_HEAD.size :]))
    except (struct.error, zlib.error):
        raise Outdated from None
    states = []
    for _ in range(count):
        state, used = _unpack(body)
        body = body[used:]
        states.append(state)
    if len(body):
        raise Outdated
    return CarriedState(states[-1], tuple(states[:-1]))


def one_of(state: EngineState, patient: int) -> EngineState:
    """One patient's part of a state of many."""
    found: EngineState = _each(state, lambda array: np.ascontiguousarray(array[..., patient : patient + 1]))
    return _unstack(found, state, patient)


def _unstack(found: EngineState, state: EngineState, patient: int) -> EngineState:
    # The filter holds three series a patient, all diastolic first.
    n = state.patients
    series = [patient, n + patient, 2 * n + patient]
    filtered = _each(state.trend.filtered, lambda array: np.ascontiguousarray(array[series]))
    return replace(found, trend=replace(found.trend, filtered=filtered))


def _mark(settings: EngineSettings) -> int:
    return zlib.crc32(repr(settings).encode())


def _each(value: Any, change: Callable[[np.ndarray], np.ndarray]) -> Any:
    """A dataclass with each array in it changed, however deep."""
    if isinstance(value, np.ndarray):
        return change(value)
    if is_dataclass(value) and not isinstance(value, type):
        return replace(value, **{item.name: _each(getattr(value, item.name), change) for item in fields(value)})
    return value


def _pack(state: EngineState) -> bytes:
    parts = [struct.pack("<q", state.day)]

    def put(array: np.ndarray) -> np.ndarray:
        parts.append(array.tobytes())
        return array

    _each(state, put)
    return b"".join(parts)


def _unpack(body: memoryview) -> tuple[EngineState, int]:
    """A state of one patient from the front of `body`, and the bytes it took."""
    template = begin(1)
    used = 8

    def take(array: np.ndarray) -> np.ndarray:
        nonlocal used
        end = used + array.nbytes
        if end > len(body):
            raise Outdated
        taken = np.frombuffer(body[used:end], dtype=array.dtype).reshape(array.shape).copy()
        used = end
        return taken

    if len(body) < used:
        raise Outdated
    (day,) = struct.unpack_from("<q", body)
    state: EngineState = _each(template, take)
    return replace(state, trend=replace(state.trend, day=day)), used
