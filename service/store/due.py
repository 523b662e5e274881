"""What falls due next, for the whole service: the earliest row that the worker waits for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from sqlalchemy import func, select, text
from sqlalchemy.orm import Session

from service.domain.words import MessageState, StepState, WindowState
from service.store.parking import is_parked
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


def next_due(session: Session) -> Due | None:
    """The earliest due row that is not set aside; None when nothing is waited for. Four index look-ups."""
    queries = {
        Event.OPENS: select(func.min(Plan.next_open_at)).where(text("plans.active"), ~is_parked("plan", Plan.id)),
        Event.CLOSES: select(func.min(Window.closes_at)).where(
            Window.state == WindowState.OPEN, ~is_parked("window", Window.id)
        ),
        Event.STEP: select(func.min(Step.due_at)).where(Step.state == StepState.PENDING, ~is_parked("step", Step.id)),
        Event.MESSAGE: select(func.min(Message.next_try_at)).where(
            Message.state == MessageState.QUEUED, ~is_parked("message", Message.id)
        ),
    }
    found = [Due(at, event) for event, query in queries.items() if (at := session.scalar(query)) is not None]
    return min(found, key=lambda due: due.at, default=None)
