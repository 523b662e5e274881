"""One pass over the outbox.

Promises the order of DESIGN: claim, recheck, stamp, hand over, settle, each of the
three writes a transaction of its own, and each only where the claim still holds.
Whatever kills a process between two of them, the next pass knows what to do.
"""

from __future__ import annotations

import random
import uuid
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

import structlog
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.clock import Clock
from service.delivery import settling, uncertain
from service.delivery.facts import MessageFacts, load
from service.domain import messages
from service.domain.sending import Act, Verdict, recheck, wait
from service.domain.tally import Tally
from service.domain.words import Channel, MessageState
from service.store import outbox
from service.store.agenda import QUEUED_MESSAGES
from service.store.parking import place
from service.store.session import writing
from service.store.tables import Message
from service.transports.base import OutgoingText, PermanentFailure, TemporaryFailure, Transport

log = structlog.get_logger(__name__)

LEASE = timedelta(minutes=2)  # longer than any transport's time-out
MOST_AT_ONCE = 16  # hand-overs in flight: a slow provider must not make a queue of one
BATCH = 200

LinkMaker = Callable[[MessageFacts], str]


class Boundary(StrEnum):
    """Where a crash can fall between two steps. Tests stop the process at each."""

    BEFORE_CLAIM = "before_claim"
    CLAIMED = "claimed"
    STAMPED = "stamped"
    HANDED_OVER = "handed_over"
    SETTLED = "settled"


@dataclass(frozen=True)
class Sent:
    """How one hand-over ended: a provider's reference, or a failure of one of the two kinds."""

    facts: MessageFacts
    ref: str | None = None
    temporary: str | None = None
    permanent: str | None = None


def deliver(
    engine: Engine,
    transports: Mapping[Channel, Transport],
    links: LinkMaker,
    clock: Clock,
    limit: int = BATCH,
    *,
    at: Callable[[Boundary], None] = lambda _: None,
    chance: random.Random | None = None,
) -> Tally:
    """Deliver everything that is due, batch by batch.

    1. Take back what a dead worker left: before hand-over it is queued again, after it is uncertain.
    2. Claim a batch by compare-and-set, with a token and a lease.
    3. Recheck each; stamp the hand-over of those that may go, settle the others with their reason.
    4. Call the providers, several at once, with no transaction open.
    5. Settle, where the token still matches.
    `at` is told of every boundary; `chance` spreads the waits after failures.
    """
    chance = chance or random.Random()
    tally = Tally()
    uncertain.take_back(engine, clock.now())
    while True:
        at(Boundary.BEFORE_CLAIM)
        token = uuid.uuid4()
        if not _claim(engine, token, clock.now(), limit):
            return tally
        at(Boundary.CLAIMED)
        ready, stopped = _stamp(engine, token, links, clock.now())
        at(Boundary.STAMPED)
        results = _hand_over(ready, transports)
        at(Boundary.HANDED_OVER)
        tally += stopped + _settle(engine, token, results, clock.now(), chance)
        at(Boundary.SETTLED)


def _claim(engine: Engine, token: uuid.UUID, now: datetime, limit: int) -> int:
    due = (
        select(Message.id)
        .where(QUEUED_MESSAGES, Message.next_try_at <= now)
        .order_by(Message.next_try_at)
        .limit(limit)
        .with_for_update(skip_locked=True)
    )
    with writing(engine) as session:
        claimed = session.connection().execute(
            update(Message)
            # The state is asked again outside the selection: two workers may have selected the same row.
            .where(Message.id.in_(due), Message.state == MessageState.QUEUED)
            .values(state=MessageState.CLAIMED, claim_token=token, lease_until=now + LEASE)
        )
        return claimed.rowcount


def _stamp(
    engine: Engine, token: uuid.UUID, links: LinkMaker, now: datetime
) -> tuple[list[tuple[MessageFacts, OutgoingText]], Tally]:
    stopped = Tally()
    with writing(engine) as session:
        ready: list[tuple[MessageFacts, OutgoingText]] = []
        for facts in load(session, token):
            verdict = recheck(facts.last_look, now)
            if verdict.act is not Act.GO:
                _stop(session, facts, verdict, now)
                stopped += Tally(passed=1)
                continue
            try:
                ready.append((facts, _word(facts, links)))
            except Exception as error:
                # A message that cannot be worded is set aside and said so; the others go on.
                log.exception("message could not be worded", message=str(facts.id))
                settling.fail(session, facts, f"unworded: {place(error)}"[:60], now, tells_staff=True)
                stopped += Tally(parked=1)
        if ready:
            session.execute(
                update(Message)
                .where(Message.claim_token == token, Message.id.in_([facts.id for facts, _ in ready]))
                .values(
                    state=MessageState.HANDING_OVER,
                    handed_over_at=now,
                    attempts=Message.attempts + 1,
                    lease_until=now + LEASE,
                )
                .execution_options(synchronize_session=False)
            )
            outbox.note_events(session, [(facts.id, "handing_over", "") for facts, _ in ready], now)
    return ready, stopped


def _stop(session: Session, facts: MessageFacts, verdict: Verdict, now: datetime) -> None:
    why = verdict.why.value
    if verdict.act is Act.DEFER and verdict.until is not None:
        settling.queue_again(session, facts.id, why, verdict.until, now)
    elif verdict.act is Act.REROUTE:
        settling.fail(session, facts, why, now, tells_staff=False)
        settling.try_next_contact(session, facts, now)
    elif verdict.act is Act.EXPIRE:
        settling.settle(session, facts.id, MessageState.EXPIRED, why, now)
    else:
        settling.settle(session, facts.id, MessageState.CANCELLED, why, now)


def _word(facts: MessageFacts, links: LinkMaker) -> OutgoingText:
    values = {
        "sender": facts.sender,
        "number": facts.emergency_number,
        "phone": facts.contact_line,
        "link": "",
        **{name: str(value) for name, value in facts.params.items()},
    }
    body = facts.own_wording or messages.wording(facts.language, facts.kind)
    if "{link}" in body:
        values["link"] = links(facts)
    return OutgoingText(
        message_id=facts.id,
        to=facts.address,
        body=messages.render(body, facts.kind, values),
        subject=facts.sender,
        secret=facts.secret,
    )


def _hand_over(
    ready: Sequence[tuple[MessageFacts, OutgoingText]], transports: Mapping[Channel, Transport]
) -> list[Sent]:
    def one(item: tuple[MessageFacts, OutgoingText]) -> Sent:
        facts, text = item
        transport = transports.get(facts.channel)
        if transport is None:
            return Sent(facts, permanent=f"no_transport_for_{facts.channel.value}")
        try:
            return Sent(facts, ref=transport.send(text))
        except TemporaryFailure as failure:
            return Sent(facts, temporary=str(failure))
        except PermanentFailure as failure:
            return Sent(facts, permanent=str(failure))
        except Exception as error:
            # A provider's surprise is not the message's end: the key makes another try harmless.
            log.exception("transport failed unexpectedly", message=str(facts.id), channel=facts.channel.value)
            return Sent(facts, temporary=place(error))

    if len(ready) <= 1:
        return [one(item) for item in ready]
    with ThreadPoolExecutor(min(MOST_AT_ONCE, len(ready))) as pool:
        return list(pool.map(one, ready))


def _settle(engine: Engine, token: uuid.UUID, results: Sequence[Sent], now: datetime, chance: random.Random) -> Tally:
    if not results:
        return Tally()
    with writing(engine) as session:
        held = set(
            session.scalars(
                select(Message.id)
                .where(Message.claim_token == token, Message.state == MessageState.HANDING_OVER)
                .with_for_update()
            )
        )
        sent = [result for result in results if result.ref is not None and result.facts.id in held]
        settling.mark_sent(session, [(result.facts.id, result.ref or "") for result in sent], now)
        settled = Tally(done=len(sent))
        for result in results:
            if result.ref is not None or result.facts.id not in held:
                continue
            if result.permanent is not None:
                settling.break_contact(session, result.facts, result.permanent, now)
            else:
                again = now + wait(result.facts.attempts + 1, chance.random())
                settling.retry_or_expire(session, result.facts, result.temporary or "", again, now)
            settled += Tally(passed=1)
    return settled
