"""In which order rows arrived, so that whoever asks again and again for what is new misses nothing.

Promises that every insert and every change gives the row a `mark`, whoever wrote it and how: the database does, by
triggers. Marks follow the order of commits closely enough to read by: `final_before` is a mark that no transaction,
running or to come, will give again, so that what is below it has come whole. On SQLite, where one writes at a time, a
mark is the next number. On PostgreSQL it is the number of the transaction (pg_current_xact_id), and final is what is
below the oldest that still runs (pg_snapshot_xmin): a long write holds later rows back, and loses none.

Transactions are counted anew by another server, so what a copy was brought into continues from its highest mark:
`carry_on`. Does not tell of rows that were deleted, or that have moved to another clinic.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, ClassVar

from sqlalchemy import (
    DDL,
    BigInteger,
    Column,
    Connection,
    FromClause,
    Index,
    Integer,
    MetaData,
    Select,
    Table,
    and_,
    event,
    func,
    literal_column,
    or_,
    select,
    text,
)
from sqlalchemy.orm import Mapped, Session, mapped_column

from service.domain.validation import Refused

START = "start"
NUMBER = "coalesce((SELECT number FROM arrivals), 0)"
_MARK = "CAST(CAST(pg_current_xact_id() AS text) AS bigint)"
_XMIN = "CAST(CAST(pg_snapshot_xmin(pg_current_snapshot()) AS text) AS bigint)"
_CURSOR = re.compile(r"([0-9]{1,18})(?:\.([0-9a-f]{32}))?")


class Arriving:
    """A table whose rows are told of by arrival. A change of `QUIET` columns alone is no news."""

    QUIET: ClassVar[frozenset[str]] = frozenset()
    __mapper_args__: ClassVar[dict[str, Any]] = {"eager_defaults": False}  # nobody needs it back at once

    mark: Mapped[int | None] = mapped_column(BigInteger)  # given by a trigger, whatever is written


def values_of(row: Any) -> dict[str, Any]:
    """What a row holds, by attribute, without the mark: that is the database's, and no part of a copy."""
    return {column.key: getattr(row, column.key) for column in row.__table__.columns if column.key != "mark"}


@dataclass(frozen=True)
class Cursor:
    """Up to where rows were told of: all before `mark`, and of those with it, all up to `row_id`."""

    mark: int
    row_id: uuid.UUID | None = None

    def __str__(self) -> str:
        return str(self.mark) if self.row_id is None else f"{self.mark}.{self.row_id.hex}"


def read_cursor(field: str, given: str) -> Cursor:
    """A cursor as it was given out. Raises Refused."""
    if given == START:
        return Cursor(0)
    if found := _CURSOR.fullmatch(given):
        return Cursor(int(found[1]), None if found[2] is None else uuid.UUID(hex=found[2]))
    raise Refused(field, given, "start, or the cursor of an earlier answer")


def final_before(session: Session) -> int:
    """The mark below which nothing new can come any more. What is asked in the same session later sees all of that."""
    own = f"{NUMBER} + 1" if session.get_bind().dialect.name == "sqlite" else f"{NUMBER} + {_XMIN}"
    return int(session.scalar(select(literal_column(own))) or 0)


def arrived(
    session: Session, wanted: Select[Any], table: Any, since: Cursor, most: int
) -> tuple[list[Any], Cursor, bool]:
    """Rows of `table` that `wanted` asks for and that arrived since, the next cursor, and whether there are more yet.

    Raises LookupError for a cursor that this database has not given out.
    """
    until = final_before(session)
    if since.mark > until:
        raise LookupError(str(since))
    past = table.mark >= since.mark
    if since.row_id is not None:
        past = or_(table.mark > since.mark, and_(table.mark == since.mark, table.id > since.row_id))
    found = wanted.add_columns(table.mark).where(past, table.mark < until).order_by(table.mark, table.id)
    rows = session.execute(found.limit(most + 1)).all()
    if not rows:
        return [], since, False  # the same answer as before, whatever was written elsewhere
    if len(rows) <= most:
        return [row for row, _ in rows], Cursor(until), False
    last, mark = rows[most - 1]
    return [row for row, _ in rows[:most]], Cursor(mark, last.id), True


def install(metadata: MetaData, kinds: list[Any]) -> tuple[Table, ...]:
    """Add the count, and to each kind's table its index and the triggers that mark its rows. Returns the tables."""
    count = Table(
        "arrivals", metadata, Column("id", Integer, primary_key=True, autoincrement=False), Column("number", BigInteger)
    )
    event.listen(count, "after_create", _ddl("INSERT INTO arrivals (id, number) VALUES (1, 0)"))
    function = _ddl(
        "CREATE FUNCTION marks_arrival() RETURNS trigger LANGUAGE plpgsql AS "
        f"'BEGIN NEW.mark := {NUMBER} + {_MARK}; RETURN NEW; END'"
    )
    event.listen(count, "after_create", function.execute_if(dialect="postgresql"))
    gone = _ddl("DROP FUNCTION IF EXISTS marks_arrival() CASCADE")
    event.listen(count, "before_drop", gone.execute_if(dialect="postgresql"))
    for kind in kinds:
        table: Table = kind.__table__
        table.add_is_dependent_on(count)
        # What arrived since: arrived(). SQLite marks a row once it is there: it would enter it twice, were this not
        # of marked rows alone, where another index finds all of a clinic's.
        marked = table.c.mark.is_not(None) if any(_finds_clinic(one) for one in table.indexes) else None
        if "clinic_id" in table.c:  # clinics themselves are few
            Index(f"ix_{table.name}_clinic_id_mark", table.c.clinic_id, table.c.mark, sqlite_where=marked)
        news = ", ".join(one.name for one in table.columns if one.name not in {*kind.QUIET, "mark"})
        for when, name in (("INSERT", "comes"), (f"UPDATE OF {news}", "changes")):
            on = f"CREATE TRIGGER {table.name}_{name} %s {when} ON {table.name}"
            given = f"UPDATE {table.name} SET mark = (SELECT number FROM arrivals) WHERE rowid = NEW.rowid"  # noqa: S608
            of_sqlite = _ddl(f"{on % 'AFTER'} BEGIN UPDATE arrivals SET number = number + 1; {given}; END")  # noqa: S608
            event.listen(table, "after_create", of_sqlite.execute_if(dialect="sqlite"))
            of_postgresql = _ddl(f"{on % 'BEFORE'} FOR EACH ROW EXECUTE FUNCTION marks_arrival()")
            event.listen(table, "after_create", of_postgresql.execute_if(dialect="postgresql"))
    return tuple(kind.__table__ for kind in kinds)


def _finds_clinic(index: Index) -> bool:
    return index.columns[0].name == "clinic_id" and index.dialect_options["sqlite"]["where"] is None


def _ddl(statement: str) -> DDL:
    return DDL(statement)  # type: ignore[no-untyped-call]


def carry_on(connection: Connection, tables: Iterable[FromClause], at_least: int = 0) -> None:
    """On PostgreSQL, let marks go on from the highest there is, where this server has counted less far than another.

    `at_least` is up to where another database has given them out, to rows that are gone perhaps.
    """
    if connection.dialect.name != "postgresql" or connection.scalar(select(func.to_regclass("arrivals"))) is None:
        return
    marks = [at_least, *(connection.scalar(select(func.max(table.c.mark))) or 0 for table in tables)]
    statement = text(
        f"INSERT INTO arrivals (id, number) VALUES (1, greatest(0, :highest - {_MARK} + 1)) "  # noqa: S608 - our own
        "ON CONFLICT (id) DO UPDATE SET number = greatest(arrivals.number, excluded.number)"
    )
    connection.execute(statement, {"highest": max(marks)})
