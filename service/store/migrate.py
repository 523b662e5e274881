"""Bring a database to the newest layout, and say whether it is there."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine
from sqlalchemy.exc import OperationalError

from service.store import arrivals, months
from service.store.migrations import monthly, roles
from service.store.session import need_server_itself, write_connection
from service.store.tables import ARRIVING

MIGRATIONS = Path(__file__).with_name("migrations")
LOCK = 7239114  # ours among the database's advisory locks; any number would do
LOCK_WAIT = "2s"
LOCK_NOT_AVAILABLE = "55P03"  # PostgreSQL, appendix A
PAUSE_SECONDS = 0.5
TRIES = 20


def upgrade(engine: Engine, revision: str = "head") -> None:
    """Apply every migration that is missing up to `revision`. Safe to run again, and from two processes.

    To a layout that is newer than this code, nothing: the code that made it has done it all.

    On PostgreSQL each is a transaction of its own, beside old processes that work on:
    none of them waits for longer than `LOCK_WAIT` behind a change that waits for a lock.
    """
    if is_newer(engine):
        return
    if engine.dialect.name == "postgresql":
        with _alone(engine), engine.connect() as connection:
            try:
                # To build an index takes as long as it takes.
                connection.exec_driver_sql(f"SET lock_timeout = '{LOCK_WAIT}'; SET statement_timeout = 0")
                connection.commit()
                _run_patiently(connection, revision)
            finally:
                connection.invalidate()  # its settings are not for whoever would get it next
            if revision == "head":
                months.make_ahead(engine)
    else:
        with write_connection(engine) as connection:
            _run(connection, revision)


def raise_wall(engine: Engine, keys: tuple[bytes, ...]) -> tuple[str, ...]:
    """Let PostgreSQL keep the wall between clinics, where it has the roles for it. Returns which of them are missing.

    A wall that was raised for a newer layout stays: this code knows nothing of the tables that came since.

    As the owner of the tables, after `upgrade`; safe to run again, and beside processes that work on: where nothing
    has changed no table is touched. `keys` are those that sign what the web's transactions say, today's first.
    """
    if engine.dialect.name != "postgresql" or is_newer(engine):
        return ()
    with _alone(engine), engine.begin() as connection:
        roles.build_functions(connection)
        monthly.build(connection)
        roles.keep_keys(connection, keys)
        found = roles.there(connection)
        if not (missing := tuple(role for role in roles.ROLES if role not in found)):
            connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{LOCK_WAIT}'")
            roles.raise_wall(connection)
    return missing


def _run_patiently(connection: Connection, revision: str) -> None:
    for tries_left in reversed(range(TRIES)):
        try:
            _run(connection, revision)
            break
        except OperationalError as error:
            if tries_left == 0 or getattr(error.orig, "sqlstate", None) != LOCK_NOT_AVAILABLE:
                raise
        connection.rollback()
        time.sleep(PAUSE_SECONDS)


@contextmanager
def _alone(engine: Engine) -> Iterator[None]:
    """Two deployments starting together must not both create the tables."""
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as keeper:
        need_server_itself(keeper)
        # Asked again and again, not waited for: a statement that waits is one that CREATE INDEX CONCURRENTLY waits for.
        while not keeper.exec_driver_sql(f"SELECT pg_try_advisory_lock({LOCK})").scalar_one():
            time.sleep(PAUSE_SECONDS)
        try:
            yield
        finally:
            keeper.exec_driver_sql(f"SELECT pg_advisory_unlock({LOCK})")


def _run(connection: Connection, revision: str) -> None:
    config = _config()
    config.attributes["connection"] = connection
    command.upgrade(config, revision)
    if revision == "head":
        arrivals.carry_on(connection, ARRIVING)


def is_current(engine: Engine) -> bool:
    """Whether the database has all that this code was written for.

    A layout that this code does not know is a newer one, made while old processes
    still run: every migration only adds, so they go on.
    """
    with engine.connect() as connection:
        there = MigrationContext.configure(connection).get_current_revision()
    return there == head() or _is_unknown(there)


def is_newer(engine: Engine) -> bool:
    """Whether the layout is one that this code does not know."""
    with engine.connect() as connection:
        return _is_unknown(MigrationContext.configure(connection).get_current_revision())


def _is_unknown(revision: str | None) -> bool:
    known = {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}
    return revision is not None and revision not in known


def head() -> str | None:
    """The newest layout's name."""
    return ScriptDirectory.from_config(_config()).get_current_head()


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    return config
