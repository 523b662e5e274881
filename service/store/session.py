"""Engines and transactions.

Four doors: `connect`, `read_session`, `write_session`; `write_connection` is the last one without
objects, for what is written most. A writer on SQLite begins IMMEDIATE and
waits its turn in one queue shared by all processes: the database's own busy handler
sleeps and retries, which starves the unlucky; a file lock is fair and quick.

A server may be restarted under a transaction: `is_away` knows that from a mistake,
and `patiently` waits for it to come back.

Of a check-in's time a session of objects cost as much as two statements, and an event of the
whole engine that said BEGIN slowed every statement. A file lock that is given back wakes
everybody who waits for it, so the threads of a process queue among themselves first.
"""

from __future__ import annotations

import fcntl
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.dialects import registry
from sqlalchemy.dialects.sqlite.pysqlite import SQLiteDialect_pysqlite
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolExhausted
from sqlalchemy.orm import Session

# The database cannot be reached, is locked or full, or has no connection left: no row and no request is to blame.
DATABASE_AWAY = (OperationalError, InterfaceError, PoolExhausted)
BUSY_SECONDS = 15
AT_TERMINAL = "neaptide_login"  # the option of an engine whose transactions are typed at a terminal: by whom
BEGIN = "neaptide_begin"  # how a connection's next transaction begins on SQLite; plainly where nothing is said
# SQLSTATE classes and codes of PostgreSQL, appendix A: connection exceptions, shutdowns and start-ups.
AWAY = ("08", "57P01", "57P02", "57P03")
WAITS = (0.05, 0.2, 0.5, 1.0, 2.0, 4.0, 8.0)  # seconds: a restart takes a few
T = TypeVar("T")
Where = Session | Connection  # a transaction, begun by `write_session` or `write_connection`
_queues: dict[str, threading.Lock] = {}  # of this process's threads, by database
_held = threading.local()  # the databases this thread is writing to


class SQLite(SQLiteDialect_pysqlite):
    """The toolkit's own, which begins as the doors below say.

    Its event for that would slow down every statement; the driver's own way begins too late.
    """

    supports_statement_cache = True

    def do_begin(self, dbapi_connection: Any) -> None:
        if how := dbapi_connection.info.pop(BEGIN, "BEGIN"):
            dbapi_connection.execute(how)


registry.register("sqlite.neaptide", __name__, SQLite.__name__)


def open_engine(url: str, *, pool_size: int = 8) -> Engine:
    """An engine for a SQLite file or a PostgreSQL database, set up as the service needs it.

    Raises ValueError for any other kind of database, or for SQLite without a file
    (several processes cannot share a database in memory).
    """
    parsed = make_url(url)
    backend = parsed.get_backend_name()
    if backend == "postgresql":
        parsed = parsed.set(drivername="postgresql+psycopg")
        return create_engine(
            parsed, pool_size=pool_size, max_overflow=pool_size, pool_pre_ping=True, hide_parameters=True
        )
    if backend != "sqlite":
        raise ValueError(f"database url begins with {backend!r}; accepted: sqlite:///FILE, postgresql://…")
    if not parsed.database or parsed.database == ":memory:":
        raise ValueError("a SQLite url needs a file: sqlite:///path/to/neaptide.sqlite3")
    engine = create_engine(
        parsed.set(drivername="sqlite+neaptide"),
        pool_size=pool_size,
        max_overflow=pool_size,
        hide_parameters=True,
        connect_args={"timeout": BUSY_SECONDS, "check_same_thread": False},
    )
    event.listen(engine, "connect", _prepare_sqlite)
    return engine


def at_terminal(engine: Engine, login: str) -> Engine:
    """The same engine for what this system user types: each audit line written through it says so."""
    return engine.execution_options(**{AT_TERMINAL: login})


@contextmanager
def connect(engine: Engine) -> Iterator[Connection]:
    """A connection for one question, which on SQLite needs no transaction around it."""
    with engine.connect() as connection:
        connection.connection.info[BEGIN] = ""
        yield connection


@contextmanager
def read_session(engine: Engine) -> Iterator[Session]:
    """A session that only reads; whatever it changed is rolled back."""
    with Session(engine, expire_on_commit=False, autoflush=False) as session:
        yield session


@contextmanager
def write_session(engine: Engine) -> Iterator[Session]:
    """One transaction: committed when the block ends well, otherwise as if it never began."""
    with _turn(engine), engine.connect() as connection, Session(connection, expire_on_commit=False) as session:
        connection.connection.info[BEGIN] = "BEGIN IMMEDIATE"
        session.connection()
        yield session
        session.commit()


def is_away(error: DBAPIError) -> bool:
    """Whether the server was gone, rather than unwilling: what was begun is undone, or was committed unheard."""
    code = getattr(error.orig, "sqlstate", "not said")
    # No code at all is a server that could not be reached to give one.
    return error.connection_invalidated or code is None or code.startswith(AWAY)


def patiently(work: Callable[[], T]) -> T:
    """Do `work`, which may safely be done twice, again after a while as long as the server is away.

    SQLite is never away: a lock has been waited for by then, and a full disk stays full.
    """
    for wait in WAITS:
        try:
            return work()
        except DBAPIError as error:
            if not is_away(error):
                raise
        time.sleep(wait)
    return work()


@contextmanager
def write_connection(engine: Engine) -> Iterator[Connection]:
    """`write_session`, for statements alone: a session of objects costs as much as two of them."""
    with _turn(engine), engine.connect() as connection:
        connection.connection.info[BEGIN] = "BEGIN IMMEDIATE"
        with connection.begin():
            yield connection


def rows(where: Where) -> Connection:
    """The connection of a transaction, for a statement without objects."""
    return where if isinstance(where, Connection) else where.connection()


@contextmanager
def objects(where: Where) -> Iterator[Session]:
    """A session within a transaction that may have been begun without one."""
    if isinstance(where, Session):
        yield where
        return
    with Session(where, expire_on_commit=False) as session:
        yield session
        session.flush()


@contextmanager
def _turn(engine: Engine) -> Iterator[None]:
    if engine.dialect.name != "sqlite":
        yield
        return
    database = str(engine.url.database)
    mine: set[str] = _held.__dict__.setdefault("databases", set())
    if database in mine:
        raise RuntimeError("a writing transaction inside another on the same thread would wait for itself for ever")
    # The threads of a process queue among themselves first: a file lock that is given back wakes all who wait for it.
    with _queues.setdefault(database, threading.Lock()):
        queue = os.open(f"{database}.writers", os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o666)
        try:
            fcntl.flock(queue, fcntl.LOCK_EX)
            mine.add(database)
            yield
        finally:
            mine.discard(database)
            os.close(queue)


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # we say BEGIN ourselves, below
    cursor = connection.cursor()
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA synchronous=FULL")  # an acknowledged reading survives a power cut
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute(f"PRAGMA busy_timeout={BUSY_SECONDS * 1000}")
    cursor.close()
