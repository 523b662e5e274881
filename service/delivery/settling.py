"""How a message's turn ends: sent, delivered, queued again, failed and passed to the next contact.

Each of these belongs to the caller's transaction and leaves a line in the
message's history.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import bindparam, select, update
from sqlalchemy.orm import Session

from service.delivery.facts import MessageFacts
from service.domain.words import ContactState, MessageState, TaskKind
from service.store import contacts, outbox
from service.store.tables import Contact, Message
from service.store.tasks import raise_task

REASON_LENGTH = 60


def mark_sent(session: Session, sent: Sequence[tuple[uuid.UUID, str]], now: datetime) -> None:
    """The provider has these (message id, its reference)."""
    if not sent:
        return
    session.connection().execute(
        update(Message.__table__)  # type: ignore[arg-type]
        .where(Message.id == bindparam("one"))
        .values(
            state=MessageState.SENT,
            reason=None,
            provider_ref=bindparam("ref"),
            settled_at=now,
            claim_token=None,
            lease_until=None,
        ),
        [{"one": message_id, "ref": ref} for message_id, ref in sent],
    )
    outbox.note_events(session, [(message_id, "sent", "") for message_id, _ in sent], now)


def settle(session: Session, message_id: uuid.UUID, state: MessageState, reason: str, now: datetime) -> None:
    """The message's end: cancelled, expired, failed or uncertain, and why."""
    session.execute(
        update(Message)
        .where(Message.id == message_id)
        .values(state=state, reason=reason[:REASON_LENGTH], settled_at=now, claim_token=None, lease_until=None)
        .execution_options(synchronize_session=False)
    )
    outbox.note_events(session, [(message_id, state.value, reason[:200])], now)


def queue_again(session: Session, message_id: uuid.UUID, reason: str, at: datetime, now: datetime) -> None:
    """Not now: try again at `at`."""
    session.execute(
        update(Message)
        .where(Message.id == message_id)
        .values(
            state=MessageState.QUEUED, reason=reason[:REASON_LENGTH], next_try_at=at, claim_token=None, lease_until=None
        )
        .execution_options(synchronize_session=False)
    )
    outbox.note_events(session, [(message_id, "queued_again", reason[:200])], now)


def retry_or_expire(session: Session, facts: MessageFacts, reason: str, at: datetime, now: datetime) -> None:
    """After a temporary failure: another try, unless it would come too late to be true."""
    if at >= facts.expires_at:
        settle(session, facts.id, MessageState.EXPIRED, "expired", now)
    else:
        queue_again(session, facts.id, reason, at, now)


def fail(session: Session, facts: MessageFacts, reason: str, now: datetime, *, tells_staff: bool) -> None:
    """The message cannot be delivered to this contact."""
    settle(session, facts.id, MessageState.FAILED, reason, now)
    if tells_staff:
        raise_task(
            session, facts.clinic_id, facts.patient_id, TaskKind.BROKEN_CONTACT,
            "A message could not be written out. The clinic's own wording of it may be at fault.",
            {"message": str(facts.id), "kind": facts.kind.value}, f"unworded:{facts.id}", now,
        )  # fmt: skip


def break_contact(session: Session, facts: MessageFacts, reason: str, now: datetime) -> None:
    """The provider says this address will never work: mark it, tell staff once, try the next contact."""
    settle(session, facts.id, MessageState.FAILED, reason, now)
    session.execute(
        update(Contact)
        .where(Contact.id == facts.contact_id, Contact.address == facts.address)
        .values(state=ContactState.BROKEN, broken_reason=reason[:200])
        .execution_options(synchronize_session=False)
    )
    whose = "caregiver's" if facts.caregiver_id else "staff member's" if facts.staff_id else "patient's"
    raise_task(
        session, facts.clinic_id, facts.patient_id, TaskKind.BROKEN_CONTACT,
        f"The {whose} {facts.channel.value} contact does not work any more. Please ask for a new one.",
        {"contact": str(facts.contact_id), "channel": facts.channel.value},
        # One task for one break: a mended contact that breaks again is a new occurrence.
        f"broken:{facts.contact_id}:{facts.id}", now,
    )  # fmt: skip
    try_next_contact(session, facts, now)


def try_next_contact(session: Session, facts: MessageFacts, now: datetime) -> None:
    """Write the same message to the person's next working contact, if it is still worth it."""
    if facts.staff_id is not None:
        working = list(
            session.scalars(
                select(Contact)
                .where(Contact.staff_id == facts.staff_id, Contact.state == ContactState.OK)
                .order_by(Contact.position)
            )
        )
    elif facts.caregiver_id is not None:
        working = contacts.reachable(session, caregiver_id=facts.caregiver_id)
    else:
        working = contacts.reachable(session, patient_id=facts.patient_id)
    old = session.get_one(Message, facts.id)
    tried = session.get_one(Contact, facts.contact_id).position
    following = next((contact for contact in working if contact.position > tried), None)
    if following is None or facts.expires_at <= now:
        return
    outbox.enqueue(
        session,
        outbox.NewMessage(
            clinic_id=facts.clinic_id, contact_id=following.id, kind=facts.kind, channel=following.channel,
            # The occurrence stays the key: once per contact, however often this one fails.
            dedupe_key=f"{old.dedupe_key.split('>')[0]}>{following.id}",
            due_at=now, expires_at=facts.expires_at, patient_id=facts.patient_id, caregiver_id=facts.caregiver_id,
            staff_id=facts.staff_id, window_id=old.window_id, step_id=old.step_id, silence_id=old.silence_id,
            params=facts.params,
        ),
        now,
    )  # fmt: skip
    outbox.note_events(session, [(facts.id, "passed_on", following.channel.value)], now)
