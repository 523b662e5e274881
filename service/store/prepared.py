"""Statements that every request asks, put into the database's words once.

Of the time of a short statement the toolkit takes three quarters: to find its words again, and to make a row of what
comes. Promises the same words, column types, names and errors of the database as the statement has without it.
A list that is given goes in as one parameter: `ids.among_those`.
"""

from __future__ import annotations

from collections import namedtuple
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import Any, cast

from sqlalchemy import BindParameter, ColumnElement, CompoundSelect, Dialect, Select, Update, literal_column
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.visitors import replacement_traverse

from service.store.session import TAKES, Where
from service.store.session import rows as connection_of
from service.store.types import Word

Statement = Select[*tuple[Any, ...]] | CompoundSelect[*tuple[Any, ...]] | Update
Process = Callable[[Any], Any] | None


class Prepared:
    """A statement that is made once, of plain parameters; `given` names their values."""

    def __init__(self, statement: Statement) -> None:
        self.statement = statement

    def all(self, where: Where, given: Mapping[str, Any]) -> list[Any]:
        """The rows, each with the columns' names."""
        return cast("list[Any]", self._run(where, given))

    def first(self, where: Where, given: Mapping[str, Any]) -> Any:
        """The first row, or None."""
        found = self._run(where, given)
        return found[0] if found else None

    def changes(self, where: Where, given: Mapping[str, Any]) -> int:
        """How many rows an UPDATE found as its conditions say."""
        return cast(int, self._run(where, given))

    def _run(self, where: Where, given: Mapping[str, Any]) -> Any:
        connection = connection_of(where)
        words = _words(self, connection.dialect)
        return connection.exec_driver_sql(words.text, words.bound(given), execution_options=words.options)


class _InItsWords:
    """What one kind of database is told, and how values go in and come out."""

    def __init__(self, statement: Statement, dialect: Dialect) -> None:
        compiled: SQLCompiler = replacement_traverse(statement, {}, _as_word).compile(dialect=dialect)  # type: ignore[call-overload]
        if compiled.post_compile_params:
            raise TypeError("a list with a parameter for each value is put into words anew each time")
        self.text = str(compiled)
        self.options = {TAKES: self.take}
        self._dialect = dialect
        self._columns = list(statement.exported_columns)
        self._row = namedtuple("Row", [str(one.key) for one in self._columns], rename=True)  # type: ignore[misc]
        self._out: list[Process] | None = None
        self._in: dict[str, Process] = {}  # what is asked for, and how it goes in
        self._held: dict[str, Any] = {}  # what the statement holds itself
        for bind, name in compiled.bind_names.items():
            process = bind.type.dialect_impl(dialect).bind_processor(dialect)
            if bind.required:
                self._in[name] = process
            else:
                self._held[name] = bind.value if process is None else process(bind.value)
        self._places = compiled.positiontup if compiled.positional else None

    def bound(self, given: Mapping[str, Any]) -> Any:
        """The parameters as the driver wants them."""
        values = self._held.copy()
        for name, process in self._in.items():
            values[name] = given[name] if process is None else process(given[name])
        return values if self._places is None else tuple([values[name] for name in self._places])

    def take(self, cursor: Any) -> Any:
        """The rows of a cursor, or how many it changed."""
        if cursor.description is None:
            return cursor.rowcount
        found = cursor.fetchall()
        if self._out is None:
            self._out = [self._processor(*both) for both in zip(self._columns, cursor.description, strict=True)]
        out, row = self._out, self._row
        return [row(*[v if do is None else do(v) for v, do in zip(one, out, strict=True)]) for one in found]

    def _processor(self, column: ColumnElement[Any], described: Sequence[Any]) -> Process:
        return column.type.dialect_impl(self._dialect).result_processor(self._dialect, described[1])


def _as_word(part: Any, **_how: Any) -> Any:
    """A word of a vocabulary that the statement holds itself, as part of its text.

    Where an index holds the rows of one word alone, such as what is pending, SQLite else plans anew at each execution,
    as the parameter may be another by then (SQLite, sqlite3_prepare_v2).
    """
    if isinstance(part, BindParameter) and isinstance(part.type, Word) and part.value is not None:
        return literal_column(f"'{part.value.value}'", part.type)
    return None


@lru_cache(maxsize=256)
def _words(prepared: Prepared, dialect: Dialect) -> _InItsWords:
    return _InItsWords(prepared.statement, dialect)
