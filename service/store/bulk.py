"""Rows written at nearly the database driver's own speed: many in one statement, or one of many alike.

Promises the same values in the same columns as a Core insert, through the same
column types. A batch is worked a column at a time: a thousand windows hold few
different instants and words, and each is put into words once. For one row, what must
be found out about its table is kept from one call to the next. Does not fill in
defaults: a row holds every column it wants written.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from operator import itemgetter
from typing import Any

from sqlalchemy import Dialect, FromClause
from sqlalchemy.types import TypeEngine

from service.store.session import Where
from service.store.session import rows as rows_of

COUNTS = {"preserve_rowcount": True}


def insert_rows(where: Where, table: FromClause, rows: Sequence[Mapping[str, Any]], or_else: str = "") -> int:
    """Insert `rows`, all with the keys of the first. Returns how many were written.

    `or_else` is what SQL calls ON CONFLICT …, if anything.
    """
    if not rows:
        return 0
    connection = rows_of(where)
    dialect = connection.dialect
    names = list(rows[0])
    columns = zip(*map(itemgetter(*names), rows), strict=True)
    ready = [_ready(table.c[name].type, dialect, values) for name, values in zip(names, columns, strict=True)]
    done = connection.exec_driver_sql(
        _statement(table, names, or_else, dialect), list(zip(*ready, strict=True)), execution_options=COUNTS
    )
    return done.rowcount


def insert_row(where: Where, table: FromClause, row: Mapping[str, Any], or_else: str = "") -> int:
    """Insert one row; for the writes that come with every request. Returns whether it was written, as 0 or 1."""
    connection = rows_of(where)
    statement, processes = _prepared(table, tuple(row), or_else, connection.dialect)
    values = zip(row.values(), processes, strict=True)
    ready = tuple([value if process is None else process(value) for value, process in values])
    return connection.exec_driver_sql(statement, ready, execution_options=COUNTS).rowcount


@lru_cache(maxsize=64)
def _prepared(
    table: FromClause, names: tuple[str, ...], or_else: str, dialect: Dialect
) -> tuple[str, list[Callable[[Any], Any] | None]]:
    processes: list[Callable[[Any], Any] | None] = [
        table.c[name].type.dialect_impl(dialect).bind_processor(dialect) for name in names
    ]
    return _statement(table, names, or_else, dialect), processes


def _statement(table: FromClause, names: Sequence[str], or_else: str, dialect: Dialect) -> str:
    marks = ", ".join(["?" if dialect.name == "sqlite" else "%s"] * len(names))
    return f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks}) {or_else}"  # noqa: S608 - our own names only


def _processor(kind: TypeEngine[Any], dialect: Dialect) -> Callable[[Any], Any] | None:
    return kind.dialect_impl(dialect).bind_processor(dialect)


def _ready(kind: TypeEngine[Any], dialect: Dialect, values: Sequence[Any]) -> Sequence[Any]:
    """One column as the driver wants it."""
    process = _processor(kind, dialect)
    if process is None:
        return values
    try:
        each = {value: process(value) for value in set(values)}
    except TypeError:  # JSON: not hashable
        return [process(value) for value in values]
    return [each[value] for value in values]
