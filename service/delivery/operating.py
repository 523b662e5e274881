"""What an operator may do to single messages: look, try again, cancel.

Promises that a message tried again keeps its id, and so its idempotency key, and
is rechecked like any other; and that what was done is in its history and in the
audit trail. Shows ids, never an address.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.domain.validation import Refused
from service.domain.vocabulary import MessageState
from service.store import outbox
from service.store.audit import Act, Actor
from service.store.tables import Message, MessageEvent

MAY_BE_TRIED = (MessageState.QUEUED, MessageState.FAILED, MessageState.UNCERTAIN)
REASON_LENGTH = 60


def find(
    session: Session,
    *,
    clinic_id: uuid.UUID | None = None,
    state: MessageState | None = None,
    patient_id: uuid.UUID | None = None,
    most: int = 50,
) -> Sequence[Message]:
    """The newest messages that match."""
    query = select(Message).order_by(Message.created_at.desc(), Message.id).limit(most)
    for column, wanted in (
        (Message.clinic_id, clinic_id),
        (Message.state, state),
        (Message.patient_id, patient_id),
    ):
        if wanted is not None:
            query = query.where(column == wanted)
    return session.scalars(query).all()


def history(session: Session, message_id: uuid.UUID) -> Sequence[MessageEvent]:
    """What happened to one message, oldest first."""
    query = select(MessageEvent).where(MessageEvent.message_id == message_id)
    return session.scalars(query.order_by(MessageEvent.at, MessageEvent.id)).all()


def try_again(session: Session, message_id: uuid.UUID, actor: Actor, now: datetime) -> None:
    """Queue a message for now. Raises Refused for one that is gone, in hand, or would come too late to be true."""
    clinic_id = session.execute(
        update(Message)
        .where(Message.id == message_id, Message.state.in_(MAY_BE_TRIED), Message.expires_at > now)
        .values(state=MessageState.QUEUED, reason="asked_for_again", next_try_at=now, settled_at=None)
        .returning(Message.clinic_id)
        .execution_options(synchronize_session=False)
    ).scalar_one_or_none()
    if clinic_id is None:
        raise Refused(
            "message", str(message_id), f"a message that is {_words(MAY_BE_TRIED)} and whose time is not over"
        )
    outbox.note_events(session, [(message_id, "queued_again", "asked for again")], now)
    Act(session, actor, clinic_id, now).note("message.retry", ("message", message_id))


def cancel(session: Session, message_id: uuid.UUID, reason: str, actor: Actor, now: datetime) -> None:
    """Cancel a message that is still queued. Raises Refused for any other, and without a reason."""
    if not reason.strip() or len(reason) > REASON_LENGTH:
        raise Refused("reason", reason, f"1 to {REASON_LENGTH} characters")
    cancelled = outbox.cancel(session, Message.id == message_id, reason.strip(), now)
    if not cancelled:
        raise Refused("message", str(message_id), "a message that is queued")
    clinic_id = session.scalars(select(Message.clinic_id).where(Message.id == message_id)).one()
    Act(session, actor, clinic_id, now).note("message.cancel", ("message", message_id))


def _words(states: Sequence[MessageState]) -> str:
    return " or ".join(state.value for state in states)
