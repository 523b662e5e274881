"""Signs of life of the worker processes."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from service.store.identity import new_id
from service.store.tables import Heartbeat
from service.store.upsert import upsert

# A worker that has been silent this long is history, not a worker in trouble.
FORGET_AFTER = timedelta(days=7)


def record(session: Session, worker: str, started_at: datetime, last_tick: Mapping[str, Any], now: datetime) -> None:
    """Note that `worker` (a name of its own per process) has finished a tick, and what it came to."""
    row = {
        "id": new_id(),
        "worker": worker,
        "started_at": started_at,
        "seen_at": now,
        "last_tick": dict(last_tick),
    }
    upsert(session, Heartbeat.__table__, [row], ["worker"])


def forget_old(session: Session, now: datetime) -> None:
    """Drop the rows of workers that stopped long ago."""
    session.execute(delete(Heartbeat).where(Heartbeat.seen_at < now - FORGET_AFTER))


def last_seen(session: Session) -> datetime | None:
    """When any worker last finished a tick."""
    return session.scalar(select(func.max(Heartbeat.seen_at)))


def last_troubles(session: Session, since: datetime) -> dict[str, str]:
    """Parts of the workers' last ticks that failed, with the kind of failure, among workers seen since."""
    troubles: dict[str, str] = {}
    for told in session.scalars(select(Heartbeat.last_tick).where(Heartbeat.seen_at >= since)):
        troubles |= told.get("failed", {})
    return troubles


def longest_batch(session: Session, since: datetime) -> float:
    """For how many seconds the slowest batch in hand had been with its provider at its worker's last sign of life."""
    told = session.scalars(select(Heartbeat.last_tick).where(Heartbeat.seen_at >= since))
    return max((float(one.get("batch_seconds", 0.0)) for one in told), default=0.0)
