"""One pass over the outbox: claim, recheck, then stamp, hand over and settle, a few at a time.

Promises that order; that each write is a transaction of its own, and each only where the
claim still holds; that whatever kills a process between two of them, the next pass knows
what to do; and that a crash leaves in doubt no more than the calls open at that moment and
a tenth of a second of answers: a message is stamped when a thread is free to call, and what
has come back is settled before the next are stamped. What was claimed and never stamped is
queued again. A call to a provider begins only while the lease surely outlasts it and while
the message may still go: the end of a long queue behind a slow provider is given back rather
than sent late, and so is what is left when the worker is to stop. A database that goes away
and comes back costs a delay, not a doubt: what was handed over is settled when it is back,
and what was not is queued again.

A batch is whole rounds of calls (four): what goes to one person together is seen together.
One slow call holds up the next batch, and no message of its own.
"""

from __future__ import annotations

import random
import time
import uuid
from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from queue import Empty, SimpleQueue

import structlog
from sqlalchemy import Engine, func, literal, select, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.clock import Clock
from service.delivery.facts import MessageFacts
from service.delivery.rechecking import LinkMaker, Rechecked, recheck_claimed, stamp
from service.delivery.settling import HandedOver, held, put_back, settle_all, take_back
from service.domain.sending import SendAction, recheck
from service.domain.vocabulary import Channel, MessageState
from service.store.due import LEASE, QUEUED_MESSAGES, made_since
from service.store.guarded import Tally
from service.store.holds import HELD
from service.store.quarantine import describe_error
from service.store.session import patiently, write_session
from service.store.tables import Message
from service.store.vault import UNOPENED
from service.transports.base import (
    LONGEST_CALL,
    Gone,
    OutgoingText,
    PermanentFailure,
    TemporaryFailure,
    Transport,
    Unclear,
)

log = structlog.get_logger(__name__)

CALLS_AT_ONCE = 32  # calls in flight: a slow provider must not make a queue of one
ROUNDS = 4  # calls one after another in a batch: whole rounds, so that no last one runs half empty
LEAST = 128  # what goes to one person together is best seen together
SETTLED_WITHIN_SECONDS = 0.1  # after the first answer that is not settled yet


class Boundary(StrEnum):
    """Where a crash can fall. Tests stop the process at each.

    Those that end in -ing are inside a transaction or a call that has not ended.
    """

    BEFORE_CLAIM = "before_claim"
    CLAIMING = "claiming"
    CLAIMED = "claimed"
    RECHECKING = "rechecking"
    STAMPING = "stamping"  # from here on for each few messages
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
    since: uuid.UUID | None = None,
) -> Tally:
    """Deliver everything that is due and was written `since` (`due.Lately`), batch by batch.

    1. Take back what a dead worker left: before hand-over it is queued again, after it is uncertain.
    2. Claim a batch by compare-and-set, with a token and a lease.
    3. Recheck each; settle those that may not go, with their reason.
    4. Stamp the hand-over of as many as may be called now, `at_once` in all.
    5. Call their providers, with no transaction open.
    6. Settle what has come back within a tenth of a second, where the token still matches; go on with 4.
    `at` is told of every boundary; `chance` spreads the waits after failures; `stopping` is asked before
    every batch and every call, and what is not begun then is queued again.
    """
    take_back(engine, clock.now(), since)
    tally = Tally()
    with ThreadPoolExecutor(at_once, thread_name_prefix="hand-over") as pool:
        chance = chance or random.Random()
        batches = _Pass(engine, transports, links, clock, pool, at_once, at, chance, stopping, since)
        while not stopping():
            batch = batches.next(max(at_once * ROUNDS, LEAST))
            if batch is None:
                break
            tally += batch
    return tally


Ready = tuple[MessageFacts, OutgoingText]


@dataclass(frozen=True)
class _Pass:
    engine: Engine
    transports: Mapping[Channel, Transport]
    links: LinkMaker
    clock: Clock
    pool: ThreadPoolExecutor
    at_once: int
    at: Callable[[Boundary], None]
    chance: random.Random
    stopping: Callable[[], bool]
    since: uuid.UUID | None

    def next(self, limit: int) -> Tally | None:
        """One batch from claim to settling. None when nothing is due."""
        token = uuid.uuid4()
        begin_by = _begin_by()
        try:
            rechecked = self._take(token, limit)
        except Exception:
            self._give_back(token)
            raise
        if rechecked is None:
            return None
        return rechecked.stopped + _Batch(self, token, begin_by, deque(rechecked.ready)).hand_over()

    def _take(self, token: uuid.UUID, limit: int) -> Rechecked | None:
        self.at(Boundary.BEFORE_CLAIM)
        with write_session(self.engine) as session:
            claimed = claim(session, token, self.clock.now(), limit, self.since)
            self.at(Boundary.CLAIMING)
        if not claimed:
            return None
        self.at(Boundary.CLAIMED)
        now, before_commit = self.clock.now(), lambda: self.at(Boundary.RECHECKING)
        return recheck_claimed(self.engine, token, claimed, self.links, self.transports, now, before_commit)

    def _give_back(self, token: uuid.UUID) -> None:
        """No provider was called under `token`: what got as far as the database waits again, but not for its lease."""
        try:
            patiently(lambda: give_back(self.engine, token, self.clock.now()))
        except DBAPIError as error:
            log.warning("claims left to their lease", error=describe_error(error))


@dataclass
class _Batch:
    """A claimed batch on its way to the providers: what waits for a call, and how many calls are open."""

    within: _Pass
    token: uuid.UUID
    begin_by: float  # until then, in the machine's seconds, the claim surely outlasts a call
    waiting: deque[Ready]
    open: int = 0
    answers: SimpleQueue[HandedOver | BaseException] = field(default_factory=SimpleQueue)

    def hand_over(self) -> Tally:
        """Turn by turn: stamp and call as many as may be, wait for answers, settle them."""
        tally, failure = Tally(), None
        while self.waiting or self.open:
            some, not_begun = self._choose()
            begin_by = _begin_by()  # before the stamp: this process may be stopped just after it
            try:
                self._begin(self._stamp([facts for facts, _ in some]), some, begin_by)
            except Exception as error:
                # Whether that was written is not known, but it is that none of them was called.
                failure = error
                not_begun += [facts for facts, _ in (*some, *self.waiting)]
                self.waiting.clear()
            tally += self._settle([HandedOver(facts, begun=False) for facts in not_begun])
            tally += self._settle(self._answers())
        if failure is not None:
            raise failure
        return tally

    def _choose(self) -> tuple[list[Ready], list[MessageFacts]]:
        """What is to be called now, and what is not to be begun any more: it waits for another batch."""
        some: list[Ready] = []
        not_begun = []
        while self.waiting and len(some) < self.within.at_once - self.open:
            facts, text = self.waiting.popleft()
            if self._may_begin(facts, self.begin_by):
                some.append((facts, text))
            else:
                not_begun.append(facts)
        return some, not_begun

    def _may_begin(self, facts: MessageFacts, begin_by: float) -> bool:
        return (
            time.monotonic() <= begin_by
            and not self.within.stopping()
            and recheck(facts.last_look, self.within.clock.now()).action is SendAction.GO
        )

    def _stamp(self, some: Sequence[MessageFacts]) -> Collection[uuid.UUID]:
        if not some:
            return ()
        with write_session(self.within.engine) as session:
            stamped = stamp(session, self.token, some, self.within.clock.now())
            self.within.at(Boundary.STAMPING)
        self.within.at(Boundary.STAMPED)
        return stamped

    def _begin(self, stamped: Collection[uuid.UUID], some: Sequence[Ready], begin_by: float) -> None:
        for facts, text in some:
            if facts.id in stamped:  # else another worker has it by now
                self.open += 1
                self.within.pool.submit(self._call, facts, text, begin_by)

    def _call(self, facts: MessageFacts, text: OutgoingText, begin_by: float) -> None:
        """In a thread of the pool."""
        try:
            # Asked again: this process may have been stopped since, for longer than the lease lasts.
            if not self._may_begin(facts, begin_by):
                self.answers.put(HandedOver(facts, begun=False))
                return
            self.within.at(Boundary.CALLING)
            sent = _call(facts, text, self.within.transports[facts.channel])
            self.within.at(Boundary.CALLED)
            self.answers.put(sent)
        except BaseException as error:
            self.answers.put(error)

    def _answers(self) -> list[HandedOver]:
        """The next answer, and what comes within a tenth of a second of it; sooner when calls can be begun again."""
        found: list[HandedOver] = []
        until: float | None = None
        while self.open and not (self.waiting and found and self.open <= self.within.at_once // 2):
            left = None if until is None else until - time.monotonic()
            if left is not None and left <= 0:
                break
            try:
                answer = self.answers.get(timeout=left)
            except Empty:
                break
            self.open -= 1
            if isinstance(answer, BaseException):
                raise answer
            until = until or time.monotonic() + SETTLED_WITHIN_SECONDS
            found.append(answer)
        return found

    def _settle(self, results: Sequence[HandedOver]) -> Tally:
        if not results:
            return Tally()
        within = self.within
        within.at(Boundary.HANDED_OVER)
        now = within.clock.now()
        settled = patiently(
            lambda: settle_all(
                within.engine, self.token, results, now, within.chance, lambda: within.at(Boundary.SETTLING)
            )
        )
        within.at(Boundary.SETTLED)
        return settled


def _begin_by() -> float:
    """Until when a lease that begins now outlasts a call. Elapsed time: the clock on the wall may be set meanwhile."""
    return time.monotonic() + (LEASE - LONGEST_CALL).total_seconds()


def claim(
    session: Session, token: uuid.UUID, now: datetime, limit: int, since: uuid.UUID | None = None
) -> Sequence[uuid.UUID]:
    """Claim up to `limit` due messages, written `since`, under `token`: those that waited longest first. Returns which.

    Compare-and-set: the state is asked again outside the selection, because two
    workers may have selected the same row, and one of them gets it. On PostgreSQL
    rows that another worker is claiming are passed over instead of waited for.
    None is claimed while what was restored is held (`store.holds`).
    """
    due = (
        select(Message.id)
        .where(QUEUED_MESSAGES, made_since(Message, since), Message.next_try_at <= now, ~HELD)
        .order_by(Message.next_try_at)
        .limit(limit)
        .with_for_update(skip_locked=True)
        # Chosen once, whatever the planner likes: a subquery may be run again for every row of the table,
        # pass over what it had locked the first time, and claim everything.
        .cte("due")
        .prefix_with("MATERIALIZED", dialect="postgresql")
    )
    claimed = session.connection().scalars(
        update(Message)
        .where(made_since(Message, since), Message.id.in_(select(due.c.id)), Message.state == MessageState.QUEUED)
        .values(
            state=MessageState.CLAIMED,
            claim_token=token,
            lease_until=now + LEASE,
            turns=Message.turns + 1,
            greets_at=func.coalesce(Message.greets_at, literal(now, Message.greets_at.type)),
        )
        .returning(Message.id)
    )
    return claimed.all()


def give_back(engine: Engine, token: uuid.UUID, now: datetime) -> None:
    """Queue again everything held under `token`: nothing has left, so this was no try."""
    with write_session(engine) as session:
        put_back(session, held(session, token, None, MessageState.CLAIMED, MessageState.HANDING_OVER), now)


def _call(facts: MessageFacts, text: OutgoingText, transport: Transport) -> HandedOver:
    try:
        if text.to == UNOPENED:  # the key may be brought back: nothing is broken for good
            raise TemporaryFailure("the address cannot be opened with the keys that are named")
        return HandedOver(facts, ref=transport.send(text))
    except Unclear as failure:
        return HandedOver(facts, unclear=str(failure))
    except TemporaryFailure as failure:
        return HandedOver(facts, temporary=str(failure), wait=failure.wait)
    except PermanentFailure as failure:
        return HandedOver(facts, permanent=str(failure), gone=isinstance(failure, Gone))
    except Exception as error:
        # A provider's surprise is not the message's end: the key makes another try harmless.
        log.exception("transport failed unexpectedly", message=str(facts.id), channel=facts.channel.value)
        return HandedOver(facts, temporary=describe_error(error))
