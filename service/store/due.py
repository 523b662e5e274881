"""What falls due next, for the whole service: the earliest row that the worker waits for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.store import agenda
from service.store.quarantine import is_quarantined
from service.store.tables import Message, Plan, Step, Window


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
        (Event.OPENS, Plan.next_open_at, agenda.ACTIVE_PLANS, is_quarantined("plan", Plan.id)),
        (Event.CLOSES, Window.closes_at, agenda.OPEN_WINDOWS, is_quarantined("window", Window.id)),
        (Event.STEP, Step.due_at, agenda.PENDING_STEPS, is_quarantined("step", Step.id)),
        (Event.MESSAGE, Message.next_try_at, agenda.QUEUED_MESSAGES, is_quarantined("message", Message.id)),
    )
    found = []
    for event, when, waits, parked in waiting:
        query = select(func.min(when)).where(waits, ~parked)
        at = session.scalar(query if after is None else query.where(when > after))
        if at is not None:
            found.append(Due(at, event))
    return min(found, key=lambda due: due.at, default=None)
