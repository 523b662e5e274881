"""Every migration after the first only adds, so that old code goes on beside it: read from the SQL it would say.

Expand first, contract never while anybody may still run the old code: common practice,
no source. What locks a table for how long is PostgreSQL's documentation of ALTER TABLE
and CREATE INDEX (chapter "SQL Commands").
"""

from __future__ import annotations

import importlib
import io
import re
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

import pytest
from alembic.migration import MigrationContext
from alembic.operations import Operations
from alembic.script import Script, ScriptDirectory
from sqlalchemy import inspect

from deploy import freezing
from service.store import migrate
from service.store.migrations import frozen
from service.store.tables import Base
from tests.conftest import SERVER

FIRST = "0001"
# Tables that grow with every patient and every day: an index on one of them is built beside its writers.
SMALL = {"clinics", "staff", "api_keys", "sign_in_attempts", "message_templates", "read_positions", "heartbeats"}
NAME = r'"?(\w+)"?'
NEW_TABLE = re.compile(rf"CREATE TABLE {NAME} \(", re.DOTALL)
NEW_COLUMN = re.compile(rf"ALTER TABLE {NAME} ADD COLUMN {NAME} (.*)", re.DOTALL)
NEW_INDEX = re.compile(
    rf"CREATE (UNIQUE )?INDEX (CONCURRENTLY )?(?:IF NOT EXISTS )?{NAME} ON {NAME} \((.*?)\)", re.DOTALL
)
NEW_KEY = re.compile(rf"ALTER TABLE {NAME} ADD (?:CONSTRAINT {NAME} )?FOREIGN KEY ?\((.*?)\)", re.DOTALL)
NEW_ROWS = re.compile(rf"INSERT INTO {NAME} ", re.DOTALL)
# Which columns, when they change, are news of a row that is told of by arrival: `store.arrivals`.
NEWS = re.compile(r"CREATE OR REPLACE TRIGGER \w+_changes BEFORE UPDATE OF ")
# What goes with an index that is built beside writers, and says nothing to anybody else.
AROUND = re.compile(r"(SET lock_timeout|DROP INDEX CONCURRENTLY IF EXISTS|COMMENT ON) ")
OLD_INDEX = re.compile(rf"DROP INDEX CONCURRENTLY IF EXISTS {NAME}")


class Additions:
    """What there is by now that old code knows nothing of."""

    def __init__(self) -> None:
        self.tables: set[str] = set()
        self.columns: set[tuple[str, str]] = set()

    def objections(self, said: list[str]) -> list[str]:
        """Why old code might not work beside a migration that says this."""
        found = [why for statement in said for why in self._objections(statement)]
        if any("CONCURRENTLY" in one for one in said) and any(not _is_about_an_index(one) for one in said):
            found.append("an index built beside writers must be all that its migration does: it may be done again")
        made = {index[3] for one in said if (index := NEW_INDEX.match(one))}
        gone = {index[1] for one in said if (index := OLD_INDEX.match(one))}
        return found + [f"{name}: an index that old code may lean on" for name in gone - made]

    def _objections(self, said: str) -> Iterator[str]:
        if made := NEW_TABLE.match(said):
            self.tables.add(made[1])
        elif added := NEW_COLUMN.match(said):
            self.columns.add((added[1], added[2]))
            if "NOT NULL" in added[3] and "DEFAULT" not in added[3] and added[1] not in self.tables:
                yield f"{added[1]}.{added[2]}: old code leaves it out, so it must be nullable or have a server default"
        elif index := NEW_INDEX.match(said):
            unique, beside, _, table, columns = index.groups()
            yield from self._of_an_index(table, columns, unique=bool(unique), beside=bool(beside))
        elif key := NEW_KEY.match(said):
            if not self._all_new(key[1], key[3]):
                yield f"{key[1]}: a rule that old code's rows may break: {said}"
        elif rows := NEW_ROWS.match(said):
            if rows[1] not in self.tables:
                yield f"{rows[1]}: rows that old code did not write: {said}"
        elif not AROUND.match(said) and not NEWS.match(said):
            yield f"not an addition: {said}"

    def _of_an_index(self, table: str, columns: str, *, unique: bool, beside: bool) -> Iterator[str]:
        if unique and not self._all_new(table, columns):
            yield f"{table}: a rule of uniqueness that old code's rows may break"
        if table not in self.tables | SMALL and not beside:
            yield f"{table}: an index that holds up its writers; see service/store/migrations/indexing.py"

    def _all_new(self, table: str, columns: str) -> bool:
        return table in self.tables or all((table, one.strip(' "')) in self.columns for one in columns.split(","))


def _is_about_an_index(said: str) -> bool:
    return bool(AROUND.match(said) or NEW_INDEX.match(said))


def later_migrations() -> list[Script]:
    scripts = ScriptDirectory(str(migrate.MIGRATIONS))
    return [one for one in reversed(list(scripts.walk_revisions())) if one.revision != FIRST]


def says(script: Script) -> list[str]:
    """The statements of a migration for PostgreSQL, without a server."""
    written = io.StringIO()
    context = MigrationContext.configure(dialect_name="postgresql", opts={"as_sql": True, "output_buffer": written})
    with Operations.context(context):
        script.module.upgrade()
    statements = [re.sub(r"^\s*--.*$", "", one, flags=re.MULTILINE).strip() for one in written.getvalue().split(";\n")]
    return [one for one in statements if one and one not in {"BEGIN", "COMMIT"}]


def test_there_is_one_line_of_migrations_from_the_first() -> None:
    scripts = ScriptDirectory(str(migrate.MIGRATIONS))
    assert len(scripts.get_heads()) == 1
    assert scripts.get_bases() == [FIRST]


def test_a_first_layout_that_follows_the_tables_is_the_only_one_and_of_no_release() -> None:
    """Made from the tables as they are, it would hold what a second migration adds, and change under installations."""
    written = {dialect for dialect in frozen.DIALECTS if frozen.file_of(dialect).exists()}
    assert written in (set(), set(frozen.DIALECTS)), "deploy/freeze writes both, or neither"
    if not written:
        assert later_migrations() == []
        assert int(version("neaptide").partition(".")[0]) < 1, "deploy/freeze comes before a release"


def test_what_is_written_out_is_what_the_tables_made_and_follows_them_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the database tells it itself. Of PostgreSQL's, `deploy/freeze` compares it in the same way when it is made."""
    monkeypatch.setattr(frozen, "FOLDER", tmp_path)
    freezing.write_out("sqlite", "")
    with pytest.raises(FileExistsError):
        freezing.write_out("sqlite", "")
    with freezing.empty("sqlite", "") as engine, monkeypatch.context() as patch:
        patch.setattr(Base.metadata, "create_all", None)
        migrate.upgrade(engine, FIRST)
        assert set(inspect(engine).get_table_names()) == {*Base.metadata.tables, "alembic_version"}
    lost = "CREATE TRIGGER patients_comes"
    assert lost in frozen.file_of("sqlite").read_text("utf-8")
    frozen.file_of("sqlite").unlink()
    monkeypatch.setattr(freezing, "AROUND", re.compile(f"{freezing.AROUND.pattern}|{lost}", re.DOTALL))
    with pytest.raises(freezing.Unlike, match="patients_comes"):
        freezing.write_out("sqlite", "")


@pytest.mark.postgres
@pytest.mark.database
@pytest.mark.skipif(SERVER is None, reason="needs NEAPTIDE_TEST_DATABASE_URL")
def test_postgresqls_is_written_out_as_well(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert SERVER is not None
    monkeypatch.setattr(frozen, "FOLDER", tmp_path)
    freezing.write_out("postgresql", SERVER)
    assert "CREATE FUNCTION marks_arrival" in frozen.file_of("postgresql").read_text("utf-8")


def test_every_later_migration_only_adds() -> None:
    additions = Additions()
    objections = {script.revision: additions.objections(says(script)) for script in later_migrations()}
    assert {revision: why for revision, why in objections.items() if why} == {}


@pytest.mark.parametrize(
    ("said", "objection"),
    [
        ("ALTER TABLE messages ADD COLUMN size INTEGER", None),
        ("ALTER TABLE messages ADD COLUMN size INTEGER DEFAULT 1 NOT NULL", None),
        ("ALTER TABLE messages ADD COLUMN size INTEGER NOT NULL", "nullable or have a server default"),
        ("CREATE TABLE things (\n\tid UUID NOT NULL\n)", None),
        ("CREATE INDEX ix_things ON things (size)", "holds up its writers"),
        ("CREATE INDEX CONCURRENTLY ix_messages_size ON messages (size)", None),
        ("CREATE INDEX ix_messages_size ON messages (size)", "holds up its writers"),
        ("CREATE INDEX ix_clinics_zone ON clinics (zone)", None),
        ("CREATE UNIQUE INDEX CONCURRENTLY uq ON messages (contact_id)", "uniqueness"),
        ("ALTER TABLE messages ADD CONSTRAINT fk FOREIGN KEY(contact_id) REFERENCES contacts (id)", "may break"),
        ("ALTER TABLE messages DROP COLUMN reason", "not an addition"),
        ("ALTER TABLE messages ALTER COLUMN reason SET NOT NULL", "not an addition"),
        ("ALTER TABLE messages RENAME reason TO why", "not an addition"),
        ("DROP TABLE heartbeats", "not an addition"),
        ("DROP INDEX ix_messages_due", "not an addition"),
        ("DROP INDEX CONCURRENTLY IF EXISTS ix_messages_due", "may lean on"),
        ("UPDATE messages SET reason = ''", "not an addition"),
        ("CREATE OR REPLACE TRIGGER tasks_changes BEFORE UPDATE OF kind, size ON tasks FOR EACH ROW", None),
        ("DROP TRIGGER tasks_changes ON tasks", "not an addition"),
        ("INSERT INTO clinics (id) VALUES (1)", "did not write"),
    ],
)
def test_what_is_no_addition_is_objected_to(said: str, objection: str | None) -> None:
    objections = Additions().objections([said])
    assert len(objections) == (objection is not None)
    assert objection is None or objection in objections[0]


def test_what_is_new_may_have_rules_of_its_own() -> None:
    additions = Additions()
    assert (
        additions.objections(
            [
                "CREATE TABLE things (\n\tid UUID NOT NULL\n)",
                "CREATE UNIQUE INDEX uq_things_size ON things (size)",
                "ALTER TABLE messages ADD COLUMN thing_id UUID",
                "ALTER TABLE messages ADD CONSTRAINT fk FOREIGN KEY(thing_id) REFERENCES things (id)",
                "INSERT INTO things (id) VALUES (1)",
            ]
        )
        == []
    )
    assert additions.objections(["CREATE UNIQUE INDEX CONCURRENTLY uq ON messages (thing_id)"]) == []


def test_an_index_on_a_large_table_is_built_beside_its_writers() -> None:
    written = io.StringIO()
    context = MigrationContext.configure(dialect_name="postgresql", opts={"as_sql": True, "output_buffer": written})
    indexing = importlib.import_module("service.store.migrations.indexing")
    with Operations.context(context), context.begin_transaction():
        indexing.add_index("ix_messages_expires_at", "messages", ["expires_at"])
        indexing.drop_index("ix_messages_expires_at", "messages")
    said = written.getvalue()
    assert "CREATE INDEX CONCURRENTLY ix_messages_expires_at ON messages (expires_at)" in said
    assert "DROP INDEX CONCURRENTLY IF EXISTS ix_messages_expires_at" in said
