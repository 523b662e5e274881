"""What an operator may do to single messages: look, try again, cancel.

Promises that a message tried again keeps its id, and so its idempotency key, and
is rechecked like any other; and that what was done is in its history and in the
audit trail. Shows ids, never an address.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import and_, select
from sqlalchemy.orm import Session

from service.domain.validation import Refused
from service.domain.vocabulary import MessageState
from service.store import outbox
from service.store.audit import Act, Actor
from service.store.tables import Message, MessageEvent

MAY_BE_TRIED = (MessageState.QUEUED, MessageState.FAILED, MessageState.UNCERTAIN)


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
    its = outbox.histories(session.scalars(select(Message).where(Message.id == message_id)).all())
    return session.scalars(select(MessageEvent).where(its).order_by(MessageEvent.at, MessageEvent.id)).all()


def try_again(session: Session, message_id: uuid.UUID, actor: Actor, now: datetime) -> None:
    """Queue a message for now. Raises Refused for one that is gone, in hand, or would come too late to be true."""
    may_be = and_(Message.id == message_id, Message.state.in_(MAY_BE_TRIED), Message.expires_at > now)
    if not outbox.queue_again(session, may_be, "asked_for_again", now):
        raise Refused(
            "message",
            str(message_id),
            "a message that is %(state)s and whose time is not over",
            state=_words(MAY_BE_TRIED),
        )
    _act(session, message_id, actor, now).note("message.retry", ("message", message_id))


def cancel(session: Session, message_id: uuid.UUID, reason: str, actor: Actor, now: datetime) -> None:
    """Cancel a message that has not begun to leave. Raises Refused for any other, and without a reason."""
    if not reason.strip() or len(reason) > outbox.REASON_LENGTH:
        raise Refused("reason", reason, "1 to %(most)s characters", most=outbox.REASON_LENGTH)
    cancelled = outbox.cancel(session, Message.id == message_id, reason.strip(), now)
    if not cancelled:
        raise Refused("message", str(message_id), "a message that has not begun to leave")
    _act(session, message_id, actor, now).note("message.cancel", ("message", message_id))


def _act(session: Session, message_id: uuid.UUID, actor: Actor, now: datetime) -> Act:
    clinic_id = session.scalars(select(Message.clinic_id).where(Message.id == message_id)).one()
    return Act(session, actor, clinic_id, now)


def _words(states: Sequence[MessageState]) -> str:
    return " or ".join(state.value for state in states)
