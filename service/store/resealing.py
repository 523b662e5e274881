"""Brings what is encrypted (`service.store.vault`) to the present key, a few rows at a time.

Promises that nothing is lost on the way: each row is changed only where it still holds what was opened, so that what
somebody writes meanwhile stands, and whoever is broken off goes on another time. It finds its columns by their type.
What no key opens is left as it is, and counted.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import (
    Column,
    ColumnElement,
    Connection,
    Engine,
    Table,
    Text,
    and_,
    bindparam,
    func,
    or_,
    select,
    type_coerce,
    update,
)
from sqlalchemy.exc import IntegrityError

from service.store.session import Where, rows, write_connection
from service.store.tables import Base
from service.store.vault import HEAD, SIGN, Hidden, Vault, vault_of

AT_ONCE = 200
FIRST = uuid.UUID(int=0)


@dataclass(frozen=True)
class Resealed:
    """How what is encrypted stands: values by table and column."""

    resealed: int = 0
    waiting: int = 0  # under a previous key, or under none yet
    lost: tuple[tuple[str, int], ...] = ()  # under a key that is not named here: where, and how many


def hidden_columns() -> Iterator[tuple[Table, Column[Any]]]:
    """Every column that is encrypted, with its table."""
    for table in Base.metadata.sorted_tables:
        yield from ((table, column) for column in table.columns if isinstance(column.type, Hidden))


def standing(where: Where) -> Resealed:
    """How many values wait to be brought to the present key, and which nobody can open."""
    connection = rows(where)
    vault, waiting, lost = vault_of(connection.dialect), 0, []
    for table, column in hidden_columns():
        counts = select(_count(_waits(column, vault)), _count(_is_lost(column, vault))).select_from(table)
        waits, gone = connection.execute(counts).one()
        waiting += waits or 0
        if gone:
            lost.append((f"{table.name}.{column.name}", int(gone)))
    return Resealed(waiting=waiting, lost=tuple(lost))


def reseal(engine: Engine) -> Resealed:
    """Bring all that waits to the present key, and say how it stands then. Does nothing without a key."""
    vault, resealed = vault_of(engine.dialect), 0
    for table, column in hidden_columns() if vault.keys else ():
        after: uuid.UUID | None = FIRST
        while after is not None:
            with write_connection(engine) as connection:
                done, after = _some(connection, vault, table, column, after)
                resealed += done
    with write_connection(engine) as connection:
        now = standing(connection)
    return Resealed(resealed, now.waiting, now.lost)


def _some(
    connection: Connection, vault: Vault, table: Table, column: Column[Any], after: uuid.UUID
) -> tuple[int, uuid.UUID | None]:
    """The next few rows: how many were changed, and the last of them; None where there are no more."""
    raw: ColumnElement[str] = type_coerce(column, Text)
    kind: Any = column.type
    next_ones = select(table.c.id, raw).where(table.c.id > after, _waits(column, vault)).order_by(table.c.id)
    found = connection.execute(next_ones.limit(AT_ONCE)).all()
    done = 0
    for row_id, was in found:
        plain = vault.open(kind.what, was) if was.startswith(SIGN) else was.encode()
        if plain is None:  # it bears the mark of a key of ours, and was altered
            continue
        its = update(table).where(table.c.id == row_id, raw == was)
        values = {column.name: bindparam("sealed", vault.seal(kind.what, plain), Text)}
        try:
            with connection.begin_nested():
                done += connection.execute(its.values(values)).rowcount
        except IntegrityError:  # the same stands there under the present key already: it stays, and is told as waiting
            continue
    return done, found[-1][0] if len(found) == AT_ONCE else None


def _waits(column: Column[Any], vault: Vault) -> ColumnElement[bool]:
    raw: ColumnElement[str] = type_coerce(column, Text)
    in_clear = and_(raw != "", func.substr(raw, 1, 1) != SIGN)
    return or_(in_clear, func.substr(raw, 1, HEAD).in_(vault.heads[1:]))


def _is_lost(column: Column[Any], vault: Vault) -> ColumnElement[bool]:
    raw: ColumnElement[str] = type_coerce(column, Text)
    return and_(func.substr(raw, 1, 1) == SIGN, func.substr(raw, 1, HEAD).not_in(vault.heads))


def _count(condition: ColumnElement[bool]) -> ColumnElement[int]:
    return func.count().filter(condition)
