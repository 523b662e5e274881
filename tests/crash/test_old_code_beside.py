"""What an old process reads and writes goes on after every later migration, on full tables: of each kind of database.

An old process names the columns that it knows, in every statement; so its rows are told here by the first layout, in
the database's own words. Expand first, contract never: common practice, no source.
"""

from __future__ import annotations

import itertools
import shutil
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Column, Connection, Engine, MetaData, Table, func, insert, select, text, update
from sqlalchemy.exc import DBAPIError

from service.store import migrate
from service.store.session import open_engine
from service.store.types import Id
from tests.conftest import SERVER
from tests.crash.test_migrations_only_add import FIRST, later_migrations
from tests.servers import own_database

ADDED = """
import sqlalchemy as sa
from alembic import op
revision, down_revision, branch_labels, depends_on = "{revision}", "{before}", None, None
def upgrade():
    {does}
"""
ADDS = (
    """op.add_column("readings", sa.Column("added_later", sa.String(24), nullable=True))
    op.add_column("messages", sa.Column("counted_later", sa.Integer(), server_default="0", nullable=False))
    op.create_table("later_things", sa.Column("patient_id", sa.Uuid(), sa.ForeignKey("patients.id")))""",
    """from service.store.migrations.indexing import add_index
    add_index("ix_readings_added_later", "readings", ["added_later"])""",
)
BREAKS = 'op.drop_column("passkeys", "sign_count")'


@pytest.fixture
def nothing_yet(tmp_path: Path) -> Iterator[Engine]:
    """A database with no table in it: on the server where one is named, else a file."""
    if SERVER is not None:
        with own_database(SERVER, f"neaptide_test_{uuid.uuid4().hex}") as engine:
            yield engine
        return
    engine = open_engine(f"sqlite:///{tmp_path / 'old.sqlite3'}")
    yield engine
    engine.dispose()


def with_migrations(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *more: str) -> None:
    """This project's own migrations, and more of them after the last."""
    scripts = tmp_path / "migrations"
    shutil.copytree(migrate.MIGRATIONS, scripts, ignore=shutil.ignore_patterns("__pycache__"))
    last = migrate.head()
    for number, does in enumerate(more, start=9000):
        made = ADDED.format(revision=number, before=last, does=does)
        (scripts / "versions" / f"{number}.py").write_text(made)
        last = str(number)
    monkeypatch.setattr(migrate, "MIGRATIONS", scripts)


@pytest.mark.database
def test_old_processes_read_and_write_on_after_every_later_migration(
    nothing_yet: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From 1.0.0 on those that there are, and always some that are meant to pass, and one that is not."""
    with_migrations(tmp_path, monkeypatch, *ADDS, BREAKS)
    *passing, breaking = [script.revision for script in later_migrations()]
    assert len(passing) >= len(ADDS)
    migrate.upgrade(nothing_yet, FIRST)
    numbers = itertools.count(1)
    with nothing_yet.begin() as connection:
        old = _layout(connection)
        _write(connection, old, next(numbers))
    for revision in passing:
        with nothing_yet.connect() as connection:
            kept = _rows(connection, old)
        migrate.upgrade(nothing_yet, revision)
        with nothing_yet.begin() as connection:
            assert _rows(connection, old) == kept, revision
            _write(connection, old, next(numbers))
            for table in old:
                connection.execute(update(table).values({name: table.c[name] for name in _plain(table)}))
    migrate.upgrade(nothing_yet, breaking)
    with pytest.raises(DBAPIError, match="sign_count"), nothing_yet.begin() as connection:
        _write(connection, old, next(numbers))


def _layout(connection: Connection) -> list[Table]:
    """Every table as the database tells it; the parts of one that is kept in parts are the table's own."""
    metadata = MetaData()
    parts = set()
    if connection.dialect.name == "postgresql":
        parts = set(connection.scalars(text("SELECT relname FROM pg_class WHERE relispartition")))
    metadata.reflect(connection, only=lambda name, _: name not in parts | {"alembic_version"})
    for table in metadata.tables.values():
        for column in table.columns:
            if column.foreign_keys or column.name == "id":
                column.type = Id() if "CHAR(32)" in str(column.type) or "UUID" in str(column.type) else column.type
    return list(metadata.sorted_tables)


def _rows(connection: Connection, tables: list[Table]) -> dict[str, list[tuple[Any, ...]]]:
    return {
        table.name: [tuple(map(str, row)) for row in connection.execute(select(*table.c).order_by(*table.primary_key))]
        for table in tables
    }


def _plain(table: Table) -> list[str]:
    return [column.name for column in table.columns if not column.primary_key]


def _write(connection: Connection, tables: list[Table], number: int) -> None:
    """A row in each, of values that no other number's rows have. What refers to a table refers to that row."""
    rows: dict[str, dict[str, Any]] = {}
    for table in tables:
        if "id" in table.c and not table.c.id.foreign_keys and "INT" in str(table.c.id.type):
            continue  # has one row, and counts
        row = {column.name: _value(column, rows, number) for column in table.columns}
        connection.execute(insert(table).values(row))
        rows[table.name] = row
    assert connection.scalar(select(func.count()).select_from(tables[-1]))


def _value(column: Column[Any], rows: dict[str, dict[str, Any]], number: int) -> Any:
    for key in column.foreign_keys:
        return rows.get(key.column.table.name, {}).get(key.column.name)  # nothing where a table refers to itself
    kind = "uuid" if isinstance(column.type, Id) else column.type.python_type.__name__
    at = datetime(2026, 11, 1, 9, tzinfo=UTC) + timedelta(days=number)
    return {
        "uuid": uuid.uuid4(), "UUID": uuid.uuid4(), "int": number, "bool": False, "float": float(number),
        "Decimal": number, "str": f"t{number}", "bytes": b"%d" % number, "object": {"n": number}, "dict": {"n": number}, "datetime": at,
        "date": at.date(), "time": time(number % 24), "list": [number],
    }[kind]  # fmt: skip
