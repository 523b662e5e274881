"""Messages whose worker died with them in hand.

Before the hand-over was stamped nothing can have left: they are queued again.
After it nobody knows: nudges and notices to staff are tried once more under the
same message id, so that a provider that honours it sends one; the rest end as
uncertain. Either way staff can see it: a task each, or one for all when a crash
left many.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from itertools import groupby

from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.care.tasks import raise_task
from service.domain.sending import TRY_AGAIN_WHEN_UNCERTAIN
from service.domain.tasks import HandOverUnknown
from service.domain.vocabulary import MessageState
from service.store import outbox
from service.store.due import LEASED_MESSAGES, lapsed
from service.store.session import read_session, write_session
from service.store.tables import Message, MessageEvent

UNKNOWN = "end_of_hand_over_unknown"
LAPSED = "lease_ran_out"
TASKS_EACH = 3  # for one clinic at once; beyond that staff get one task for all


def take_back(engine: Engine, now: datetime) -> int:
    """Take back everything whose lease ran out. Returns how many."""
    over = (LEASED_MESSAGES, lapsed(Message.lease_until, now))
    with read_session(engine) as session:
        if session.scalar(select(Message.id).where(*over).limit(1)) is None:
            return 0
    with write_session(engine) as session:
        unsent = list(
            session.scalars(
                update(Message)
                .where(*over, Message.state == MessageState.CLAIMED)
                .values(state=MessageState.QUEUED, reason=LAPSED, claim_token=None, lease_until=None)
                .returning(Message.id)
                .execution_options(synchronize_session=False)
            )
        )
        outbox.note_events(session, [(message_id, "queued_again", LAPSED) for message_id in unsent], now)
        unknown = session.scalars(
            select(Message)
            .where(*over, Message.state == MessageState.HANDING_OVER)
            .order_by(Message.clinic_id, Message.id)
            .with_for_update(skip_locked=True)
        ).all()
        for message in unknown:
            _decide(session, message, now)
        for _, of_clinic in groupby(unknown, key=lambda message: message.clinic_id):
            _tell(session, list(of_clinic), now)
    return len(unsent) + len(unknown)


def _decide(session: Session, message: Message, now: datetime) -> None:
    again = message.kind in TRY_AGAIN_WHEN_UNCERTAIN and message.expires_at > now and not _was_unknown(session, message)
    message.reason = UNKNOWN
    message.lease_until = None
    if again:
        message.state = MessageState.QUEUED
        message.next_try_at = now
        message.claim_token = None
    else:
        # The token stays: a worker that was only slow, and comes back with the result, may still settle it.
        message.state = MessageState.UNCERTAIN
        message.settled_at = now
    outbox.note_events(session, [(message.id, "uncertain", "one more try" if again else "")], now)


def _tell(session: Session, messages: Sequence[Message], now: datetime) -> None:
    if len(messages) > TASKS_EACH:
        raise_task(
            session,
            messages[0].clinic_id,
            None,
            HandOverUnknown(tuple(message.id for message in messages)),
            # The oldest of them names the occurrence: each crash leaves others.
            f"uncertain:{messages[0].id}:{len(messages)}:{now:%Y-%m-%dT%H:%M:%S}",
            now,
        )
        return
    for message in messages:
        raise_task(
            session,
            message.clinic_id,
            message.patient_id,
            HandOverUnknown((message.id,)),
            f"uncertain:{message.id}",
            now,
        )


def _was_unknown(session: Session, message: Message) -> bool:
    seen = select(MessageEvent.id).where(MessageEvent.message_id == message.id, MessageEvent.event == "uncertain")
    return session.scalar(seen.limit(1)) is not None
