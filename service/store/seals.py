"""The seals of what staff sign, and of what care rests on: of a signature, an addition to it, taking it back, a
consent, and an adjustment.

Promises that every field of such a row stands under its seal but the seal itself, and of a consent and an adjustment
the clinic, which they follow to another; what was on a signed page by its fingerprint, which is compared with it
wherever the page is read. What the service itself notes later (`change`) is sealed with the rest, and makes good
nothing that was altered. A text that it takes out of a signature again (`erase`) is told as erased, never as altered.
What nobody can read (a word of no vocabulary, an instant that is none) is altered too: the service never writes it,
and one such row keeps no other from being looked at. Whose name an id is, is not sealed: a signature holds its
signer's name among what was frozen.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime
from enum import Enum
from functools import lru_cache
from typing import Any, TypeVar

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.domain.seals import HOLDS, Seal, Sealer, fingerprint
from service.store.audit import Act
from service.store.identity import new_id
from service.store.session import SEALER, Where, rows
from service.store.tables import Adjustment, Consent, ReviewAddition, SignOff, SignOffWithdrawal

S = TypeVar("S", SignOff, ReviewAddition, SignOffWithdrawal, Consent, Adjustment)
Sealed = SignOff | ReviewAddition | SignOffWithdrawal | Consent | Adjustment
PORTION = 100
# The seal itself, what its fingerprint stands for, and in which order the database took rows in (`store.arrivals`).
APART = {"seal", "frozen", "mark"}
FOLLOWS = {"clinic_id"}  # of what follows its patient to another clinic
# What a row raises that holds what its columns cannot: a text that is no instant, JSON that is none or has no end.
UNREADABLE = (ValueError, TypeError, LookupError, AttributeError, RecursionError, OverflowError)


def sealer_of(where: Where | Engine) -> Sealer:
    """What seals in this database: its keys came with the engine."""
    found = (where if isinstance(where, Engine) else rows(where)).get_execution_options().get(SEALER)
    return found if isinstance(found, Sealer) else Sealer()


def sealed(act: Act, row: S) -> S:
    """The new row with its clinic, its id and its seal; nothing of it may change after that."""
    row.id, row.clinic_id = row.id or new_id(), act.clinic_id
    _seal(act, row)
    return row


def change(act: Act, row: Consent | Adjustment, values: Mapping[str, Any]) -> None:
    """Note something in a row that nobody else writes to meanwhile; its seal is made anew where it held."""
    holds = judge(act.where, row) in HOLDS
    for name, value in values.items():
        setattr(row, name, value)
    if holds:
        _seal(act, row)
    act.session.flush()


def erase(act: Act, row: SignOff | ReviewAddition, frozen: dict[str, Any], note: str) -> None:
    """Put what may be left of the texts in place of them: from now on the row is found erased.

    One whose seal does not hold is left as it was found: erasing does not make good what was altered.
    """
    holds = judge(act.where, row) in HOLDS
    row.frozen, row.note = frozen, note
    if holds:
        row.erased_at, row.frozen_hash = act.now, fingerprint(frozen)
        _seal(act, row)


def _seal(act: Act, row: Sealed) -> None:
    row.seal = sealer_of(act.where).seal(_fields(type(row), _values(row)))


def judge(where: Where | Engine, row: Sealed) -> Seal:
    """What the row is found to be, with all that was frozen in it."""
    found = judged(sealer_of(where), type(row), [*_values(row), row.seal])
    if not isinstance(row, SignOff | ReviewAddition) or found is Seal.UNSEALED:
        return found
    try:
        return found if fingerprint(row.frozen) == row.frozen_hash else Seal.ALTERED
    except UNREADABLE:
        return Seal.ALTERED


def stands(where: Where, row: Sealed) -> bool:
    """Whether what the row says may be gone by."""
    return sealer_of(where).relies(judge(where, row))


def each(session: Session, table: type[S], clinic_id: uuid.UUID) -> Iterator[tuple[uuid.UUID, S | None]]:
    """Every row of the clinic's by its id, a few at a time; None for one that nobody can read."""
    # Put in order here: where there are few rows SQLite would read them all in the order of their ids.
    ids = sorted(session.scalars(select(table.id).where(table.clinic_id == clinic_id)))
    for begin in range(0, len(ids), PORTION):
        some = ids[begin : begin + PORTION]
        found = read(lambda these: session.scalars(select(table).where(table.id.in_(these))), some)
        for row_id in some:
            yield row_id, found.get(row_id)
        session.expunge_all()


def read(rows_of: Callable[[Sequence[uuid.UUID]], Iterable[Any]], ids: Sequence[uuid.UUID]) -> dict[uuid.UUID, Any]:
    """The rows with these ids as `rows_of` reads them, by their ids; None for one that nobody can read."""
    try:
        return {row.id: row for row in rows_of(ids)}
    except UNREADABLE:
        if len(ids) == 1:
            return {ids[0]: None}
        half = len(ids) // 2
        return read(rows_of, ids[:half]) | read(rows_of, ids[half:])


def columns(table: type[Sealed]) -> list[Any]:
    """What to ask for to judge a row without what was frozen in it, which is large: its seal comes last."""
    return [*(getattr(table, name) for name in names(table)), table.seal]


def judged(sealer: Sealer, table: type[Sealed], values: Sequence[Any]) -> Seal:
    """What a row of the table is found to be by the values of its `columns`."""
    *fields, seal = values
    try:
        found = sealer.judge(seal, _fields(table, fields))
    except UNREADABLE:
        return Seal.ALTERED
    is_erased = "erased_at" in names(table) and fields[names(table).index("erased_at")] is not None
    return Seal.ERASED if found is Seal.INTACT and is_erased else found


@lru_cache(maxsize=8)
def names(table: type[Sealed]) -> tuple[str, ...]:
    """The columns under the seal, in the order of the table."""
    apart = APART | FOLLOWS if table in (Consent, Adjustment) else APART
    return tuple(column.name for column in table.__table__.columns if column.name not in apart)


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
