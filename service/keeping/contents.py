"""What each table holds, in one number: how many rows, and their checksum.

Promises that two databases of one kind have the same contents here exactly when every table has the same rows, whatever
order they lie in; nothing is read by the rules of this version, so that an odd row is backed up as it is.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import uuid
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, inspect

from service.keeping.archive import Content

AT_ONCE = 2000
HOLDS, LAYOUT = "holds", "alembic_version"


def of_sqlite(connection: sqlite3.Connection) -> dict[str, Content]:
    """Of a file of SQLite, by the driver's own connection; `connection` reads nothing else meanwhile."""
    listed = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite~_%' ESCAPE '~'"
    names = [name for (name,) in connection.execute(listed)]
    return {name: of_rows(connection.execute(_all_of(name))) for name in sorted(names)}


def of_postgresql(connection: Connection, without: uuid.UUID | None = None) -> dict[str, Content]:
    """Of a database of PostgreSQL, as this transaction sees it; `without` one hold, which came with the restoring."""
    connection.exec_driver_sql("SET LOCAL TIME ZONE 'UTC'")  # instants are read in the session's
    streamed = connection.execution_options(stream_results=True, yield_per=AT_ONCE)
    found = {}
    for name in sorted(inspect(connection).get_table_names()):
        with streamed.exec_driver_sql(_all_of(name)) as rows:
            found[name] = of_rows(row for row in rows if name != HOLDS or row.id != without)
    return found


def _all_of(table: str) -> str:
    order = "version_num" if table == LAYOUT else "id"
    return f'SELECT * FROM "{table}" ORDER BY {order}'  # noqa: S608 - a table's name, from the database itself


def of_rows(rows: Iterable[Sequence[Any]]) -> Content:
    """Of rows in an order that does not change, whose values are written alike wherever they come from."""
    number, digest = 0, hashlib.sha256()
    for row in rows:
        digest.update(json.dumps(tuple(row), sort_keys=True, default=str).encode("utf-8"))
        number += 1
    return Content(number, digest.hexdigest())


@contextmanager
def sqlite_file(file: Path) -> Iterator[sqlite3.Connection]:
    """A file of SQLite that nobody else works with."""
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        yield connection
