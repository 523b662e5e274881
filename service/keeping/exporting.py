"""Everything of one clinic as files that anybody can read: CSV (RFC 4180) and NDJSON, with a dictionary.

Promises every row of every table that belongs to the clinic, as it was at one instant, or the table's name among those
left out with the reason; what opens a door (hashes, secrets, keys) never goes out. The dictionary is made from the
tables themselves: their sentences, types, words and what refers to what. A cell of CSV is guarded so that no
spreadsheet takes it for a formula; NDJSON holds each value as it is. The folder gets its name when all of it is there.
"""

from __future__ import annotations

import ast
import base64
import csv
import hashlib
import io
import json
import shutil
import tokenize
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import date, datetime, time
from enum import Enum
from pathlib import Path
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    ColumnElement,
    Connection,
    Engine,
    Float,
    Integer,
    LargeBinary,
    Table,
    or_,
    select,
)

from service.domain.validation import Refused
from service.keeping import postgresql
from service.reports.exports import no_formula
from service.store import tables
from service.store.tables import AuditSeal, Base, Clinic
from service.store.types import Id, LegibleFacts, UTCDateTime, Word

AT_ONCE = 1000
OF_NO_CLINIC = "is of no clinic: what keeps the service itself going"
OPENS = "opens a door"
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
SECRET: Mapping[str, frozenset[str]] = {
    "staff": frozenset({"password_hash", "totp_secret", "totp_step", "paper_codes"}),
    "api_keys": frozenset({"secret_hash"}),
    "contacts": frozenset({"secret"}),
    "emergency_codes": frozenset({"code_hash"}),
    "hospital_sign_ins": frozenset({"client_secret"}),
    "invitations": frozenset({"code_hash"}),
    "messages": frozenset({"claim_token"}),
}
COLUMNS = ("table", "column", "type", "may_be_empty", "refers_to", "words", "meaning")


def export(engine: Engine, clinic_id: uuid.UUID, folder: Path, now: datetime, version: str) -> Mapping[str, int]:
    """Write all of the clinic into `folder`, which is not there yet. Returns the rows by table. Raises Refused."""
    if folder.exists():
        raise Refused("FOLDER", str(folder), "a folder that is not there yet")
    part = folder.with_name(f"{folder.name}.{uuid.uuid4().hex[:8]}.part")
    part.mkdir()
    without = left_out()
    try:
        with _one_instant(engine) as connection:
            rows = {
                table.name: _write(connection, table, which, part)
                for table in _tables()
                if table.name not in without and (which := _of_clinic(table, clinic_id)) is not None
            }
        _write_dictionary(part / "dictionary.csv")
        told = {
            "clinic": str(clinic_id), "taken_at": now.isoformat(), "version": version, "rows": rows,
            "left_out": without, "sha256": {one.name: _sha256(one) for one in sorted(part.iterdir())},
        }  # fmt: skip
        (part / "export.json").write_text(json.dumps(told, indent=1), encoding="utf-8")
        part.rename(folder)
    except BaseException:
        shutil.rmtree(part)
        raise
    return rows


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


def _going_out(table: Table) -> list[Column[Any]]:
    """The columns that go out, the id first."""
    kept = [column for column in table.columns if column.name not in SECRET.get(table.name, ())]
    return sorted(kept, key=lambda column: column.name != "id")


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
    columns = _going_out(table)
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
            values = {column.name: _plain(value) for column, value in zip(columns, row, strict=True)}
            writer.writerow([_cell(value) for value in values.values()])
            as_json.write(json.dumps(values, ensure_ascii=False) + "\n")
            number += 1
    return number


def _plain(value: Any) -> Any:
    """A value as JSON has it."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, date | time):  # a datetime is a date too
        return value.isoformat()
    if isinstance(value, uuid.UUID):
        return str(value)
    return base64.b64encode(value).decode("ascii") if isinstance(value, bytes) else value


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return no_formula(value)
    return json.dumps(value, ensure_ascii=False)


def _sha256(file: Path) -> str:
    with file.open("rb") as written:
        return hashlib.file_digest(written, "sha256").hexdigest()


# --- the dictionary --------------------------------------------------------------------------


def _write_dictionary(file: Path) -> None:
    sentences, meanings = _told()
    without = left_out()
    with file.open("w", encoding="utf-8", newline="") as written:
        writer = csv.writer(written, lineterminator="\r\n")
        writer.writerow(COLUMNS)
        for table in _tables():
            why = without.get(table.name)
            meaning = f"Left out: {why}." if why else sentences.get(table.name, "")
            writer.writerow([table.name, "", "", "", "", "", no_formula(meaning)])
            for column in _going_out(table) if why is None else ():
                writer.writerow(map(no_formula, _described(column, meanings.get((table.name, column.name), ""))))
            for secret in sorted(SECRET.get(table.name, ())):
                writer.writerow([table.name, secret, "", "", "", "", f"Left out: {OPENS}."])


def _described(column: Column[Any], meaning: str) -> tuple[str, ...]:
    kind = column.type
    words = ", ".join(word.value for word in kind.vocabulary) if isinstance(kind, Word) else ""
    refers = ", ".join(sorted(f"{key.column.table.name}.{key.column.name}" for key in column.foreign_keys))
    return column.table.name, column.name, _type(kind), "yes" if column.nullable else "no", refers, words, meaning


def _type(kind: Any) -> str:
    for known, said in (
        (Id, "id (UUID)"), (UTCDateTime, "instant (ISO 8601, UTC)"), (Word, "one of the words"),
        (JSON, "JSON"), (LegibleFacts, "JSON"),
        (Boolean, "true or false"), (Integer, "whole number"), (Float, "number"), (LargeBinary, "bytes (base64)"),
    ):  # fmt: skip
        if isinstance(kind, known):
            return said
    names = {"date": "date (ISO 8601)", "time": "wall time (ISO 8601)"}
    longest = getattr(kind, "length", None)
    return names.get(kind.python_type.__name__, f"text, at most {longest} characters" if longest else "text")


def _told() -> tuple[dict[str, str], dict[tuple[str, str], str]]:
    """What is said of each table, and of each column beside where it is written."""
    source = Path(str(tables.__file__)).read_text(encoding="utf-8")
    remarks = {
        token.start[0]: (token.string.lstrip("# "), token.line.lstrip().startswith("#"))
        for token in tokenize.generate_tokens(io.StringIO(source).readline)
        if token.type == tokenize.COMMENT and not token.string.startswith("# ---")
    }
    beside: dict[tuple[str, str], str] = {}
    for kind in (one for one in ast.parse(source).body if isinstance(one, ast.ClassDef)):
        for node in kind.body:
            if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                beside[kind.name, node.target.id] = _remark(node, remarks)
    sentences: dict[str, str] = {}
    meanings: dict[tuple[str, str], str] = {}
    for mapper in Base.registry.mappers:
        table = str(mapper.local_table)
        sentences[table] = " ".join((mapper.class_.__doc__ or "").split())
        for own in reversed(mapper.class_.__mro__):
            of_it = {name: said for (kind_name, name), said in beside.items() if kind_name == own.__name__ and said}
            meanings |= {(table, name): said for name, said in of_it.items()}
    return sentences, meanings


def _remark(node: ast.AnnAssign, remarks: Mapping[int, tuple[str, bool]]) -> str:
    """The remarks on a column's own lines, and those on lines of their own just above it."""
    above: list[str] = []
    line = node.lineno - 1
    while line in remarks and remarks[line][1]:
        above.insert(0, remarks[line][0])
        line -= 1
    on = [remarks[line][0] for line in range(node.lineno, (node.end_lineno or node.lineno) + 1) if line in remarks]
    return " ".join([*above, *on])
