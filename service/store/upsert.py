"""Insert rows, and say what becomes of a row that is there already: nothing, or its new values.

Promises the same on both databases, at nearly the driver's own speed: the same values in
the same columns as a Core insert, through the same column types. A batch is worked a
column at a time: a thousand windows hold few different instants and words, and each is
put into words once. For one row, what must be found out about its table is kept from one
call to the next. Does not fill in defaults: a row holds every column it wants written
(`id` too), and all rows of a call have the keys of the first.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from operator import itemgetter
from typing import Any

from sqlalchemy import Dialect, FromClause
from sqlalchemy.types import TypeEngine

from service.store.session import Where
from service.store.session import rows as connection_of
from service.store.types import Id

COUNTS = {"preserve_rowcount": True}
CURRENT = "superseded_at IS NULL"  # what the unique indexes of clinical rows are among: no correction has come
Rows = Sequence[Mapping[str, Any]]


def insert_rows(where: Where, table: FromClause, rows: Rows) -> int:
    """Insert `rows`. Returns how many were written; raises IntegrityError for one that is there already."""
    return _insert(where, table, rows, "")


def insert_new(where: Where, table: FromClause, rows: Rows, key: Sequence[str] = (), *, among: str = "") -> int:
    """Insert those of `rows` whose `key` (the columns of a unique index) is not there yet. Returns how many were.

    Without a key, those that no unique index of the table holds already. `among` is the condition
    of a partial index ("superseded_at IS NULL"). Of two that write the same key at the same time, the
    second waits for the first to end.
    """
    return _insert(where, table, rows, f"{_on(key)}{f' WHERE {among}' if among else ''} DO NOTHING")


def upsert(where: Where, table: FromClause, rows: Rows, key: Sequence[str], *, only_if: str = "") -> int:
    """Insert `rows`; one whose `key` is there already gives that row its other values (its id stays).

    `only_if` is a condition in SQL on the row that is there, named by its table, and on
    the new one, named `excluded`. Returns how many were inserted or changed.
    """
    if not rows:
        return 0
    changed = ", ".join(f"{name} = excluded.{name}" for name in rows[0] if name not in key and name != "id")
    return _insert(where, table, rows, f"{_on(key)} DO UPDATE SET {changed}{f' WHERE {only_if}' if only_if else ''}")


def _on(key: Sequence[str]) -> str:
    return f"ON CONFLICT ({', '.join(key)})" if key else "ON CONFLICT"


def _insert(where: Where, table: FromClause, rows: Rows, on_conflict: str) -> int:
    if not rows:
        return 0
    connection = connection_of(where)
    if len(rows) == 1:
        statement, processes = _prepared(table, tuple(rows[0]), on_conflict, connection.dialect)
        values = zip(rows[0].values(), processes, strict=True)
        row = tuple([value if process is None else process(value) for value, process in values])
        return connection.exec_driver_sql(statement, row, execution_options=COUNTS).rowcount
    names, dialect = list(rows[0]), connection.dialect
    columns = zip(*map(itemgetter(*names), rows), strict=True)
    ready = [_ready(table.c[name].type, dialect, values) for name, values in zip(names, columns, strict=True)]
    statement = _statement(table, names, on_conflict, dialect)
    return connection.exec_driver_sql(statement, list(zip(*ready, strict=True)), execution_options=COUNTS).rowcount


@lru_cache(maxsize=64)
def _prepared(
    table: FromClause, names: tuple[str, ...], on_conflict: str, dialect: Dialect
) -> tuple[str, list[Callable[[Any], Any] | None]]:
    processes = [_processor(table.c[name].type, dialect) for name in names]
    return _statement(table, names, on_conflict, dialect), processes


def _statement(table: FromClause, names: Sequence[str], on_conflict: str, dialect: Dialect) -> str:
    marks = ", ".join(["?" if dialect.name == "sqlite" else "%s"] * len(names))
    return f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks}) {on_conflict}"  # noqa: S608 - our own names only


def _processor(kind: TypeEngine[Any], dialect: Dialect) -> Callable[[Any], Any] | None:
    return kind.dialect_impl(dialect).bind_processor(dialect)


def _ready(kind: TypeEngine[Any], dialect: Dialect, values: Sequence[Any]) -> Sequence[Any]:
    """One column as the driver wants it."""
    process = _processor(kind, dialect)
    if process is None:
        return values
    if isinstance(kind, Id):  # to look one up costs more than to write it
        return [process(value) for value in values]
    try:
        each = {value: process(value) for value in set(values)}
    except TypeError:  # JSON: not hashable
        return [process(value) for value in values]
    return [each[value] for value in values]
