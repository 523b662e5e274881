"""What the engine carries of each patient from one evening to the next, also as bytes.

    state = begin(patients)                     # nothing is known of anybody
    records = to_records(state)                 # [patient, bytes]: one row a patient, all of one length
    state = from_records(records, day)
    carried = from_bytes(stored, settings)      # one patient's states, as they were stored
    from_state = carried.before(day)            # where to resume when something of `day` is new

Promises that a state is all that is needed of what came before it, that bytes of
another version, another layout or other settings are refused and never misread
(work it out from the rows then: they are the truth), and that which evenings are
kept depends on their dates alone, so that the same rows give the same bytes by
whatever way they were reached. Holds no sentence.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, is_dataclass
from datetime import date
from functools import cache
from hashlib import blake2b
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.domain import factjson
from service.domain.signals import diary as diary_rules
from service.domain.signals import episodes as episode_rules
from service.domain.signals.diary import DiaryState
from service.domain.signals.episodes import EpisodeState
from service.domain.signals.facts import Episode, PictureFacts
from service.domain.signals.rules import LimitRuns, no_runs
from service.domain.signals.settings import EngineSettings
from service.domain.trend import response as response_rules
from service.domain.trend import state as trend_state
from service.domain.trend.response import ResponseState
from service.domain.trend.state import TrendState
from service.domain.vocabulary import SignalKind

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Days = NDArray[np.int64]
Bytes = NDArray[np.uint8]

VERSION = 3  # count up when a rule changes: what was carried under the old one is worked out again
KEEP_EVERY = 14  # days between the earlier states that are kept
KEEP = 3  # of them: a reading up to about six weeks late is resumed from one


@dataclass(frozen=True, slots=True)
class EngineState:
    """What is carried of some patients after one evening. The last axis of every array is the patient."""

    trend: TrendState
    diary: DiaryState
    episodes: EpisodeState
    response: ResponseState
    runs: LimitRuns
    quick: Flags  # [2, patient], see `rules`
    upper: Array  # limits, mmHg; nan where none was typed in
    lower: Array
    silent_days: Days  # 0: silence is not judged here
    checkin_on: Days  # last date with a check-in, whatever it answered
    usual_hour: Array  # local hour at which readings are usually taken; nan before the first

    @property
    def day(self) -> int:
        """The evening it is, as a proleptic ordinal; 0 before the first."""
        return self.trend.day

    @property
    def patients(self) -> int:
        return self.trend.patients


@dataclass(frozen=True, slots=True)
class DayInputs:
    """What came on one date. nan is missing."""

    readings: Array  # [3, patient] diastolic, mean, systolic in mmHg
    blur: Array | None = None  # [patient]: multiplies the variance of that date's pressures
    answers: Array | None = None  # [question, patient], see `diary`; None: nobody keeps a diary
    safety: Flags | None = None  # [patient]: the diary of this date ticked a safety sign
    pounds: Flags | None = None  # [patient]: the weight of this date was given in lb; None: nobody's
    missed: Days | None = None  # [patient]: planned readings missed in a row, this date included
    adjusted: Flags | None = None  # [patient]: an adjustment was made on this date
    checked_in: Flags | None = None  # [patient]: there was a check-in, whatever it answered
    usual_hour: Array | None = None  # [patient]: the usual hour once this date counts too; nan: no reading


def begin(patients: int) -> EngineState:
    """Nothing is known of anybody."""
    return EngineState(
        trend=trend_state.begin(patients),
        diary=diary_rules.begin(patients),
        episodes=episode_rules.none_yet(patients),
        response=response_rules.nothing_made(patients),
        runs=no_runs(patients),
        quick=np.zeros((2, patients), dtype=np.bool_),
        upper=np.full(patients, np.nan),
        lower=np.full(patients, np.nan),
        silent_days=np.zeros(patients, dtype=np.int64),
        checkin_on=np.zeros(patients, dtype=np.int64),
        usual_hour=np.full(patients, np.nan),
    )


# --- a state as rows of bytes --------------------------------------------------------------


def to_records(state: EngineState) -> Bytes:
    """One row of bytes a patient, [patient, bytes]."""
    n = state.patients
    columns = [
        np.ascontiguousarray(np.moveaxis(array, -1, 0)).reshape(n, -1).view(np.uint8) for array in _arrays(state, n)
    ]
    return np.concatenate(columns, axis=1)


def from_records(records: Bytes, day: int) -> EngineState:
    """The state of those patients on the evening of `day`. Raises ValueError for rows of another length."""
    n, length = records.shape
    if length != record_length():
        raise ValueError(f"a record of {length} bytes, not {record_length()}")
    parts: list[NDArray[Any]] = []
    begins = 0
    for dtype, shape, series in _layout():
        size = dtype.itemsize * int(np.prod(shape, dtype=np.int64))
        flat = np.ascontiguousarray(records[:, begins : begins + size]).view(dtype).reshape(n, *shape)
        array = np.ascontiguousarray(np.moveaxis(flat, 0, -1))
        parts.append(array.reshape(-1) if series else array)
        begins += size
    state: EngineState = _build(begin(1), iter(parts), day)
    return state


@cache
def record_length() -> int:
    """Bytes of one patient's record."""
    return sum(dtype.itemsize * int(np.prod(shape, dtype=np.int64)) for dtype, shape, _ in _layout())


@cache
def _layout() -> tuple[tuple[np.dtype[Any], tuple[int, ...], bool], ...]:
    """Of each array in order: its type, its shape for one patient, and whether it holds three series a patient."""
    template = begin(2)
    return tuple(
        (array.dtype, array.shape[:-1], original.shape == (6,))
        for array, original in zip(_arrays(template, 2), _leaves(template), strict=True)
    )


def _arrays(state: EngineState, n: int) -> Iterator[NDArray[Any]]:
    """Every array with the patient as its last axis: the filter's hold three series a patient, [3 × patient]."""
    for array in _leaves(state):
        yield array.reshape(3, n) if array.shape == (3 * n,) else array


def _leaves(value: Any) -> Iterator[NDArray[Any]]:
    for item in fields(value):
        inner = getattr(value, item.name)
        if isinstance(inner, np.ndarray):
            yield inner
        elif is_dataclass(inner):
            yield from _leaves(inner)


def _build(template: Any, parts: Iterator[NDArray[Any]], day: int) -> Any:
    values: list[Any] = []
    for item in fields(template):
        inner = getattr(template, item.name)
        if isinstance(inner, np.ndarray):
            values.append(next(parts))
        else:
            values.append(_build(inner, parts, day) if is_dataclass(inner) else day)
    return type(template)(*values)


# --- one patient's states, as they are stored ------------------------------------------------


class Outdated(Exception):
    """These bytes are of another version, layout or settings: work it out from the rows."""


@dataclass(frozen=True, slots=True)
class KeptState:
    """One patient on one evening."""

    day: int
    adjusted_on: int  # the adjustment whose response was being followed; 0 is none
    usual_hour: float  # nan before the first reading
    record: bytes
    open: bytes  # the episodes that were going on, as JSON

    def episodes(self) -> list[Episode]:
        """The episodes that were going on."""
        return [_episode(stored) for stored in json.loads(self.open)] if self.open else []


@dataclass(frozen=True, slots=True)
class CarriedState:
    """What is stored of one patient: earlier states, oldest first, and that of the evening before today."""

    inputs: bytes  # what people had set (limits, reference, …) when it was worked out, as a digest
    states: tuple[KeptState, ...] = ()

    def before(self, day: int) -> tuple[KeptState, ...]:
        """The states of evenings before `day`."""
        return tuple(state for state in self.states if state.day < day)


def is_kept(day: int, today: int) -> bool:
    """Whether the state of that evening is kept on `today`: the evening before, and every fourteenth further back."""
    if day == today - 1:
        return True
    newest = (today - 2) // KEEP_EVERY * KEEP_EVERY
    return day % KEEP_EVERY == 0 and newest - (KEEP - 1) * KEEP_EVERY <= day <= newest


def digest(*inputs: object) -> bytes:
    """A mark of what people set, so that a change is noticed."""
    return blake2b(repr(inputs).encode(), digest_size=8).digest()


def open_as_json(episodes: Sequence[Episode]) -> bytes:
    """The episodes that are going on, without any sentence; empty for none."""
    if not episodes:
        return b""
    stored = [
        [one.kind.value, one.raised_on.toordinal(), one.began_on.toordinal(), factjson.pack(one.facts)]
        for one in episodes
    ]
    return json.dumps(stored, separators=(",", ":"), sort_keys=True).encode()


def _episode(stored: list[Any]) -> Episode:
    kind, raised_on, began_on, facts = stored
    return Episode(
        SignalKind(kind), date.fromordinal(raised_on), date.fromordinal(began_on), factjson.unpack(PictureFacts, facts)
    )


_HEAD = struct.Struct("<4sI8sB")
_STATE = struct.Struct("<iidI")  # day, adjusted_on, usual_hour, bytes of the open episodes
_MAGIC = b"NTES"


def as_bytes(carried: CarriedState, settings: EngineSettings) -> bytes:
    """For storing."""
    parts = [_HEAD.pack(_MAGIC, _mark(settings), carried.inputs, len(carried.states))]
    for state in carried.states:
        parts += [
            _STATE.pack(state.day, state.adjusted_on, state.usual_hour, len(state.open)),
            state.record,
            state.open,
        ]
    return b"".join(parts)


def from_bytes(stored: bytes, settings: EngineSettings) -> CarriedState:
    """What was stored. Raises Outdated for anything but bytes of this version, this layout and these settings."""
    try:
        magic, mark, inputs, count = _HEAD.unpack_from(stored)
        if (magic, mark) != (_MAGIC, _mark(settings)):
            raise Outdated
        at, length, states = _HEAD.size, record_length(), []
        for _ in range(count):
            day, adjusted_on, usual_hour, opened = _STATE.unpack_from(stored, at)
            at += _STATE.size
            ends = at + length + opened
            if ends > len(stored):
                raise Outdated
            states.append(KeptState(day, adjusted_on, usual_hour, stored[at : at + length], stored[at + length : ends]))
            at = ends
    except struct.error:
        raise Outdated from None
    if at != len(stored):
        raise Outdated
    return CarriedState(inputs, tuple(states))


@cache
def _mark(settings: EngineSettings) -> int:
    return zlib.crc32(repr((VERSION, _layout(), settings)).encode())
