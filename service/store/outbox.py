"""The outbox: what is to be sent, written in the transaction that made it necessary.

Promises that one occurrence is one message, however often it is enqueued: the
dedupe key is the occurrence (`prompt:{window}:{channel}`). Does not send, and
does not decide whether a message is still wanted: delivery rechecks that.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, update
from sqlalchemy.orm import Session

from service.domain.vocabulary import Channel, MessageKind, MessageState
from service.store.tables import Message, MessageEvent
from service.store.upsert import insert_new, insert_rows

# A claimed message is not cancelled here: its worker rechecks the same facts before it hands over.
CANCELLABLE = MessageState.QUEUED


@dataclass(frozen=True)
class NewMessage:
    """A message to write. `params` never holds a name or a clinical value."""

    clinic_id: uuid.UUID
    contact_id: uuid.UUID
    kind: MessageKind
    channel: Channel
    dedupe_key: str
    due_at: datetime
    expires_at: datetime
    patient_id: uuid.UUID | None = None
    caregiver_id: uuid.UUID | None = None
    staff_id: uuid.UUID | None = None
    window_id: uuid.UUID | None = None
    step_id: uuid.UUID | None = None
    silence_id: uuid.UUID | None = None
    params: Mapping[str, Any] = field(default_factory=dict)


def enqueue(session: Session, new: NewMessage, now: datetime) -> uuid.UUID | None:
    """Write one message. Returns its id, or None when that occurrence is already written."""
    row: dict[str, Any] = _row(new, now)
    return row["id"] if insert_new(session, Message.__table__, [row], ["dedupe_key"]) else None


def enqueue_many(session: Session, new: Iterable[NewMessage], now: datetime) -> int:
    """Write many messages in one statement, passing over those already written. Returns how many were offered."""
    rows = [_row(message, now) for message in new]
    insert_new(session, Message.__table__, rows, ["dedupe_key"])
    return len(rows)


def cancel_for_person(
    session: Session,
    reason: str,
    now: datetime,
    *,
    patient_id: uuid.UUID | None = None,
    caregiver_id: uuid.UUID | None = None,
) -> int:
    """Cancel everything still queued to one person. Returns how many.

    For a patient this is what goes to the patient; messages to a caregiver about
    the patient belong to the caregiver.
    """
    if caregiver_id is not None:
        return cancel(session, Message.caregiver_id == caregiver_id, reason, now)
    to_patient = (Message.patient_id == patient_id) & Message.caregiver_id.is_(None) & Message.staff_id.is_(None)
    return cancel(session, to_patient, reason, now)


def cancel(session: Session, which: ColumnElement[bool], reason: str, now: datetime) -> int:
    """Cancel the queued messages that match, with a named reason in their history."""
    ids = list(
        session.scalars(
            update(Message)
            .where(which, Message.state == CANCELLABLE)
            .values(state=MessageState.CANCELLED, reason=reason, settled_at=now)
            .returning(Message.id)
            .execution_options(synchronize_session=False)
        )
    )
    note_events(session, [(message_id, "cancelled", reason) for message_id in ids], now)
    return len(ids)


def note_events(session: Session, events: Iterable[tuple[uuid.UUID, str, str]], now: datetime) -> None:
    """Add (message id, event, detail) to the delivery histories."""
    rows = [
        {"id": uuid.uuid4(), "message_id": message_id, "at": now, "event": event, "detail": detail}
        for message_id, event, detail in events
    ]
    insert_rows(session, MessageEvent.__table__, rows)


def _row(new: NewMessage, now: datetime) -> dict[str, Any]:
    row = {name: value for name, value in vars(new).items() if name != "due_at"}
    return row | {
        "id": uuid.uuid4(),
        "params": dict(new.params),
        "created_at": now,
        "next_try_at": new.due_at,
        "state": MessageState.QUEUED,
        "attempts": 0,
    }
