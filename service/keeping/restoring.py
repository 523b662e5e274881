"""Bring a backup back into an empty place, held: nothing is asked and nothing is sent until an operator resumes.

Promises that a place which holds anything is refused; that a file for which its seal does not vouch is not brought back
unless whoever does it says so, and one that was altered never; that what is there in the end was compared, table by
table, with what had been backed up; that it is held from the first instant at which anybody could work with it; and
that everybody is signed out, since who has left or signed out since would be signed in again.
"""

from __future__ import annotations

import hashlib
import os
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import BinaryIO, cast

from sqlalchemy import Engine

from service.domain.seals import Seal, Sealer
from service.domain.validation import Refused
from service.keeping import contents, postgresql
from service.keeping.archive import DATABASE, Content, Manifest, check, copy, not_a_backup, opened, unsealed
from service.keeping.postgresql import Environment
from service.store import arrivals, holds, migrate
from service.store.identity import new_id
from service.store.session import open_engine, write_session
from service.store.tables import ARRIVING, Hold

DIFFERS = "what was brought back differs from what was backed up in {tables}: empty the place, and bring it back anew"

# What is restored into PostgreSQL is a script that runs with the rights of whoever restores it.
UNVOUCHED = {
    Seal.ALTERED: "a backup that is as it was written: what this one says of itself was changed, and its seal was not",
    Seal.UNKNOWN_KEY: (
        "a backup whose seal can be compared: give NEAPTIDE_SECRET_KEY, or --secrets where the key lies in it;"
        " --without-seal brings it back all the same, where you know that nobody else could write to it"
    ),
    Seal.UNSEALED: (
        "a backup with its seal; --without-seal brings one back that has none, where you know that nobody else could"
        " write to it"
    ),
}


class Differs(Exception):
    """What was brought back is not what had been backed up; it stays held."""


@dataclass(frozen=True)
class Restored:
    """What was brought back, and from when on nothing is known."""

    manifest: Manifest
    rows: int
    seal: Seal


def restore(
    file: Path, engine: Engine, now: datetime, around: Environment, sealer: Sealer, *, needs_seal: bool = True
) -> Restored:
    """Bring the backup back into the database of `engine`: no file of SQLite yet, or no table of PostgreSQL.

    Its seal has to hold by `sealer`; without `needs_seal` it may also be none, or one whose key is not there.
    Raises Refused for a file or a place that cannot be used, `Differs`, and `postgresql.Failed`.
    """
    kind = engine.dialect.name
    manifest = check(file)
    if manifest.database != kind:
        raise Refused("into", kind, f"{manifest.database}: this is a backup of it")
    if manifest.layout != migrate.head():
        accepted = f"a backup with this version's layout: bring it back with version {manifest.version}, then upgrade"
        raise Refused("FILE", str(file), accepted)
    if manifest.taken_at > now:  # else the time of which nothing is known would be none
        accepted = f"a backup of before now, which is {now:%Y-%m-%d %H:%M:%S} UTC: set this machine's clock right"
        raise Refused("FILE", f"{file}, of {manifest.taken_at:%Y-%m-%d %H:%M:%S} UTC", accepted)
    seal = manifest.judged(sealer)
    if seal is Seal.ALTERED or (needs_seal and seal is not Seal.INTACT):
        raise Refused("FILE", str(file), UNVOUCHED[seal])
    (_restore_sqlite if kind == "sqlite" else _restore_postgresql)(file, engine, manifest, now, around)
    return Restored(manifest, sum(table.rows for table in manifest.tables.values()), seal)


def secrets_of(file: Path, passphrase: str) -> Mapping[str, str]:
    """The settings that lie sealed in a backup, by name. Raises Refused."""
    with opened(file) as (archive, manifest):
        if not manifest.secrets:
            raise Refused("secrets", str(file), "a backup that was made with --with-key")
        return unsealed(file, archive, passphrase)


def _restore_sqlite(file: Path, engine: Engine, manifest: Manifest, now: datetime, _around: Environment) -> None:
    place = Path(str(engine.url.database))
    if there := [one.name for one in place.parent.glob(f"{place.name}*")]:
        raise Refused("into", str(place.parent), f"an empty place; there is {', '.join(sorted(there))}")
    part = place.with_name(f"{place.name}.{uuid.uuid4().hex[:8]}.part")
    try:
        with opened(file) as (archive, _), part.open("xb") as target:
            digest = hashlib.sha256()
            with archive.open(DATABASE["sqlite"]) as source:
                copy(cast(BinaryIO, source), cast(BinaryIO, target), digest)
            if digest.hexdigest() != manifest.sha256:
                raise not_a_backup(file)
        with contents.sqlite_file(part) as connection:
            _compare(manifest.tables, contents.of_sqlite(connection))
        own = open_engine(f"sqlite:///{part}")
        with write_session(own) as session:
            hold = Hold(backup_at=manifest.taken_at, restored_at=now, compared_at=now)
            session.add(hold)
            holds.end_sessions(session)
        own.dispose()
        with contents.sqlite_file(part) as connection:
            connection.execute("PRAGMA journal_mode=DELETE")  # takes in and takes away the log beside
        with part.open("rb") as written:
            os.fsync(written.fileno())
        part.rename(place)
    finally:
        for left in part.parent.glob(f"{part.name}*"):
            left.unlink()


def _restore_postgresql(file: Path, engine: Engine, manifest: Manifest, now: datetime, around: Environment) -> None:
    if not postgresql.is_empty(engine):
        raise Refused("into", engine.url.render_as_string(hide_password=True), "an empty database; it holds tables")
    hold_id = new_id()
    with opened(file) as (archive, _), archive.open(DATABASE["postgresql"]) as dumped:
        postgresql.restore(engine, cast(BinaryIO, dumped), hold_id, manifest.taken_at, now, around)
    _compare(manifest.tables, postgresql.contents(engine, without=hold_id))
    with write_session(engine) as session:
        holds.compared(session, hold_id, now)
        holds.end_sessions(session)
        arrivals.carry_on(session.connection(), ARRIVING)


def _compare(wanted: Mapping[str, Content], found: Mapping[str, Content]) -> None:
    differing = sorted(name for name in {*wanted, *found} if wanted.get(name) != found.get(name))
    if differing:
        raise Differs(DIFFERS.format(tables=", ".join(differing)))
