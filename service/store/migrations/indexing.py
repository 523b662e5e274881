"""An index on a table that is large and in use.

A table that lies by month (`monthly`) takes none in that way: each of its months gets one, and then the table, which
takes those for its own.

Promises that nobody who writes to the table waits for it on PostgreSQL, where a plain
CREATE INDEX would hold up every writer until it is built. It is all that its migration
does: building it is no part of a transaction, and is done again when it was broken off.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from alembic import op
from sqlalchemy import text

from service.store.migrate import LOCK_WAIT


def add_index(name: str, table: str, columns: Sequence[str], **options: Any) -> None:
    """Create an index beside those who write."""
    if op.get_context().dialect.name != "postgresql":
        op.create_index(name, table, columns, **options)
        return
    theirs = _months_of(table)
    with op.get_context().autocommit_block():
        # It waits for every transaction that is under way, however long that one takes: nobody waits behind it.
        op.execute("SET lock_timeout = 0")
        # An earlier try that was broken off left an index that is of no use, under this name.
        for month in theirs:
            of_month = f"{name}{month.removeprefix(table)}"
            op.drop_index(of_month, month, schema="months", if_exists=True, postgresql_concurrently=True)
            op.create_index(of_month, month, columns, schema="months", postgresql_concurrently=True, **options)
        op.drop_index(name, table, if_exists=True, postgresql_concurrently=not theirs)
        op.create_index(name, table, columns, postgresql_concurrently=not theirs, **options)
        op.execute(f"SET lock_timeout = '{LOCK_WAIT}'")


def drop_index(name: str, table: str) -> None:
    """Drop an index in the same way."""
    if op.get_context().dialect.name != "postgresql":
        op.drop_index(name, table)
        return
    theirs = _months_of(table)
    with op.get_context().autocommit_block():
        op.drop_index(name, table, if_exists=True, postgresql_concurrently=not theirs)


def _months_of(table: str) -> list[str]:
    """What lies under it; without a server, nothing."""
    if op.get_context().as_sql:
        return []
    named = "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid WHERE i.inhparent = to_regclass(:table)"
    return list(op.get_bind().scalars(text(named), {"table": table}))
