"""What is kept of a file that was taken in, so that what it brought can be found, looked at and taken back.

Promises that a row of a file is found by its line alone, also where the import was cut off in the middle: its id is
made of the import's and of the line, and how far an import may have come is written before any of those rows is.
One audit line an import, and none for a file that brought nothing.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Engine, delete, select, update
from sqlalchemy.orm import Session

from service.domain.validation import storable
from service.store.audit import Act, Actor
from service.store.identity import new_id
from service.store.session import read_session, write_session
from service.store.tables import Import, ImportFile

LONGEST_NAME = 120
KEPT = timedelta(days=1)  # a file that was sent and not yet taken in


class OnlyTried(Exception):
    """Everything could be written, and is undone."""


@dataclass
class ImportBegun:
    """An import that is going on."""

    engine: Engine
    row: Import
    rows: int = 0
    taken: int = 0

    @property
    def id(self) -> uuid.UUID:
        return self.row.id

    def ids(self, lines: Sequence[int]) -> list[uuid.UUID]:
        """What the rows of these lines will be called; from now on they may be there."""
        with write_session(self.engine) as session:
            session.execute(update(Import).where(Import.id == self.row.id).values(last_line=max(lines)))
        return [self.row.row_id(line) for line in lines]


@contextmanager
def begun(
    engine: Engine, clinic_id: uuid.UUID, kind: str, name: str, actor: Actor, now: datetime
) -> Iterator[ImportBegun]:
    """An import from beginning to end. One that fails stays as it is, cut off; one that brought nothing goes."""
    row = Import(id=new_id(), kind=kind, name=storable(name.strip())[-LONGEST_NAME:], at=now, taken_by=str(actor))
    with write_session(engine) as session:
        Act(session, actor, clinic_id, now).add(row)
        session.expunge(row)
    going = ImportBegun(engine, row)
    try:
        yield going
    except BaseException:
        with write_session(engine) as session:  # nothing of it was begun
            session.execute(delete(Import).where(Import.id == row.id, Import.last_line == 0))
        raise
    with write_session(engine) as session:
        if not going.taken:
            session.execute(delete(Import).where(Import.id == row.id))
            return
        counts = {"rows": going.rows, "taken": going.taken}
        session.execute(update(Import).where(Import.id == row.id).values(finished_at=now, **counts))
        Act(session, actor, clinic_id, now).note("import.take", ("import", row.id), kind=kind, **counts)


@contextmanager
def only_tried(engine: Engine) -> Iterator[Session]:
    """A transaction of which nothing stays: what is written in it shows what would become of it."""
    try:
        with write_session(engine) as session:
            yield session
            raise OnlyTried
    except OnlyTried:
        pass


def of_clinic(engine: Engine, clinic_id: uuid.UUID, most: int = 50) -> Sequence[Import]:
    """The clinic's imports, newest first."""
    with read_session(engine) as session:
        query = select(Import).where(Import.clinic_id == clinic_id).order_by(Import.at.desc(), Import.id)
        return session.scalars(query.limit(most)).all()


def forget_files(session: Session, now: datetime) -> None:
    """Let go of files that were sent to be looked at, a day after."""
    session.execute(delete(ImportFile).where(ImportFile.at < now - KEPT))
