"""One pass over the outbox.

Promises the order of the delivery promise: claim, recheck, stamp, hand over, settle;
each of the three writes a transaction of its own, and each only where the claim
still holds. Whatever kills a process between two of them, the next pass knows what to do.
A database that goes away and comes back costs a delay, not a doubt: what was handed over
is settled when it is back, and what was not is queued again.
"""

from __future__ import annotations

import random
import uuid
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from enum import StrEnum

import structlog
from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from service.clock import Clock
from service.delivery import claiming, uncertain
from service.delivery.handing_over import hand_over
from service.delivery.settling import settle_all
from service.delivery.stamping import LinkMaker, Stamped, stamp
from service.domain.tally import Tally
from service.domain.vocabulary import Channel
from service.store.quarantine import describe_error
from service.store.session import patiently, write_session
from service.transports.base import Transport

log = structlog.get_logger(__name__)

AT_ONCE = 32  # calls in flight: a slow provider must not make a queue of one
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
    at_once: int = AT_ONCE,
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
    uncertain.take_back(engine, clock.now())
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
            stamped.ready, self.transports, self.clock, self.pool, self.stopping,
            lambda: self.at(Boundary.CALLING), lambda: self.at(Boundary.CALLED),
        )  # fmt: skip
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
            claimed = claiming.claim(session, token, self.clock.now(), limit)
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
            patiently(lambda: claiming.give_back(self.engine, token, self.clock.now()))
        except DBAPIError as error:
            log.warning("claims left to their lease", error=describe_error(error))
