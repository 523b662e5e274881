"""Rows that wait for their time: what finds each kind, how long a claim on one holds, and what falls due next.

Conditions are literal: a partial index serves only a query that provably asks for its part,
and a bound parameter proves nothing to SQLite.

What waits was nearly always written lately, and of what lies by month (`store.months`) each month would be looked into
for it, years of them every few seconds. `Lately` says from which id on to look, and now and then to look at all.
"""

from __future__ import annotations

import time
import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy import ColumnElement, Engine, func, or_, select, text, true
from sqlalchemy.orm import InstrumentedAttribute, Session

from service.store.identity import none_made_within
from service.store.quarantine import is_quarantined
from service.store.tables import Message, Plan, Step, Window

LEASE = timedelta(minutes=2)
LATELY = timedelta(days=30)  # a message is over, and a step due, within days of being written
LOOKS_BACK_SECONDS = 600.0  # what waits for longer is found by then, and by a worker that starts at once


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


class Lately:
    """From which id on somebody who looks again and again is to look; None is whatever the age, as at the first time.

    On SQLite always: there is nothing to be left out.
    """

    def __init__(self, engine: Engine) -> None:
        self._is_by_month = engine.dialect.name == "postgresql"
        self._looks_back_at = 0.0  # of the machine's seconds

    def since(self) -> uuid.UUID | None:
        if self._is_by_month and time.monotonic() < self._looks_back_at:
            return none_made_within(LATELY)
        self._looks_back_at = time.monotonic() + LOOKS_BACK_SECONDS
        return None


def made_since(table: type[Message] | type[Step], since: uuid.UUID | None) -> ColumnElement[bool]:
    """The condition that `Lately` asks for: by a parameter, so that only its months are planned for."""
    return true() if since is None else table.id >= since


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
