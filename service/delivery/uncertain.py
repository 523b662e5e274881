"""Messages whose worker died with them in hand.

Before the hand-over was stamped nothing can have left: they are queued again.
After it nobody knows: nudges and notices to staff are tried once more under the
same message id, so that a provider that honours it sends one; the rest end as
uncertain. Either way staff can see it.
"""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.domain.sending import TRY_AGAIN_WHEN_UNCERTAIN
from service.domain.words import MessageState, TaskKind
from service.store import outbox
from service.store.agenda import LEASED_MESSAGES
from service.store.session import reading, writing
from service.store.tables import Message, MessageEvent
from service.store.tasks import raise_task

UNKNOWN = "end_of_hand_over_unknown"
LAPSED = "lease_ran_out"


def take_back(engine: Engine, now: datetime) -> int:
    """Take back everything whose lease ran out. Returns how many."""
    lapsed = (
        LEASED_MESSAGES,
        Message.lease_until <= now,
    )
    with reading(engine) as session:
        if session.scalar(select(Message.id).where(*lapsed).limit(1)) is None:
            return 0
    with writing(engine) as session:
        unsent = list(
            session.scalars(
                update(Message)
                .where(Message.state == MessageState.CLAIMED, Message.lease_until <= now)
                .values(state=MessageState.QUEUED, reason=LAPSED, claim_token=None, lease_until=None)
                .returning(Message.id)
                .execution_options(synchronize_session=False)
            )
        )
        outbox.note_events(session, [(message_id, "queued_again", LAPSED) for message_id in unsent], now)
        unknown = list(
            session.scalars(
                select(Message)
                .where(Message.state == MessageState.HANDING_OVER, Message.lease_until <= now)
                .with_for_update(skip_locked=True)
            )
        )
        for message in unknown:
            _decide(session, message, now)
    return len(unsent) + len(unknown)


def _decide(session: Session, message: Message, now: datetime) -> None:
    again = message.kind in TRY_AGAIN_WHEN_UNCERTAIN and message.expires_at > now and not _was_unknown(session, message)
    message.state = MessageState.QUEUED if again else MessageState.UNCERTAIN
    message.reason = UNKNOWN
    message.claim_token = message.lease_until = None
    if again:
        message.next_try_at = now
    else:
        message.settled_at = now
    outbox.note_events(session, [(message.id, "uncertain", "one more try" if again else "")], now)
    raise_task(
        session, message.clinic_id, message.patient_id, TaskKind.MESSAGE_UNCERTAIN,
        "A message was being handed over when the service stopped, so nobody knows whether it arrived.",
        {"message": str(message.id), "kind": message.kind.value, "tried_again": again},
        f"uncertain:{message.id}", now,
    )  # fmt: skip


def _was_unknown(session: Session, message: Message) -> bool:
    seen = select(MessageEvent.id).where(MessageEvent.message_id == message.id, MessageEvent.event == "uncertain")
    return session.scalar(seen.limit(1)) is not None
