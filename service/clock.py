"""What time it is. The only module that asks the machine.

Everything else is handed `now` (an aware UTC datetime) or a `Clock`, so that a
test or the demo can steer the day.
"""

from __future__ import annotations

import contextlib
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Protocol


class Clock(Protocol):
    """Anything that knows the present instant."""

    def now(self) -> datetime:
        """The present instant, aware and in UTC."""
        ...


class SystemClock:
    """The machine's own clock."""

    def now(self) -> datetime:
        return datetime.now(UTC)


class FixedClock:
    """A clock that stands still until it is moved. For tests and replays."""

    def __init__(self, at: datetime) -> None:
        self._at = _aware(at)

    def now(self) -> datetime:
        return self._at

    def set(self, at: datetime) -> None:
        self._at = _aware(at)

    def advance(self, by: timedelta) -> datetime:
        self._at += by
        return self._at


class SharedClock:
    """The machine's clock plus an offset kept in a file, so that several processes agree.

    The demo's web and worker processes share one. It only ever moves forward:
    a clinic's past is not rewritten.
    """

    def __init__(self, offset_file: Path) -> None:
        self._file = offset_file

    def now(self) -> datetime:
        return datetime.now(UTC) + self._offset()

    def advance(self, by: timedelta) -> datetime:
        """Move forward. Raises ValueError for a step backwards."""
        if by < timedelta(0):
            raise ValueError(f"the clock only moves forward, not by {by}")
        whole = self._offset() + by
        # Written beside and renamed: the other process never reads half a number.
        part = self._file.with_name(f"{self._file.name}.{os.getpid()}")
        part.write_text(f"{whole.total_seconds():.6f}\n", encoding="ascii")
        part.replace(self._file)
        return self.now()

    def _offset(self) -> timedelta:
        with contextlib.suppress(FileNotFoundError):
            return timedelta(seconds=float(self._file.read_text(encoding="ascii")))
        return timedelta(0)


def _aware(at: datetime) -> datetime:
    if at.tzinfo is None:
        raise ValueError(f"{at!r} has no zone; an instant must be aware")
    return at.astimezone(UTC)
