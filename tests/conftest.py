"""What every test may ask for: a migrated, empty database.

SQLite by default; the same suite runs on PostgreSQL when
NEAPTIDE_TEST_DATABASE_URL names a server on loopback. Each pytest worker makes a
database of its own there and drops it at the end.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog
from hypothesis import settings
from sqlalchemy import Engine, text

from service.store import migrate
from service.store.session import open_engine
from service.store.tables import Base
from tests.servers import own_database

# How long an example takes is the machine's business, not a test's.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")

SERVER = os.environ.get("NEAPTIDE_TEST_DATABASE_URL")


@pytest.fixture(autouse=True)
def logging_as_it_was() -> Iterator[None]:
    """A command run in a test sets logging up for its process; the next test starts from the library's own."""
    yield
    structlog.reset_defaults()


@pytest.fixture(scope="session")
def blank_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A migrated SQLite file, to be copied."""
    path = tmp_path_factory.mktemp("blank") / "blank.sqlite3"
    engine = open_engine(f"sqlite:///{path}")
    migrate.upgrade(engine)
    with engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    engine.dispose()
    return path


@pytest.fixture(scope="session")
def postgres_engine(worker_id: str) -> Iterator[Engine]:
    """An engine on a database of this pytest worker's own."""
    assert SERVER is not None
    with own_database(SERVER, f"neaptide_test_{os.getpid()}_{worker_id}") as engine:
        migrate.upgrade(engine)
        yield engine


@pytest.fixture
def engine(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Engine]:
    """A migrated, empty database: SQLite, or PostgreSQL when a server is named."""
    if SERVER is not None:
        shared: Engine = request.getfixturevalue("postgres_engine")
        everything = ", ".join(table.name for table in Base.metadata.sorted_tables)
        with shared.begin() as connection:
            connection.execute(text(f"TRUNCATE {everything}"))
        yield shared
        return
    blank: Path = request.getfixturevalue("blank_sqlite")
    path = tmp_path / "neaptide.sqlite3"
    shutil.copy(blank, path)
    own = open_engine(f"sqlite:///{path}")
    yield own
    own.dispose()
