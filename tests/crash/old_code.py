"""What a service of the first layout says to its database, on and on, whatever is done to the layout meanwhile.

Its statements name the columns that migration 0001 made, and no others: every table is
written, read, changed and asked as that service's code did, through the same
uniqueness rules that its compare-and-set and its ON CONFLICT lean on.
"""

from __future__ import annotations

import threading
import uuid
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import UTC, date, datetime, time
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Date,
    Engine,
    Float,
    Integer,
    LargeBinary,
    String,
    Table,
    Time,
    UniqueConstraint,
    Uuid,
    delete,
    insert,
    select,
    text,
    update,
)
from sqlalchemy.dialects import postgresql, sqlite

from service.domain.vocabulary import MessageState
from service.store.session import open_engine, write_session
from service.store.types import Id, UTCDateTime, Word
from tests.crash.people import first_layout

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
# No longer than a page may take to load; a change of layout that holds everybody up for longer fails its writers.
STATEMENT_SECONDS = 10


class OldCode:
    """One old process: `rounds` counts how often it has done all that it does."""

    def __init__(self, engine: Engine) -> None:
        self.rounds = 0
        self._engine = open_engine(engine.url.render_as_string(hide_password=False))
        self._stop = threading.Event()
        self._pool = ThreadPoolExecutor(1)
        self._working: Future[None] | None = None

    def once(self) -> dict[str, uuid.UUID]:
        """Write, read, change and remove a row of every table; everything that goes wrong is raised. Leaves nothing."""
        ids: dict[str, uuid.UUID] = {}
        tables = first_layout().sorted_tables
        for table in tables:
            self._write(table, ids)
        self._claims(ids["messages"])
        self._beats()
        with write_session(self._engine) as session:
            for table in reversed(tables):
                session.connection().execute(delete(table).where(table.c.id == ids[table.name]))
        self.rounds += 1
        return ids

    def start(self) -> None:
        """On and on, beside the caller."""
        self._working = self._pool.submit(self._work)

    def end(self) -> None:
        """Stop. Raises what went wrong since the start."""
        self._stop.set()
        self._pool.shutdown(wait=True)
        self._engine.dispose()
        if self._working is not None:
            self._working.result()

    @property
    def failed(self) -> bool:
        return self._working is not None and self._working.done()

    def _work(self) -> None:
        while not self._stop.is_set():
            self.once()

    def _write(self, table: Table, ids: dict[str, uuid.UUID]) -> None:
        ids[table.name] = uuid.uuid4()
        row = {column.name: _value(table, column, ids) for column in table.c}
        ids.update({_name(column): row[column.name] for column in table.c if isinstance(row[column.name], uuid.UUID)})
        with write_session(self._engine) as session:
            connection = session.connection()
            if self._engine.dialect.name == "postgresql":
                connection.execute(text(f"SET LOCAL statement_timeout = '{STATEMENT_SECONDS}s'"))
            connection.execute(insert(table).values(row))
            for rule in _uniques(table):
                if all(row[name] is not None for name in rule):
                    # The same again, under another id: it is the rule that passes it over.
                    dialect = sqlite if self._engine.dialect.name == "sqlite" else postgresql
                    again = dialect.insert(table).values(row | {"id": uuid.uuid4()})
                    connection.execute(again.on_conflict_do_nothing(index_elements=rule))
            where = table.c.id == ids[table.name]
            if rest := {name: value for name, value in row.items() if name != "id"}:
                assert connection.execute(update(table).where(where).values(rest)).rowcount == 1
            assert connection.execute(select(table).where(where)).one()._asdict() == row

    def _claims(self, message_id: uuid.UUID) -> None:
        """A worker's compare-and-set, by way of the index that finds what is due."""
        messages, token = first_layout().tables["messages"], uuid.uuid4()
        with write_session(self._engine) as session:
            due = select(messages.c.id).where(text("messages.state = 'queued'"), messages.c.id == message_id)
            claimed = session.connection().execute(
                update(messages)
                .where(messages.c.id.in_(due.with_for_update(skip_locked=True)))
                .values(state=MessageState.CLAIMED, claim_token=token, lease_until=NOW)
            )
            assert claimed.rowcount == 1
        with write_session(self._engine) as session:
            mine = update(messages).where(messages.c.claim_token == token, messages.c.state == MessageState.CLAIMED)
            assert session.connection().execute(mine.values(state=MessageState.SENT, claim_token=None)).rowcount == 1

    def _beats(self) -> None:
        heartbeats = first_layout().tables["heartbeats"]
        dialect = sqlite if self._engine.dialect.name == "sqlite" else postgresql
        row = {"started_at": NOW, "seen_at": NOW, "last_tick": {}}
        with write_session(self._engine) as session:
            session.connection().execute(
                dialect.insert(heartbeats)
                .values(id=uuid.uuid4(), worker="old", **row)
                .on_conflict_do_update(index_elements=["worker"], set_=row)
            )


def _name(column: Column[Any]) -> str:
    """What a key may point at: a table by its name alone, another of its columns by both."""
    return column.table.name if column.name == "id" else f"{column.table.name}.{column.name}"


def _uniques(table: Table) -> list[list[str]]:
    """The rules of uniqueness that old code names in ON CONFLICT: those that hold for every row."""
    whole = [index for index in table.indexes if index.unique and index.dialect_options["sqlite"]["where"] is None]
    rules = [one for one in table.constraints if isinstance(one, UniqueConstraint)]
    return [[column.name for column in rule.columns] for rule in (*whole, *rules)]


def _value(table: Table, column: Column[Any], ids: dict[str, uuid.UUID]) -> Any:
    """Something the column can hold."""
    if column.name == "id":
        return ids[table.name]
    for key in column.foreign_keys:
        return ids.get(_name(key.column))
    if table.name == "messages" and column.name == "state":
        return MessageState.QUEUED
    if table.name == "nightly_checks" and column.name == "night":
        return date.fromordinal(uuid.uuid4().int % 1_000_000 + 1)  # one check a night
    match column.type:
        case Word():
            return next(iter(column.type.vocabulary))
        case UTCDateTime():
            return NOW
        case Id() | Uuid():
            return uuid.uuid4()
        case JSON():
            return {}
        case Boolean():
            return True
        case Integer():
            return 1
        case Float():
            return 1.0
        case Date():
            return date(2026, 11, 25)
        case Time():
            return time(7)
        case LargeBinary():
            return b"x"
        case String():
            return uuid.uuid4().hex[: column.type.length or 32]
    raise AssertionError(f"{table.name}.{column.name}: no value for {column.type!r}")
