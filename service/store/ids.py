"""Whose rows a query is for: any number of ids, given as one parameter; and other long lists, in slices.

A list with a parameter for each id costs more to put into words than most queries take to
answer, and no database takes more than some thousands of them. An index that begins with
the column serves this as it serves a list.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Collection, Iterator, Sequence
from datetime import datetime
from functools import cached_property
from operator import attrgetter
from typing import Any, TypeVar

from sqlalchemy import ARRAY, BindParameter, ColumnElement, Dialect, Text, TypeDecorator, Uuid, bindparam, tuple_
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement
from sqlalchemy.types import TypeEngine

from service.store.types import Id, as_text

T = TypeVar("T")
SLICE = 500  # well under every database's limit on parameters


class Ids(tuple[uuid.UUID, ...]):
    """Some ids, which are put into words once."""

    @cached_property
    def as_json(self) -> str:
        return '["' + '","'.join(map(_HEX.__mod__, map(_NUMBER, self))) + '"]' if self else "[]"


class _ListOfIds(TypeDecorator[Sequence[uuid.UUID]]):
    """Any number of ids as one parameter: see `ids.among`."""

    impl = Text
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        return dialect.type_descriptor(Text() if dialect.name == "sqlite" else ARRAY(Uuid()))

    def process_bind_param(self, value: Sequence[uuid.UUID] | None, dialect: Dialect) -> Any:
        if value is None or dialect.name != "sqlite":
            return value and list(value)
        return (value if isinstance(value, Ids) else Ids(value)).as_json


_HEX, _NUMBER = "%032x", attrgetter("int")  # what `hex` of an id does, without a step of Python for each


class _Each(FunctionElement[uuid.UUID]):
    """The ids of one parameter, a row each, in each database's own words."""

    name = "each_id"
    type = Id()
    inherit_cache = True


def among(column: Any, ids: Collection[uuid.UUID]) -> ColumnElement[bool]:
    """The condition that `column` holds one of `ids`; where there are none, none does.

    Those that several queries ask for are best made `Ids` once.
    """
    return _among(column, bindparam(None, ids if isinstance(ids, Ids) else Ids(ids), type_=_ListOfIds()))


def among_those(column: Any, name: str) -> ColumnElement[bool]:
    """The same for a statement that is made once: it is given the list under `name` when it runs."""
    return _among(column, bindparam(name, type_=_ListOfIds()))


def _among(column: Any, ids: BindParameter[Any]) -> ColumnElement[bool]:
    condition: ColumnElement[bool] = column.op("IN", is_comparison=True)(_Each(ids))
    return condition


@compiles(_Each, "sqlite")
def _on_sqlite(each: _Each, compiler: SQLCompiler, **how: Any) -> str:
    return f"(SELECT value FROM json_each({compiler.process(each.clauses, **how)}))"  # noqa: S608 - a parameter


@compiles(_Each, "postgresql")
def _on_postgresql(each: _Each, compiler: SQLCompiler, **how: Any) -> str:
    return f"(SELECT unnest({compiler.process(each.clauses, **how)}))"


class _ListOfPairs(TypeDecorator[Sequence[tuple[uuid.UUID, datetime]]]):
    """Any number of ids, each with an instant, as one parameter: see `among_pairs`."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Sequence[tuple[uuid.UUID, datetime]] | None, dialect: Dialect) -> Any:
        if value is None:
            return None
        on_sqlite = dialect.name == "sqlite"
        pairs = ((f"{one.int:032x}", as_text(at)) if on_sqlite else (str(one), at.isoformat()) for one, at in value)
        return json.dumps(list(pairs))


class _EachPair(FunctionElement[Any]):
    """The pairs of one parameter, a row each."""

    name = "each_pair"
    inherit_cache = True


def among_pairs(of: Any, at: Any, pairs: Sequence[tuple[uuid.UUID, datetime]]) -> ColumnElement[bool]:
    """The condition that these two columns hold one of `pairs`.

    An index that begins with both serves it; a list of pairs in the statement no index serves on SQLite.
    """
    each = _EachPair(bindparam(None, pairs, type_=_ListOfPairs()))
    condition: ColumnElement[bool] = tuple_(of, at).op("IN", is_comparison=True)(each)
    return condition


@compiles(_EachPair, "sqlite")
def _pairs_on_sqlite(each: _EachPair, compiler: SQLCompiler, **how: Any) -> str:
    both = "json_extract(value, '$[0]'), json_extract(value, '$[1]')"
    return f"(SELECT {both} FROM json_each({compiler.process(each.clauses, **how)}))"  # noqa: S608 - a parameter


@compiles(_EachPair, "postgresql")
def _pairs_on_postgresql(each: _EachPair, compiler: SQLCompiler, **how: Any) -> str:
    both = "CAST(value ->> 0 AS uuid), CAST(value ->> 1 AS timestamptz)"
    given = compiler.process(each.clauses, **how)
    return f"(SELECT {both} FROM jsonb_array_elements(CAST({given} AS jsonb)))"  # noqa: S608 - a parameter


def slices(items: Sequence[T], size: int = SLICE) -> Iterator[Sequence[T]]:
    """`items` in order, at most `size` at a time; nothing for none."""
    for start in range(0, len(items), size):
        yield items[start : start + size]
