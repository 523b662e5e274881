"""How often what an operator watches was written by this process since it began: windows, messages, signals.

Promises that only what was committed is counted, once, and that an outcome is a word of ours and nobody's id. Keeps no
history: a counter begins at nought with its process, as counters may. Rows are not counted in the database, since each
scrape would read years of them.

Of a web server's several processes each has a file of its own where `neaptide serve` says (the library's multiprocess
mode), and whichever answers adds them up; a worker's are in its heartbeat.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING

from sqlalchemy import Connection

if TYPE_CHECKING:
    import prometheus_client

Tally = Mapping[tuple[str, str], int]  # of what and which outcome, how many
_WAITING = "neaptide_counted"  # in what a connection carries: counted once its transaction is committed


class Counted(StrEnum):
    WINDOWS = "windows"  # by the state in which they were closed
    MESSAGES = "messages"  # by what happened to them, as their history has it
    SIGNALS = "signals"  # by the kind that was raised


def count(connection: Connection, what: Counted, outcomes: Iterable[str]) -> None:
    """Count one of each outcome, if the transaction of `connection` is committed."""
    connection.connection.info.setdefault(_WAITING, Counter()).update((what.value, one) for one in outcomes)


def begin(connection: Connection) -> None:
    """A transaction begins: what an earlier one left that was rolled back never was."""
    connection.connection.info.pop(_WAITING, None)


def counted(connection: Connection) -> Tally:
    """What the transaction has counted since it began: to be kept once it is committed."""
    found: Tally = connection.connection.info.pop(_WAITING, {})
    return found


def keep(tally: Tally) -> None:
    """A transaction that has counted this was committed."""
    for (what, outcome), number in tally.items():
        written().labels(what, outcome).inc(number)


@cache
def written() -> prometheus_client.Counter:
    """The process's counter. Its library takes a twentieth of a second to load: most commands count nothing."""
    from prometheus_client import Counter as Family

    return Family("neaptide_written", "What a process has written", ["what", "outcome"], registry=None)


def since_start() -> dict[str, dict[str, int]]:
    """What this one process has counted: outcome and number, by what it is of."""
    told: dict[str, dict[str, int]] = {}
    for family in written().collect():
        for sample in family.samples:
            if sample.name.endswith("_total"):
                told.setdefault(sample.labels["what"], {})[sample.labels["outcome"]] = int(sample.value)
    return told
