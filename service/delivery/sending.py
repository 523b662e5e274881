"""One pass over the outbox: claim, recheck, stamp, hand over, settle.

Promises that order; that each of the three writes is a transaction of its own, and each
only where the claim still holds; that whatever kills a process between two of them, the
next pass knows what to do; and that a call to a provider begins only while the lease
surely outlasts it and while the message may still go: the end of a long queue behind a
slow provider is given back rather than sent late, and so is what is left when the worker
is to stop. A database that goes away and comes back costs a delay, not a doubt: what was
handed over is settled when it is back, and what was not is queued again.

A batch is whole rounds of calls (four), so that no last round runs half empty, with one pool of
threads for a pass: a quarter more messages a second than batches of 200 with a pool each.
"""

from __future__ import annotations

import random
import time
import uuid
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import structlog
from sqlalchemy import Engine, select, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.clock import Clock
from service.delivery import recovering
from service.delivery.facts import MessageFacts
from service.delivery.rechecking import LinkMaker, Stamped, stamp
from service.delivery.settling import HandedOver, held, put_back, settle_all
from service.domain.sending import SendAction, recheck
from service.domain.vocabulary import Channel, MessageState
from service.store.due import LEASE, QUEUED_MESSAGES
from service.store.guarded import Tally
from service.store.quarantine import describe_error
from service.store.session import patiently, write_session
from service.store.tables import Message
from service.transports.base import LONGEST_CALL, Gone, OutgoingText, PermanentFailure, TemporaryFailure, Transport

log = structlog.get_logger(__name__)

CALLS_AT_ONCE = 32  # calls in flight: a slow provider must not make a queue of one
ROUNDS = 4  # calls one after another in a batch: whole rounds, so that no last one runs half empty
LEAST = 128  # what goes to one person together is best seen together


class Boundary(StrEnum):
    """Where a crash can fall. Tests stop the process at each.

    Those that end in -ing are inside a transaction or a call that has not ended.
    """

    BEFORE_CLAIM = "before_claim"
    CLAIMING = "claiming"
    CLAIMED = "claimed"
    STAMPING = "stamping"
    STAMPED = "stamped"
    CALLING = "calling"  # for each message, in the thread that calls
    CALLED = "called"
    HANDED_OVER = "handed_over"
    SETTLING = "settling"
    SETTLED = "settled"


def deliver(
    engine: Engine,
    transports: Mapping[Channel, Transport],
    links: LinkMaker,
    clock: Clock,
    *,
    at_once: int = CALLS_AT_ONCE,
    at: Callable[[Boundary], None] = lambda _: None,
    chance: random.Random | None = None,
    stopping: Callable[[], bool] = lambda: False,
) -> Tally:
    """Deliver everything that is due, batch by batch.

    1. Take back what a dead worker left: before hand-over it is queued again, after it is uncertain.
    2. Claim a batch by compare-and-set, with a token and a lease.
    3. Recheck each; stamp the hand-over of those that may go, settle the others with their reason.
    4. Call the providers, `at_once` at a time, with no transaction open.
    5. Settle, where the token still matches.
    `at` is told of every boundary; `chance` spreads the waits after failures; `stopping` is asked before
    every batch and every call, and what is not begun then is queued again.
    """
    recovering.take_back(engine, clock.now())
    tally = Tally()
    with ThreadPoolExecutor(at_once, thread_name_prefix="hand-over") as pool:
        batches = _Pass(engine, transports, links, clock, pool, at, chance or random.Random(), stopping)
        while not stopping():
            batch = batches.next(max(at_once * ROUNDS, LEAST))
            if batch is None:
                break
            tally += batch
    return tally


@dataclass(frozen=True)
class _Pass:
    engine: Engine
    transports: Mapping[Channel, Transport]
    links: LinkMaker
    clock: Clock
    pool: ThreadPoolExecutor
    at: Callable[[Boundary], None]
    chance: random.Random
    stopping: Callable[[], bool]

    def next(self, limit: int) -> Tally | None:
        """One batch from claim to settling. None when nothing is due."""
        token = uuid.uuid4()
        try:
            stamped = self._take(token, limit)
        except Exception:
            self._give_back(token)
            raise
        if stamped is None:
            return None
        self.at(Boundary.STAMPED)
        results = hand_over(
            stamped.ready,
            self.transports,
            self.clock,
            self.pool,
            self.stopping,
            lambda: self.at(Boundary.CALLING),
            lambda: self.at(Boundary.CALLED),
        )
        self.at(Boundary.HANDED_OVER)
        now = self.clock.now()
        settled = patiently(
            lambda: settle_all(self.engine, token, results, now, self.chance, lambda: self.at(Boundary.SETTLING))
        )
        self.at(Boundary.SETTLED)
        return stamped.stopped + settled

    def _take(self, token: uuid.UUID, limit: int) -> Stamped | None:
        self.at(Boundary.BEFORE_CLAIM)
        with write_session(self.engine) as session:
            claimed = claim(session, token, self.clock.now(), limit)
            self.at(Boundary.CLAIMING)
        if not claimed:
            return None
        self.at(Boundary.CLAIMED)
        return stamp(
            self.engine, token, self.links, self.transports, self.clock.now(), lambda: self.at(Boundary.STAMPING)
        )

    def _give_back(self, token: uuid.UUID) -> None:
        """No provider was called under `token`: what got as far as the database waits again, but not for its lease."""
        try:
            patiently(lambda: give_back(self.engine, token, self.clock.now()))
        except DBAPIError as error:
            log.warning("claims left to their lease", error=describe_error(error))


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


def hand_over(
    ready: Sequence[tuple[MessageFacts, OutgoingText]],
    transports: Mapping[Channel, Transport],
    clock: Clock,
    pool: ThreadPoolExecutor,
    stopping: Callable[[], bool],
    calling: Callable[[], None] = lambda: None,
    called: Callable[[], None] = lambda: None,
) -> list[HandedOver]:
    """Hand over everything in `ready`, as many at a time as `pool` has threads. Returns one result for each."""
    # Elapsed time, not the clock on the wall: that may be set while we wait.
    last_start = time.monotonic() + (LEASE - LONGEST_CALL).total_seconds()

    def one(item: tuple[MessageFacts, OutgoingText]) -> HandedOver:
        facts, text = item
        if (
            stopping()
            or time.monotonic() > last_start
            or recheck(facts.last_look, clock.now()).action is not SendAction.GO
        ):
            return HandedOver(facts, begun=False)
        calling()
        sent = _call(facts, text, transports[facts.channel])
        called()
        return sent

    if len(ready) <= 1:
        return [one(item) for item in ready]
    return list(pool.map(one, ready))


def _call(facts: MessageFacts, text: OutgoingText, transport: Transport) -> HandedOver:
    try:
        return HandedOver(facts, ref=transport.send(text))
    except TemporaryFailure as failure:
        return HandedOver(facts, temporary=str(failure), wait=failure.wait)
    except PermanentFailure as failure:
        return HandedOver(facts, permanent=str(failure), gone=isinstance(failure, Gone))
    except Exception as error:
        # A provider's surprise is not the message's end: the key makes another try harmless.
        log.exception("transport failed unexpectedly", message=str(facts.id), channel=facts.channel.value)
        return HandedOver(facts, temporary=describe_error(error))
