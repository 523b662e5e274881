"""Everything of one clinic as files that anybody can read: CSV (RFC 4180) and NDJSON, with a dictionary.

Promises every row of every table that belongs to the clinic, as it was at one instant, or the table's name among those
left out with the reason; what a file may hold, and the dictionary of it, are `keeping.dictionary`'s. NDJSON holds each
value as it is, unguarded. The folder gets its name when all of it is there.
"""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from sqlalchemy import ColumnElement, Connection, Engine, Table, or_, select

from service.domain.validation import Refused
from service.keeping import dictionary, postgresql
from service.keeping.dictionary import OPENS
from service.store.tables import AuditSeal, Base, Clinic

AT_ONCE = 1000
OF_NO_CLINIC = "is of no clinic: what keeps the service itself going"
NOBODY = uuid.UUID(int=0)
WORKED_OUT = "is worked out from the rest"
_NAMED: Mapping[str, str] = {
    **dict.fromkeys(("link_keys", "passkeys", "passkey_challenges", "staff_invitations", "staff_sessions"), OPENS),
    **dict.fromkeys(("carried_states", "panel_rows"), WORKED_OUT),
    "idempotent_calls": "answers to machines, kept for a day",
    "import_files": "files as they came, kept for some days; what was taken from them is in the other tables",
    "form_drafts": "was typed and never sent",
    "enrolment_drafts": "was typed and never sent",
}  # fmt: skip


def export(
    engine: Engine, clinic_id: uuid.UUID, folder: Path, now: datetime, version: str, note: Callable[[], None]
) -> Mapping[str, int]:
    """Write all of the clinic into `folder`, which is not there yet. Returns the rows by table.

    `note` keeps that it goes out: once it can be written there, before the first row is. Raises Refused, and OSError.
    """
    if folder.exists():
        raise Refused("FOLDER", str(folder), "a folder that is not there yet")
    without = left_out()
    with _part(folder) as part:
        note()
        with _one_instant(engine) as connection:
            rows = {
                table.name: _write(connection, table, which, part)
                for table in _tables()
                if table.name not in without and (which := _of_clinic(table, clinic_id)) is not None
            }
        _write_csv(part / "dictionary.csv", dictionary.HEAD, dictionary.described(_tables(), without))
        told = {
            "clinic": str(clinic_id), "taken_at": now.isoformat(), "version": version, "rows": rows,
            "left_out": without, "sha256": {one.name: _sha256(one) for one in sorted(part.iterdir())},
        }  # fmt: skip
        (part / "export.json").write_text(json.dumps(told, indent=1), encoding="utf-8")
    return rows


@contextmanager
def _part(folder: Path) -> Iterator[Path]:
    """A folder beside, which gets its name in the end; what fails takes it away, and tells of the one asked for."""
    part = folder.with_name(f"{folder.name}.{uuid.uuid4().hex[:8]}.part")
    try:
        part.mkdir()
        yield part
        part.rename(folder)
    except OSError as error:
        if error.filename is None or str(part) in str(error.filename):
            error.filename = str(folder)
        raise
    finally:
        shutil.rmtree(part, ignore_errors=True)


@contextmanager
def _one_instant(engine: Engine) -> Iterator[Connection]:
    if engine.dialect.name == "postgresql":
        with postgresql.snapshot(engine) as (connection, _):
            yield connection
    else:
        with engine.connect() as connection:  # a reader of SQLite sees what was there when it first read
            yield connection


def left_out() -> dict[str, str]:
    """The tables that do not go out, and why."""
    of_nobody = {table.name: OF_NO_CLINIC for table in _tables() if _of_clinic(table, NOBODY) is None}
    return of_nobody | dict(_NAMED)


def _tables() -> list[Table]:
    return sorted(Base.metadata.sorted_tables, key=lambda table: table.name)


def _of_clinic(table: Table, clinic_id: uuid.UUID) -> ColumnElement[bool] | None:
    """Which rows are the clinic's; None for a table that is of no clinic."""
    if table is Clinic.__table__:
        return Clinic.id == clinic_id
    if table is AuditSeal.__table__:
        return AuditSeal.chain == clinic_id
    if "clinic_id" in table.columns:
        return table.columns.clinic_id == clinic_id
    through = [
        key.parent.in_(select(key.column).where(key.column.table.columns.clinic_id == clinic_id))
        for key in table.foreign_keys
        if "clinic_id" in key.column.table.columns
    ]
    return or_(*through) if through else None


def _write(connection: Connection, table: Table, which: ColumnElement[bool], folder: Path) -> int:
    columns = dictionary.going_out(table)
    query = select(*columns).where(which).order_by(table.columns.id)
    number = 0
    streamed = connection.execution_options(stream_results=True, yield_per=AT_ONCE)
    with (
        (folder / f"{table.name}.csv").open("w", encoding="utf-8", newline="") as as_csv,
        (folder / f"{table.name}.ndjson").open("w", encoding="utf-8", newline="\n") as as_json,
        streamed.execute(query) as rows,
    ):
        writer = csv.writer(as_csv, lineterminator="\r\n")
        writer.writerow([column.name for column in columns])
        for row in rows:
            values = {column.name: dictionary.plain(value) for column, value in zip(columns, row, strict=True)}
            writer.writerow(map(dictionary.cell, values.values()))
            as_json.write(json.dumps(values, ensure_ascii=False) + "\n")
            number += 1
    return number


def _sha256(file: Path) -> str:
    with file.open("rb") as written:
        return hashlib.file_digest(written, "sha256").hexdigest()


def _write_csv(file: Path, head: Iterable[str], rows: Iterable[Iterable[str]]) -> None:
    with file.open("w", encoding="utf-8", newline="") as written:
        writer = csv.writer(written, lineterminator="\r\n")
        writer.writerow(head)
        writer.writerows(map(dictionary.cell, row) for row in rows)
