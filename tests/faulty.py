"""The gateway that goes nowhere, and can be told to fail as providers do. Several processes may use one file."""

from __future__ import annotations

import threading
import time
import uuid
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from enum import StrEnum
from pathlib import Path

from service.transports.base import OutgoingText, PermanentFailure, Receipt, TemporaryFailure
from service.transports.mock import MockGateway

_LAYOUT = """
CREATE TABLE IF NOT EXISTS late (key TEXT NOT NULL, at TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS faults (
    place INTEGER PRIMARY KEY, recipient TEXT NOT NULL, fault TEXT NOT NULL, times INTEGER NOT NULL);
"""
ANYBODY = ""
HANG_SECONDS = 2.0


class Fault(StrEnum):
    """How the gateway can be told to misbehave."""

    TEMPORARY = "temporary"  # refuses for now, takes nothing
    PERMANENT = "permanent"  # unknown address, takes nothing
    TIME_OUT = "time_out"  # takes the message, then says nothing in time
    HANG = "hang"  # says nothing for a while, then takes it
    TWO_RECEIPTS = "two_receipts"
    LATE_RECEIPT = "late_receipt"  # an hour after the message
    CONTRADICTING_RECEIPTS = "contradicting_receipts"  # says that it did not arrive, then that it did
    NO_RECEIPT = "no_receipt"
    FAILED_RECEIPT = "failed_receipt"  # takes the message; later says it did not arrive


_ARRIVED = ("delivered", "")
_LOST = ("failed", "the telephone was never reached")
_RECEIPTS: dict[Fault | None, tuple[tuple[str, str], ...]] = {
    Fault.TWO_RECEIPTS: (_ARRIVED, _ARRIVED),
    Fault.NO_RECEIPT: (),
    Fault.LATE_RECEIPT: (),
    Fault.FAILED_RECEIPT: (_LOST,),
    Fault.CONTRADICTING_RECEIPTS: (_LOST, _ARRIVED),
}
LATE = timedelta(hours=1)


class FaultyGateway(MockGateway):
    """See the module."""

    def __init__(self, path: Path, now: Callable[[], datetime], *, hang_seconds: float = HANG_SECONDS) -> None:
        super().__init__(path, now)
        self._hang_seconds = hang_seconds
        self._of_this_call = threading.local()
        with self._open() as db:
            for statement in _LAYOUT.split(";"):
                db.execute(statement)

    def misbehave(self, fault: Fault, *, times: int = 1, to: str = ANYBODY) -> None:
        """For the next `times` messages to `to` (or to anybody), misbehave in this way."""
        with self._open() as db:
            db.execute("INSERT INTO faults (recipient, fault, times) VALUES (?, ?, ?)", (to, fault.value, times))

    def send(self, text: OutgoingText) -> str:
        fault = self._of_this_call.fault = self._take_fault(text.to)
        if fault is Fault.TEMPORARY:
            raise TemporaryFailure("the gateway is busy")
        if fault is Fault.PERMANENT:
            raise PermanentFailure("the gateway does not know this address")
        if fault is Fault.HANG:
            time.sleep(self._hang_seconds)
        if fault is Fault.LATE_RECEIPT:
            self._note_late(text.message_id)
        ref = super().send(text)
        if fault is Fault.TIME_OUT:
            raise TemporaryFailure("the gateway did not answer in time")
        return ref

    def receipts(self, after: int, most: int = 500) -> list[tuple[int, Receipt]]:
        self._let_late_ones_come()
        return super().receipts(after, most)

    def _receipts_of(self, text: OutgoingText) -> Sequence[tuple[str, str]]:
        return _RECEIPTS.get(self._of_this_call.fault, (_ARRIVED,))

    def _note_late(self, message_id: uuid.UUID) -> None:
        with self._open() as db:
            db.execute("INSERT INTO late (key, at) VALUES (?, ?)", (str(message_id), (self._now() + LATE).isoformat()))

    def _let_late_ones_come(self) -> None:
        come = (self._now().isoformat(),)
        with self._looking() as db:
            if db.execute("SELECT 1 FROM late WHERE at <= ?", come).fetchone() is None:
                return
        with self._open() as db:
            db.execute(
                "INSERT INTO receipts (key, outcome, detail, at)"
                " SELECT key, 'delivered', '', at FROM late WHERE at <= ? ORDER BY at",
                come,
            )
            db.execute("DELETE FROM late WHERE at <= ?", come)

    def _take_fault(self, to: str) -> Fault | None:
        with self._looking() as db:
            if db.execute("SELECT 1 FROM faults WHERE times > 0").fetchone() is None:
                return None
        with self._open() as db:
            row = db.execute(
                "SELECT place, fault FROM faults WHERE times > 0 AND recipient IN (?, ?) ORDER BY place LIMIT 1",
                (to, ANYBODY),
            ).fetchone()
            if row is None:
                return None
            db.execute("UPDATE faults SET times = times - 1 WHERE place = ?", (row[0],))
        return Fault(row[1])
