"""What each table and column holds, in the words that stand beside them in `store.tables`.

Promises that nothing is said twice: a table's docstring and the remark after a column are the only descriptions there
are, so that whoever reads a copy of their data reads what whoever changes the tables reads.
"""

from __future__ import annotations

import ast
import inspect
import io
import tokenize
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import JSON, Boolean, Column, Date, Float, Integer, LargeBinary, Time

from service.store import tables
from service.store.tables import Base
from service.store.types import Id, UTCDateTime, Word

KINDS: tuple[tuple[type[Any], str], ...] = (
    (Id, "id (UUID)"),
    (UTCDateTime, "instant (ISO 8601, UTC)"),
    (Date, "date (ISO 8601)"),
    (Time, "time of day (ISO 8601)"),
    (Boolean, "true or false"),
    (Integer, "whole number"),
    (Float, "number"),
    (JSON, "structure (JSON)"),
    (LargeBinary, "bytes (base64)"),
)


@dataclass(frozen=True)
class ColumnTold:
    """A column: what it may hold, whether it may be empty, and what it means (nothing where its name says it)."""

    table: str
    table_means: str
    column: str
    kind: str
    may_be_empty: bool
    means: str


def kind_of(column: Column[object]) -> str:
    """What a column may hold, in words."""
    if isinstance(column.type, Word):
        return "one of: " + ", ".join(word.value for word in column.type.vocabulary)
    if column.foreign_keys:
        return f"id (UUID) of a row of {next(iter(column.foreign_keys)).column.table.name}"
    return next((words for kind, words in KINDS if isinstance(column.type, kind)), "text")


def described() -> Iterator[ColumnTold]:
    """Every column of every table, in the order in which they stand."""
    remarks = _remarks()
    for mapper in sorted(Base.registry.mappers, key=lambda one: one.class_.__tablename__):
        kind = mapper.class_
        for column in kind.__table__.columns:
            means = next((remarks[owner.__name__, column.name] for owner in kind.__mro__
                          if (owner.__name__, column.name) in remarks), "")  # fmt: skip
            about = inspect.cleandoc(kind.__doc__ or "").replace("\n", " ")
            yield ColumnTold(kind.__tablename__, about, column.name, kind_of(column), bool(column.nullable), means)


@cache
def _remarks() -> dict[tuple[str, str], str]:
    """By class and column: the remark on its line, else the one on the lines just above it."""
    source = inspect.getsource(tables)
    tokens = list(tokenize.generate_tokens(io.StringIO(source).readline))
    beside = {one.start[0]: one.string.lstrip("# ") for one in tokens if one.type == tokenize.COMMENT}
    alone = {one.start[0] for one in tokens if one.type == tokenize.COMMENT and one.line.lstrip().startswith("#")}
    found = {}
    for kind in (one for one in ast.parse(source).body if isinstance(one, ast.ClassDef)):
        for one in kind.body:
            if isinstance(one, ast.AnnAssign) and isinstance(one.target, ast.Name):
                above = one.lineno - 1
                remark = beside.get(one.end_lineno or one.lineno, "")
                if not remark and above in alone:
                    remark = beside[above]
                found[kind.name, one.target.id] = remark
    return found
