"""When something falls due next, over every kind of row that has a time."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from sqlalchemy import Select, func, select, text
from sqlalchemy.orm import Session

from service.store.tables import Message, Plan, Step, Window


def next_due(session: Session, after: datetime) -> datetime | None:
    """The first instant later than `after` at which a worker will have something to do. Four look-ups."""
    return min((at for at in _firsts(session, after) if at is not None), default=None)


def _firsts(session: Session, after: datetime) -> Iterator[datetime | None]:
    # Literals, not parameters: a partial index serves only a query that provably asks for its part.
    queries: tuple[Select[datetime], ...] = (
        select(func.min(Plan.next_open_at)).where(text("plans.active"), Plan.next_open_at > after),
        select(func.min(Window.closes_at)).where(text("windows.state = 'open'"), Window.closes_at > after),
        select(func.min(Step.due_at)).where(text("steps.state = 'pending'"), Step.due_at > after),
        select(func.min(Message.next_try_at)).where(text("messages.state = 'queued'"), Message.next_try_at > after),
    )
    for query in queries:
        yield session.scalar(query)
