"""Call the providers: several at once, with no transaction open, and none begun too late.

Promises that a call begins only while the lease surely outlasts it, and while the
message may still go: the end of a long queue behind a slow provider is given back
rather than sent late, and whatever is left of it when the worker is to stop. Never
raises for a provider's failure.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import timedelta

import structlog

from service.clock import Clock
from service.delivery.facts import MessageFacts
from service.domain.sending import Act, recheck
from service.domain.vocabulary import Channel
from service.store.leases import LEASE
from service.store.quarantine import describe_error
from service.transports.base import LONGEST_CALL, Gone, OutgoingText, PermanentFailure, TemporaryFailure, Transport

log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class Sent:
    """How one hand-over ended: the provider's reference, a failure of one of the two kinds, or not begun."""

    facts: MessageFacts
    ref: str | None = None
    temporary: str | None = None
    wait: timedelta | None = None  # the provider asked for at least so long
    permanent: str | None = None
    gone: bool = False  # ended by the recipient's side, as a push subscription is: nothing to mend
    begun: bool = True


def hand_over(
    ready: Sequence[tuple[MessageFacts, OutgoingText]],
    transports: Mapping[Channel, Transport],
    clock: Clock,
    pool: ThreadPoolExecutor,
    stopping: Callable[[], bool],
    calling: Callable[[], None] = lambda: None,
    called: Callable[[], None] = lambda: None,
) -> list[Sent]:
    """Hand over everything in `ready`, as many at a time as `pool` has threads. Returns one result for each."""
    # Elapsed time, not the clock on the wall: that may be set while we wait.
    last_start = time.monotonic() + (LEASE - LONGEST_CALL).total_seconds()

    def one(item: tuple[MessageFacts, OutgoingText]) -> Sent:
        facts, text = item
        if stopping() or time.monotonic() > last_start or recheck(facts.last_look, clock.now()).act is not Act.GO:
            return Sent(facts, begun=False)
        calling()
        sent = _call(facts, text, transports[facts.channel])
        called()
        return sent

    if len(ready) <= 1:
        return [one(item) for item in ready]
    return list(pool.map(one, ready))


def _call(facts: MessageFacts, text: OutgoingText, transport: Transport) -> Sent:
    try:
        return Sent(facts, ref=transport.send(text))
    except TemporaryFailure as failure:
        return Sent(facts, temporary=str(failure), wait=failure.wait)
    except PermanentFailure as failure:
        return Sent(facts, permanent=str(failure), gone=isinstance(failure, Gone))
    except Exception as error:
        # A provider's surprise is not the message's end: the key makes another try harmless.
        log.exception("transport failed unexpectedly", message=str(facts.id), channel=facts.channel.value)
        return Sent(facts, temporary=describe_error(error))
