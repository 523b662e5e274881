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
import math
import struct
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields, is_dataclass
from functools import cache
from hashlib import blake2b
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from service.domain import factjson
from service.domain.arrays import Array, Bytes, Days, Flags
from service.domain.frozen import dataclass
from service.domain.signals import diary as diary_rules
from service.domain.signals import episodes as episode_rules
from service.domain.signals import heart as heart_rules
from service.domain.signals import high as high_rules
from service.domain.signals import jumps as jump_rules
from service.domain.signals.diary import DiaryState
from service.domain.signals.episodes import EpisodeState
from service.domain.signals.facts import Episode, EpisodeClosed
from service.domain.signals.heart import HeartState
from service.domain.signals.high import HighState
from service.domain.signals.jumps import JumpState
from service.domain.signals.settings import EngineSettings
from service.domain.trend import response as response_rules
from service.domain.trend import state as trend_state
from service.domain.trend.response import ResponseState
from service.domain.trend.state import TrendState

# Count up when a rule changes, or what is stored beside the state: what was carried under the old is worked out again.
VERSION = 23
KEEP_EVERY = 14  # days between the earlier states that are kept
KEEP = 3  # of them: a reading up to about six weeks late is resumed from one
Held = TypeVar("Held")
UP, DOWN, COMING_DOWN, JOINT = 0, 1, 2, 3  # rows of what goes on: each way, and a rise told by all channels together
IN_A_ROW = 3
COMPARED_DAYS = 14  # days that are looked back on for how many were compared


@dataclass(frozen=True, slots=True)
class LimitRuns:
    """The newest unbroken run of days whose reading is beyond a limit: [above, below] × patients. 0 is none."""

    count: Days  # days with a reading, [2, patient]
    began_on: Days  # ordinal of the first of them


def no_runs(patients: int) -> LimitRuns:
    """No reading yet."""
    return LimitRuns(
        count=np.zeros((2, patients), dtype=np.int64),
        began_on=np.zeros((2, patients), dtype=np.int64),
    )


def run_on(runs: LimitRuns, day: int, diastolic: Array, upper: Array, lower: Array) -> LimitRuns:
    """One day on. Pressures and limits in mmHg, [patient]; nan where there is none. At the limit is not beyond it."""
    seen = ~np.isnan(diastolic)
    beyond = np.stack([diastolic > upper, diastolic < lower])  # nan is neither
    count = np.where(seen, np.where(beyond, runs.count + 1, 0), runs.count)
    return LimitRuns(
        count,
        np.where(seen, np.where(count == 1, day, np.where(beyond, runs.began_on, 0)), runs.began_on),
    )


@dataclass(frozen=True, slots=True)
class ReadDays:
    """The last days one by one, [COMPARED_DAYS, patient], by day."""

    read: Flags  # a reading came
    unchanged: Flags  # it was compared with the patient's baseline, and nothing of the pressure was going on


def compared_on(days: ReadDays, day: int, read: Flags, unchanged: Flags) -> ReadDays:
    """One day on."""
    new = ReadDays(days.read.copy(), days.unchanged.copy())
    new.read[day % COMPARED_DAYS], new.unchanged[day % COMPARED_DAYS] = read, read & unchanged
    return new


@dataclass(frozen=True, slots=True)
class EngineState:
    """What is carried of some patients after one evening. The last axis of every array is the patient."""

    trend: TrendState
    diary: DiaryState
    episodes: EpisodeState
    response: ResponseState
    runs: LimitRuns
    jump: JumpState
    compared: ReadDays
    high: HighState
    heart: HeartState
    quick: Flags  # [4, patient]: whether a quick rise, a quick fall, a coming down, a joint rise is going on
    upper: Array  # limits, mmHg; nan where none was typed in
    lower: Array
    goal: Array  # its upper end, mmHg; nan where there is none
    goal_from: Days  # the days on which it is in force
    goal_until: Days
    silent_days: Days  # 0: silence is not judged here
    enrolled_on: Days  # 0: not known
    checkin_on: Days  # last date with a check-in, whatever it answered
    usual_hour: Array  # local hour at which readings are usually taken; nan before the first
    readings_a_week: Days  # planned

    @property
    def day(self) -> int:
        """The evening it is, as a proleptic ordinal; 0 before the first."""
        return self.trend.day

    @property
    def patients(self) -> int:
        return self.trend.patients

    @property
    def unread(self) -> Days:
        """Days since the last reading, or since enrolment (itself one) where none came; 0: neither is known."""
        since = np.where(self.trend.read_on > 0, self.trend.read_on, np.maximum(self.enrolled_on - 1, 0))
        return np.where(since > 0, self.day - since, 0)


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
    travelling: Flags | None = None  # [patient]: this date is tagged as spent elsewhere; None: nobody's
    usual_hour: Array | None = None  # [patient]: the usual hour once this date counts too; nan: no reading
    closed: Sequence[tuple[int, EpisodeClosed]] = ()  # whose episode staff closed on this date
    heart: Array | None = None  # [patient] beats a minute, where they may be compared; None: nobody's
    new_rhythm: Flags | None = None  # [patient]: earlier heart rates say nothing any more; None: nobody's
    watched: Flags | None = None  # [patient]: a rise is told at a lower bar on this date; None: nobody's


def begin(patients: int) -> EngineState:
    """Nothing is known of anybody."""
    return EngineState(
        trend=trend_state.begin(patients),
        diary=diary_rules.begin(patients),
        episodes=episode_rules.none_yet(patients),
        response=response_rules.nothing_made(patients),
        runs=no_runs(patients),
        jump=jump_rules.nothing_read(patients),
        compared=ReadDays(*(np.zeros((COMPARED_DAYS, patients), dtype=np.bool_) for _ in range(2))),
        high=high_rules.not_high(patients),
        heart=heart_rules.nothing_read(patients),
        quick=np.zeros((4, patients), dtype=np.bool_),
        upper=np.full(patients, np.nan),
        lower=np.full(patients, np.nan),
        goal=np.full(patients, np.nan),
        goal_from=np.zeros(patients, dtype=np.int64),
        goal_until=np.zeros(patients, dtype=np.int64),
        silent_days=np.zeros(patients, dtype=np.int64),
        enrolled_on=np.zeros(patients, dtype=np.int64),
        checkin_on=np.zeros(patients, dtype=np.int64),
        usual_hour=np.full(patients, np.nan),
        readings_a_week=np.full(patients, 7, dtype=np.int64),
    )


def of_patients(held: Held, patients: Sequence[int]) -> Held:
    """A state, or findings, of some of its patients."""
    taken: Held = _taken(held, patients)
    return taken


def _taken(held: Any, patients: Sequence[int]) -> Any:
    if isinstance(held, np.ndarray):
        return np.take(held, patients, axis=-1)
    if not is_dataclass(held):
        return held
    kind: Any = type(held)
    return kind(*[_taken(getattr(held, item.name), patients) for item in fields(held)])


# --- a state as rows of bytes --------------------------------------------------------------


def to_records(state: EngineState) -> Bytes:
    """One row of bytes a patient, [patient, bytes]."""
    n = state.patients
    columns = [
        np.ascontiguousarray(array.reshape(-1, n).T, dtype=stored).view(np.uint8)
        for array, (_, stored, _) in zip(_arrays(state), _layout(), strict=True)
    ]
    return np.concatenate(columns, axis=1)


def from_records(records: Bytes, day: int) -> EngineState:
    """The state of those patients on the evening of `day`. Raises ValueError for rows of another length."""
    n, length = records.shape
    if length != record_length():
        raise ValueError(f"a record of {length} bytes, not {record_length()}")
    parts: list[NDArray[Any]] = []
    begins = 0
    for dtype, stored, shape in _layout():
        size = stored.itemsize * math.prod(shape)
        flat = np.ascontiguousarray(records[:, begins : begins + size]).view(stored)
        parts.append(np.ascontiguousarray(flat.T, dtype=dtype).reshape(*shape, n))
        begins += size
    state: EngineState = _build(begin(1), iter(parts), day)
    return state


@cache
def record_length() -> int:
    """Bytes of one patient's record."""
    return sum(stored.itemsize * math.prod(shape) for _, stored, shape in _layout())


@cache
def _layout() -> tuple[tuple[np.dtype[Any], np.dtype[Any], tuple[int, ...]], ...]:
    """Of each array in order: its type, the type it is stored as, and its shape for one patient.

    Half of the bits of a whole number hold every date and every count.
    """
    half = np.dtype(np.int32)
    return tuple(
        (array.dtype, half if array.dtype == np.int64 else array.dtype, array.shape[:-1]) for array in _arrays(begin(1))
    )


def _arrays(value: Any) -> Iterator[NDArray[Any]]:
    for item in fields(value):
        inner = getattr(value, item.name)
        if isinstance(inner, np.ndarray):
            yield inner
        elif is_dataclass(inner):
            yield from _arrays(inner)


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


class KeptState(NamedTuple):
    """One patient on one evening."""

    day: int
    adjusted_on: int  # the adjustment whose response was being followed; 0 is none
    usual_hour: float  # nan before the first reading
    record: bytes
    open: tuple[bytes, ...]  # the episodes that were going on, each as JSON

    def episodes(self) -> list[Episode]:
        """The episodes that were going on."""
        return [factjson.unpack(Episode, json.loads(stored)) for stored in self.open]


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


def open_as_json(episodes: Iterable[Episode]) -> tuple[bytes, ...]:
    """The episodes that are going on, without any sentence."""
    return tuple([json.dumps(factjson.pack(one), separators=(",", ":"), sort_keys=True).encode() for one in episodes])


_HEAD = struct.Struct("<4sI8sBB")  # magic, mark, inputs, how many texts, how many states
_TEXT = struct.Struct("<I")
_STATE = struct.Struct("<iidB")  # day, adjusted_on, usual_hour, how many episodes
_MAGIC = b"NTES"


def as_bytes(carried: CarriedState, settings: EngineSettings) -> bytes:
    """For storing: the texts of the episodes, each once however many states have it open, then the states."""
    texts = list(dict.fromkeys(text for state in carried.states for text in state.open))
    parts = [_HEAD.pack(_MAGIC, _mark(settings), carried.inputs, len(texts), len(carried.states))]
    for text in texts:
        parts += [_TEXT.pack(len(text)), text]
    for state in carried.states:
        parts += [
            _STATE.pack(state.day, state.adjusted_on, state.usual_hour, len(state.open)),
            bytes(map(texts.index, state.open)),
            state.record,
        ]
    return b"".join(parts)


def from_bytes(stored: bytes, settings: EngineSettings) -> CarriedState:
    """What was stored. Raises Outdated for anything but bytes of this version, this layout and these settings."""
    try:
        magic, mark, inputs, many_texts, many_states = _HEAD.unpack_from(stored)
        if (magic, mark) != (_MAGIC, _mark(settings)):
            raise Outdated
        at, length, texts, states = _HEAD.size, record_length(), [], []
        for _ in range(many_texts):
            begins = at + _TEXT.size
            at = begins + _TEXT.unpack_from(stored, at)[0]
            texts.append(stored[begins:at])
        for _ in range(many_states):
            day, adjusted_on, usual_hour, opened = _STATE.unpack_from(stored, at)
            begins = at + _STATE.size
            at = begins + opened + length
            which, record = stored[begins : begins + opened], stored[begins + opened : at]
            states.append(KeptState(day, adjusted_on, usual_hour, record, tuple([texts[text] for text in which])))
    except (struct.error, IndexError):
        raise Outdated from None
    if at != len(stored):
        raise Outdated
    return CarriedState(inputs, tuple(states))


@cache
def _mark(settings: EngineSettings) -> int:
    return zlib.crc32(repr((VERSION, _layout(), settings)).encode())
