"""What many tests begin with, made once in a process and copied for each of them."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Hashable
from pathlib import Path
from typing import TypeVar

from psycopg import Cursor
from sqlalchemy import Connection, Engine

from service.store.tables import Base

T = TypeVar("T")
EVERY_TABLE = [table.name for table in Base.metadata.sorted_tables]  # none before what it refers to
_kept: dict[Hashable, tuple[bytes | dict[str, bytes], bytes]] = {}


def made_once(engine: Engine, which: Hashable, make: Callable[[], T]) -> T:
    """What `make` lays into the empty database, and a copy of what it gives back, which can be pickled.

    It is called once for each `which`. From then on SQLite's file is copied; of PostgreSQL the rows, as COPY wrote
    them, with their marks and seals: a database cannot be put in another's place while somebody is connected.
    """
    is_file = engine.dialect.name == "sqlite"
    if which not in _kept:
        given = make()
        _kept[which] = _file_of(engine) if is_file else _rows_of(engine), pickle.dumps(given)
        return given
    laid, given_then = _kept[which]
    if isinstance(laid, bytes):
        _lay_file(engine, laid)
    else:
        _lay_rows(engine, laid)
    copy: T = pickle.loads(given_then)  # noqa: S301 - written above
    return copy


def empty(connection: Connection) -> None:
    """Let no table of PostgreSQL hold a row. Not TRUNCATE: it writes each and its indexes anew, for most of a second."""
    connection.exec_driver_sql("; ".join(f"DELETE FROM {table}" for table in reversed(EVERY_TABLE)))


def _file_of(engine: Engine) -> bytes:
    with engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    return Path(engine.url.database or "").read_bytes()


def _lay_file(engine: Engine, laid: bytes) -> None:
    engine.dispose()
    file = Path(engine.url.database or "")
    for log in file.parent.glob(f"{file.name}-*"):
        log.unlink()
    file.write_bytes(laid)


def _rows_of(engine: Engine) -> dict[str, bytes]:
    with engine.connect() as connection:
        cursor: Cursor = connection.connection.cursor()  # type: ignore[assignment]
        return {table: rows for table in EVERY_TABLE if (rows := _copied(cursor, table))}


def _copied(cursor: Cursor, table: str) -> bytes:
    with cursor.copy(f"COPY (TABLE {table}) TO STDOUT") as out:
        return b"".join(bytes(some) for some in out)


def _lay_rows(engine: Engine, laid: dict[str, bytes]) -> None:
    with engine.begin() as connection:
        cursor: Cursor = connection.connection.cursor()  # type: ignore[assignment]
        # As a replica lays rows down: no trigger gives them another mark, and what they refer to was there.
        connection.exec_driver_sql("SET LOCAL session_replication_role = replica")
        empty(connection)
        for table, rows in laid.items():
            with cursor.copy(f"COPY {table} FROM STDIN") as into:
                into.write(rows)
