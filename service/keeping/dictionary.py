"""Files that leave the service: what may stand in them, how a value is written there, and what each column means.

Promises that nothing is said twice: a table's docstring and the remarks beside a column in `store.tables` are the only
descriptions there are, so that whoever reads a copy of their data reads what whoever changes the tables reads; that
what opens a door (hashes, secrets, keys) goes out in no file; and that no spreadsheet takes a cell for a formula.
"""

from __future__ import annotations

import ast
import base64
import io
import json
import tokenize
import uuid
from collections.abc import Iterable, Iterator, Mapping
from datetime import date, time
from enum import Enum
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from sqlalchemy import JSON, Boolean, Column, Date, Float, Integer, LargeBinary, Table, Time

from service.reports.exports import no_formula
from service.store import tables
from service.store.tables import Base
from service.store.types import Id, LegibleFacts, UTCDateTime, Word

OPENS = "opens a door"
WITHHELD: Mapping[str, frozenset[str]] = {
    "staff": frozenset({"password_hash", "totp_secret", "totp_step", "paper_codes"}),
    "api_keys": frozenset({"secret_hash"}),
    "contacts": frozenset({"secret"}),
    "emergency_codes": frozenset({"code_hash"}),
    "hospital_sign_ins": frozenset({"client_secret"}),
    "invitations": frozenset({"code_hash"}),
    "link_keys": frozenset({"key_hash"}),
    "messages": frozenset({"claim_token"}),
}
HEAD = ("table", "column", "type", "may_be_empty", "refers_to", "words", "meaning")
TYPES: tuple[tuple[type[Any], str], ...] = (
    (Id, "id (UUID)"), (UTCDateTime, "instant (ISO 8601, UTC)"), (Word, "one of the words"),
    (Date, "date (ISO 8601)"), (Time, "wall time (ISO 8601)"), (JSON, "JSON"), (LegibleFacts, "JSON"),
    (Boolean, "true or false"), (Integer, "whole number"), (Float, "number"), (LargeBinary, "bytes (base64)"),
)  # fmt: skip


def going_out(table: Table) -> list[Column[Any]]:
    """The columns that go out, the id first."""
    kept = [column for column in table.columns if column.name not in WITHHELD.get(table.name, ())]
    return sorted(kept, key=lambda column: column.name != "id")


def plain(value: Any) -> Any:
    """A stored value as JSON has it: ids and words as text, dates and instants by ISO 8601, bytes in base64."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, date | time):  # a datetime is a date
        return value.isoformat()
    if isinstance(value, bytes):
        return base64.b64encode(value).decode("ascii")
    return str(value) if isinstance(value, uuid.UUID) else value


def cell(value: Any) -> str:
    """A stored value as a cell of CSV."""
    written = plain(value)
    if written is None:
        return ""
    return no_formula(written) if isinstance(written, str) else json.dumps(written, ensure_ascii=False)


def described(which: Iterable[Table], left_out: Mapping[str, str] = MappingProxyType({})) -> Iterator[tuple[str, ...]]:
    """The rows of a dictionary, as `HEAD` has them: of each table one of itself, then its columns.

    `left_out` names tables that do not go out, and why: of their columns nothing is said.
    """
    sentences, meanings = _said()
    for table in which:
        why = left_out.get(table.name)
        yield table.name, "", "", "", "", "", f"Left out: {why}." if why else sentences.get(table.name, "")
        for column in going_out(table) if why is None else ():
            yield _described(column, meanings.get((table.name, column.name), ""))
        for name in sorted(WITHHELD.get(table.name, ())):
            yield table.name, name, "", "", "", "", f"Left out: {OPENS}."


def _described(column: Column[Any], meaning: str) -> tuple[str, ...]:
    kind: Any = column.type
    words = ", ".join(word.value for word in kind.vocabulary) if isinstance(kind, Word) else ""
    refers = ", ".join(sorted(f"{key.column.table.name}.{key.column.name}" for key in column.foreign_keys))
    longest = getattr(kind, "length", None)
    text = f"text, at most {longest} characters" if longest else "text"
    said = next((words for known, words in TYPES if isinstance(kind, known)), text)
    return column.table.name, column.name, said, "yes" if column.nullable else "no", refers, words, meaning


@cache
def _said() -> tuple[Mapping[str, str], Mapping[tuple[str, str], str]]:
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
