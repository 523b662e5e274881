"""How a message's turn ends: sent, delivered, queued again, failed and passed to the next contact.

`settle_all` ends hand-overs, only where the claim still holds. The single
steps belong to the caller's transaction and leave a line in the message's history.

`take_back` ends the turns of messages whose worker died with them in hand. Before the
hand-over was stamped nothing can have left: they are queued again. After it nobody knows:
nudges and notices to staff are tried once more under the same message id, so that a provider
that honours it sends one, and so are prompts and reminders where the clinic prefers a double to
nothing; the rest end as uncertain. Either way staff can see it: a task each,
or one for all when a crash left many.
"""

from __future__ import annotations

import random
import uuid
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby

from sqlalchemy import ColumnElement, Engine, and_, bindparam, case, or_, select, true, update
from sqlalchemy.orm import Session

from service.care import contacts
from service.care.tasks import close_tasks, raise_task
from service.delivery.facts import MessageFacts
from service.domain.sending import ALARMS, AT_AGREED_HOURS, INVITATION, TO_CALL, TRY_AGAIN_WHEN_UNCERTAIN, wait
from service.domain.tasks import (
    CallUntold,
    ChannelMissing,
    ContactBroke,
    HandOverUnknown,
    InvitationTold,
    InvitedOutcome,
    TaskFacts,
    Whose,
    WordingFailed,
)
from service.domain.validation import storable
from service.domain.vocabulary import Channel, ContactState, MessageKind, MessageState, TaskSettled, TaskState
from service.store import outbox
from service.store.due import LEASED_MESSAGES, lapsed, made_since
from service.store.guarded import Tally, guarded
from service.store.identity import none_made_before
from service.store.quarantine import quarantine
from service.store.session import read_session, write_session
from service.store.tables import Clinic, Contact, Invitation, Message, MessageEvent, Task
from service.store.types import begins
from service.store.wordings import UNWORDED, unworded_key

REF_LENGTH, BROKEN_LENGTH = 120, 200
# A lease that ran out during the call leaves the message uncertain under its old token: a result is still news.
STILL_OURS = (MessageState.HANDING_OVER, MessageState.UNCERTAIN)
NOT_STAMPED = MessageState.CLAIMED
UNSETTLED = (MessageState.QUEUED, MessageState.CLAIMED, MessageState.HANDING_OVER)
NOT_BEGUN = "not_begun"
UNKNOWN = "end_of_hand_over_unknown"
MISSING = "not_set_up"  # begins the key of a task about a channel that this service cannot send by
LAPSED = "lease_ran_out"
TASKS_EACH = 3  # for one clinic at once; beyond that staff get one task for all


@dataclass(frozen=True)
class HandedOver:
    """How one hand-over ended: the provider's reference, a failure of one of the two kinds, unclear, or not begun."""

    facts: MessageFacts
    ref: str | None = None
    temporary: str | None = None
    wait: timedelta | None = None  # the provider asked for at least so long
    permanent: str | None = None
    unclear: str | None = None  # nobody knows whether it was taken, and another try may be a second message
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
        engine,
        results,
        kind="message",
        whole=whole,
        alone=lambda session, result: _settle(session, token, [result], now, chance),
    )
    for result, error in outcome.failed:
        with write_session(engine) as session:
            if held(session, token, [result.facts.id], *STILL_OURS):
                # What the provider did is known only in part, and the row cannot hold it.
                settle(session, result.facts.id, MessageState.UNCERTAIN, "set_aside", now)
            quarantine(session, ("message", result.facts.id), error, now)
    return outcome.tally()


def _settle(
    session: Session, token: uuid.UUID, results: Sequence[HandedOver], now: datetime, chance: random.Random
) -> Tally:
    ours = held(session, token, [result.facts.id for result in results], NOT_STAMPED, *STILL_OURS)
    settled = Tally()
    sent = []
    not_begun = []
    unclear: dict[uuid.UUID, str] = {}
    for result in results:
        if result.facts.id not in ours:
            continue
        if result.ref is not None:
            sent.append((result.facts, result.ref))
            continue
        if not result.begun:
            not_begun.append(result.facts.id)
        elif result.unclear is not None:
            unclear[result.facts.id] = result.unclear
        elif result.permanent is not None:
            break_contact(session, result.facts, result.permanent, now, gone=result.gone)
        else:
            again = now + max(wait(result.facts.attempts + 1, chance.random()), result.wait or timedelta(0))
            retry_or_expire(session, result.facts, result.temporary or "", again, now)
        settled += Tally(passed=1)
    if not_begun:
        put_back(session, not_begun, now)
    if unclear:
        _end_in_doubt(session, Message.id.in_(unclear), now, why=unclear)
    mark_sent(session, sent, now)
    return settled + Tally(done=len(sent))


def held(
    session: Session, token: uuid.UUID, some: Collection[uuid.UUID] | None, *states: MessageState
) -> set[uuid.UUID]:
    """What of `some`, or of all, is still held under `token` in one of these states, locked until the transaction ends.

    Whoever writes a message's next state asks this first: a lease may have run out,
    a receipt may have overtaken.
    """
    rows = session.scalars(
        select(Message.id)
        .where(
            Message.claim_token == token, Message.state.in_(states), true() if some is None else Message.id.in_(some)
        )
        .order_by(Message.id)  # one order for all who lock several
        .with_for_update()
    )
    return set(rows)


# --- the single ends -------------------------------------------------------------------------


def mark_sent(session: Session, sent: Sequence[tuple[MessageFacts, str]], now: datetime) -> None:
    """The provider has these (the message, its reference)."""
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
        [{"one": facts.id, "ref": storable(ref)[:REF_LENGTH]} for facts, ref in sent],
    )
    outbox.note_events(session, [outbox.HistoryLine(facts.clinic_id, facts.id, "sent") for facts, _ in sent], now)


def settle(
    session: Session, message_id: uuid.UUID, state: MessageState, reason: str, now: datetime, *, detail: str = ""
) -> None:
    """The message's end: cancelled, expired, failed or uncertain, and why."""
    outbox.end_turn(session, Message.id == message_id, state, reason, now, detail=detail, settled_at=now)


def put_back(session: Session, message_ids: Collection[uuid.UUID], now: datetime) -> None:
    """Queue these again, claimed or stamped and never begun."""
    tries = Message.attempts - case((Message.state == MessageState.CLAIMED, 0), else_=1)
    which, again = Message.id.in_(message_ids), MessageState.QUEUED
    outbox.end_turn(session, which, again, NOT_BEGUN, now, next_try_at=now, attempts=tries)


def queue_again(session: Session, message_id: uuid.UUID, reason: str, at: datetime, now: datetime) -> None:
    """Not now: try again at `at`."""
    outbox.end_turn(session, Message.id == message_id, MessageState.QUEUED, reason, now, next_try_at=at)


def defer(session: Session, facts: MessageFacts, reason: str, until: datetime, now: datetime) -> None:
    """It waits until then; one that has never been tried is of that time of day."""
    greets_at = None if facts.attempts == 0 else facts.greets_at
    which = Message.id == facts.id
    outbox.end_turn(session, which, MessageState.QUEUED, reason, now, next_try_at=until, greets_at=greets_at)


def expire(session: Session, facts: MessageFacts, reason: str, now: datetime, *, detail: str = "") -> None:
    """It would come too late to be true."""
    settle(session, facts.id, MessageState.EXPIRED, reason, now, detail=detail)
    tell_lost(session, facts, now)


def stop_doubted(session: Session, facts: MessageFacts, reason: str, now: datetime) -> None:
    """Whether its person agrees is not known: nothing is sent, and staff ask."""
    settle(session, facts.id, MessageState.CANCELLED, reason, now)
    if facts.last_look.doubted is not None:
        contacts.doubted(session, facts.clinic_id, facts.last_look.doubted, now)
    tell_lost(session, facts, now)


def retry_or_expire(session: Session, facts: MessageFacts, reason: str, at: datetime, now: datetime) -> None:
    """After a temporary failure: another try, unless it would come too late to be true."""
    if at >= facts.expires_at:
        expire(session, facts, "expired", now, detail=reason)
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
        .values(state=ContactState.BROKEN, broken_reason=storable(reason)[:BROKEN_LENGTH])
    )
    passed_on = try_next_contact(session, facts, now)
    is_nobodys = facts.patient_id is None and facts.caregiver_id is None and facts.staff_id is None
    if (gone and passed_on) or is_nobodys:
        return
    # One task for one break: a mended contact that breaks again is a new occurrence.
    broke = ContactBroke(facts.contact_id, _whose(facts), facts.channel)
    _tell(session, facts, broke, f"broken:{facts.contact_id}:{facts.id}", now)


def try_next_contact(session: Session, facts: MessageFacts, now: datetime) -> bool:
    """Write the same message to the person's next working contact, if it is still worth it."""
    if facts.staff_id is not None:
        working = contacts.working(session, Contact.staff_id, facts.staff_id)
    elif facts.caregiver_id is not None:
        working = contacts.reachable(session, caregiver_id=facts.caregiver_id)
    else:
        working = contacts.reachable(session, patient_id=facts.patient_id)
    tried = session.get_one(Contact, facts.contact_id)
    following = next((contact for contact in working if _order(contact) > _order(tried)), None)
    if following is None or facts.expires_at <= now:
        tell_lost(session, facts, now)
        return False
    # The occurrence stays the key: once per contact, however often this one fails.
    _write_again(session, facts, following.id, following.channel, f">{following.id}", now)
    passed_on = outbox.HistoryLine(facts.clinic_id, facts.id, "passed_on", following.channel.value)
    outbox.note_events(session, [passed_on], now)
    return True


def say_otherwise(session: Session, facts: MessageFacts, now: datetime) -> None:
    """It was tried, and would say something else now, or go elsewhere: that is a message of its own.

    Under the same id a provider could send the first text again, or take the second for a mistake. What is
    not known of the first stays so.
    """
    old = session.get_one(Message, facts.id)
    state = MessageState.UNCERTAIN if _was_unknown(session, old) else MessageState.CANCELLED
    new = _write_again(session, facts, facts.contact_id, facts.channel, f"~{facts.id}", now)
    settle(session, facts.id, state, "changed", now, detail=f"carried by {new}")


def _write_again(
    session: Session, facts: MessageFacts, contact_id: uuid.UUID, channel: Channel, key: str, now: datetime
) -> uuid.UUID | None:
    old = session.get_one(Message, facts.id)
    occurrence = old.dedupe_key.partition(">")[0].partition("~")[0]
    new = outbox.NewMessage(
        clinic_id=facts.clinic_id,
        contact_id=contact_id,
        kind=facts.kind,
        channel=channel,
        dedupe_key=f"{occurrence}{key}",
        due_at=now,
        expires_at=facts.expires_at,
        patient_id=facts.patient_id,
        caregiver_id=facts.caregiver_id,
        staff_id=facts.staff_id,
        window_id=old.window_id,
        step_id=old.step_id,
        task_id=old.task_id,
        params=facts.params,
    )
    return outbox.enqueue(session, new, now)


# --- left by a worker that died --------------------------------------------------------------


def take_back(engine: Engine, now: datetime, since: uuid.UUID | None = None) -> int:
    """Take back everything written `since` (`due.Lately`) whose lease ran out. Returns how many."""
    over = (LEASED_MESSAGES, made_since(Message, since), lapsed(Message.lease_until, now))
    with read_session(engine) as session:
        if session.scalar(select(Message.id).where(*over).limit(1)) is None:
            return 0
    with write_session(engine) as session:
        claimed = and_(*over, Message.state == MessageState.CLAIMED)
        unsent = outbox.end_turn(session, claimed, MessageState.QUEUED, LAPSED, now)
        unknown = _end_in_doubt(session, and_(*over, Message.state == MessageState.HANDING_OVER), now)
    return len(unsent) + unknown


def end_restored(session: Session, restored_at: datetime, now: datetime) -> int:
    """End what was due after a backup and before `now`, when it is resumed. Returns how many.

    It may have been sent from the data that is lost: nudges and notices to staff go once more, as after a crash;
    prompts and reminders never do, whatever the clinic prefers, nor what is asked for that time now.
    """
    due = and_(Message.next_try_at <= now, Message.state.in_(UNSETTLED))
    was_there = or_(Message.created_at < restored_at, Message.kind.in_(AT_AGREED_HOURS))
    return _end_in_doubt(session, and_(due, was_there), now, asks_again=False)


def _end_in_doubt(
    session: Session,
    which: ColumnElement[bool],
    now: datetime,
    why: Mapping[uuid.UUID, str] | None = None,
    *,
    asks_again: bool = True,
) -> int:
    """Nobody knows whether these were taken: one more try where a double is better than nothing; staff are told."""
    few = select(Message.id).where(which).correlate(None)  # else the order is looked for among all messages there are
    unknown = session.scalars(
        select(Message)
        .where(which, Message.id.in_(few))
        .order_by(Message.clinic_id, Message.id)
        .with_for_update(skip_locked=True)
        .execution_options(populate_existing=True)
    ).all()
    asking_again = _asking_again(session, {message.clinic_id for message in unknown}) if asks_again else set()
    for message in unknown:
        is_worth_a_double = message.kind in TRY_AGAIN_WHEN_UNCERTAIN or (
            message.kind in AT_AGREED_HOURS and message.clinic_id in asking_again
        )
        _end_unknown(session, message, is_worth_a_double, (why or {}).get(message.id, ""), now)
    session.flush()
    for _, of_clinic in groupby(unknown, key=lambda message: message.clinic_id):
        _tell_unknown(session, list(of_clinic), now)
    return len(unknown)


def _asking_again(session: Session, clinic_ids: Collection[uuid.UUID]) -> set[uuid.UUID]:
    """Of these clinics, those that would rather ask twice than not at all."""
    return set(session.scalars(select(Clinic.id).where(Clinic.id.in_(clinic_ids), Clinic.asks_again_in_doubt)))


def _end_unknown(session: Session, message: Message, is_worth_a_double: bool, why: str, now: datetime) -> None:
    again = is_worth_a_double and message.expires_at > now and not _was_unknown(session, message)
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
        tell_lost(session, message, now, is_known=False)
    uncertain = outbox.HistoryLine(message.clinic_id, message.id, "uncertain", why or ("one more try" if again else ""))
    outbox.note_events(session, [uncertain], now)


def _tell_unknown(session: Session, messages: Sequence[Message], now: datetime) -> None:
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
        _tell(session, message, HandOverUnknown((message.id,)), f"uncertain:{message.id}", now)


def _was_unknown(session: Session, message: Message) -> bool:
    its = (MessageEvent.message_id == message.id, MessageEvent.id >= none_made_before([message.id]))
    seen = select(MessageEvent.id).where(*its, MessageEvent.event == "uncertain")
    return session.scalar(seen.limit(1)) is not None


# --- what staff are told of it ---------------------------------------------------------------


def tell_unworded(session: Session, facts: MessageFacts, now: datetime) -> None:
    """Whoever may change a wording should look at this one."""
    # One task for one wording, not one for every patient it was meant for.
    key = f"{unworded_key(facts.clinic_id, facts.language, facts.kind)}{now:%Y-%m-%d}"
    _tell(session, facts, WordingFailed(facts.id, facts.kind), key, now)


def tell_lost(session: Session, of: MessageFacts | Message, now: datetime, *, is_known: bool = True) -> None:
    """It will not arrive, or (not `is_known`) nobody knows, and a person has to do what it was to do.

    Whoever wrote of what may not wait has no answer that says whom to call: somebody calls them. What was
    written by hand, its writer holds for said.
    """
    if of.kind is MessageKind.FROM_CLINIC and is_known:
        _tell(session, of, *contacts.unsent(of.id, of.params), now)
    if of.kind is MessageKind.INVITATION and is_known:
        invitation = session.get_one(Invitation, uuid.UUID(of.params[INVITATION]))
        told = InvitationTold(invitation.id, invitation.name, InvitedOutcome.NOT_SENT)
        _tell(session, of, told, f"invitation:{invitation.id}:{of.id}", now)
    if of.kind not in TO_CALL and not of.params.get(ALARMS):
        return
    clinic = session.get_one(Clinic, of.clinic_id)
    number = clinic.contact_line if of.kind is MessageKind.CALL_CLINIC else clinic.emergency_number
    _tell(session, of, CallUntold(of.id, number, is_known), f"call_untold:{of.id}", now)


def tell_not_set_up(session: Session, clinic_id: uuid.UUID, channel: Channel, now: datetime) -> None:
    """This service cannot send that way: one task for the clinic, and another day again while that lasts."""
    missing = f"{MISSING}:{channel.value}:{clinic_id}:"
    told = select(Task.id).where(
        Task.clinic_id == clinic_id,
        Task.state.in_([TaskState.OPEN, TaskState.TAKEN]),  # the few of the index; the closed ones are of years
        begins(Task.dedupe_key, missing),
    )
    if session.scalar(told.limit(1)) is None:
        raise_task(session, clinic_id, None, ChannelMissing(channel), f"{missing}{now:%Y-%m-%d}", now)


def close_set_up(engine: Engine, channels: Collection[Channel], now: datetime) -> None:
    """These can be sent by now: tasks that say they cannot are settled."""
    with write_session(engine) as session:
        for channel in channels:
            missing = begins(Task.dedupe_key, f"{MISSING}:{channel.value}:")
            close_tasks(session, missing, TaskSettled.CHANNEL_SET_UP, now, also_taken=True)


def no_longer_uncertain(session: Session, message_id: uuid.UUID, now: datetime, *, arrived: bool) -> None:
    """It is known now what became of it: nobody need look."""
    if arrived:
        told = [f"call_untold:{message_id}", f"unsent:{message_id}"]
        close_tasks(session, Task.dedupe_key.in_(told), TaskSettled.ARRIVAL_KNOWN, now)
    close_tasks(session, Task.dedupe_key == f"uncertain:{message_id}", TaskSettled.ARRIVAL_KNOWN, now)


def _tell(session: Session, of: MessageFacts | Message, what: TaskFacts, key: str, now: datetime) -> None:
    raise_task(session, of.clinic_id, of.patient_id, what, key, now)


def _order(contact: Contact) -> tuple[int, datetime, uuid.UUID]:
    return contact.position, contact.created_at, contact.id


def _whose(facts: MessageFacts) -> Whose:
    return Whose.CAREGIVER if facts.caregiver_id else Whose.STAFF if facts.staff_id else Whose.PATIENT
