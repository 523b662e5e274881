"""Rows that wait for their time: what finds each kind, how long a claim on one holds, and what falls due next.

Conditions are literal: a partial index serves only a query that provably asks for its part,
and a bound parameter proves nothing to SQLite.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy import ColumnElement, func, or_, select, text
from sqlalchemy.orm import InstrumentedAttribute, Session

from service.store.quarantine import is_quarantined
from service.store.tables import Message, Plan, Step, Window

LEASE = timedelta(minutes=2)


def lapsed(
    lease_until: InstrumentedAttribute[datetime | None],
    now: datetime,
    *,
    grace: timedelta = timedelta(0),
    lease: timedelta = LEASE,
) -> ColumnElement[bool]:
    """Whether a lease is over, by `grace` or more.

    One that ends further off than any lease given at `now` could was given before
    the clock was set back: nobody may be waiting for it.
    """
    return or_(lease_until <= now - grace, lease_until > now + 2 * lease)


# Literals, not parameters: a partial index serves only a query that provably asks for its part.
ACTIVE_PLANS = text("plans.active")
OPEN_WINDOWS = text("windows.state = 'open'")
PENDING_STEPS = text("steps.state = 'pending'")
QUEUED_MESSAGES = text("messages.state = 'queued'")
LEASED_MESSAGES = text("messages.state IN ('claimed', 'handing_over')")


class Event(StrEnum):
    """What the worker will do."""

    OPENS = "opens"
    CLOSES = "closes"
    STEP = "step"
    MESSAGE = "message"


@dataclass(frozen=True)
class Due:
    """The earliest thing that is due, at `at` (UTC), which may have come already."""

    at: datetime
    event: Event


def next_due(session: Session, after: datetime | None = None) -> Due | None:
    """The earliest due row that is not set aside; None when nothing is waited for. Four index look-ups.

    With `after`, the earliest of those that fall due later than that.
    """
    waiting = (
        (Event.OPENS, Plan.next_open_at, ACTIVE_PLANS, is_quarantined("plan", Plan.id)),
        (Event.CLOSES, Window.closes_at, OPEN_WINDOWS, is_quarantined("window", Window.id)),
        (Event.STEP, Step.due_at, PENDING_STEPS, is_quarantined("step", Step.id)),
        (Event.MESSAGE, Message.next_try_at, QUEUED_MESSAGES, is_quarantined("message", Message.id)),
    )
    found = []
    for event, when, waits, quarantined in waiting:
        query = select(func.min(when)).where(waits, ~quarantined)
        at = session.scalar(query if after is None else query.where(when > after))
        if at is not None:
            found.append(Due(at, event))
    return min(found, key=lambda due: due.at, default=None)
