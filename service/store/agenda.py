"""Rows that have a time: the conditions that find them by their own index, and when the next falls due."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from sqlalchemy import Select, func, select, text
from sqlalchemy.orm import Session

from service.store.tables import Message, Plan, Step, Window

# Literals, not parameters: a partial index serves only a query that provably asks for its part.
ACTIVE_PLANS = text("plans.active")
OPEN_WINDOWS = text("windows.state = 'open'")
PENDING_STEPS = text("steps.state = 'pending'")
QUEUED_MESSAGES = text("messages.state = 'queued'")
LEASED_MESSAGES = text("messages.state IN ('claimed', 'handing_over')")


def next_due(session: Session, after: datetime) -> datetime | None:
    """The first instant later than `after` at which a worker will have something to do. Four look-ups."""
    return min((at for at in _firsts(session, after) if at is not None), default=None)


def _firsts(session: Session, after: datetime) -> Iterator[datetime | None]:
    queries: tuple[Select[datetime], ...] = (
        select(func.min(Plan.next_open_at)).where(ACTIVE_PLANS, Plan.next_open_at > after),
        select(func.min(Window.closes_at)).where(OPEN_WINDOWS, Window.closes_at > after),
        select(func.min(Step.due_at)).where(PENDING_STEPS, Step.due_at > after),
        select(func.min(Message.next_try_at)).where(QUEUED_MESSAGES, Message.next_try_at > after),
    )
    for query in queries:
        yield session.scalar(query)
