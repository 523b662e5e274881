"""A text-message gateway that goes nowhere: it keeps every message in a file of its own.

For the demo and for tests alone. It behaves as a provider would, seen from outside: it has its
own memory, honours the idempotency key, gives receipts, takes replies, and refuses for now what is
for a telephone that is off. Several processes may use one file.
"""

from __future__ import annotations

import sqlite3
import uuid
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from service.transports.base import OutgoingText, Receipt, TemporaryFailure, TextReply

_LAYOUT = """
CREATE TABLE IF NOT EXISTS texts (
    place INTEGER PRIMARY KEY, ref TEXT UNIQUE NOT NULL, key TEXT UNIQUE NOT NULL,
    recipient TEXT NOT NULL, subject TEXT NOT NULL, body TEXT NOT NULL, at TEXT NOT NULL, handed_over INTEGER NOT NULL);
CREATE INDEX IF NOT EXISTS texts_by_recipient ON texts (recipient, place);
CREATE TABLE IF NOT EXISTS receipts (
    place INTEGER PRIMARY KEY, key TEXT NOT NULL, outcome TEXT NOT NULL, detail TEXT NOT NULL, at TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS replies (
    place INTEGER PRIMARY KEY, ref TEXT UNIQUE NOT NULL, sender TEXT NOT NULL, body TEXT NOT NULL, at TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS off (recipient TEXT PRIMARY KEY);
"""


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

    def __init__(self, path: Path, now: Callable[[], datetime]) -> None:
        self._path = path
        self._now = now
        path.parent.mkdir(parents=True, exist_ok=True)
        with closing(sqlite3.connect(path, timeout=10, isolation_level=None)) as db:
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=NORMAL")
            db.executescript(f"BEGIN IMMEDIATE; {_LAYOUT} COMMIT")

    def send(self, text: OutgoingText) -> str:
        """Keep a message; the same message id again is the same message."""
        with self._looking() as db:
            is_off = db.execute("SELECT 1 FROM off WHERE recipient = ?", (text.to,)).fetchone() is not None
        if is_off:
            raise TemporaryFailure("the telephone is off")
        return self._keep(text)

    def receipts(self, after: int, most: int = 500) -> list[tuple[int, Receipt]]:
        """Receipts noted after a place, oldest first."""
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

    def switch_off(self, address: str) -> None:
        """Nothing reaches this telephone from now on."""
        with self._open() as db:
            db.execute("INSERT OR IGNORE INTO off (recipient) VALUES (?)", (address,))

    def forget(self, addresses: Collection[str]) -> None:
        """Let go of whatever lies on these telephones, and of what they sent."""
        with self._open() as db:
            db.execute("PRAGMA secure_delete=ON")
            for address in addresses:
                keys = "SELECT key FROM texts WHERE recipient = ?"
                db.execute(f"DELETE FROM receipts WHERE key IN ({keys})", (address,))  # noqa: S608 - our own words
                db.execute("DELETE FROM texts WHERE recipient = ?", (address,))
                db.execute("DELETE FROM replies WHERE sender = ?", (address,))
                db.execute("DELETE FROM off WHERE recipient = ?", (address,))

    def _keep(self, text: OutgoingText) -> str:
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
            # Receipts have places of their own: one that comes late is still found at the end of the list.
            db.executemany(
                "INSERT INTO receipts (key, outcome, detail, at) VALUES (?, ?, ?, ?)",
                [(key, outcome, detail, at) for outcome, detail in self._receipts_of(text)],
            )
        return ref

    def _receipts_of(self, text: OutgoingText) -> Sequence[tuple[str, str]]:
        """(outcome, detail) of each receipt that a message gets at once."""
        return (("delivered", ""),)

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
