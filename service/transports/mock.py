"""A text-message gateway that goes nowhere: it keeps every message in a file of its own.

The default transport. It behaves as a provider would, seen from outside: it has its
own memory, honours the idempotency key, gives receipts, takes replies, and can be
told to fail. Several processes may use one file.
"""

from __future__ import annotations

import sqlite3
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path

from service.transports.base import OutgoingText, PermanentFailure, Receipt, TemporaryFailure, TextReply

_LAYOUT = """
CREATE TABLE IF NOT EXISTS texts (
    place INTEGER PRIMARY KEY, ref TEXT UNIQUE NOT NULL, key TEXT UNIQUE NOT NULL,
    recipient TEXT NOT NULL, subject TEXT NOT NULL, body TEXT NOT NULL, at TEXT NOT NULL, handed_over INTEGER NOT NULL);
CREATE INDEX IF NOT EXISTS texts_by_recipient ON texts (recipient, place);
CREATE TABLE IF NOT EXISTS receipts (
    place INTEGER PRIMARY KEY, key TEXT NOT NULL, outcome TEXT NOT NULL, detail TEXT NOT NULL, at TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS late (key TEXT NOT NULL, at TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS replies (
    place INTEGER PRIMARY KEY, ref TEXT UNIQUE NOT NULL, sender TEXT NOT NULL, body TEXT NOT NULL, at TEXT NOT NULL);
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
    Fault.FAILED_RECEIPT: (_LOST,),
    Fault.CONTRADICTING_RECEIPTS: (_LOST, _ARRIVED),
}
LATE = timedelta(hours=1)


@dataclass(frozen=True)
class Kept:
    """A message as it lies on the recipient's phone. `times` counts hand-overs with the same key."""

    ref: str
    message_id: uuid.UUID
    to: str
    subject: str
    body: str
    at: datetime
    times: int


class MockGateway:
    """See the module. `now` is asked for the time that is written on messages."""

    def __init__(self, path: Path, now: Callable[[], datetime], *, hang_seconds: float = HANG_SECONDS) -> None:
        self._path = path
        self._now = now
        self._hang_seconds = hang_seconds
        path.parent.mkdir(parents=True, exist_ok=True)
        with closing(sqlite3.connect(path, timeout=10, isolation_level=None)) as db:
            db.execute("PRAGMA journal_mode=WAL")
            db.executescript(_LAYOUT)

    def send(self, text: OutgoingText) -> str:
        """Keep a message; the same message id again is the same message."""
        fault = self._take_fault(text.to)
        if fault is Fault.TEMPORARY:
            raise TemporaryFailure("the gateway is busy")
        if fault is Fault.PERMANENT:
            raise PermanentFailure("the gateway does not know this address")
        if fault is Fault.HANG:
            time.sleep(self._hang_seconds)
        ref = self._keep(text, fault)
        if fault is Fault.TIME_OUT:
            raise TemporaryFailure("the gateway did not answer in time")
        return ref

    def receipts(self, after: int, most: int = 500) -> list[tuple[int, Receipt]]:
        """Receipts noted after a place, oldest first."""
        self._let_late_ones_come()
        with self._looking() as db:
            rows = db.execute(
                "SELECT place, key, outcome, detail, at FROM receipts WHERE place > ? ORDER BY place LIMIT ?",
                (after, most),
            ).fetchall()
        return [
            (place, Receipt(uuid.UUID(key), outcome, _instant(at), detail)) for place, key, outcome, detail, at in rows
        ]

    def inbound(self, after: int, most: int = 500) -> list[tuple[int, TextReply]]:
        """Replies noted after a place, oldest first."""
        with self._looking() as db:
            rows = db.execute(
                "SELECT place, ref, sender, body, at FROM replies WHERE place > ? ORDER BY place LIMIT ?",
                (after, most),
            ).fetchall()
        return [(place, TextReply(ref, sender, body, _instant(at))) for place, ref, sender, body, at in rows]

    def messages_to(self, address: str) -> list[Kept]:
        """What lies on one phone, oldest first."""
        return self._kept("WHERE recipient = ?", (address,))

    def messages(self) -> list[Kept]:
        """Everything ever kept, oldest first."""
        return self._kept("", ())

    def replies_from(self, address: str) -> list[TextReply]:
        """What one phone has sent, oldest first."""
        with self._looking() as db:
            rows = db.execute(
                "SELECT ref, sender, body, at FROM replies WHERE sender = ? ORDER BY place", (address,)
            ).fetchall()
        return [TextReply(ref, sender, body, _instant(at)) for ref, sender, body, at in rows]

    def reply(self, sender: str, body: str) -> str:
        """A person sends a text to the clinic. Returns the gateway's reference for it."""
        ref = f"in-{uuid.uuid4().hex}"
        with self._open() as db:
            db.execute(
                "INSERT INTO replies (ref, sender, body, at) VALUES (?, ?, ?, ?)",
                (ref, sender, body, self._now().isoformat()),
            )
        return ref

    def misbehave(self, fault: Fault, *, times: int = 1, to: str = ANYBODY) -> None:
        """For the next `times` messages to `to` (or to anybody), misbehave in this way."""
        with self._open() as db:
            db.execute("INSERT INTO faults (recipient, fault, times) VALUES (?, ?, ?)", (to, fault.value, times))

    def behave(self) -> None:
        """Forget every fault not yet shown."""
        with self._open() as db:
            db.execute("DELETE FROM faults")

    def _keep(self, text: OutgoingText, fault: Fault | None) -> str:
        key, at = str(text.message_id), self._now().isoformat()
        with self._open() as db:
            known = db.execute("SELECT ref FROM texts WHERE key = ?", (key,)).fetchone()
            if known is not None:
                db.execute("UPDATE texts SET handed_over = handed_over + 1 WHERE key = ?", (key,))
                return str(known[0])
            ref = f"out-{uuid.uuid4().hex}"
            db.execute(
                "INSERT INTO texts (ref, key, recipient, subject, body, at, handed_over) VALUES (?, ?, ?, ?, ?, ?, 1)",
                (ref, key, text.to, text.subject, text.body, at),
            )
            # Receipts get their place in the list when they come, so that a late one is still found at its end.
            if fault is Fault.LATE_RECEIPT:
                db.execute("INSERT INTO late (key, at) VALUES (?, ?)", (key, (self._now() + LATE).isoformat()))
            else:
                db.executemany(
                    "INSERT INTO receipts (key, outcome, detail, at) VALUES (?, ?, ?, ?)",
                    [(key, outcome, detail, at) for outcome, detail in _RECEIPTS.get(fault, (_ARRIVED,))],
                )
        return ref

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

    def _kept(self, where: str, values: tuple[str, ...]) -> list[Kept]:
        columns = "ref, key, recipient, subject, body, at, handed_over"
        with self._looking() as db:
            rows = db.execute(f"SELECT {columns} FROM texts {where} ORDER BY place", values).fetchall()  # noqa: S608
        return [
            Kept(ref, uuid.UUID(key), to, subject, body, _instant(at), times)
            for ref, key, to, subject, body, at, times in rows
        ]

    @contextmanager
    def _looking(self) -> Iterator[sqlite3.Connection]:
        with closing(sqlite3.connect(self._path, timeout=10, isolation_level=None)) as db:
            yield db

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        db = sqlite3.connect(self._path, timeout=10, isolation_level=None)
        try:
            db.execute("PRAGMA synchronous=NORMAL")  # survives a crash of ours; a power cut may cost the last few
            db.execute("BEGIN IMMEDIATE")
            yield db
            if db.in_transaction:
                db.execute("COMMIT")
        finally:
            db.close()


def _instant(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)
