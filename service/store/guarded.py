"""Many rows at once, and never one at the expense of the rest.

A batch is one transaction because that is what makes a thousand prompts in one minute
cheap. When something goes wrong in it, each of its rows is tried in a transaction of its
own; one that fails again is kept, in that very transaction where `keep` says how, else by whoever
called. When the database is away no
row is to blame: that error goes through, and the next tick tries again.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Generic, Protocol, TypeVar

import structlog
from sqlalchemy import Engine, Select
from sqlalchemy.orm import Session

from service.domain.validation import Refused
from service.store.identity import new_id
from service.store.quarantine import describe_error, quarantine
from service.store.session import is_away, read_session, write_session

log = structlog.get_logger(__name__)

# Batches one call may write, so that a long catch-up does not keep the worker from sending.
MOST_BATCHES = 200

T = TypeVar("T")
Item = TypeVar("Item")
Keep = Callable[[Session, Item, Exception], T]  # keeps a row that failed alone, and says what that came to


@dataclass
class Guarded(Generic[Item, T]):
    """What `whole` returned, or what `alone` returned for each row; and the rows that failed alone too."""

    done: list[T] = field(default_factory=list)
    failed: list[tuple[Item, Exception]] = field(default_factory=list)

    def tally(self: Guarded[Item, Tally]) -> Tally:
        """The sum, where each came to one; what failed is set aside."""
        return sum(self.done, Tally(quarantined=len(self.failed)))


def guarded(
    engine: Engine,
    rows: Iterable[Item],
    *,
    kind: str,
    whole: Callable[[Session], T],
    alone: Callable[[Session, Item], T],
    keep: Keep[Item, T] | None = None,
) -> Guarded[Item, T]:
    """`whole` in one transaction; when that fails, `alone` for each of `rows`, each in its own.

    `kind` says in the log what the rows are.
    `rows` is looked at only then, so `whole` may fill it with what it has chosen. A row that fails
    alone is given to `keep`, in the transaction from which what `alone` wrote has been taken back, and
    none is left in `failed`. Raises what is said when the database is away (`is_away`), and, after the rest
    have had their turn, what `keep` raised.
    """

    def in_one() -> T:
        with write_session(engine) as session:
            return whole(session)

    return _all_kept(whole_else_each(rows, kind=kind, whole=in_one, alone=_alone(engine, alone, keep)), keep)


def guarded_each(
    engine: Engine, rows: Iterable[Item], alone: Callable[[Session, Item], T], keep: Keep[Item, T] | None = None
) -> Guarded[Item, T]:
    """`alone` for each row in a transaction of its own, for what is not worth a batch; `keep` as in `guarded`."""
    return _all_kept(each(rows, _alone(engine, alone, keep)), keep)


def set_aside(engine: Engine, kind: str, error: Exception, now: datetime) -> Refused:
    """Quarantine something that was sent and could not be written; what to tell whoever sent it."""
    subject = (f"new_{kind}", new_id())
    with write_session(engine) as session:
        quarantine(session, subject, error, now)
    return Refused(
        kind, None, "one that the service can write; this is a fault of ours, noted as %(id)s", id=subject[1]
    )


def whole_else_each(
    rows: Iterable[Item], *, kind: str, whole: Callable[[], T], alone: Callable[[Item], T]
) -> Guarded[Item, T]:
    """`guarded` for work that opens its own transactions, or needs none."""
    try:
        return Guarded([whole()])
    except Exception as error:
        if is_away(error):
            raise
        tried = list(rows)
        log.warning("batch failed, now row by row", kind=kind, rows=len(tried), error=describe_error(error))
    return each(tried, alone)


def each(rows: Iterable[Item], alone: Callable[[Item], T]) -> Guarded[Item, T]:
    """`alone` for each row; one that fails does not keep the others from their turn."""
    outcome: Guarded[Item, T] = Guarded()
    for row in rows:
        try:
            outcome.done.append(alone(row))
        except Exception as error:
            if is_away(error):
                raise
            outcome.failed.append((row, error))
    return outcome


def quarantine_each(engine: Engine, kind: str, failed: Iterable[tuple[uuid.UUID, Exception]], now: datetime) -> None:
    """Put rows of one kind that failed into quarantine, each in a transaction of its own."""
    for row_id, error in failed:
        with write_session(engine) as session:
            quarantine(session, (kind, row_id), error, now)


def _alone(
    engine: Engine, work: Callable[[Session, Item], T], keep: Keep[Item, T] | None = None
) -> Callable[[Item], T]:
    def by_itself(row: Item) -> T:
        with write_session(engine) as session:
            if keep is None:
                return work(session, row)
            try:
                with session.begin_nested():
                    return work(session, row)
            except Exception as error:
                if is_away(error):
                    raise
                return keep(session, row, error)

    return by_itself


def _all_kept(outcome: Guarded[Item, T], keep: Keep[Item, T] | None) -> Guarded[Item, T]:
    if keep is not None and outcome.failed:
        raise outcome.failed[0][1]
    return outcome


# --- rows that fall due ----------------------------------------------------------------------


class Row(Protocol):
    @property
    def id(self) -> uuid.UUID: ...


R = TypeVar("R", bound=Row)
Due = Select[uuid.UUID]


@dataclass
class Written:
    """What writing a batch came to; `failed` are the rows that could not be worked out, for quarantine."""

    done: int = 0
    passed: int = 0
    failed: list[tuple[uuid.UUID, Exception]] = field(default_factory=list)


@dataclass(frozen=True)
class Work(Generic[R]):
    """One kind of due row: which are due, load and lock what such a query asks for, write what follows from them."""

    kind: str
    due: Due  # their ids, and nothing else of them
    load: Callable[[Session, Due], Sequence[R]]
    write: Callable[[Session, Sequence[R]], Written]
    limit: int = 1000  # to a transaction


def work_off(engine: Engine, work: Work[R], now: datetime) -> Tally:
    """Batch after batch until nothing is due. An idle call takes no lock."""
    total = Tally()
    for _ in range(MOST_BATCHES):
        with read_session(engine) as session:
            if session.execute(work.due.limit(1)).first() is None:
                break
        tally = _one_batch(engine, work, now)
        total += tally
        if not tally.seen:
            break  # another worker holds them
    return total


def _one_batch(engine: Engine, work: Work[R], now: datetime) -> Tally:
    chosen: list[uuid.UUID] = []
    chosen_by_load = False

    def choose(session: Session) -> Sequence[R]:
        nonlocal chosen_by_load
        rows = work.load(session, work.due.limit(work.limit))
        chosen_by_load = True
        chosen.extend(row.id for row in rows)
        return rows

    def names() -> Iterator[uuid.UUID]:
        if not chosen:  # one of them cannot even be loaded
            with read_session(engine) as session:
                chosen.extend(session.scalars(work.due.limit(work.limit)))
        yield from chosen

    def only(row_id: uuid.UUID) -> Due:
        (name,) = work.due.selected_columns
        return work.due.where(name == row_id)

    def write(session: Session, rows: Sequence[R]) -> Tally:
        written = work.write(session, rows) if rows else Written()
        for row_id, error in written.failed:
            quarantine(session, (work.kind, row_id), error, now)
        return Tally(written.done, written.passed, len(written.failed))

    outcome = guarded(
        engine,
        names(),
        kind=work.kind,
        whole=lambda session: write(session, choose(session)),
        alone=lambda session, row_id: write(session, work.load(session, only(row_id))),
    )
    if not chosen_by_load and len(outcome.failed) > 1 and not outcome.done:
        raise outcome.failed[-1][1]  # what fails for every row is no row's fault
    quarantine_each(engine, work.kind, outcome.failed, now)
    return outcome.tally()


@dataclass(frozen=True)
class Tally:
    """Rows done, rows passed over with a named reason, and rows quarantined because their handling failed."""

    done: int = 0
    passed: int = 0
    quarantined: int = 0

    @property
    def seen(self) -> int:
        return self.done + self.passed + self.quarantined

    def __add__(self, other: Tally) -> Tally:
        return Tally(self.done + other.done, self.passed + other.passed, self.quarantined + other.quarantined)

    def as_dict(self) -> dict[str, int]:
        return asdict(self)
