"""The seals of what staff sign: of a signature, an addition to it, and of taking it back.

Promises that every field of such a row stands under its seal but the seal itself; what was on the page by its
fingerprint, which is compared with it wherever the page is read. A text that the service itself takes out again
(`erase`) is told as erased, never as altered.
Whose name an id is, is not sealed: a signature holds its signer's name among what was frozen.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime
from enum import Enum
from functools import lru_cache
from typing import Any, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.seals import HOLDS, Seal, Sealer, fingerprint
from service.store.audit import Act
from service.store.identity import new_id
from service.store.session import SEALER, Where, rows
from service.store.tables import ReviewAddition, SignOff, SignOffWithdrawal

S = TypeVar("S", SignOff, ReviewAddition, SignOffWithdrawal)
Sealed = SignOff | ReviewAddition | SignOffWithdrawal
PORTION = 100
# The seal itself, what its fingerprint stands for, and in which order the database took rows in (`store.arrivals`).
APART = {"seal", "frozen", "mark"}


def sealer_of(where: Where) -> Sealer:
    """What seals in this database: its keys came with the engine."""
    found = rows(where).get_execution_options().get(SEALER)
    return found if isinstance(found, Sealer) else Sealer()


def sealed(act: Act, row: S) -> S:
    """The new row with its clinic, its id and its seal; nothing of it may change after that."""
    row.id, row.clinic_id = row.id or new_id(), act.clinic_id
    row.seal = sealer_of(act.where).seal(_fields(type(row), _values(row)))
    return row


def erase(act: Act, row: SignOff | ReviewAddition, frozen: dict[str, Any], note: str) -> None:
    """Put what may be left of the texts in place of them: from now on the row is found erased.

    One whose seal does not hold is left as it was found: erasing does not make good what was altered.
    """
    holds = judge(act.where, row) in HOLDS
    row.frozen, row.note = frozen, note
    if holds:
        row.erased_at, row.frozen_hash = act.now, fingerprint(frozen)
        row.seal = sealer_of(act.where).seal(_fields(type(row), _values(row)))


def judge(where: Where, row: Sealed) -> Seal:
    """What the row is found to be, with all that was frozen in it."""
    found = judged(sealer_of(where), type(row), [*_values(row), row.seal])
    if isinstance(row, SignOffWithdrawal) or found is Seal.UNSEALED:
        return found
    return found if fingerprint(row.frozen) == row.frozen_hash else Seal.ALTERED


def each(session: Session, table: type[S], clinic_id: uuid.UUID) -> Iterator[S]:
    """Every row of the clinic's, a few at a time."""
    query = select(table).where(table.clinic_id == clinic_id).order_by(table.id)
    for row in session.scalars(query.execution_options(yield_per=PORTION)):
        yield row
        session.expunge(row)


def columns(table: type[Sealed]) -> list[Any]:
    """What to ask for to judge a row without what was frozen in it, which is large: its seal comes last."""
    return [*(getattr(table, name) for name in names(table)), table.seal]


def judged(sealer: Sealer, table: type[Sealed], values: Sequence[Any]) -> Seal:
    """What a row of the table is found to be by the values of its `columns`."""
    *fields, seal = values
    found = sealer.judge(seal, _fields(table, fields))
    is_erased = "erased_at" in names(table) and fields[names(table).index("erased_at")] is not None
    return Seal.ERASED if found is Seal.INTACT and is_erased else found


@lru_cache(maxsize=8)
def names(table: type[Sealed]) -> tuple[str, ...]:
    """The columns under the seal, in the order of the table."""
    return tuple(column.name for column in table.__table__.columns if column.name not in APART)


def _values(row: Sealed) -> list[Any]:
    return [getattr(row, name) for name in names(type(row))]


def _fields(table: type[Sealed], values: Sequence[Any]) -> list[Any]:
    # Named, so that a column that a later version adds changes no seal as long as it is empty.
    named = {name: plain(value) for name, value in zip(names(table), values, strict=True) if value is not None}
    return [table.__tablename__, named]


def plain(value: Any) -> Any:
    """A column's value as plain JSON, the same before it is written and after it is read."""
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, Enum):
        return value.value
    return str(value) if isinstance(value, uuid.UUID | date) else value
