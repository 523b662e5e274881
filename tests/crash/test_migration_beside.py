"""A migration beside old processes: a deployment migrates first, and replaces its processes one by one after that."""

from __future__ import annotations

import shutil
import threading
import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from service.health import checks
from service.store import migrate
from tests.conftest import SERVER
from tests.crash.fleet import seven_tomorrow
from tests.crash.test_migrations_only_add import FIRST
from tests.servers import own_database
from tests.waiting import wait_until

SEVEN = seven_tomorrow()


@pytest.fixture
def nothing_yet() -> Iterator[Engine]:
    """A PostgreSQL database of this test's own, with no table in it."""
    assert SERVER is not None
    with own_database(SERVER, f"neaptide_test_{uuid.uuid4().hex}") as engine:
        yield engine


def test_old_processes_call_a_newer_layout_ready(engine: Engine) -> None:
    told = "SELECT version_num FROM alembic_version"
    with engine.begin() as connection:
        known = connection.execute(text(told)).scalar_one()
        connection.execute(text("UPDATE alembic_version SET version_num = 'made later'"))
    try:
        assert migrate.is_current(engine)
        migrate.upgrade(engine)  # as a unit that is started again does
        assert migrate.raise_wall(engine, ()) == ()
        assert {one.name: one.ok for one in checks.readiness(engine, SEVEN)}["layout"]
        with engine.begin() as connection:
            connection.execute(text(f"UPDATE alembic_version SET version_num = '{FIRST}'"))
        assert migrate.is_current(engine) is (migrate.head() == FIRST)
    finally:
        with engine.begin() as connection:
            connection.execute(text("UPDATE alembic_version SET version_num = :known"), {"known": known})


MADE_FIRST = """
import sqlalchemy as sa
from alembic import op
revision, down_revision, branch_labels, depends_on = "0001", None, None, None
def upgrade():
    op.create_table("things", sa.Column("id", sa.Integer(), primary_key=True))
"""
MADE_LATER = """
import sqlalchemy as sa
from alembic import op
revision, down_revision, branch_labels, depends_on = "0002", "0001", None, None
def upgrade():
    op.add_column("things", sa.Column("size", sa.Integer(), nullable=True))
"""
MADE_LAST = """
from service.store.migrations.indexing import add_index
revision, down_revision, branch_labels, depends_on = "0003", "0002", None, None
def upgrade():
    add_index("ix_things_size", "things", ["size"])
"""


@pytest.fixture
def migrations_of_things(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Migrations of a project of its own: a table; then a column and an index on it, while it is in use."""
    scripts = tmp_path / "migrations"
    (scripts / "versions").mkdir(parents=True)
    for name in ("env.py", "script.py.mako"):
        shutil.copy(migrate.MIGRATIONS / name, scripts)
    (scripts / "versions" / "first.py").write_text(MADE_FIRST)
    (scripts / "versions" / "later.py").write_text(MADE_LATER)
    (scripts / "versions" / "last.py").write_text(MADE_LAST)
    monkeypatch.setattr(migrate, "MIGRATIONS", scripts)
    monkeypatch.setattr(migrate, "LOCK_WAIT", "200ms")
    monkeypatch.setattr(migrate, "PAUSE_SECONDS", 0.1)
    monkeypatch.setattr(migrate, "TRIES", 300)


@pytest.mark.postgres
@pytest.mark.skipif(SERVER is None, reason="needs NEAPTIDE_TEST_DATABASE_URL")
@pytest.mark.usefixtures("migrations_of_things")
def test_a_change_that_waits_for_a_long_transaction_holds_nobody_up(nothing_yet: Engine) -> None:
    migrate.upgrade(nothing_yet, FIRST)
    with ThreadPoolExecutor(1) as deployment:
        with nothing_yet.connect() as export:
            export.execute(text("SELECT * FROM things"))  # and does not end: no column can be added beside it
            migrating = deployment.submit(migrate.upgrade, nothing_yet)
            _wait_for_a_waiting_change(nothing_yet)
            for number in range(20):
                with nothing_yet.begin() as writer:
                    writer.execute(text("SET LOCAL statement_timeout = '10s'"))
                    writer.execute(text("INSERT INTO things (id) VALUES (:number)"), {"number": number})
            assert not migrating.done()
        migrating.result(60)
    _has_its_index(nothing_yet)


@pytest.mark.postgres
@pytest.mark.skipif(SERVER is None, reason="needs NEAPTIDE_TEST_DATABASE_URL")
@pytest.mark.usefixtures("migrations_of_things")
def test_two_deployments_at_once_make_the_layout_once(nothing_yet: Engine) -> None:
    together = threading.Barrier(2)

    def deploy() -> None:
        together.wait(30)
        migrate.upgrade(nothing_yet)

    with ThreadPoolExecutor(2) as deployments:
        for one in [deployments.submit(deploy) for _ in range(2)]:
            one.result(60)
    _has_its_index(nothing_yet)


def _wait_for_a_waiting_change(engine: Engine) -> None:
    waiting = text("SELECT count(*) FROM pg_locks WHERE NOT granted AND mode = 'AccessExclusiveLock'")

    def waits() -> bool:
        with engine.connect() as connection:
            return bool(connection.scalar(waiting))

    wait_until(waits, "the migration does not wait")


def _has_its_index(engine: Engine) -> None:
    with engine.connect() as connection:
        valid = "SELECT indisvalid FROM pg_index WHERE indexrelid = 'ix_things_size'::regclass"
        assert connection.scalar(text(valid)) is True
        assert connection.scalar(text("SELECT version_num FROM alembic_version")) == "0003"
