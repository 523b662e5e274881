"""What comes back: receipts, and people's replies.

Receipts may come late, twice or out of order, and never move a message backwards.
A reply is taken in once: the place in the provider's list moves on in the same
transaction. What cannot be taken in becomes a dead letter under the provider's reference,
kept as it came, and the next is read. When an operator releases it, it is taken in once, as
what was said when it was said, and a person's words are kept no longer than until then.
Whatever fails again goes back into quarantine, under the same id. What is released replaces
nothing newer: an old START undoes no later STOP, an old STOP stops.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import datetime
from typing import Any, Protocol, TypeVar

from sqlalchemy import Engine, delete, exists, or_, select, update
from sqlalchemy.orm import Session

from service.care import windows
from service.clock import Clock
from service.delivery import facts, settling, trying
from service.domain.sending import after_receipt
from service.domain.validation import storable
from service.domain.vocabulary import Channel, MessageState, WindowState
from service.store import outbox
from service.store.due import LEASE, LEASED_MESSAGES
from service.store.guarded import Tally, guarded, guarded_each, quarantine_each
from service.store.identity import new_id
from service.store.ids import slices
from service.store.quarantine import is_quarantined, quarantine
from service.store.session import read_session, within, write_session
from service.store.tables import DeadLetter, Message, ReadPosition, Trial, Window
from service.store.upsert import insert_new, upsert
from service.transports.base import Listens, Receipt, ReferredReceipt, TextReply, Transport


class TakeText(Protocol):
    """What is done with a reply. `said_at` is given for one that became a dead letter and is read again."""

    def __call__(
        self,
        session: Session,
        gateway_ref: str,
        sender: str,
        body: str,
        now: datetime,
        /,
        *,
        line: str,
        said_at: datetime = ...,
    ) -> object: ...


CALLED_BACK, RECEIPT_CALLED_BACK = "text.called_back", "text.receipt_called_back"
MOST = 500
DEAD_LETTER = "dead_letter"  # as `neaptide quarantine` names it
AGAIN_AT_ONCE = 100
Heard = TextReply | Receipt | ReferredReceipt
EARLY = "text.early_receipt"  # kept as a dead letter is, and by no operator's leave
EARLY_KEPT = 2 * LEASE
I = TypeVar("I", Receipt, TextReply)  # noqa: E741 - an item of a provider's list


def listen(
    engine: Engine, transports: Mapping[Channel, Transport], clock: Clock, take_text: TakeText | None = None
) -> Tally:
    """Ask every transport that can be asked for what is new, and take it in.

    `take_text(session, gateway_ref, sender, body, now, line=…)` is what is done with a reply;
    without it replies are left where they are. Dead letters that were released are taken in last.
    """
    tally = Tally()
    for channel, transport in transports.items():
        if not isinstance(transport, Listens):
            continue
        tally += _read_on(engine, f"{channel.value}.receipts", transport.receipts, clock, _take_receipts)
        if take_text is not None:
            tally += _read_on(
                engine, f"{channel.value}.inbound", transport.inbound, clock, _taking(take_text), at_a_time=1
            )
    return tally + _take_again(engine, _again(take_text, clock), clock.now)


def take_replies(engine: Engine, texts: Sequence[TextReply], take_text: TakeText, now: datetime) -> Tally:
    """Take in replies that a provider has called in, each alone: one that cannot be taken in holds up no other."""

    def take(session: Session, text: TextReply) -> Tally:
        take_text(session, text.gateway_ref, text.sender, text.body, now, line=text.line)
        return Tally(done=1)

    def keep(session: Session, text: TextReply, error: Exception) -> Tally:
        keep_dead_letter(session, CALLED_BACK, text.gateway_ref, text, error, now)
        return Tally(quarantined=1)

    return sum(guarded_each(engine, texts, take, keep).done, Tally())


def take_receipts(engine: Engine, receipts: Sequence[Receipt], now: datetime) -> int:
    """Take in receipts that a provider has called in, in their order. Returns how many messages moved.

    One that changes nothing is unknown, repeated or overtaken; one that cannot be taken in holds up no other.
    """

    def keep(session: Session, receipt: Receipt, error: Exception) -> int:
        which = f"{receipt.message_id}:{receipt.outcome}"
        keep_dead_letter(session, RECEIPT_CALLED_BACK, which, receipt, error, now)
        return 0

    outcome = guarded(
        engine,
        receipts,
        kind="receipt",
        whole=lambda session: _take_receipts(session, receipts, now),
        alone=lambda session, receipt: _take_receipts(session, [receipt], now),
        keep=keep,
    )
    return sum(outcome.done)


def take_referred(engine: Engine, receipts: Sequence[ReferredReceipt], now: datetime) -> int:
    """As `take_receipts`, from a provider that names a message by its own reference. Returns how many moved.

    One can overtake the answer to its hand-over: while anything is being handed over, one that is of
    no message is kept, and looked for again until that hand-over has surely ended.
    """
    if not receipts:
        return 0
    with read_session(engine) as session:
        found = _referred(session, receipts)
        handing_over = exists().where(LEASED_MESSAGES, Message.state == MessageState.HANDING_OVER)
        trying_now = exists().where(Trial.state == MessageState.HANDING_OVER, Trial.at > now - EARLY_KEPT)
        some_are_on_the_way = session.scalar(select(or_(handing_over, trying_now)))
    if some_are_on_the_way and (early := [one for one in receipts if one.reference not in found]):
        rows = [_dead_letter(EARLY, f"{one.reference}:{one.outcome}", one, now) for one in early]
        with write_session(engine) as session:
            insert_new(session, DeadLetter.__table__, rows, ["id"])
    return take_receipts(engine, [_found(one, found) for one in receipts if one.reference in found], now)


def _referred(session: Session, receipts: Sequence[ReferredReceipt]) -> dict[str, uuid.UUID]:
    """Which message, or trial, a provider means by each of its references: the newest of that name."""
    asked = {storable(one.reference)[: settling.REF_LENGTH]: one.reference for one in receipts}
    found: dict[str, uuid.UUID] = {}
    for table, at in ((Trial, Trial.at), (Message, Message.handed_over_at)):
        query = select(table.id, table.provider_ref).where(table.provider_ref.in_(asked), table.channel == Channel.TEXT)
        found |= {asked[ref]: one for one, ref in session.execute(query.order_by(at)) if ref is not None}
    return found


def _found(one: ReferredReceipt, found: Mapping[str, uuid.UUID]) -> Receipt:
    return Receipt(found[one.reference], one.outcome, one.at, one.detail)


def _take_early(session: Session, one: ReferredReceipt, kept_at: datetime, now: datetime) -> bool:
    if found := _referred(session, [one]):
        _take_receipts(session, [_found(one, found)], now)
    return bool(found) or now - kept_at > EARLY_KEPT  # by then it is of no message of ours


def _take_receipts(session: Session, receipts: Sequence[Receipt], now: datetime) -> int:
    told_of = select(Message.id, Message.clinic_id).where(Message.id.in_({receipt.message_id for receipt in receipts}))
    whose = {row.id: row.clinic_id for row in session.execute(told_of)}
    if others := [receipt for receipt in receipts if receipt.message_id not in whose]:
        trying.take_receipts(session, others)
    moved = 0
    for clinic_id in sorted(set(whose.values())):  # in one order for all workers, so that two never wait for each other
        with within(session, clinic_id):
            theirs = [receipt for receipt in receipts if whose.get(receipt.message_id) == clinic_id]
            moved += _take_clinics(session, theirs, now)
    return moved


def _take_clinics(session: Session, receipts: Sequence[Receipt], now: datetime) -> int:
    """Those of one clinic. Raises KeyError where one has followed its patient to another clinic just now."""
    rows = {
        row.id: row
        for row in session.execute(
            select(Message.id, Message.clinic_id, Message.state, Message.handed_over_at)
            .where(Message.id.in_({receipt.message_id for receipt in receipts}))
            .order_by(Message.id)
            .with_for_update()
        )
    }
    states: dict[uuid.UUID, MessageState] = {message_id: row.state for message_id, row in rows.items()}
    events = []
    for receipt in receipts:
        was_handed_over = rows[receipt.message_id].handed_over_at is not None
        if (moved := after_receipt(states[receipt.message_id], was_handed_over, receipt.outcome)) is not None:
            states[receipt.message_id] = moved
            its_clinic = rows[receipt.message_id].clinic_id
            events.append(outbox.HistoryLine(its_clinic, receipt.message_id, receipt.outcome, receipt.detail))
    outbox.note_events(session, events, now)
    moved_on = {message_id: state for message_id, state in states.items() if state is not rows[message_id].state}
    delivered = [message_id for message_id, state in moved_on.items() if state is MessageState.DELIVERED]
    failed = [message_id for message_id, state in moved_on.items() if state is MessageState.FAILED]
    _move(session, delivered, MessageState.DELIVERED, None, now)
    _move(session, failed, MessageState.FAILED, "undelivered", now)
    for message_id in moved_on:
        if rows[message_id].state is MessageState.UNCERTAIN:
            arrived = states[message_id] is MessageState.DELIVERED
            settling.no_longer_uncertain(session, message_id, now, arrived=arrived)
            _find_cause_anew(session, message_id, now)
    if failed:
        # The address may work tomorrow; for this message the next contact is asked.
        for message in facts.load(session, failed).facts:
            settling.try_next_contact(session, message, now)
    return len(moved_on)


def _find_cause_anew(session: Session, message_id: uuid.UUID, now: datetime) -> None:
    """Whether somebody was asked is known now: a day that was missed meanwhile has another cause."""
    missed = session.execute(
        select(Window.patient_id, Window.local_date)
        .join(Message, Message.window_id == Window.id)
        .where(Message.id == message_id, Window.state == WindowState.MISSED)
    ).first()
    if missed is not None:
        windows.resettle(session, missed.patient_id, now, around=missed.local_date)


def _move(
    session: Session, message_ids: Collection[uuid.UUID], state: MessageState, reason: str | None, now: datetime
) -> None:
    if message_ids:
        session.execute(
            update(Message)
            .where(Message.id.in_(message_ids))
            .values(state=state, reason=reason, settled_at=now, claim_token=None, lease_until=None)
        )


def _taking(take_text: TakeText) -> Callable[[Session, Sequence[TextReply], datetime], object]:
    def take(session: Session, texts: Sequence[TextReply], now: datetime) -> None:
        for text in texts:
            take_text(session, text.gateway_ref, text.sender, text.body, now, line=text.line)

    return take


def _again(take_text: TakeText | None, clock: Clock) -> Callable[[Session, Heard, datetime], bool]:
    def take(session: Session, item: Heard, kept_at: datetime) -> bool:
        if isinstance(item, ReferredReceipt):
            return _take_early(session, item, kept_at, clock.now())
        if isinstance(item, Receipt):
            _take_receipts(session, [item], clock.now())
        elif take_text is not None:
            now = clock.now()
            take_text(session, item.gateway_ref, item.sender, item.body, now, line=item.line, said_at=item.at)
        return isinstance(item, Receipt) or take_text is not None

    return take


def _read_on(
    engine: Engine,
    source: str,
    ask: Callable[[int, int], Sequence[tuple[int, I]]],
    clock: Clock,
    take: Callable[[Session, Sequence[I], datetime], object],
    at_a_time: int = MOST,
) -> Tally:
    with read_session(engine) as session:
        after = session.scalar(select(ReadPosition.position).where(ReadPosition.source == source)) or 0
    items = ask(after, MOST)
    tally = Tally()
    for some in slices(items, at_a_time):
        tally += _take_some(engine, source, some, clock, take)
    return tally


def _take_some(
    engine: Engine,
    source: str,
    items: Sequence[tuple[int, I]],
    clock: Clock,
    take: Callable[[Session, Sequence[I], datetime], object],
) -> Tally:
    """Take in some of a list and move on in it, in one transaction: when the database is away, they are read again.

    One that cannot be taken in is kept as a dead letter in the transaction that moves past it.
    """

    def read_on(session: Session, some: Sequence[tuple[int, I]]) -> Tally:
        if not _moves_on(session, source, some[-1][0]):
            return Tally(passed=len(some))  # another worker has read so far
        take(session, [item for _, item in some], clock.now())
        return Tally(done=len(some))

    def keep(session: Session, numbered: tuple[int, I], error: Exception) -> Tally:
        number, item = numbered
        if not _moves_on(session, source, number):
            return Tally(passed=1)
        keep_dead_letter(session, source, str(number), item, error, clock.now())
        return Tally(quarantined=1)

    outcome = guarded(
        engine,
        items,
        kind=source,
        whole=lambda session: read_on(session, items),
        alone=lambda session, numbered: read_on(session, [numbered]),
        keep=keep,
    )
    return sum(outcome.done, Tally())


def _moves_on(session: Session, source: str, number: int) -> bool:
    """Move the place in a list forward. False when it is there already. Locks it until the transaction ends."""
    row = {"id": new_id(), "source": source, "position": number}
    further = "read_positions.position < excluded.position"
    return upsert(session, ReadPosition.__table__, [row], ["source"], only_if=further) == 1


# --- dead letters ----------------------------------------------------------------------------


def keep_dead_letter(
    session: Session, source: str, which: str, item: TextReply | Receipt, error: Exception, now: datetime
) -> None:
    """Set an item aside. `source` and `which` name it: the provider's list and its place there, or its reference."""
    row = _dead_letter(source, which, item, now)
    insert_new(session, DeadLetter.__table__, [row], ["id"])
    quarantine(session, (DEAD_LETTER, row["id"]), error, now)


def _dead_letter(source: str, which: str, item: Heard, now: datetime) -> dict[str, Any]:
    subject = uuid.uuid5(uuid.NAMESPACE_OID, f"{source}:{which}")
    return {"id": subject, "source": source, "said": _as_json(item), "at": now}


def _take_again(engine: Engine, take: Callable[[Session, Heard, datetime], bool], now: Callable[[], datetime]) -> Tally:
    """Take in what was released, each in a transaction of its own. `take` says False for what is not its own."""

    def take_one(session: Session, subject: uuid.UUID) -> Tally:
        row = session.scalars(
            select(DeadLetter)
            .where(DeadLetter.id == subject, ~is_quarantined(DEAD_LETTER, DeadLetter.id))
            .with_for_update(skip_locked=True)
        ).first()
        if row is None or not take(session, _as_heard(row.said), row.at):
            return Tally()  # another worker's, or nobody's here
        session.execute(delete(DeadLetter).where(DeadLetter.id == subject))
        return Tally(done=1)

    outcome = guarded_each(engine, _released(engine), take_one)
    quarantine_each(engine, DEAD_LETTER, outcome.failed, now())
    return outcome.tally()


def _released(engine: Engine) -> list[uuid.UUID]:
    with read_session(engine) as session:
        due = (
            select(DeadLetter.id)
            .where(~is_quarantined(DEAD_LETTER, DeadLetter.id))
            .order_by(DeadLetter.at)
            .limit(AGAIN_AT_ONCE)
        )
        return list(session.scalars(due))


def _as_json(item: Heard) -> str:
    """In plain ASCII: what could not be kept elsewhere can be kept here, whatever characters it is made of."""
    if isinstance(item, TextReply):
        said = {
            "ref": item.gateway_ref,
            "from": item.sender,
            "to": item.line,
            "body": item.body,
            "at": item.at.isoformat(),
        }
    else:
        named = {"message": str(item.message_id)} if isinstance(item, Receipt) else {"reference": item.reference}
        said = named | {"outcome": item.outcome, "detail": item.detail, "at": item.at.isoformat()}
    return json.dumps(said, ensure_ascii=True)


def _as_heard(said: str) -> Heard:
    kept = json.loads(said)
    at = datetime.fromisoformat(kept["at"])
    if "reference" in kept:
        return ReferredReceipt(kept["reference"], kept["outcome"], at, kept["detail"])
    if "message" in kept:
        return Receipt(uuid.UUID(kept["message"]), kept["outcome"], at, kept["detail"])
    return TextReply(kept["ref"], kept["from"], kept["body"], at, kept.get("to", ""))
