"""Bring a database to the newest layout, and say whether it is there."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine

from service.store.session import writing_rows

MIGRATIONS = Path(__file__).with_name("migrations")


def upgrade(engine: Engine, revision: str = "head") -> None:
    """Apply every migration that is missing up to `revision`. Safe to run again, and from two processes."""
    with writing_rows(engine) as connection:
        if engine.dialect.name == "postgresql":
            # Two deployments starting together must not both create the tables.
            connection.exec_driver_sql("SELECT pg_advisory_xact_lock(7239114)")
        config = _config()
        config.attributes["connection"] = connection
        command.upgrade(config, revision)


def is_current(engine: Engine) -> bool:
    """Whether the database has all that this code was written for.

    A layout that this code does not know is a newer one, made while old processes
    still run: every migration only adds, so they go on.
    """
    with engine.connect() as connection:
        there = MigrationContext.configure(connection).get_current_revision()
    known = {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}
    return there == head() or (there is not None and there not in known)


def head() -> str | None:
    """The newest layout's name."""
    return ScriptDirectory.from_config(_config()).get_current_head()


def make_revision(engine: Engine, message: str, name: str) -> None:
    """For developers: write the migration that leads from the database's layout to the tables'."""
    with engine.connect() as connection, connection.begin():
        config = _config()
        config.attributes["connection"] = connection
        command.revision(config, message=message, autogenerate=True, rev_id=name)


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    return config
