"""One pass over the outbox.

Promises the order of the delivery promise: claim, recheck, stamp, hand over, settle;
each of the three writes a transaction of its own, and each only where the claim
still holds. Whatever kills a process between two of them, the next pass knows what to do.
"""

from __future__ import annotations

import random
import uuid
from collections.abc import Callable, Mapping
from enum import StrEnum

from sqlalchemy import Engine

from service.clock import Clock
from service.delivery import claiming, uncertain
from service.delivery.handing_over import hand_over
from service.delivery.settling import settle_all
from service.delivery.stamping import LinkMaker, stamp
from service.domain.tally import Tally
from service.domain.words import Channel
from service.store.session import writing
from service.transports.base import Transport

AT_ONCE = 32  # calls in flight: a slow provider must not make a queue of one
BATCH = 200


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
    limit: int = BATCH,
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
    `at` is told of every boundary; `chance` spreads the waits after failures; `stopping` is asked between batches.
    """
    chance = chance or random.Random()
    tally = Tally()
    uncertain.take_back(engine, clock.now())
    while not stopping():
        at(Boundary.BEFORE_CLAIM)
        token = uuid.uuid4()
        with writing(engine) as session:
            claimed = claiming.claim(session, token, clock.now(), limit)
            at(Boundary.CLAIMING)
        if not claimed:
            break
        at(Boundary.CLAIMED)
        stamped = stamp(engine, token, links, transports, clock.now(), lambda: at(Boundary.STAMPING))
        at(Boundary.STAMPED)
        results = hand_over(
            stamped.ready, transports, clock, at_once, lambda: at(Boundary.CALLING), lambda: at(Boundary.CALLED)
        )
        at(Boundary.HANDED_OVER)
        settled = settle_all(engine, token, results, clock.now(), chance, lambda: at(Boundary.SETTLING))
        tally += stamped.stopped + settled
        at(Boundary.SETTLED)
    return tally
