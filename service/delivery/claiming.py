"""Take what is due, so that nobody else does; and give back what was not begun."""

from __future__ import annotations

import uuid
from collections.abc import Collection
from datetime import datetime

from sqlalchemy import Engine, case, select, update
from sqlalchemy.orm import Session

from service.domain.vocabulary import MessageState
from service.store import outbox
from service.store.agenda import QUEUED_MESSAGES
from service.store.leases import LEASE
from service.store.session import write_session
from service.store.tables import Message

NOT_BEGUN = "not_begun"


def claim(session: Session, token: uuid.UUID, now: datetime, limit: int) -> int:
    """Claim up to `limit` due messages under `token`, those that waited longest first. Returns how many.

    Compare-and-set: the state is asked again outside the selection, because two
    workers may have selected the same row, and one of them gets it. On PostgreSQL
    rows that another worker is claiming are passed over instead of waited for.
    """
    due = (
        select(Message.id)
        .where(QUEUED_MESSAGES, Message.next_try_at <= now)
        .order_by(Message.next_try_at)
        .limit(limit)
        .with_for_update(skip_locked=True)
        # Chosen once, whatever the planner likes: a subquery may be run again for every row of the table,
        # pass over what it had locked the first time, and claim everything.
        .cte("due")
        .prefix_with("MATERIALIZED", dialect="postgresql")
    )
    claimed = session.connection().execute(
        update(Message)
        .where(Message.id.in_(select(due.c.id)), Message.state == MessageState.QUEUED)
        .values(state=MessageState.CLAIMED, claim_token=token, lease_until=now + LEASE)
        # Counted by what comes back: SQLite's driver knows no row count of a statement that begins with WITH.
        .returning(Message.id)
    )
    return len(claimed.all())


def give_back(engine: Engine, token: uuid.UUID, now: datetime) -> None:
    """Queue again everything held under `token`: nothing has left, so this was no try."""
    with write_session(engine) as session:
        put_back(session, held(session, token, MessageState.CLAIMED, MessageState.HANDING_OVER), now)


def put_back(session: Session, message_ids: Collection[uuid.UUID], now: datetime) -> None:
    """Queue these again, claimed or stamped and never begun."""
    stamped = case((Message.state == MessageState.CLAIMED, 0), else_=1)
    session.execute(
        update(Message)
        .where(Message.id.in_(message_ids))
        .values(
            state=MessageState.QUEUED,
            reason=NOT_BEGUN,
            next_try_at=now,
            claim_token=None,
            lease_until=None,
            attempts=Message.attempts - stamped,
        )
        .execution_options(synchronize_session=False)
    )
    outbox.note_events(session, [(message_id, "queued_again", NOT_BEGUN) for message_id in message_ids], now)


def held(session: Session, token: uuid.UUID, *states: MessageState) -> set[uuid.UUID]:
    """What is still held under `token` in one of these states, locked until the transaction ends.

    Whoever writes a message's next state asks this first: a lease may have run out,
    a receipt may have overtaken.
    """
    rows = session.scalars(
        select(Message.id).where(Message.claim_token == token, Message.state.in_(states)).with_for_update()
    )
    return set(rows)
