"""What comes back: receipts, and people's replies.

Receipts may come late, twice or out of order, and never move a message backwards.
A reply is taken in once: the place in the provider's list moves on in the same
transaction. What cannot be taken in becomes a dead letter under the provider's reference,
and the next is read; when an operator releases it, it is read again.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import datetime
from typing import Protocol, TypeVar

from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.clock import Clock
from service.delivery import dead_letters, facts, settling
from service.domain.sending import after_receipt
from service.domain.validation import storable
from service.domain.vocabulary import Channel, MessageState
from service.store import outbox
from service.store.guarded import Tally, guarded, guarded_each
from service.store.session import DATABASE_AWAY, read_session, write_session
from service.store.tables import Message, ReadPosition
from service.store.upsert import upsert
from service.transports.base import Listens, Receipt, TextReply, Transport


class TakeText(Protocol):
    """What is done with a reply. `said_at` is given for one that became a dead letter and is read again."""

    def __call__(
        self, session: Session, gateway_ref: str, sender: str, body: str, now: datetime, /, *, said_at: datetime = ...
    ) -> object: ...


CALLED_BACK, RECEIPT_CALLED_BACK = "text.called_back", "text.receipt_called_back"
MOST = 500
I = TypeVar("I", Receipt, TextReply)  # noqa: E741 - an item of a provider's list


def listen(
    engine: Engine, transports: Mapping[Channel, Transport], clock: Clock, take_text: TakeText | None = None
) -> Tally:
    """Ask every transport that can be asked for what is new, and take it in.

    `take_text(session, gateway_ref, sender, body, now)` is what is done with a reply;
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
    return tally + dead_letters.take_again(engine, _again(take_text, clock), clock.now)


def take_replies(engine: Engine, texts: Sequence[TextReply], take_text: TakeText, now: datetime) -> Tally:
    """Take in replies that a provider has called in, each alone: one that cannot be taken in holds up no other."""
    outcome = guarded_each(
        engine, texts, lambda session, text: take_text(session, text.gateway_ref, text.sender, text.body, now)
    )
    for text, error in outcome.failed:
        with write_session(engine) as session:
            dead_letters.keep(session, CALLED_BACK, text.gateway_ref, text, error, now)
    return Tally(done=len(outcome.done), quarantined=len(outcome.failed))


def take_receipts(engine: Engine, receipts: Sequence[Receipt], now: datetime) -> int:
    """Take in receipts that a provider has called in, in their order. Returns how many messages moved.

    One that changes nothing is unknown, repeated or overtaken; one that cannot be taken in holds up no other.
    """
    outcome = guarded(
        engine,
        receipts,
        whole=lambda session: _take_receipts(session, receipts, now),
        alone=lambda session, receipt: _take_receipts(session, [receipt], now),
    )
    for receipt, error in outcome.failed:
        with write_session(engine) as session:
            which = f"{receipt.message_id}:{receipt.outcome}"
            dead_letters.keep(session, RECEIPT_CALLED_BACK, which, receipt, error, now)
    return sum(outcome.done)


def _take_receipts(session: Session, receipts: Sequence[Receipt], now: datetime) -> int:
    rows = {
        row.id: row
        for row in session.execute(
            select(Message.id, Message.state, Message.handed_over_at)
            .where(Message.id.in_({receipt.message_id for receipt in receipts}))
            .order_by(Message.id)  # one order for all workers, so that two never wait for each other
            .with_for_update()
        )
    }
    states: dict[uuid.UUID, MessageState] = {message_id: row.state for message_id, row in rows.items()}
    events = []
    for receipt in receipts:
        if receipt.message_id not in rows:
            continue
        was_handed_over = rows[receipt.message_id].handed_over_at is not None
        if (moved := after_receipt(states[receipt.message_id], was_handed_over, receipt.outcome)) is not None:
            states[receipt.message_id] = moved
            events.append((receipt.message_id, receipt.outcome, storable(receipt.detail)[:200]))
    outbox.note_events(session, events, now)
    moved_on = {message_id: state for message_id, state in states.items() if state is not rows[message_id].state}
    delivered = [message_id for message_id, state in moved_on.items() if state is MessageState.DELIVERED]
    failed = [message_id for message_id, state in moved_on.items() if state is MessageState.FAILED]
    _move(session, delivered, MessageState.DELIVERED, None, now)
    _move(session, failed, MessageState.FAILED, "undelivered", now)
    for message_id in moved_on:
        if rows[message_id].state is MessageState.UNCERTAIN:
            settling.no_longer_uncertain(session, message_id, now)
    if failed:
        # The address may work tomorrow; for this message the next contact is asked.
        for message in facts.load(session, failed).facts:
            settling.try_next_contact(session, message, now)
    return len(moved_on)


def _move(
    session: Session, message_ids: Collection[uuid.UUID], state: MessageState, reason: str | None, now: datetime
) -> None:
    if message_ids:
        session.execute(
            update(Message)
            .where(Message.id.in_(message_ids))
            .values(state=state, reason=reason, settled_at=now, claim_token=None, lease_until=None)
            .execution_options(synchronize_session=False)
        )


def _taking(take_text: TakeText) -> Callable[[Session, Sequence[TextReply], datetime], object]:
    def take(session: Session, texts: Sequence[TextReply], now: datetime) -> None:
        for text in texts:
            take_text(session, text.gateway_ref, text.sender, text.body, now)

    return take


def _again(take_text: TakeText | None, clock: Clock) -> Callable[[Session, dead_letters.Heard], bool]:
    def take(session: Session, item: dead_letters.Heard) -> bool:
        if isinstance(item, Receipt):
            _take_receipts(session, [item], clock.now())
        elif take_text is not None:
            take_text(session, item.gateway_ref, item.sender, item.body, clock.now(), said_at=item.at)
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
    for first in range(0, len(items), at_a_time):
        some = items[first : first + at_a_time]
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

    def read_or_keep(session: Session, numbered: tuple[int, I]) -> Tally:
        try:
            with session.begin_nested():
                return read_on(session, [numbered])
        except DATABASE_AWAY:
            raise
        except Exception as error:
            number, item = numbered
            if not _moves_on(session, source, number):
                return Tally(passed=1)
            dead_letters.keep(session, source, str(number), item, error, clock.now())
            return Tally(quarantined=1)

    outcome = guarded(engine, items, whole=lambda session: read_on(session, items), alone=read_or_keep)
    if outcome.failed:
        raise outcome.failed[0][1]  # not even kept: it is read again
    return sum(outcome.done, Tally())


def _moves_on(session: Session, source: str, number: int) -> bool:
    """Move the place in a list forward. False when it is there already. Locks it until the transaction ends."""
    row = {"id": uuid.uuid4(), "source": source, "position": number}
    further = "read_positions.position < excluded.position"
    return upsert(session, ReadPosition.__table__, [row], ["source"], only_if=further) == 1
