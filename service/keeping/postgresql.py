"""PostgreSQL's own programs: `pg_dump` writes a database as it was at one instant, `pg_restore` brings it back.

Promises that what `contents` counts and what is dumped are one snapshot, whoever writes meanwhile; that a restored
database is there whole and held, or not at all, since all of it is one transaction; and that no password stands among
a program's arguments, where everybody on the machine could read it.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from typing import IO, BinaryIO, cast

from psycopg import pq
from sqlalchemy import Connection, Engine, inspect, text

from service.domain.validation import Refused
from service.keeping.archive import Content, copy
from service.keeping.contents import of_postgresql
from service.store.session import need_server_itself

Environment = Callable[[dict[str, str]], dict[str, str]]  # what another program is given beside these variables
MISSING = "{program} on this machine, of the server's version or newer: install PostgreSQL's client programs"
# As long as it takes; and nobody waits behind a transaction that only reads.
PATIENT = "SET LOCAL statement_timeout = 0; SET LOCAL idle_in_transaction_session_timeout = 0"
HOLD = "INSERT INTO public.holds (id, backup_at, restored_at) VALUES ('{id}', '{backup_at}', '{restored_at}');\n"
ALIKE = ("--no-owner", "--no-acl")  # whoever owns the place owns what is brought back there
QUIETLY = ("--no-psqlrc", "--quiet", "--output=/dev/null", "--set=ON_ERROR_STOP=1", "--file=-")
TOLD = 400  # characters of what a program complains of


class Failed(Exception):
    """What one of the programs said."""


@contextmanager
def snapshot(engine: Engine) -> Iterator[tuple[Connection, str]]:
    """A transaction that sees the database as it is now until it ends, and the name by which others see the same."""
    with engine.connect().execution_options(isolation_level="REPEATABLE READ") as connection, connection.begin():
        need_server_itself(connection)  # pg_dump leaves a connection with settings of its own
        connection.exec_driver_sql(PATIENT)
        yield connection, str(connection.scalar(text("SELECT pg_export_snapshot()")))


def dump(engine: Engine, name: str, target: BinaryIO, around: Environment) -> tuple[int, str]:
    """Write the snapshot `name` to `target`. Returns length and SHA-256. Raises Failed, and Refused without pg_dump."""
    digest = hashlib.sha256()
    with _program(
        engine, around, "pg_dump", *ALIKE, "--format=custom", f"--snapshot={name}", stdout=subprocess.PIPE
    ) as program:
        size = copy(cast(BinaryIO, program.stdout), target, digest)
    return size, digest.hexdigest()


def is_empty(engine: Engine) -> bool:
    """Whether the database holds no table. Raises Refused behind a pooler: what is restored leaves settings behind."""
    with engine.connect() as connection:
        need_server_itself(connection)
        return not inspect(connection).get_table_names()


def restore(
    engine: Engine,
    dumped: IO[bytes],
    hold_id: uuid.UUID,
    backup_at: datetime,
    restored_at: datetime,
    around: Environment,
) -> None:
    """Bring a dump back into an empty database, held, in one transaction. Raises Failed, and nothing is there then."""
    held = HOLD.format(id=hold_id, backup_at=backup_at.isoformat(), restored_at=restored_at.isoformat())
    with (
        tempfile.TemporaryFile() as seekable,
        _program(engine, around, "psql", *QUIETLY, stdin=subprocess.PIPE) as client,
        suppress(BrokenPipeError),  # it has ended, and says why
    ):
        shutil.copyfileobj(dumped, seekable)
        seekable.seek(0)
        # Committed only once the script has come to its end: where that breaks off, nothing is there.
        with cast(BinaryIO, client.stdin) as script:
            script.write(b"BEGIN;\n")
            with _program(
                None, around, "pg_restore", *ALIKE, "--file=-", stdin=seekable, stdout=subprocess.PIPE
            ) as own:
                shutil.copyfileobj(cast(BinaryIO, own.stdout), script)
            script.write(f"{held}COMMIT;\n".encode("ascii"))


def contents(engine: Engine, without: uuid.UUID) -> dict[str, Content]:
    """What the database holds, without the hold that came with the restoring."""
    with snapshot(engine) as (connection, _):
        return of_postgresql(connection, without)


@contextmanager
def _program(
    engine: Engine | None, around: Environment, program: str, *arguments: str, **streams: object
) -> Iterator[subprocess.Popen[bytes]]:
    """Run it to its end. Raises Failed with what it said when that is a bad one, Refused where it is not there."""
    with tempfile.TemporaryFile() as said:
        try:
            running = subprocess.Popen(  # type: ignore[call-overload]  # noqa: S603 - our own words
                (program, *arguments), env=around({} if engine is None else address(engine)), stderr=said, **streams
            )
        except FileNotFoundError:
            raise Refused("program", program, MISSING.format(program=program)) from None
        try:
            yield running
            code = running.wait()
        except BaseException:
            running.kill()
            running.wait()
            raise
        finally:
            if running.stdout is not None:
                running.stdout.close()
        if code != 0:
            said.seek(0)
            raise Failed(f"{program}: {said.read(TOLD).decode('utf-8', 'replace').strip()}")


def address(engine: Engine) -> dict[str, str]:
    """Where the database is, as the variables that each of these reads (libpq, "Environment Variables")."""
    _, given = engine.dialect.create_connect_args(engine.url)
    variables = {one.keyword.decode(): one.envvar.decode() for one in pq.Conninfo.get_defaults() if one.envvar}
    return {variables[name]: str(value) for name, value in given.items() if name in variables}
