"""The wall between clinics on PostgreSQL, tried in raw SQL as each of the database's roles."""

from __future__ import annotations

import re
import uuid
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from sqlalchemy import Column, Connection, Engine, MetaData, Table, text
from sqlalchemy.dialects import postgresql
from sqlalchemy.exc import DBAPIError

import service
from service.cli import cli
from service.health import soundness
from service.store import migrate, wall
from service.store.migrations import roles
from service.store.migrations.roles import AUDITED, AUDITOR, ONLY_ADDED, OUTSIDE_CLINICS, WORKER, walled_by
from service.store.tables import Base
from service.store.types import Id
from service.store.wall import GATES, WEB, Bounds, Gate
from service.web import gates
from tests.conftest import SERVER
from tests.servers import WALL_KEY, as_role
from tests.web.conftest import House

ALL_TABLES = Base.metadata.sorted_tables
TABLES = [table for table in ALL_TABLES if isinstance(table.c.id.type, Id)]  # all but one, which is a count
OF_CLINICS = [table for table in TABLES if table.name not in OUTSIDE_CLINICS]
needs_server = pytest.mark.skipif(SERVER is None, reason="SQLite has one role alone")


def test_every_table_has_its_wall_or_a_reason_and_every_gate_its_place() -> None:
    """A new table with neither is refused; a gate that nobody goes through, or one more, is seen here."""
    for table in ALL_TABLES:
        walled_by(table)
    with pytest.raises(LookupError, match="of which clinic"):
        walled_by(Table("strays", MetaData(), Column("id", Id, primary_key=True)))
    assert all(why for _, why in OUTSIDE_CLINICS.values())
    names = {table.name for table in ALL_TABLES}
    assert names >= {*OUTSIDE_CLINICS, *roles.PATHS, *ONLY_ADDED, *AUDITED, *roles.NOT_HANDED_OVER}
    for opens in GATES.values():
        assert opens.why
        assert names >= opens.reads | opens.writes | opens.adds
    assert len(GATES) == len(Gate) == 9
    code = "".join(file.read_text() for file in Path(service.__file__).parent.rglob("*.py"))
    by_hand = {Gate[name] for name in re.findall(r"through\(Gate\.([A-Z_]+)\)", code)}
    assert by_hand | {*gates.BEFORE_WHO.values(), *gates.BETWEEN_TWO.values()} == set(Gate)


# --- two clinics with a row in every table -----------------------------------------------------------


@dataclass
class Rows:
    """The ids of one clinic's rows, by table."""

    clinic_id: uuid.UUID
    ids: dict[str, uuid.UUID] = field(default_factory=dict)


OPAQUE = {"clinic_id", "to_clinic_id"}
PG = postgresql.dialect()
VALUES: dict[str, Callable[[], object]] = {
    "UUID": uuid.uuid4, "BYTEA": lambda: uuid.uuid4().bytes, "JSON": lambda: "{}", "INTEGER": lambda: 1,
    "BIGINT": lambda: 1, "FLOAT": lambda: 1.0, "BOOLEAN": lambda: True, "TIME WITHOUT TIME ZONE": lambda: "07:00",
    "TIMESTAMP WITH TIME ZONE": lambda: "2026-11-25T07:00:00+00:00", "DATE": lambda: "2026-11-25",
}  # fmt: skip


def filled(connection: Connection, clinic_id: uuid.UUID) -> Rows:
    """A row of the clinic in every table, true in its references to its own rows and in nothing else."""
    rows = Rows(clinic_id, {table.name: uuid.uuid4() for table in TABLES} | {"clinics": clinic_id})
    for table in TABLES:
        if table.name == "clinics":
            continue
        values = {column.name: _value(column, rows) for column in table.c if not column.nullable or _refers(column)}
        names = ", ".join(f'"{name}"' for name in values)
        plain = {name: table.c[name].type.compile(connection.dialect).partition(" COLLATE")[0] for name in values}
        marks = ", ".join(f"CAST(:{name} AS {kind})" for name, kind in plain.items())
        connection.execute(text(f"INSERT INTO {table.name} ({names}) VALUES ({marks}) ON CONFLICT DO NOTHING"), values)
    return rows


def _refers(column: Column[Any]) -> bool:
    return bool(column.foreign_keys) or column.name == "clinic_id"


def _value(column: Column[Any], rows: Rows) -> object:
    if column.name in OPAQUE:
        return rows.clinic_id
    if column.name == "id":
        return rows.ids[column.table.name]
    for key in column.foreign_keys:
        leads_to, name = key.target_fullname.split(".")
        return rows.ids["patients" if name == "patient_id" else leads_to]
    kind = column.type.compile(PG)
    if kind.startswith(("VARCHAR", "TEXT")):
        return uuid.uuid4().hex[: getattr(column.type, "length", None) or int((re.findall(r"\d+", kind) or [32])[0])]
    return VALUES[kind]()


@dataclass
class Tried:
    """What was tried, and how it was held off: nothing to see, or refused."""

    connection: Connection
    held: Counter[str] = field(default_factory=Counter)

    def reaches(self, statement: str, **values: Any) -> int:
        """How many rows it reached: none, for what was refused."""
        with self.connection.begin_nested() as point:
            try:
                found = self.connection.execute(text(statement), values).rowcount
            except DBAPIError as error:
                # PostgreSQL, appendix A: insufficient_privilege. Whatever else stops it holds nothing.
                if getattr(error.orig, "sqlstate", None) != "42501":
                    raise
                self.held["refused"] += 1
                return 0
            finally:
                point.rollback()
        self.held["reached" if found else "nothing there"] += 1
        return found


@contextmanager
def trying(engine: Engine, role: str, bounds: Bounds = wall.OUTSIDE) -> Iterator[Tried]:
    """A transaction of the role that says these bounds, and what is tried in it; none of it stays."""
    wall.stand(bounds.clinic_id, bounds.gate)
    try:
        with as_role(engine, role).connect() as connection, connection.begin() as whole:
            yield Tried(connection)
            whole.rollback()
    finally:
        wall.stand()


@pytest.fixture
def two(house: House, build: Callable[..., House]) -> tuple[Rows, Rows]:
    theirs = build("Saltholt Clinic", number="+447700900002")
    with house.engine.begin() as connection:
        connection.exec_driver_sql(
            "SET LOCAL session_replication_role = replica"
        )  # an order of references is none of ours
        others = filled(connection, theirs.clinic_id)  # what is of no clinic is there once
        return filled(connection, house.clinic_id), others


@needs_server
def test_a_transaction_of_one_clinic_reaches_no_row_of_another(engine: Engine, two: tuple[Rows, Rows]) -> None:
    """Every table is tried by reading, changing, taking away, adding, and handing over; the own row shows that it could."""
    mine, theirs = two
    with engine.connect() as owner:
        copies = {
            table.name: owner.scalar(
                text(f"SELECT to_jsonb(t)::text FROM {table.name} t WHERE id = :id"), {"id": theirs.ids[table.name]}
            )
            for table in OF_CLINICS
        }
    with trying(engine, WEB, Bounds(mine.clinic_id)) as tried:
        for table in OF_CLINICS:
            name, there, own = table.name, {"id": theirs.ids[table.name]}, {"id": mine.ids[table.name]}
            assert tried.reaches(f"SELECT 1 FROM {name} WHERE id = :id", **own) == 1, name
            seen = tried.reaches(f"SELECT 1 FROM {name} WHERE id = :id", **there)
            assert seen == (name == "clinics"), name  # a transfer names the other clinics
            assert tried.reaches(f"UPDATE {name} SET id = id WHERE id = :id", **there) == 0, name
            assert tried.reaches(f"DELETE FROM {name} WHERE id = :id", **there) == 0, name
            copy = f"INSERT INTO {name} SELECT (jsonb_populate_record(NULL::{name}, CAST(:row AS jsonb) || :new)).*"
            row = copies[name]
            assert tried.reaches(copy.replace(":new", f'\'{{"id": "{uuid.uuid4()}"}}\'::jsonb'), row=row) == 0, name
            if "clinic_id" in table.c:
                handed = f"UPDATE {name} SET clinic_id = :clinic WHERE id = :id"
                given_away = tried.reaches(handed, clinic=theirs.clinic_id, **own)
                assert given_away == (name == "transfers"), name  # of a transfer each of the two is a party
        print(f"\nweb of one clinic: tried {tried.held.total()}, {dict(tried.held)}")
        assert tried.held["refused"] > len(OF_CLINICS)


@needs_server
def test_the_wall_hides_from_the_planner_no_row_that_it_lets_pass(engine: Engine) -> None:
    """Of a policy PostgreSQL expects a share of the rows to pass; whoever names a clinic has taken that share already.

    Expecting next to none, it reads all of a clinic's rows for the first page in their order. Half is our own, no source.
    """
    guess, guessed = "EXPLAIN (FORMAT JSON) SELECT 1 FROM {}", 0
    with as_role(engine, WEB).connect() as web, engine.connect() as owner:
        for table in ALL_TABLES:
            may_read = text(f"SELECT has_table_privilege('{WEB}', '{table.name}', 'SELECT')")
            if "clinic_id" not in table.c or table.name in roles.NOT_HANDED_OVER or not owner.scalar(may_read):
                continue
            behind, whole = (one.scalar(text(guess.format(table.name)))[0]["Plan"]["Plan Rows"] for one in (web, owner))
            assert behind >= whole // 2, table.name
            guessed += whole > 20
        assert guessed > len(OF_CLINICS) // 2


FORGED = {
    "nothing": "",
    "no signature": ":{clinic}",
    "an empty one": ":{clinic}:",
    "somebody else's": ":{clinic}:" + "0" * 64,
    "one for a gate": ":{clinic}:{signed}",
}


@needs_server
def test_whoever_slips_a_statement_in_says_nothing_for_another_clinic(engine: Engine, two: tuple[Rows, Rows]) -> None:
    """The signature is HMAC-SHA-256 as the standard library makes it (RFC 2104); the database works it out by itself."""
    mine, theirs = two
    signed = Bounds(None, Gate.SESSION).signed(WALL_KEY).rpartition(":")[2]
    says, counts = text("SELECT set_config('neaptide.wall', :said, true)"), "SELECT 1 FROM patients"
    with trying(engine, WEB, Bounds(mine.clinic_id)) as tried:
        assert tried.reaches(counts) == 2  # of the house, and the one laid beside
        for what, said in FORGED.items():
            tried.connection.execute(says, {"said": said.format(clinic=theirs.clinic_id, signed=signed)})
            assert tried.reaches(counts) == 0, what
        for key in (WALL_KEY, b"x" * 32):  # whoever has the key is believed, whoever has another is not
            tried.connection.execute(says, {"said": Bounds(theirs.clinic_id).signed(key)})
            assert tried.reaches(counts) == (2 if key is WALL_KEY else 0)


POWERS = [
    "SET ROLE postgres", "SET SESSION AUTHORIZATION postgres", f"SET ROLE {WORKER}", f"SET ROLE {AUDITOR}",
    "ALTER TABLE patients DISABLE ROW LEVEL SECURITY", "DROP POLICY whose_neaptide_web ON patients", "SET row_security = off",
    "CREATE TABLE mine (id int)", "CREATE TEMP TABLE mine (id int)", "CREATE SCHEMA mine", "DROP TABLE patients",
    "TRUNCATE patients", "GRANT neaptide_worker TO neaptide_web", "ALTER ROLE neaptide_web SUPERUSER",
    "SELECT * FROM wall.keys", "DELETE FROM wall.keys", "CREATE FUNCTION wall.clinic() RETURNS uuid LANGUAGE sql AS ''",
    "SELECT pg_read_file('/etc/passwd')", "SELECT lo_import('/etc/passwd')", "SELECT * FROM pg_authid",
    "COPY patients TO PROGRAM 'true'", "COPY patients TO '/tmp/patients'", "COPY patients FROM '/etc/passwd'",
    "UPDATE alembic_version SET version_num = 'x'", "ALTER FUNCTION wall.clinic() OWNER TO neaptide_web",
]  # fmt: skip


@needs_server
@pytest.mark.parametrize("role", [WEB, WORKER, AUDITOR])
def test_no_role_rewrites_what_was_done_nor_becomes_more_than_it_is(
    engine: Engine, two: tuple[Rows, Rows], role: str
) -> None:
    mine, theirs = two
    with engine.begin() as owner:
        owner.execute(text("UPDATE audit_lines SET number = 1 WHERE id = :id"), {"id": theirs.ids["audit_lines"]})
    with trying(engine, role, Bounds(mine.clinic_id)) as tried:
        for name, may_change in ONLY_ADDED.items():
            values = {"id": mine.ids[name]}
            for column in {one.name for one in Base.metadata.tables[name].c} - {*may_change}:
                assert tried.reaches(f'UPDATE {name} SET "{column}" = "{column}" WHERE id = :id', **values) == 0
            assert tried.reaches(f"UPDATE {name} SET id = id WHERE id = :id", **values) == 0, name
            assert tried.reaches(f"DELETE FROM {name} WHERE id = :id", **values) == 0, name
        place = "UPDATE audit_lines SET number = coalesce(number, 0) + 7 WHERE id = :id"
        assert tried.reaches(place, id=mine.ids["audit_lines"]) == (role == WORKER)  # which seals it, once
        assert tried.reaches(place, id=theirs.ids["audit_lines"]) == 0
        for power in POWERS:
            if power == "SET row_security = off":
                tried.reaches(power)
                continue
            if role not in power or role == WEB:
                assert tried.reaches(power) <= 0, power
        shown = {
            name
            for name in {*ONLY_ADDED, *AUDITED, "patients"}
            if tried.reaches(f"SELECT 1 FROM {name} WHERE id = :id", id=theirs.ids[name])
        }
        print(f"\n{role}: tried {tried.held.total()}, {dict(tried.held)}")
    assert shown == {WEB: set(), WORKER: {*ONLY_ADDED, *AUDITED, "patients"}, AUDITOR: {*AUDITED}}[role]


@needs_server
def test_a_gate_opens_the_tables_that_it_names_and_no_other(engine: Engine, two: tuple[Rows, Rows]) -> None:
    _, theirs = two
    for gate, opens in GATES.items():
        with trying(engine, WEB, Bounds(None, gate)) as tried:
            read = {
                t.name for t in TABLES if tried.reaches(f"SELECT 1 FROM {t.name} WHERE id = :id", id=theirs.ids[t.name])
            }
            changed = {
                t.name
                for t in TABLES
                if tried.reaches(f"UPDATE {t.name} SET id = id WHERE id = :id", id=theirs.ids[t.name])
            }
        outside = {name for name, (rights, _) in OUTSIDE_CLINICS.items() if "SELECT" in rights} | {"clinics"}
        assert read - outside == opens.reads | opens.writes, gate
        assert changed - outside == opens.writes, gate


@needs_server
def test_the_operator_is_told_what_the_web_signs_in_as(
    engine: Engine, two: tuple[Rows, Rows], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    as_superuser, as_web = soundness.walled(engine), soundness.walled(as_role(engine, WEB))
    assert as_superuser is not None
    assert not as_superuser.ok
    assert "superuser" in as_superuser.sentence
    assert as_web is not None
    assert as_web.ok
    monkeypatch.setenv("NEAPTIDE_DATA", str(tmp_path))
    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", engine.url.set(drivername="postgresql").render_as_string(False))
    said = CliRunner().invoke(cli, ["roles"])
    assert said.output == "-- missing: none\n"
    assert migrate.raise_wall(engine, (b"another key", WALL_KEY)) == ()  # safe again, and the key before still counts
    with trying(engine, WEB, Bounds(two[0].clinic_id)) as tried:
        assert tried.reaches("SELECT 1 FROM patients") == 2
    with engine.begin() as connection:  # as `pg_restore` leaves it, without anybody's rights
        connection.exec_driver_sql(f"REVOKE ALL ON ALL TABLES IN SCHEMA public FROM {WEB}, {WORKER}")
    migrate.raise_wall(engine, (WALL_KEY,))
    with as_role(engine, WORKER).connect() as connection:
        assert connection.scalar(text("SELECT count(*) FROM patients")) is not None
