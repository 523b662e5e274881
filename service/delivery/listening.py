"""What comes back: receipts, and people's replies.

Receipts may come late, twice or out of order, and never move a message backwards.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import partial

import structlog
from sqlalchemy import Engine, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.clock import Clock
from service.delivery import facts, settling
from service.domain.tally import Tally
from service.domain.words import Channel, MessageState
from service.store import outbox
from service.store.parking import place
from service.store.session import reading, writing
from service.store.tables import ListenedTo, Message
from service.transports.base import InboundText, Listens, Receipt, Transport

log = structlog.get_logger(__name__)

# What a receipt may move on. A receipt can overtake the settling of its own hand-over.
IN_FLIGHT = (MessageState.HANDING_OVER, MessageState.SENT, MessageState.UNCERTAIN)
TakeText = Callable[[Session, str, str, str, datetime], object]


def listen(
    engine: Engine, transports: Mapping[Channel, Transport], clock: Clock, take_text: TakeText | None = None
) -> Tally:
    """Ask every transport that can be asked for what is new, and take it in.

    `take_text(session, gateway_ref, sender, body, now)` is what is done with a reply;
    without it replies are left where they are.
    One transaction and one guard each, and the place in the list moves on with it.
    """
    tally = Tally()
    for channel, transport in transports.items():
        if not isinstance(transport, Listens):
            continue
        tally += _read_on(engine, f"{channel.value}.receipts", transport.receipts, clock, _take_receipt)
        if take_text is not None:
            take = partial(_take_inbound, take_text)
            tally += _read_on(engine, f"{channel.value}.inbound", transport.inbound, clock, take)
    return tally


def take_receipt(engine: Engine, receipt: Receipt, now: datetime) -> bool:
    """Take in one receipt. False when it changed nothing: unknown, repeated, or overtaken."""
    with writing(engine) as session:
        return _take_receipt(session, receipt, now)


def _take_receipt(session: Session, receipt: Receipt, now: datetime) -> bool:
    moved = session.scalar(
        update(Message)
        .where(Message.id == receipt.message_id, Message.state.in_(IN_FLIGHT))
        .values(
            state=MessageState.DELIVERED if receipt.outcome == "delivered" else MessageState.FAILED,
            reason=None if receipt.outcome == "delivered" else "undelivered",
            settled_at=now,
            lease_until=None,
        )
        .returning(Message.id)
        .execution_options(synchronize_session=False)
    )
    if moved is None:
        return False
    outbox.note_events(session, [(moved, receipt.outcome, receipt.detail[:200])], now)
    if receipt.outcome != "delivered":
        # The address may work tomorrow; for this message the next contact is asked.
        for message in facts.load_one(session, moved):
            settling.try_next_contact(session, message, now)
    return True


def _take_inbound(take_text: TakeText, session: Session, text: InboundText, now: datetime) -> None:
    take_text(session, text.gateway_ref, text.sender, text.body, now)


def _read_on(
    engine: Engine,
    source: str,
    ask: Callable[[int], tuple[int, Sequence[object]]],
    clock: Clock,
    take: Callable[..., object],
) -> Tally:
    with reading(engine) as session:
        after = session.scalar(select(ListenedTo.place).where(ListenedTo.source == source)) or 0
    upto, items = ask(after)
    done = parked = 0
    for item in items:
        try:
            with writing(engine) as session:
                take(session, item, clock.now())
            done += 1
        except Exception as error:
            log.exception("could not take in what a provider said", source=source, error=place(error))
            parked += 1
    if upto != after:
        with writing(engine) as session:
            _mark(session, source, upto)
    return Tally(done=done, parked=parked)


def _mark(session: Session, source: str, upto: int) -> None:
    dialect = sqlite if session.get_bind().dialect.name == "sqlite" else postgresql
    statement = dialect.insert(ListenedTo).values(source=source, place=upto)
    session.execute(
        statement.on_conflict_do_update(index_elements=["source"], set_={"place": upto}, where=ListenedTo.place < upto)
    )
