"""The outbox: what is to be sent, written in the transaction that made it necessary.

Promises that one occurrence is one message, however often it is enqueued: the
dedupe key is the occurrence (`prompt:{window}:{channel}`). Does not send, and
does not decide whether a message is still wanted: delivery rechecks that.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Update, bindparam, select, update
from sqlalchemy.orm import Session

from service.domain.sending import NEEDS_NO_CONSENT
from service.domain.validation import storable
from service.domain.vocabulary import Channel, MessageKind, MessageState
from service.store.identity import new_id
from service.store.session import Where, rows
from service.store.tables import Message, MessageEvent
from service.store.upsert import insert_new, insert_rows

REASON_LENGTH, DETAIL_LENGTH = 60, 200  # as the columns can hold what a provider said


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
    task_id: uuid.UUID | None = None
    params: Mapping[str, Any] = field(default_factory=dict)


def enqueue(session: Session, new: NewMessage, now: datetime) -> uuid.UUID | None:
    """Write one message. Returns its id, or None when that occurrence is already written."""
    row: dict[str, Any] = _row(new, now)
    return row["id"] if insert_new(session, Message.__table__, [row], ["dedupe_key"]) else None


def enqueue_many(session: Session, new: Iterable[NewMessage], now: datetime) -> int:
    """Write many messages in one statement, passing over those already written. Returns how many were offered."""
    messages = [_row(message, now) for message in new]
    insert_new(session, Message.__table__, messages, ["dedupe_key"])
    return len(messages)


def digest(to: str, line: str, subject: str, body: str, link: str = "") -> str:
    """What is kept of what was handed over (`Message.said`): enough to know it again, and to read nothing from."""
    return hashlib.sha256(json.dumps([to, line, subject, body, link]).encode("utf-8", "replace")).hexdigest()


def cancel_for_person(
    session: Session,
    reason: str,
    now: datetime,
    *,
    patient_id: uuid.UUID | None = None,
    caregiver_id: uuid.UUID | None = None,
) -> int:
    """Cancel everything to one person that has not begun to leave, but what needs no consent. Returns how many.

    For a patient this is what goes to the patient; messages to a caregiver about
    the patient belong to the caregiver.
    """
    if caregiver_id is not None:
        to_them = Message.caregiver_id == caregiver_id
    else:
        to_them = (Message.patient_id == patient_id) & Message.caregiver_id.is_(None) & Message.staff_id.is_(None)
    # Whom to call, where somebody has just written of an emergency, is told all the same.
    return cancel(session, to_them & Message.kind.not_in(NEEDS_NO_CONSENT), reason, now)


def cancel(
    where: Where,
    which: ColumnElement[bool] | Update,
    reason: str,
    now: datetime,
    given: Mapping[str, Any] | None = None,
) -> int:
    """Cancel the messages that match and have not begun to leave, with a named reason in their history.

    What a worker has claimed too: it was rechecked when its batch began, which may be a minute
    ago, and is stamped only if it is still claimed. Where this is done often, `which` is what
    `cancelling` made of the condition, once, and `given` its parameters. Returns how many.
    """
    statement = which if isinstance(which, Update) else cancelling(which)
    ids = _turned(where, statement, reason, {"at": now, **(given or {})})
    note_events(where, [(message_id, MessageState.CANCELLED.value, reason) for message_id in ids], now)
    return len(ids)


def cancelling(which: ColumnElement[bool]) -> Update:
    """The statement of `cancel`."""
    waiting = which & Message.state.in_((MessageState.QUEUED, MessageState.CLAIMED))
    # Locked in one order, as its worker does.
    ids = select(Message.id).where(waiting).order_by(Message.id).with_for_update()
    at = bindparam("at", type_=Message.settled_at.type)
    return _turning(waiting & Message.id.in_(ids), MessageState.CANCELLED, settled_at=at)


def queue_again(session: Session, which: ColumnElement[bool], reason: str, now: datetime) -> Sequence[uuid.UUID]:
    """Queue the messages that match for now, whatever became of them. Returns their ids."""
    return end_turn(session, which, MessageState.QUEUED, reason, now, next_try_at=now, settled_at=None)


def end_turn(
    session: Session,
    which: ColumnElement[bool],
    state: MessageState,
    reason: str,
    now: datetime,
    *,
    detail: str = "",
    **values: Any,
) -> Sequence[uuid.UUID]:
    """Give the messages that match another state, in which nobody holds them, with a line in the history of each.

    `values` are what else changes; `detail` is told in place of `reason`. Returns their ids.
    """
    ids = _turned(session, _turning(which, state, **values), reason, {})
    event = "queued_again" if state is MessageState.QUEUED else state.value
    note_events(session, [(message_id, event, detail or reason) for message_id in ids], now)
    return ids


def _turning(which: ColumnElement[bool], state: MessageState, **values: Any) -> Update:
    turned = {"state": state, "reason": bindparam("why"), "claim_token": None, "lease_until": None, **values}
    return update(Message.__table__).where(which).values(turned).returning(Message.id)  # type: ignore[arg-type]


def _turned(where: Where, statement: Update, reason: str, given: Mapping[str, Any]) -> Sequence[uuid.UUID]:
    why = storable(reason)[:REASON_LENGTH]
    return rows(where).scalars(statement, {"why": why, **given}).all()


def note_events(where: Where, events: Iterable[tuple[uuid.UUID, str, str]], now: datetime) -> None:
    """Add (message id, event, detail) to the delivery histories."""
    lines = [
        {
            "id": new_id(),
            "message_id": message_id,
            "at": now,
            "event": event,
            "detail": storable(detail)[:DETAIL_LENGTH],
        }
        for message_id, event, detail in events
    ]
    insert_rows(where, MessageEvent.__table__, lines)


def _row(new: NewMessage, now: datetime) -> dict[str, Any]:
    row = {name: value for name, value in vars(new).items() if name != "due_at"}
    return row | {
        "id": new_id(),
        "params": dict(new.params),
        "created_at": now,
        "next_try_at": new.due_at,
        "state": MessageState.QUEUED,
        "attempts": 0,
        "turns": 0,
    }
