"""One guard per row, one transaction per batch.

A batch is written in one transaction because that is what makes a thousand
prompts in one minute cheap. When the database refuses the batch, each of its
rows is tried in a transaction of its own, and the one to blame is parked.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Generic, Protocol, TypeVar

import structlog
from sqlalchemy import Engine
from sqlalchemy.exc import InterfaceError, OperationalError
from sqlalchemy.orm import Session

from service.domain.tally import Tally
from service.store.quarantine import place, quarantine
from service.store.session import read_session, write_session

log = structlog.get_logger(__name__)

# Batches one call may write, so that a long catch-up does not keep the worker from sending.
MOST_BATCHES = 200


class Row(Protocol):
    @property
    def id(self) -> uuid.UUID: ...


R = TypeVar("R", bound=Row)


@dataclass
class Written:
    """What writing a batch came to; `failed` are the rows that could not be worked out, to be parked."""

    done: int = 0
    passed: int = 0
    failed: list[tuple[uuid.UUID, Exception]] = field(default_factory=list)


@dataclass(frozen=True)
class Work(Generic[R]):
    """One kind of due row: is there any, load some (or the one named), write what follows from them."""

    kind: str
    has_due: Callable[[Session], bool]
    load: Callable[[Session, uuid.UUID | None], Sequence[R]]
    write: Callable[[Session, Sequence[R]], Written]


def work_off(engine: Engine, work: Work[R], now: datetime) -> Tally:
    """Batch after batch until nothing is due. An idle call takes no lock."""
    total = Tally()
    for _ in range(MOST_BATCHES):
        with read_session(engine) as session:
            if not work.has_due(session):
                break
        tally = _one_batch(engine, work, now)
        total += tally
        if not tally.seen:
            break  # another worker holds them
    return total


def _one_batch(engine: Engine, work: Work[R], now: datetime) -> Tally:
    rows: Sequence[R] = ()
    try:
        with write_session(engine) as session:
            rows = work.load(session, None)
            return _write(session, work, rows, now) if rows else Tally()
    except (OperationalError, InterfaceError):
        raise  # the database is away, the rows are not at fault: the next tick tries again
    except Exception as error:
        log.warning("batch refused, now row by row", kind=work.kind, rows=len(rows), error=place(error))
    return sum((_alone(engine, work, row.id, now) for row in rows), Tally())


def _alone(engine: Engine, work: Work[R], row_id: uuid.UUID, now: datetime) -> Tally:
    try:
        with write_session(engine) as session:
            rows = work.load(session, row_id)
            return _write(session, work, rows, now) if rows else Tally()
    except (OperationalError, InterfaceError):
        raise
    except Exception as error:
        with write_session(engine) as session:
            _set_aside(session, work.kind, row_id, error, now)
        return Tally(parked=1)


def _write(session: Session, work: Work[R], rows: Sequence[R], now: datetime) -> Tally:
    written = work.write(session, rows)
    for row_id, error in written.failed:
        _set_aside(session, work.kind, row_id, error, now)
    return Tally(written.done, written.passed, len(written.failed))


def _set_aside(session: Session, kind: str, row_id: uuid.UUID, error: Exception, now: datetime) -> None:
    log.error("parked", kind=kind, id=str(row_id), error=place(error))
    quarantine(session, (kind, row_id), error, now)
