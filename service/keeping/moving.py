"""Move everything from a file of SQLite into an empty database of PostgreSQL, of which one serves at any time.

Promises that nobody has the file open from before the first row is read until it is marked as moved, by SQLite's own
lock and not by signs of life, which are minutes old; that all tables come over in one transaction, with their ids and
marks as they were, and each is compared, row by row in one written form, before it is committed; and that at no moment
both could be worked with: what came over is held, as what a backup brought back is, until the file has been marked.

The hold ends with the move, and nobody need resume: it stands for a time of which nothing is known, and here there is
none, since nothing ran. Where a move was broken off between the mark and that, the next one compares all of it anew and
ends it. To go back is another matter. What ran on PostgreSQL meanwhile the file does not know, so
`undo` leaves it held from the move on, with everybody signed out, as a restored backup is.

Values are written as they lie in the file, not read by this version's rules: what is sealed or odd stays as it is.
"""

from __future__ import annotations

import re
import sqlite3
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

import psycopg
from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Connection,
    Date,
    DateTime,
    Engine,
    String,
    Table,
    Time,
    Uuid,
    delete,
    func,
    insert,
    inspect,
    select,
)
from sqlalchemy.exc import OperationalError
from sqlalchemy.types import TypeDecorator, TypeEngine

from service.domain.validation import Refused
from service.keeping import contents
from service.keeping.archive import Content
from service.keeping.contents import AT_ONCE, LAYOUT
from service.keeping.postgresql import PATIENT
from service.store import arrivals, holds, migrate, months
from service.store.audit import OPERATOR, Act
from service.store.identity import new_id
from service.store.session import MOVED_MARK, write_connection, write_session
from service.store.tables import ARRIVING, Base, Clinic, Hold
from service.store.troubles import Trouble, trouble_of

ITS_OWN = {"arrivals"}  # each database counts for itself; it goes on from the other's count: arrivals.carry_on
TABLES: Sequence[Table] = [table for table in Base.metadata.sorted_tables if table.name not in ITS_OWN]
MINUTE = timedelta(minutes=1)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
NAMED_AT_MOST = 5
IN_COPY = re.compile(r"COPY (\w+), line (\d+)(?:, column (\w+))?")  # PostgreSQL: where in a COPY it stopped
Row = tuple[Any, ...]
Read = Callable[[Any], Any]
Step = Callable[[int, int], None]


class NotMoved(Exception):
    """Why it was not moved, by names of tables and ids of rows; the file serves on."""


@dataclass(frozen=True)
class CameOver:
    """What lies in PostgreSQL, compared and committed, and held by `hold_id` until `let_go`."""

    hold_id: uuid.UUID
    tables: Mapping[str, Content]

    @property
    def rows(self) -> int:
        return sum(table.rows for table in self.tables.values())


def left_held(source: Engine, target: Engine) -> CameOver | None:
    """What a move that was broken off between its mark and its last step left in `target`, compared anew.

    None for a file that is not marked. `source` was opened alone. Raises Refused for a file that others have open or
    that was moved and let go, and where what came over is not as it is in the file any more.
    """
    file, moved = str(source.url.database), moved_at(source)
    if moved is None:
        return None
    _refuse_layout(source)
    at, where = f"{moved:%Y-%m-%d %H:%M} UTC", address(target)
    with source.connect() as read, target.connect() as there:
        hold_id = _hold_of(there, moved)
        if hold_id is None:
            raise Refused("database", file, f"one that was not moved yet; this one was, at {at}")
        if not migrate.is_current(target):
            raise Refused("to", where, "one with this version's layout: end the move with the version that began it")
        there.exec_driver_sql(f"{PATIENT}; SET LOCAL TIME ZONE 'UTC'")
        here = _driver(read)
        came = {table.name: contents.of_rows(_rows(here, table)) for table in TABLES}
        try:
            for table in TABLES:
                _compare(here, there, table, came[table.name], without=hold_id)
        except NotMoved as differs:
            what = f"what came over at {at} and nothing else ({differs}): empty it, `neaptide move --undo`, move again"
            raise Refused("to", where, what) from None
    return CameOver(hold_id, came)


def look(source: Engine, target: Engine) -> dict[str, int]:
    """How many rows of each table there are to move. Writes nothing.

    `source` was opened alone, and is not marked. Raises Refused for a file that has another layout, and for a target
    that is no empty database of PostgreSQL.
    """
    _refuse_layout(source)
    if target.dialect.name != "postgresql":
        raise Refused("to", target.dialect.name, "postgresql://…")
    with target.connect() as connection:
        _refuse_filled(connection)
    with source.connect() as connection:
        return {table.name: connection.scalar(select(func.count()).select_from(table)) or 0 for table in TABLES}


def bring_over(source: Engine, target: Engine, now: datetime, step: Step) -> CameOver:
    """Copy every row into `target`, whose layout is this version's, and compare. Raises NotMoved, Refused.

    1. In one transaction: keep others out of the target, look again whether it is empty, hold it.
    2. Copy a table after the other, none before what it refers to, while no trigger marks rows anew.
    3. Lay them into their months; read each back and compare it with what was read from the file.
    4. Let marks go on from the highest that the file has given out; commit.
    """
    hold_id = new_id()
    with source.connect() as read, target.begin() as written:
        written.exec_driver_sql(f"{PATIENT}; SET LOCAL TIME ZONE 'UTC'")
        written.exec_driver_sql(f"LOCK TABLE {', '.join(table.name for table in TABLES)} IN SHARE ROW EXCLUSIVE MODE")
        _refuse_filled(written)
        file = _driver(read)
        number = file.execute("SELECT coalesce(max(number), 0) FROM arrivals").fetchone()[0]
        of = sum(file.execute(f'SELECT count(*) FROM "{table.name}"').fetchone()[0] for table in TABLES)  # noqa: S608
        came, done = {}, 0
        for table in TABLES:
            written.exec_driver_sql(f"ALTER TABLE {table.name} DISABLE TRIGGER USER")
            came[table.name] = _copy(file, written, table)
            written.exec_driver_sql(f"ALTER TABLE {table.name} ENABLE TRIGGER USER")
            done += came[table.name].rows
            step(done, max(of, 1))
        months.make_within(written)  # those that the rows are of: they came into the rest
        for table in TABLES:
            _compare(file, written, table, came[table.name])
        arrivals.carry_on(written, ARRIVING, at_least=number)
        written.execute(insert(Hold).values(id=hold_id, backup_at=now, restored_at=now))
    with target.begin() as written:
        written.exec_driver_sql(PATIENT)
        written.exec_driver_sql("ANALYZE")  # else the first queries know of no index which leads to the fewest rows
    return CameOver(hold_id, came)


def mark(source: Engine, now: datetime) -> None:
    """From here on nobody can open the file by mistake."""
    _mark(source, int((now - EPOCH) / MINUTE))


def let_go(target: Engine, came: CameOver, now: datetime) -> None:
    """What came over may be worked with: the file is marked. An audit line of it at every clinic."""
    with write_session(target) as session:
        session.execute(delete(Hold).where(Hold.id == came.hold_id))
        for clinic_id in session.scalars(select(Clinic.id)):
            Act(session, OPERATOR, clinic_id, now).note("service.move", ("clinic", clinic_id), rows=came.rows)


def moved_at(source: Engine) -> datetime | None:
    """The minute in which all of it was moved away, or None. Raises Refused for a file that others have open."""
    file = Path(str(source.url.database))
    try:
        with source.connect() as connection:
            minutes = connection.exec_driver_sql(f"PRAGMA {MOVED_MARK}").scalar_one()
    except OperationalError as error:
        if trouble_of(error) is not Trouble.BUSY:
            raise
        raise Refused("database", str(file), f"one that nobody works with: stop {_at_work(file)} first") from None
    return EPOCH + minutes * MINUTE if minutes else None


def undo(source: Engine, now: datetime) -> datetime:
    """Let the file be opened again, held from the minute of the move on. Returns that. Raises Refused."""
    moved = moved_at(source)
    if moved is None:
        raise Refused("undo", str(source.url.database), "a file that was moved")
    with write_session(source) as session:
        session.add(Hold(backup_at=moved, restored_at=now, compared_at=now))
        holds.end_sessions(session)
    _mark(source, 0)
    return moved


def _mark(source: Engine, minutes: int) -> None:
    with write_connection(source) as connection:
        connection.exec_driver_sql(f"PRAGMA {MOVED_MARK} = {minutes}")


def address(engine: Engine) -> str:
    """Where a database is, as an operator writes it, without a password."""
    return engine.url.set(drivername=engine.dialect.name).render_as_string(hide_password=True)


# --- what keeps it from being done ---------------------------------------------------------------


def _refuse_layout(source: Engine) -> None:
    if not migrate.is_current(source):
        file = str(source.url.database)
        raise Refused("database", file, "one with this version's layout: run `neaptide migrate` first")


def _hold_of(target: Connection, moved: datetime) -> uuid.UUID | None:
    """The hold that a move in this minute put there and never let go."""
    if Hold.__tablename__ not in inspect(target).get_table_names():
        return None
    lasts = (Hold.resumed_at.is_(None), Hold.compared_at.is_(None))
    return target.scalar(select(Hold.id).where(*lasts, Hold.restored_at >= moved, Hold.restored_at < moved + MINUTE))


def _refuse_filled(connection: Connection) -> None:
    where = address(connection.engine)
    there = set(inspect(connection).get_table_names())
    if there and LAYOUT not in there:
        raise Refused("to", where, f"an empty database; it holds {', '.join(sorted(there)[:NAMED_AT_MOST])}")
    for table in TABLES:
        if table.name in there and connection.scalar(select(select(table).exists())):
            raise Refused("to", where, f"an empty database; rows lie in its table {table.name}")


def _at_work(file: Path) -> str:
    """Who has the file open, as far as this user may see: what to stop."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):  # it has ended, or is another user's
            if any(one.resolve() == file.resolve() for one in (process / "fd").iterdir()):
                words = (process / "cmdline").read_bytes().decode("utf-8", "replace").split("\0")
                doing = next(
                    (word for word in words if word in {"worker", "serve"}), "serve" if "gunicorn" in words else ""
                )
                found.append(f"process {process.name}{f' (neaptide {doing})' if doing else ''}")
    return ", ".join(sorted(found)) or "`neaptide serve` and `neaptide worker`"


# --- copying -------------------------------------------------------------------------------------


def _copy(file: sqlite3.Connection, target: Connection, table: Table) -> Content:
    names = ", ".join(f'"{column.name}"' for column in table.columns)
    try:
        with _driver(target).cursor().copy(f"COPY {table.name} ({names}) FROM STDIN") as copy:
            return contents.of_rows(_written(_rows(file, table), copy))
    except psycopg.Error as error:
        raise NotMoved(_said(file, table, error)) from None


def _written(rows: Iterable[Row], copy: psycopg.Copy) -> Iterator[Row]:
    for row in rows:
        copy.write_row(row)
        yield row


def _rows(file: sqlite3.Connection, table: Table) -> Iterator[Row]:
    """All rows as the file has them, by their key, each value as PostgreSQL has one. Raises NotMoved."""
    reads = [_reads(column) for column in table.columns]
    names = ", ".join(f'"{column.name}"' for column in table.columns)
    for row in file.execute(f'SELECT {names} FROM "{table.name}" ORDER BY {_order(table)}'):  # noqa: S608 - our own
        try:
            yield tuple(None if value is None else read(value) for read, value in zip(reads, row, strict=True))
        except (ValueError, TypeError, AttributeError):
            raise NotMoved(
                f"row {_named(_key_of(table, row))} of {table.name} holds what its columns cannot hold"
            ) from None


def _reads(column: Column[Any]) -> Read:
    """From SQLite's way of keeping a value to the one in which both are written and compared."""
    kind = _plain(column)
    ways: Sequence[tuple[type[TypeEngine[Any]], Read]] = (
        (Uuid, uuid.UUID),
        (DateTime, lambda value: datetime.fromisoformat(value).replace(tzinfo=UTC)),
        (Date, date.fromisoformat),
        (Time, time.fromisoformat),
        (Boolean, bool),
    )
    return next((read for of, read in ways if isinstance(kind, of)), lambda value: value)


def _compare(
    file: sqlite3.Connection, target: Connection, table: Table, came: Content, without: uuid.UUID | None = None
) -> None:
    """Raises NotMoved with the ids of rows that are not there as they are in the file; `without` the move's hold."""

    def there() -> Iterator[Row]:
        is_own = Hold.__table__ is table
        return (row for row in _rows_there(target, table) if not (is_own and _key_of(table, row) == (without,)))

    if contents.of_rows(there()) == came:
        return
    unlike = list(islice(_unlike(table, _rows(file, table), there()), NAMED_AT_MOST))
    raise NotMoved(f"{table.name} is not there as it is in the file: {', '.join(unlike) or 'in no row that is named'}")


def _rows_there(target: Connection, table: Table) -> Iterator[Row]:
    names = ", ".join(_read_back(column) for column in table.columns)
    with _driver(target).cursor(f"move_{table.name}") as cursor:
        cursor.itersize = AT_ONCE
        yield from cursor.execute(f"SELECT {names} FROM {table.name} ORDER BY {_order(table, 'C')}")  # noqa: S608 - our own


def _read_back(column: Column[Any]) -> str:
    """JSON as the text that it came as."""
    return f'"{column.name}"::text' if isinstance(_plain(column), JSON) else f'"{column.name}"'


def _unlike(table: Table, here: Iterator[Row], there: Iterator[Row]) -> Iterator[str]:
    """The rows of one that the other has not, or has otherwise; both in the order of their keys."""
    key_of = partial(_key_of, table)
    one, other = next(here, None), next(there, None)
    while one is not None or other is not None:
        if one is not None and (other is None or key_of(one) < key_of(other)):
            yield f"row {_named(key_of(one))} is missing"
            one = next(here, None)
        elif other is not None and (one is None or key_of(other) < key_of(one)):
            yield f"row {_named(key_of(other))} was added"
            other = next(there, None)
        else:
            if one != other:
                yield f"row {_named(key_of(one or ()))} differs"
            one, other = next(here, None), next(there, None)


def _said(file: sqlite3.Connection, table: Table, error: psycopg.Error) -> str:
    """What PostgreSQL would not take, without a value of the row in it."""
    told = error.diag
    why = " ".join(filter(None, (type(error).__name__, told.constraint_name)))
    found = IN_COPY.search(told.context or "")
    if found is None:
        return f"PostgreSQL does not take {table.name}: {why}"
    row = next(islice(_keys(file, table), int(found[2]) - 1, None), ("?",))
    column = f", column {found[3]}" if found[3] else ""
    return f"PostgreSQL does not take row {_named(row)} of {table.name}{column}: {why}"


def _keys(file: sqlite3.Connection, table: Table) -> Iterator[Row]:
    names = ", ".join(f'"{column.name}"' for column in table.primary_key.columns)
    yield from file.execute(f'SELECT {names} FROM "{table.name}" ORDER BY {_order(table)}')  # noqa: S608 - our own


def _order(table: Table, collation: str = "") -> str:
    """By the key: ids lie in the same order in both, text is compared by its bytes in both."""
    columns = table.primary_key.columns
    return ", ".join(
        f'"{one.name}" COLLATE "{collation}"' if collation and isinstance(_plain(one), String) else f'"{one.name}"'
        for one in columns
    )


def _key_of(table: Table, row: Row) -> Row:
    return tuple(value for value, column in zip(row, table.columns, strict=True) if column.primary_key)


def _named(key: Row) -> str:
    return " ".join(str(part) for part in key)


def _plain(column: Column[Any]) -> TypeEngine[Any]:
    kind: TypeEngine[Any] = column.type
    while isinstance(kind, TypeDecorator):
        kind = kind.impl_instance
    return kind


def _driver(connection: Connection) -> Any:
    """The driver's own connection, within the same transaction."""
    return connection.connection.driver_connection
