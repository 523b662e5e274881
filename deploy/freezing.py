"""Write the first layout out, as the tables make it today, and see that what is written makes the same.

Promises that both kinds of database are written out or neither, and that a database made from the files has the
schema of one made from the tables, as the databases themselves tell it (`sqlite_master`, `pg_dump`), and the same
rows. Databases that it makes on the server are dropped again. Called by `deploy/freeze`.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, create_engine, event, make_url, text

from service.store import migrate
from service.store.migrations import frozen
from service.store.session import open_engine

FIRST = "0001"
LOOPBACK = "postgresql://postgres@127.0.0.1/postgres"
# What goes on around a migration, and makes nothing of the layout.
AROUND = re.compile(r"\s*(SELECT|SHOW|SET|RESET|PRAGMA|BEGIN|COMMIT|ROLLBACK)\b|.*\balembic_version\b", re.DOTALL)
CHANGES = re.compile(r"\\(un)?restrict .*")  # pg_dump's own, another in each run


class Unlike(Exception):
    """What is written makes another layout than the tables."""


def main(asked: Sequence[str]) -> int:
    server = asked[0] if asked else LOOPBACK
    written = [path for path in map(frozen.file_of, frozen.DIALECTS) if path.exists()]
    if written:
        print(f"deploy/freeze: {written[0]} is there: a first layout is written out once, and stays", file=sys.stderr)
        return 1
    try:
        for dialect in frozen.DIALECTS:
            write_out(dialect, server)
    except Exception:
        for path in map(frozen.file_of, frozen.DIALECTS):
            path.unlink(missing_ok=True)
        raise
    print("\n".join(str(path) for path in map(frozen.file_of, frozen.DIALECTS)))
    return 0


def write_out(dialect: str, server: str) -> None:
    """Write the file of this kind of database. Raises Unlike."""
    with empty(dialect, server) as followed, empty(dialect, server) as made:
        frozen.write(dialect, _said(followed))
        migrate.upgrade(made, FIRST)
        if (wanted := _told(followed)) != (found := _told(made)):
            differ = [line for line in [*wanted, *found] if (line in wanted) != (line in found)]
            raise Unlike(f"{dialect}: what is written makes another layout than the tables: {differ[:5]}")


def _said(engine: Engine) -> list[str]:
    """Make the layout as it follows the tables, and tell by which statements."""
    said: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, parameters: Any, _context: Any, _many: bool) -> None:
        if not AROUND.match(statement):
            if parameters:
                raise Unlike(f"a statement with values cannot be written out: {statement}")
            said.append(statement.replace("%%", "%") if engine.dialect.name == "postgresql" else statement)

    event.listen(engine, "before_cursor_execute", note)
    migrate.upgrade(engine, FIRST)
    event.remove(engine, "before_cursor_execute", note)
    return said


def _told(engine: Engine) -> list[str]:
    """The layout as the database tells it, and how many rows each table begins with."""
    with engine.connect() as connection:
        if engine.dialect.name == "sqlite":
            schema = [str(row) for row in connection.execute(text("SELECT type, name, sql FROM sqlite_master"))]
            names = connection.scalars(text("SELECT name FROM sqlite_master WHERE type = 'table'")).all()
        else:
            schema = _dumped(engine)
            names = connection.scalars(text("SELECT tablename FROM pg_tables WHERE schemaname = 'public'")).all()
        counts = [f"{name}: {connection.scalar(text(f'SELECT count(*) FROM {name}'))} rows" for name in names]
    return schema + sorted(counts)


def _dumped(engine: Engine) -> list[str]:
    url = engine.url.set(drivername="postgresql").render_as_string(hide_password=False)
    done = subprocess.run(
        ["pg_dump", "--schema-only", "--no-owner", url], capture_output=True, text=True, check=True, timeout=120
    )
    return [line for line in done.stdout.splitlines() if line and not CHANGES.fullmatch(line)]


@contextmanager
def empty(dialect: str, server: str) -> Iterator[Engine]:
    """An empty database, which is gone at the end."""
    if dialect == "sqlite":
        with tempfile.TemporaryDirectory() as folder:
            engine = open_engine(f"sqlite:///{Path(folder) / 'layout.sqlite3'}")
            yield engine
            engine.dispose()
        return
    name = f"neaptide_freeze_{uuid.uuid4().hex[:8]}"
    url = make_url(server)
    there = create_engine(url.set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT")
    with there.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    engine = open_engine(url.set(database=name).render_as_string(hide_password=False))
    try:
        yield engine
    finally:
        engine.dispose()
        with there.connect() as connection:
            connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
        there.dispose()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
