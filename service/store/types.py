"""Column types that keep the service's promises at the database's door."""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, TypeVar

from sqlalchemy import DateTime, Dialect, String, TypeDecorator

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
        if value.tzinfo is None:
            raise ValueError(f"{value!r} has no zone; only aware instants are stored")
        instant = value.astimezone(UTC)
        return instant.replace(tzinfo=None) if dialect.name == "sqlite" else instant

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Word(TypeDecorator[W]):
    """One word of a closed vocabulary, stored as plain text.

    Raises ValueError for a word outside the vocabulary, in either direction.
    """

    impl = String(24)
    cache_ok = True

    def __init__(self, vocabulary: type[W]) -> None:
        self.vocabulary = vocabulary
        super().__init__()

    def process_bind_param(self, value: W | None, dialect: Dialect) -> Any:
        # A plain str: some drivers would write an enum member's name instead of its value.
        return None if value is None else str(self.vocabulary(value).value)

    def process_result_value(self, value: Any, dialect: Dialect) -> W | None:
        return None if value is None else self.vocabulary(value)
