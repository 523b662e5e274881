"""The id of a new row: a UUID of version 7 (RFC 9562, section 5.7).

Promises that of two ids made in one process the later is the greater, so that what is written in one instant
stays in the order in which it was written; and that rows written one after the other lie beside each other in
every index. Ids without order touch a leaf of the tree each, and a year's table has more leaves than memory holds.

Keeps no secret: from an id can be read when its row was made, and its neighbours can be guessed. What opens
something (a link, a session, a token of a claim) is drawn at random.

It goes by the machine's time, whatever day the service's clock was steered to: nobody is told it.
"""

from __future__ import annotations

import os
import threading
import time
import uuid
from collections.abc import Iterable
from datetime import timedelta

APART = 24 * 3600 * 1000  # milliseconds by which the clocks of two machines surely differ less
ENDS = (1 << 48) - 1  # the last millisecond that an id can tell
_COUNT_BITS, _CHANCE_BITS = 42, 32  # RFC 9562, section 6.2, method 1: counted within a millisecond, beside chance
_CHANCE_BYTES = 10  # of which the first count begins anywhere in its lower half
_LOW = (1 << 30) - 1  # of the count, behind the variant
_lock = threading.Lock()
_last = (0, 0)  # the millisecond since 1970, and the count within it


def new_id() -> uuid.UUID:
    """An id that nobody else has, greater than those that this process has made before."""
    chance = int.from_bytes(os.urandom(_CHANCE_BYTES), "big")  # not a generator's: a forked process would repeat it
    at, count = _next(chance >> (8 * _CHANCE_BYTES - _COUNT_BITS + 1))
    tail = chance & ((1 << _CHANCE_BITS) - 1)
    return uuid.UUID(int=at << 80 | 7 << 76 | (count >> 30) << 64 | 2 << 62 | (count & _LOW) << 32 | tail)


def none_made_before(ids: Iterable[uuid.UUID]) -> uuid.UUID:
    """The least id that what was made after the first of these can have, whichever machine made it.

    By it whoever looks for what hangs on a row need not look among what is older (`store.months`). From an id of
    another version nothing can be told: then it is the least id there is.
    """
    first = min((one.int >> 80 if one.version == 7 else 0 for one in ids), default=0)
    return uuid.UUID(int=max(first - APART, 0) << 80)


def none_made_after(ids: Iterable[uuid.UUID], lasted: timedelta = timedelta(0)) -> uuid.UUID:
    """The greatest id that what was made until `lasted` after the last of these can have, whichever machine made it.

    From an id of another version nothing can be told: then it is the greatest id there is.
    """
    last = max((one.int >> 80 if one.version == 7 else ENDS for one in ids), default=ENDS)
    return uuid.UUID(int=min(last + max(lasted // timedelta(milliseconds=1), 0) + APART, ENDS) << 80 | (1 << 80) - 1)


def none_made_within(age: timedelta) -> uuid.UUID:
    """The least id that what was made within `age` of now can have, whichever machine made it."""
    made = time.time_ns() // 1_000_000 - age // timedelta(milliseconds=1)
    return uuid.UUID(int=max(made - APART, 0) << 80)


def _next(begin: int) -> tuple[int, int]:
    """The millisecond and the count of an id; `begin` is where the count of a new millisecond begins."""
    global _last
    now = time.time_ns() // 1_000_000
    with _lock:
        at, count = _last
        if now > at:
            _last = (now, begin)
        elif count + 1 < 1 << _COUNT_BITS:  # also where the machine's clock was set back
            _last = (at, count + 1)
        else:
            _last = (at + 1, begin)
        return _last
