"""Make a backup: one file, whole and checked before it bears its name.

Promises that everything committed before it began is in it, and nothing half, whoever writes meanwhile and without
keeping anybody from writing; that the file is written beside and takes its name when it has been read to its end and
compared; that no file is written over; and that what a backup leaves which is killed on its way, health data in clear,
is taken away by a later one. Says in the database when it was taken.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import sqlite3
import uuid
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import BinaryIO, cast

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from service.domain.validation import Refused
from service.keeping import contents, postgresql
from service.keeping.archive import DATABASE, MANIFEST, SECRETS, Content, Manifest, check, copy, opened, seal
from service.keeping.postgresql import Environment
from service.keyring import Keyring
from service.store.session import write_session
from service.store.tables import Backup

PATTERN = "neaptide-*.backup"
NAME = "neaptide-{at:%Y%m%dT%H%M%SZ}.backup"
PART = re.compile(r"neaptide-\w+\.backup\.[0-9a-f]{8}\.part(\.sqlite3(-\w+)?)?")
LEFT_BEHIND = timedelta(days=1)  # a part that is older is nobody's any more: no backup takes as long
LEVEL = 6  # of deflate


@dataclass(frozen=True)
class Sealed:
    """Settings that nobody could give again, and what opens them."""

    values: Mapping[str, str]
    passphrase: str


def back_up(
    engine: Engine,
    file: Path,
    now: datetime,
    version: str,
    keys: Keyring,
    around: Environment,
    sealed: Sealed | None = None,
) -> Manifest:
    """Write a backup to `file`. Returns what is in it.

    Its manifest is sealed by `keys`, and names the present one by its fingerprint.
    Raises Refused for a file that is there, `postgresql.Failed`, and OSError.
    """
    if file.exists():
        raise Refused("FILE", str(file), "a file that is not there yet, or a folder")
    with _part(file) as part:
        with zipfile.ZipFile(part, "w", compresslevel=LEVEL) as archive:
            _take_away_left_behind(part)
            write = _write_sqlite if engine.dialect.name == "sqlite" else _write_postgresql
            size, sha256, tables, layout = write(engine, archive, part, around)
            names = tuple(sorted(sealed.values)) if sealed else ()
            kind, key = engine.dialect.name, keys.fingerprint
            manifest = Manifest(now, version, layout, kind, key, names, size, sha256, tables).sealed(keys.sealer())
            if sealed is not None:
                archive.writestr(SECRETS, seal(sealed.values, sealed.passphrase))
            archive.writestr(MANIFEST, manifest.as_json())
        check(part)
        _keep(part)
        _name(part, file)
    return manifest


def note(engine: Engine, manifest: Manifest, file: Path, now: datetime) -> None:
    """Say in the database that the backup was made."""
    with write_session(engine) as session:
        session.add(Backup(taken_at=manifest.taken_at, finished_at=now, size=file.stat().st_size))


def drop_older(folder: Path, keep: int) -> list[Path]:
    """Take away all but the newest `keep` backups that bear a name of ours in `folder`. Returns what is gone."""
    ours = []
    for file in folder.glob(PATTERN):
        with suppress(Refused), opened(file) as (_, manifest):
            ours.append((manifest.taken_at, file))
    old = [file for _, file in sorted(ours, reverse=True)[keep:]]
    for file in old:
        file.unlink()
    return old


# --- one database and the other --------------------------------------------------------------

Written = tuple[int, str, dict[str, Content], str]  # length, SHA-256, what the tables hold, the layout's name


def _write_sqlite(engine: Engine, archive: zipfile.ZipFile, part: Path, _around: Environment) -> Written:
    copied = part.with_name(f"{part.name}.sqlite3")
    try:
        with engine.connect() as connection, contents.sqlite_file(copied) as target:
            source = cast(sqlite3.Connection, connection.connection.driver_connection)
            # All pages in one step are one read transaction: writers go on, and none makes it begin anew.
            source.backup(target, pages=-1)
            target.execute("PRAGMA journal_mode=DELETE")
            found = [str(line) for (line,) in target.execute("PRAGMA integrity_check(1)")]
            if found != ["ok"] or target.execute("PRAGMA foreign_key_check").fetchone() is not None:
                raise Refused("database", str(engine.url.database), "one that is whole: see `neaptide doctor`")
            tables = contents.of_sqlite(target)
            (layout,) = target.execute("SELECT version_num FROM alembic_version").fetchone()
        digest = hashlib.sha256()
        how = zipfile.ZipInfo(DATABASE["sqlite"])
        how.compress_type = zipfile.ZIP_DEFLATED
        with copied.open("rb") as made, archive.open(how, "w", force_zip64=True) as member:
            return copy(made, cast(BinaryIO, member), digest), digest.hexdigest(), tables, layout
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode != sqlite3.SQLITE_FULL:
            raise DBAPIError("backup", None, error) from None  # one trouble has one name, whoever meets it
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)) from None
    finally:
        for left in (copied, *(copied.with_name(f"{copied.name}-{log}") for log in ("journal", "wal", "shm"))):
            left.unlink(missing_ok=True)


def _write_postgresql(engine: Engine, archive: zipfile.ZipFile, _part: Path, around: Environment) -> Written:
    with postgresql.snapshot(engine) as (connection, name):
        with archive.open(DATABASE["postgresql"], "w", force_zip64=True) as member:
            size, sha256 = postgresql.dump(engine, name, cast(BinaryIO, member), around)
        tables = contents.of_postgresql(connection)
        layout = str(connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar_one())
    return size, sha256, tables, layout


# --- the file --------------------------------------------------------------------------------


@contextmanager
def _part(file: Path) -> Iterator[Path]:
    """A file beside, which is gone in the end."""
    part = file.with_name(f"{file.name}.{uuid.uuid4().hex[:8]}.part")
    try:
        yield part
    except OSError as error:
        if error.filename is None or str(part) in str(error.filename):
            error.filename = str(file)  # as it was typed; a write that fails names nothing
        raise
    finally:
        part.unlink(missing_ok=True)


def _take_away_left_behind(part: Path) -> None:
    """The parts of backups that came to no end, such as one that was killed; `part` is new."""
    over = part.stat().st_mtime - LEFT_BEHIND.total_seconds()
    for left in part.parent.glob(f"{PATTERN}.*"):
        with suppress(FileNotFoundError):  # a backup beside this one has just ended
            if PART.fullmatch(left.name) and left.stat().st_mtime < over:
                left.unlink()


def _keep(part: Path) -> None:
    with part.open("rb") as written:
        os.fsync(written.fileno())


def _name(part: Path, file: Path) -> None:
    """Give it its name, durably. Raises Refused where another has come to bear it meanwhile."""
    try:
        os.link(part, file)  # never replaces
    except FileExistsError:
        raise Refused("FILE", str(file), "a file that is not there yet, or a folder") from None
    except OSError:  # a file system without links
        part.rename(file)
    folder = os.open(file.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
