"""How a message's turn ends: sent, delivered, queued again, failed and passed to the next contact.

`settle_all` ends a batch's hand-overs, only where the claim still holds. The single
steps belong to the caller's transaction and leave a line in the message's history.
"""

from __future__ import annotations

import random
import uuid
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Engine, bindparam, case, select, update
from sqlalchemy.orm import Session

from service.care import contacts
from service.care.tasks import close_task, raise_task
from service.delivery.facts import MessageFacts
from service.domain.sending import wait
from service.domain.tasks import ChannelMissing, ContactBroke, Whose, WordingFailed
from service.domain.validation import storable
from service.domain.vocabulary import ContactState, MessageState, TaskSettled
from service.store import outbox
from service.store.guarded import Tally, guarded
from service.store.quarantine import quarantine
from service.store.session import write_session
from service.store.tables import Contact, Message
from service.store.wordings import UNWORDED, unworded_key

REASON_LENGTH, REF_LENGTH, DETAIL_LENGTH = 60, 120, 200
# A lease that ran out during the call leaves the message uncertain under its old token: a result is still news.
STILL_OURS = (MessageState.HANDING_OVER, MessageState.UNCERTAIN)
NOT_BEGUN = "not_begun"


@dataclass(frozen=True)
class HandedOver:
    """How one hand-over ended: the provider's reference, a failure of one of the two kinds, or not begun."""

    facts: MessageFacts
    ref: str | None = None
    temporary: str | None = None
    wait: timedelta | None = None  # the provider asked for at least so long
    permanent: str | None = None
    gone: bool = False  # ended by the recipient's side, as a push subscription is: nothing to mend
    begun: bool = True


def settle_all(
    engine: Engine,
    token: uuid.UUID,
    results: Sequence[HandedOver],
    now: datetime,
    chance: random.Random,
    before_commit: Callable[[], None] = lambda: None,
) -> Tally:
    """Settle a batch in one transaction; one by one when the database refuses the whole."""
    if not results:
        return Tally()

    def whole(session: Session) -> Tally:
        settled = _settle(session, token, results, now, chance)
        before_commit()
        return settled

    outcome = guarded(
        engine, results, whole=whole, alone=lambda session, result: _settle(session, token, [result], now, chance)
    )
    for result, error in outcome.failed:
        with write_session(engine) as session:
            if result.facts.id in held(session, token, *STILL_OURS):
                # What the provider did is known only in part, and the row cannot hold it.
                settle(session, result.facts.id, MessageState.UNCERTAIN, "set_aside", now)
            quarantine(session, ("message", result.facts.id), error, now)
    return sum(outcome.done, Tally(quarantined=len(outcome.failed)))


def _settle(
    session: Session, token: uuid.UUID, results: Sequence[HandedOver], now: datetime, chance: random.Random
) -> Tally:
    ours = held(session, token, *STILL_OURS)
    settled = Tally()
    sent = []
    not_begun = []
    for result in results:
        if result.facts.id not in ours:
            continue
        if result.ref is not None:
            sent.append((result.facts.id, result.ref))
            continue
        if not result.begun:
            not_begun.append(result.facts.id)
        elif result.permanent is not None:
            break_contact(session, result.facts, result.permanent, now, gone=result.gone)
        else:
            again = now + max(wait(result.facts.attempts + 1, chance.random()), result.wait or timedelta(0))
            retry_or_expire(session, result.facts, result.temporary or "", again, now)
        settled += Tally(passed=1)
    if not_begun:
        put_back(session, not_begun, now)
    mark_sent(session, sent, now)
    return settled + Tally(done=len(sent))


def held(session: Session, token: uuid.UUID, *states: MessageState) -> set[uuid.UUID]:
    """What is still held under `token` in one of these states, locked until the transaction ends.

    Whoever writes a message's next state asks this first: a lease may have run out,
    a receipt may have overtaken.
    """
    rows = session.scalars(
        select(Message.id).where(Message.claim_token == token, Message.state.in_(states)).with_for_update()
    )
    return set(rows)


# --- the single ends -------------------------------------------------------------------------


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
        [{"one": message_id, "ref": _plain(ref, REF_LENGTH)} for message_id, ref in sent],
    )
    outbox.note_events(session, [(message_id, "sent", "") for message_id, _ in sent], now)


def settle(
    session: Session, message_id: uuid.UUID, state: MessageState, reason: str, now: datetime, *, detail: str = ""
) -> None:
    """The message's end: cancelled, expired, failed or uncertain, and why."""
    session.execute(
        update(Message)
        .where(Message.id == message_id)
        .values(state=state, reason=_plain(reason, REASON_LENGTH), settled_at=now, claim_token=None, lease_until=None)
        .execution_options(synchronize_session=False)
    )
    outbox.note_events(session, [(message_id, state.value, _plain(detail or reason, DETAIL_LENGTH))], now)


def queue_again(session: Session, message_id: uuid.UUID, reason: str, at: datetime, now: datetime) -> None:
    """Not now: try again at `at`."""
    session.execute(
        update(Message)
        .where(Message.id == message_id)
        .values(
            state=MessageState.QUEUED,
            reason=_plain(reason, REASON_LENGTH),
            next_try_at=at,
            claim_token=None,
            lease_until=None,
        )
        .execution_options(synchronize_session=False)
    )
    outbox.note_events(session, [(message_id, "queued_again", _plain(reason, DETAIL_LENGTH))], now)


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


def retry_or_expire(session: Session, facts: MessageFacts, reason: str, at: datetime, now: datetime) -> None:
    """After a temporary failure: another try, unless it would come too late to be true."""
    if at >= facts.expires_at:
        settle(session, facts.id, MessageState.EXPIRED, "expired", now, detail=reason)
    else:
        queue_again(session, facts.id, reason, at, now)


def fail_unworded(session: Session, facts: MessageFacts, error: str, now: datetime) -> None:
    """The message could not be written out: it waits until staff mend the wording (`enrolling.wordings`)."""
    settle(session, facts.id, MessageState.FAILED, UNWORDED, now, detail=error)
    tell_unworded(session, facts, now)


def break_contact(session: Session, facts: MessageFacts, reason: str, now: datetime, *, gone: bool = False) -> None:
    """The provider says this address will never work: mark it, tell staff once, try the next contact.

    A subscription that its owner's browser ended (`gone`) is dropped without a task while another contact works.
    """
    settle(session, facts.id, MessageState.FAILED, reason, now)
    session.execute(
        update(Contact)
        .where(Contact.id == facts.contact_id, Contact.address == facts.address)
        .values(state=ContactState.BROKEN, broken_reason=_plain(reason, DETAIL_LENGTH))
        .execution_options(synchronize_session=False)
    )
    passed_on = try_next_contact(session, facts, now)
    if gone and passed_on:
        return
    raise_task(
        session,
        facts.clinic_id,
        facts.patient_id,
        ContactBroke(facts.contact_id, _whose(facts), facts.channel),
        # One task for one break: a mended contact that breaks again is a new occurrence.
        f"broken:{facts.contact_id}:{facts.id}",
        now,
    )


def try_next_contact(session: Session, facts: MessageFacts, now: datetime) -> bool:
    """Write the same message to the person's next working contact, if it is still worth it."""
    if facts.staff_id is not None:
        working = contacts.working(session, Contact.staff_id, facts.staff_id)
    elif facts.caregiver_id is not None:
        working = contacts.reachable(session, caregiver_id=facts.caregiver_id)
    else:
        working = contacts.reachable(session, patient_id=facts.patient_id)
    old = session.get_one(Message, facts.id)
    tried = session.get_one(Contact, facts.contact_id)
    following = next((contact for contact in working if _order(contact) > _order(tried)), None)
    if following is None or facts.expires_at <= now:
        return False
    outbox.enqueue(
        session,
        outbox.NewMessage(
            clinic_id=facts.clinic_id,
            contact_id=following.id,
            kind=facts.kind,
            channel=following.channel,
            # The occurrence stays the key: once per contact, however often this one fails.
            dedupe_key=f"{old.dedupe_key.split('>')[0]}>{following.id}",
            due_at=now,
            expires_at=facts.expires_at,
            patient_id=facts.patient_id,
            caregiver_id=facts.caregiver_id,
            staff_id=facts.staff_id,
            window_id=old.window_id,
            step_id=old.step_id,
            silence_id=old.silence_id,
            params=facts.params,
        ),
        now,
    )
    outbox.note_events(session, [(facts.id, "passed_on", following.channel.value)], now)
    return True


# --- what staff are told of it ---------------------------------------------------------------


def tell_unworded(session: Session, facts: MessageFacts, now: datetime) -> None:
    """Whoever may change a wording should look at this one."""
    raise_task(
        session,
        facts.clinic_id,
        facts.patient_id,
        WordingFailed(facts.id, facts.kind),
        # One task for one wording, not one for every patient it was meant for.
        f"{unworded_key(facts.clinic_id, facts.language, facts.kind)}{now:%Y-%m-%d}",
        now,
    )


def tell_not_set_up(session: Session, facts: MessageFacts, now: datetime) -> None:
    """The contact may be right, but this service cannot send that way."""
    raise_task(
        session,
        facts.clinic_id,
        facts.patient_id,
        ChannelMissing(facts.contact_id, _whose(facts), facts.channel),
        f"not_set_up:{facts.contact_id}",
        now,
    )


def no_longer_uncertain(session: Session, message_id: uuid.UUID, now: datetime) -> None:
    """It is known now what became of it: nobody need look."""
    close_task(session, f"uncertain:{message_id}", TaskSettled.ARRIVAL_KNOWN, now)


def _order(contact: Contact) -> tuple[int, datetime, uuid.UUID]:
    return contact.position, contact.created_at, contact.id


def _whose(facts: MessageFacts) -> Whose:
    return Whose.CAREGIVER if facts.caregiver_id else Whose.STAFF if facts.staff_id else Whose.PATIENT


def _plain(given: str, longest: int) -> str:
    """What a provider said, as the column can hold it."""
    return storable(given)[:longest]
