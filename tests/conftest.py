"""What every test may ask for: a migrated, empty database.

SQLite by default; the same suite runs on PostgreSQL when
NEAPTIDE_TEST_DATABASE_URL names a server on loopback. Each pytest worker makes a
database of its own there and drops it at the end.
"""

from __future__ import annotations

import gc
import os
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import structlog
from argon2 import PasswordHasher
from hypothesis import settings
from sqlalchemy import Connection, Engine, event

from service import build
from service.accounts import hashing
from service.keyring import Keyring
from service.store import migrate
from service.store.session import open_engine
from tests import scans
from tests.copies import empty
from tests.servers import VAULT, let_go, make_roles, own_database, through_pooler

# How long an example takes is the machine's business, not a test's. The same examples in every run, so that what
# passed here passes anywhere; NEAPTIDE_TEST_EXPLORE=1 looks for new ones.
settings.register_profile("unhurried", deadline=None, derandomize=not os.environ.get("NEAPTIDE_TEST_EXPLORE"))
settings.load_profile("unhurried")

TESTS = Path(__file__).resolve().parent
SERVER = os.environ.get("NEAPTIDE_TEST_DATABASE_URL")
ON_BOTH = {"crash", "stories", "usecases", "web"}  # the rooms that deploy/test gathers on PostgreSQL


def pytest_collection_finish() -> None:
    """What is there once all tests are found stays until the end: not to be looked through for what may go, over and over."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(2_000, 20, 50)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what runs on both databases: `database`.

    What has none runs on SQLite's half alone. So does what is marked `databases("sqlite")`, a module or a
    test of it: what a page says, what a form or a parser refuses, what a command prints and whose clock it
    goes by come from rows that other tests write and read on both. Never so marked are transactions, claims,
    upserts, migrations, crashes, and what alone asks a question of the database. In a room that is not gathered
    there, a test that would be is an error: nobody would notice that it runs on one alone.

    The slow ones first, so that no process is left with one of them at the end.
    """
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)
    for item in items:
        said = item.get_closest_marker("databases")
        if {"engine", "nothing_yet"} & set(getattr(item, "fixturenames", ())) and (
            said is None or said.args == ("both",)
        ):
            item.add_marker(pytest.mark.database)
            room = item.path.relative_to(TESTS).parts[0]
            if room not in ON_BOTH and item.get_closest_marker("browser") is None:
                raise pytest.UsageError(f"{item.nodeid} asks for a database: say which in `databases`, or see ON_BOTH")


@pytest.fixture(autouse=True)
def plain_logs() -> Iterator[None]:
    """Each test starts from plain logs: a command sets up its process's own, and the library's draw each error for a second."""
    structlog.reset_defaults()
    renderer = structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback)
    structlog.configure(processors=[*structlog.get_config()["processors"][:-1], renderer])
    yield
    structlog.reset_defaults()


@pytest.fixture(scope="session", autouse=True)
def the_services_hasher() -> Iterator[tuple[PasswordHasher, str]]:
    """What hashes passwords in earnest, and the hash of where there is no account; the tests' own hashes cost nothing, where the service's take their time."""
    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    in_earnest = hashing._hasher, hashing._NOBODYS_HASH
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(hashing, "_hasher", cheap)
        patch.setattr(hashing, "_NOBODYS_HASH", cheap.hash("nobody's"))
        yield in_earnest


@pytest.fixture(scope="session", autouse=True)
def the_same_build_whatever_is_checked_out() -> None:
    """Pages name no commit here: its letters and digits would be read as words and numbers of the page, by luck."""
    build.this_build.cache_clear()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(build, "commit_of", lambda _: "")
        build.this_build()


@pytest.fixture(scope="session", autouse=True)
def nothing_reads_all_of_what_grows() -> Iterator[None]:
    """Every statement that a test makes the service send to SQLite: see `tests.scans`."""

    def before(connection: Connection, _cursor: object, statement: str, parameters: Any, _context: object, many: bool):
        if connection.dialect.name == "sqlite":
            scans.look(connection, statement, parameters[0] if many else parameters)

    event.listen(Engine, "before_cursor_execute", before)
    yield
    event.remove(Engine, "before_cursor_execute", before)


SEALER = Keyring("not secret: for tests alone, 0123456789").sealer()


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
def sqlite_engine(tmp_path_factory: pytest.TempPathFactory) -> Engine:
    """An engine on a file of this pytest worker's own: one for all tests, since each compiles its statements anew."""
    own = open_engine(f"sqlite:///{tmp_path_factory.mktemp('own') / 'neaptide.sqlite3'}", sealer=SEALER, vault=VAULT)
    event.listen(own, "connect", _for_tests)
    return own


def _for_tests(connection: sqlite3.Connection, _record: object) -> None:
    # A test's rows need not survive a power cut, and a disk is waited for at every commit.
    connection.execute("PRAGMA synchronous=OFF")
    # Rows in no told order come the other way round than they mostly do: whoever leans on it is found out.
    connection.execute("PRAGMA reverse_unordered_selects=ON")


@pytest.fixture(scope="session")
def postgres_engine(worker_id: str) -> Iterator[Engine]:
    """An engine on a database of this pytest worker's own."""
    assert SERVER is not None
    name = f"neaptide_test_{os.getpid()}_{worker_id}"
    with own_database(SERVER, name, SEALER) as engine:
        migrate.upgrade(engine)
        make_roles(engine)
        with engine.begin() as connection:  # a test's rows need not outlive the server
            connection.exec_driver_sql(f"ALTER DATABASE {name} SET synchronous_commit = off")
        engine.dispose()  # connections begun from here on go by it
        yield through_pooler(engine)
        let_go()


@pytest.fixture
def engine(request: pytest.FixtureRequest) -> Iterator[Engine]:
    """A migrated, empty database: SQLite, or PostgreSQL when a server is named."""
    if SERVER is not None:
        shared: Engine = request.getfixturevalue("postgres_engine")
        with shared.begin() as connection:
            empty(connection)
        yield shared
        return
    own: Engine = request.getfixturevalue("sqlite_engine")
    file = Path(own.url.database or "")
    for of_the_test_before in file.parent.glob(f"{file.name}*"):
        of_the_test_before.unlink()
    shutil.copy(request.getfixturevalue("blank_sqlite"), file)
    yield own
    own.dispose()
