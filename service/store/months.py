"""The months of what grows with every day of everybody (`tables.MONTHLY`): made ahead, looked at, and dropped whole.

On PostgreSQL a month of such a table is a table of its own (`migrations.monthly`); SQLite has them whole, and here is
nothing to do there. Months are of UTC and of a row's id, so of the time at which the row was written.

Promises that a month goes only where everything in it is over, by the caller's own words, and that whoever writes or
reads meanwhile waits behind nobody who waits: whoever drops or makes a month gives up within half a second, and tries
again. To drop a table, and so a month, is its owner's alone, whatever rights a role has to its rows.
"""

from __future__ import annotations

import time
import uuid
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from typing import TypeVar

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from service.store.guarded import Tally
from service.store.session import rows
from service.store.tables import MONTHLY

AHEAD = 3  # months that are there before they begin
ENOUGH = 1  # of them; where there are fewer, whoever makes them has not been there for months
LOCK_WAIT = "500ms"  # less than the second after which PostgreSQL looks for a deadlock: then it is we who give way
LOCK_NOT_AVAILABLE = "55P03"  # PostgreSQL, appendix A
PAUSE_SECONDS = 0.5
TRIES = 20
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Laid:
    """How one table lies: its last month (YYYY_MM), and whether anything lies in none."""

    table: str
    last_month: str | None
    astray: bool


@dataclass(frozen=True, slots=True)
class Stays:
    """Which rows keep a month from being dropped, in SQL on the month's own table `t`."""

    young: str  # by their own time, which `:before` is compared with; such rows do not come any more
    waits: str = "false"  # a row that may come to wait again at any time: known by a partial index


def make_ahead(engine: Engine, ahead: int = AHEAD) -> Tally:
    """Make what is missing of this month and those ahead, and of those in which rows lie astray. How many."""
    made = 0
    if _are_laid(engine):
        while _patiently(engine, partial(_make, ahead=ahead)) is not None:
            made += 1
    return Tally(done=made)


def make_within(connection: Connection, ahead: int = AHEAD) -> None:
    """The same within a transaction that keeps others from the tables, however long it takes. On PostgreSQL."""
    while _make(connection, ahead) is not None:
        pass


def gather_statistics(engine: Engine) -> Tally:
    """Let PostgreSQL look at these tables as wholes, without which it misjudges what a join of them gives. How many.

    It looks at each month anew besides: once a week, and one table to a transaction.
    """
    looked_at = 0
    while looked_at < len(MONTHLY) and _are_laid(engine) and _patiently(engine, _gather) is not None:
        looked_at += 1
    return Tally(done=looked_at)


def look(session: Session) -> list[Laid]:
    """How each table lies. Nothing on SQLite."""
    if rows(session).dialect.name != "postgresql":
        return []
    found = rows(session).execute(text("SELECT made, last_month, astray FROM months.look()"))
    return [Laid(table, last_month, astray) for table, last_month, astray in found]


def month_name(at: datetime, later: int = 0) -> str:
    """The month of that instant, or one so many later, as YYYY_MM."""
    months = at.astimezone(UTC).year * 12 + at.astimezone(UTC).month - 1 + later
    return f"{months // 12:04}_{months % 12 + 1:02}"


def whole_before(engine: Engine, before: datetime) -> datetime:
    """Up to when rows are over where they go by months: on PostgreSQL the beginning of that month, UTC."""
    if engine.dialect.name != "postgresql":
        return before
    return before.astimezone(UTC).replace(day=1, hour=0, minute=0, second=0, microsecond=0)


def drop_before(engine: Engine, table: str, before: datetime, stays: Stays) -> Counter[uuid.UUID | None]:
    """Drop the months of the table that ended before that instant, the oldest first, as its owner. Rows by clinic."""
    gone: Counter[uuid.UUID | None] = Counter()
    if engine.dialect.name != "postgresql":
        return gone
    with engine.connect() as connection:
        theirs = [month for month in _months_of(connection, table) if month[-7:] < month_name(before)]
    for month in theirs:
        gone += _patiently(engine, partial(_drop, table=table, month=f"months.{month}", before=before, stays=stays))
    return gone


def _months_of(connection: Connection, table: str) -> list[str]:
    named = text(
        "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid"
        " WHERE i.inhparent = to_regclass(:parent) AND c.relname ~ '_[0-9]{4}_[0-9]{2}$' ORDER BY c.relname"
    )
    return list(connection.scalars(named, {"parent": f"public.{table}"}))


def _are_laid(engine: Engine) -> bool:
    if engine.dialect.name != "postgresql":
        return False
    with engine.connect() as connection:
        return connection.scalar(text("SELECT to_regproc('months.make')")) is not None


def _make(connection: Connection, ahead: int) -> str | None:
    made: str | None = connection.scalar(text("SELECT months.make(:ahead)"), {"ahead": ahead})
    return made


def _gather(connection: Connection) -> str | None:
    connection.exec_driver_sql("SET LOCAL statement_timeout = 0")
    looked_at: str | None = connection.scalar(text("SELECT months.gather()"))
    return looked_at


def _drop(connection: Connection, table: str, month: str, before: datetime, stays: Stays) -> Counter[uuid.UUID | None]:
    # Looked at whole while nobody waits, and then, when nobody can write to it, for what an index knows at once.
    connection.exec_driver_sql("SET LOCAL statement_timeout = 0")
    if _holds(connection, month, f"({stays.young}) OR ({stays.waits})", before):
        return Counter()
    counted = f"SELECT clinic_id, count(*) FROM {month} GROUP BY clinic_id"  # noqa: S608 - a table's own name
    found = Counter({row[0]: row[1] for row in connection.exec_driver_sql(counted)})
    connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{LOCK_WAIT}'")
    connection.exec_driver_sql(f"LOCK TABLE ONLY public.{table} IN ACCESS EXCLUSIVE MODE")
    if _holds(connection, month, stays.waits, before):
        return Counter()
    connection.exec_driver_sql(f"ALTER TABLE public.{table} DETACH PARTITION {month}")
    connection.exec_driver_sql(f"DROP TABLE {month}")
    return found


def _holds(connection: Connection, month: str, condition: str, before: datetime) -> bool:
    asked = text(f"SELECT EXISTS (SELECT FROM {month} t WHERE {condition})")  # noqa: S608 - our own words
    return bool(connection.scalar(asked, {"before": before} if ":before" in condition else {}))


def _patiently(engine: Engine, work: Callable[[Connection], T]) -> T:
    """In a transaction of its own; once more where somebody else had what it would have to wait for."""
    for tries_left in reversed(range(TRIES)):
        try:
            with engine.begin() as connection:
                return work(connection)
        except OperationalError as error:
            if tries_left == 0 or getattr(error.orig, "sqlstate", None) != LOCK_NOT_AVAILABLE:
                raise
        time.sleep(PAUSE_SECONDS)
    raise AssertionError("unreachable")
