"""The heads of the audit trail's chains, taken outside the database once a day: into a file that only grows.

Promises a line for each chain and day (UTC) on which a worker ran, of the last day of the chain that is over, so that
it never changes again. What is copied from here to where nobody reaches who can write the database, proves later that
no end of a chain was taken away. Each worker's data folder has a file of its own.
"""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from service.store.chain import Head
from service.store.session import read_session
from service.store.tables import AuditSeal

FILE = "audit-heads.jsonl"
TAIL = 4096  # bytes: the last line is far shorter


def take(engine: Engine, folder: Path, now: datetime) -> Sequence[Head]:
    """Add today's heads to the folder's file. Returns them; none where they stand there already, or no day is over.

    Raises OSError where the file cannot be written.
    """
    file = folder / FILE
    if _last_taken(file) >= f"{now:%Y-%m-%d}":
        return []
    with read_session(engine) as session:
        found = of_days_over(session, now)
    if found:
        written = "".join(f"{line}\n" for line in as_lines(found, now)).encode()
        descriptor = os.open(file, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
        try:
            os.write(descriptor, written)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    return found


def of_days_over(session: Session, now: datetime) -> Sequence[Head]:
    """The head of each chain as of its last day that is over."""
    newest = (
        select(AuditSeal.chain, func.max(AuditSeal.last).label("last"))
        .where(AuditSeal.day < now.date(), AuditSeal.dropped_at.is_(None))
        .group_by(AuditSeal.chain)
        .subquery()
    )
    query = select(AuditSeal.chain, AuditSeal.last, AuditSeal.seal).join(
        newest, (newest.c.chain == AuditSeal.chain) & (newest.c.last == AuditSeal.last)
    )
    return [Head(*row) for row in session.execute(query.order_by(AuditSeal.chain))]


def as_lines(heads: Sequence[Head], now: datetime) -> list[str]:
    """A line of JSON for each."""
    return [
        json.dumps({"at": now.isoformat(), "chain": str(head.chain), "last": head.last, "seal": head.seal})
        for head in heads
    ]


def read(file: Path) -> tuple[list[Head], list[int]]:
    """The heads in a file, and the numbers of lines that are none. Raises OSError for a file that cannot be read."""
    found, unreadable = [], []
    for number, line in enumerate(file.read_bytes().splitlines(), 1):
        try:
            held = json.loads(line)
            found.append(Head(uuid.UUID(held["chain"]), int(held["last"]), str(held["seal"])))
        except (ValueError, KeyError, TypeError):
            unreadable.append(number)
    return found, unreadable


def _last_taken(file: Path) -> str:
    """On which day, as text; empty where there is none, or the last line is none."""
    if not file.exists():
        return ""
    with file.open("rb") as lines:
        lines.seek(max(file.stat().st_size - TAIL, 0))
        last = lines.read().splitlines()[-1:]
    try:
        return str(json.loads(last[0])["at"])[:10]
    except (IndexError, ValueError, KeyError, TypeError):
        return ""
