"""The watch of one patient as bytes: carried forward, so that a new reading needs no history.

    carried = Carried(now=watch, kept=())
    carried = ahead(carried, day, today, settings)        # one evening on, O(1)
    watch = resume(carried, day)                          # where to replay from when `day` changed

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

from service.domain import signals_watch
from service.domain.signals_settings import Settings
from service.domain.signals_watch import Today, Watch

VERSION = 1
KEEP_EVERY = 14  # days between the states that are kept
KEEP = 3  # of them: a reading up to about six weeks late is replayed from one
_HEAD = struct.Struct("<4sHIB")
_MAGIC = b"NTWT"


class Outdated(Exception):
    """These bytes are of another version or other settings: rebuild from the rows."""


@dataclass(frozen=True)
class Carried:
    """The state now, and a few earlier ones, oldest first."""

    now: Watch
    kept: tuple[Watch, ...] = ()


def ahead(carried: Carried, day: int, today: Today, settings: Settings) -> tuple[Carried, np.ndarray]:
    """One evening on, and what is told on it. Every so often the evening before is kept."""
    watch, told = signals_watch.step(carried.now, day, today, settings)
    kept = carried.kept
    if carried.now.day and (not kept or carried.now.day - kept[-1].day >= KEEP_EVERY):
        kept = (*kept, carried.now)[-KEEP:]
    return Carried(watch, kept), told


def resume(carried: Carried, day: int) -> Carried | None:
    """The newest state before `day`, with those kept before it; None: begin at the first row.

    Rows from the day after its `now.day` on are then run again, in the order of their days.
    """
    if carried.now.day < day:
        return carried
    kept = [watch for watch in carried.kept if watch.day < day]
    return Carried(kept[-1], tuple(kept[:-1])) if kept else None


def as_bytes(carried: Carried, settings: Settings) -> bytes:
    """For storing."""
    states = (*carried.kept, carried.now)
    body = b"".join(_pack(watch) for watch in states)
    return _HEAD.pack(_MAGIC, VERSION, _mark(settings), len(states)) + zlib.compress(body, 6)


def from_bytes(stored: bytes, settings: Settings) -> Carried:
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
        watch, used = _unpack(body)
        body = body[used:]
        states.append(watch)
    if len(body):
        raise Outdated
    return Carried(states[-1], tuple(states[:-1]))


def one_of(watch: Watch, patient: int) -> Watch:
    """One patient's part of a watch of many."""
    found: Watch = _each(watch, lambda array: np.ascontiguousarray(array[..., patient : patient + 1]))
    return _unstack(found, watch, patient)


def _unstack(found: Watch, watch: Watch, patient: int) -> Watch:
    # The filter holds three series a patient, all diastolic first.
    n = watch.patients
    series = [patient, n + patient, 2 * n + patient]
    filtered = _each(watch.trend.filtered, lambda array: np.ascontiguousarray(array[series]))
    return replace(found, trend=replace(found.trend, filtered=filtered))


def _mark(settings: Settings) -> int:
    return zlib.crc32(repr(settings).encode())


def _each(value: Any, change: Callable[[np.ndarray], np.ndarray]) -> Any:
    """A dataclass with each array in it changed, however deep."""
    if isinstance(value, np.ndarray):
        return change(value)
    if is_dataclass(value) and not isinstance(value, type):
        return replace(value, **{item.name: _each(getattr(value, item.name), change) for item in fields(value)})
    return value


def _pack(watch: Watch) -> bytes:
    parts = [struct.pack("<q", watch.day)]

    def put(array: np.ndarray) -> np.ndarray:
        parts.append(array.tobytes())
        return array

    _each(watch, put)
    return b"".join(parts)


def _unpack(body: memoryview) -> tuple[Watch, int]:
    """A watch of one patient from the front of `body`, and the bytes it took."""
    template = signals_watch.begin(1)
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
    watch: Watch = _each(template, take)
    return replace(watch, trend=replace(watch.trend, day=day)), used
