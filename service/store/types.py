"""Column types that keep the service's promises at the database's door."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from datetime import UTC, datetime
from enum import StrEnum
from functools import lru_cache
from typing import Any, TypeVar

from sqlalchemy import JSON, ColumnElement, DateTime, Dialect, String, TypeDecorator, Uuid, and_

W = TypeVar("W", bound=StrEnum)


class UTCDateTime(TypeDecorator[datetime]):
    """An instant: aware going in, UTC-aware coming out, on every database.

    SQLite forgets zones, so what it is given is always the UTC wall time.
    Raises ValueError for a naive datetime.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        instant = _in_utc(value)
        return instant.replace(tzinfo=None) if dialect.name == "sqlite" else instant

    def bind_processor(self, dialect: Dialect) -> Callable[[datetime | None], Any] | None:
        # On SQLite an instant is text. Writing it here in one step is three times as quick
        # as the general way, and a tick writes eighteen instants for each patient.
        return as_text if dialect.name == "sqlite" else super().bind_processor(dialect)

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], datetime | None] | None:
        return _from_text if dialect.name == "sqlite" else super().result_processor(dialect, coltype)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Id(TypeDecorator[uuid.UUID]):
    """The id of a row."""

    impl = Uuid
    cache_ok = True

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], uuid.UUID | None] | None:
        # SQLite knows them as text. A batch reads the same few again and again: one is made of each.
        return _from_hex if dialect.name == "sqlite" else super().result_processor(dialect, coltype)


# By which an occurrence is known, in ASCII. It is sorted by its bytes, wherever the database stands: see `begins`.
KEY = String(160).with_variant(String(160, collation="C"), "postgresql")


def begins(column: Any, start: str) -> ColumnElement[bool]:
    """The condition that a column of `KEY` begins so: one stretch of its index, which LIKE is not on every database."""
    return and_(column >= start, column < f"{start}\x7f")


class Word(TypeDecorator[W]):
    """One word of a closed vocabulary, stored as plain text.

    Raises ValueError for a word outside the vocabulary, in either direction.
    """

    impl = String(24)
    cache_ok = True

    def __init__(self, vocabulary: type[W]) -> None:
        self.vocabulary = vocabulary
        self._plain = {word: word.value for word in vocabulary}
        super().__init__()

    def bind_processor(self, dialect: Dialect) -> Callable[[W | None], Any]:
        # A plain str: some drivers would write an enum member's name instead of its value.
        return self._in(dict(self._plain))

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[str | None], W | None]:
        return self._in({plain: word for word, plain in self._plain.items()})

    def _in(self, words: dict[Any, Any]) -> Callable[[Any], Any]:
        words[None] = None

        def word(value: Any) -> Any:
            try:
                return words[value]
            except KeyError:
                raise ValueError(f"{value!r} is not a {self.vocabulary.__name__}") from None

        return word


class Legible(Word[W]):
    """The same of a record that others may have altered: a word outside the vocabulary is read as None."""

    cache_ok = True

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[str | None], W | None]:
        words: dict[str | None, W] = {plain: word for word, plain in self._plain.items()}
        return lambda value: words.get(value)


class LegibleFacts(TypeDecorator[dict[str, Any]]):
    """JSON of a record that others may have altered: what is no JSON object is read as an empty one."""

    impl = JSON
    cache_ok = True

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], dict[str, Any]]:
        read = super().result_processor(dialect, coltype)

        def facts(value: Any) -> dict[str, Any]:
            try:
                found = value if read is None else read(value)
            except (ValueError, TypeError, RecursionError):
                return {}
            return found if isinstance(found, dict) else {}

        return facts


def _in_utc(value: datetime) -> datetime:
    if value.tzinfo is None:
        raise ValueError(f"{value!r} has no zone; only aware instants are stored")
    return value if value.tzinfo is UTC else value.astimezone(UTC)


def as_text(value: datetime | None) -> str | None:
    """An instant as it stands on SQLite."""
    return None if value is None else _in_utc(value).isoformat(" ", "microseconds")[:26]


def _from_text(value: str | None) -> datetime | None:
    return None if value is None else datetime.fromisoformat(value).replace(tzinfo=UTC)


@lru_cache(maxsize=20_000)
def _from_hex(value: str | None) -> uuid.UUID | None:
    return None if value is None else uuid.UUID(value)
