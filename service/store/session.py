"""Engines and transactions.

Two doors: `reading` and `writing`. A writer on SQLite begins IMMEDIATE and waits
its turn in one queue shared by all processes: the database's own busy handler
sleeps and retries, which starves the unlucky; a file lock is fair and quick.
"""

from __future__ import annotations

import fcntl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.orm import Session

BUSY_SECONDS = 15
WRITES = "neaptide_writes"
_held = threading.local()  # the databases this thread is writing to


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
        parsed,
        pool_size=pool_size,
        max_overflow=pool_size,
        hide_parameters=True,
        connect_args={"timeout": BUSY_SECONDS, "check_same_thread": False},
    )
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


@contextmanager
def reading(engine: Engine) -> Iterator[Session]:
    """A session that only reads; whatever it changed is rolled back."""
    with Session(engine, expire_on_commit=False, autoflush=False) as session:
        yield session


@contextmanager
def writing(engine: Engine) -> Iterator[Session]:
    """One transaction: committed when the block ends well, otherwise as if it never began."""
    with _turn(engine), Session(engine, expire_on_commit=False) as session:
        session.connection(execution_options={WRITES: True})
        yield session
        session.commit()


@contextmanager
def _turn(engine: Engine) -> Iterator[None]:
    if engine.dialect.name != "sqlite":
        yield
        return
    database = str(engine.url.database)
    mine: set[str] = _held.__dict__.setdefault("databases", set())
    if database in mine:
        raise RuntimeError("a writing transaction inside another on the same thread would wait for itself for ever")
    # Each writer opens the lock file anew, so threads of one process queue too.
    with Path(f"{database}.writers").open("wb") as queue:
        fcntl.flock(queue, fcntl.LOCK_EX)
        mine.add(database)
        try:
            yield
        finally:
            mine.discard(database)


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # we say BEGIN ourselves, below
    cursor = connection.cursor()
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA synchronous=FULL")  # an acknowledged reading survives a power cut
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute(f"PRAGMA busy_timeout={BUSY_SECONDS * 1000}")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get(WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
