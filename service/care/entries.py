"""How every entry of the record is written, corrected and taken back.

Promises that nothing entered is ever changed or lost: a correction and a withdrawal are newer
rows, each with who did it and when; that of two corrections of one entry at the same time one is
refused; and that each is one transaction with its audit line, which names the kind and the dates, no value.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any, TypeVar

from sqlalchemy import CursorResult, select, update
from sqlalchemy.orm import Session

from service.care import dues
from service.domain import localtime, validation
from service.domain.record.now import CHEMISTRY
from service.domain.validation import Refused
from service.domain.vocabulary import EventKind, PatientState, ResultKind
from service.store import panel
from service.store.arrivals import values_of
from service.store.audit import Act
from service.store.tables import (
    EventRow,
    MedicineRow,
    NextContact,
    NoResultRow,
    Patient,
    PersonRow,
    ResultLimitRow,
    ResultRow,
)

Row = TypeVar("Row", EventRow, MedicineRow, ResultRow, PersonRow, NextContact, NoResultRow, ResultLimitRow)
AnyRow = EventRow | MedicineRow | ResultRow | PersonRow | NextContact | NoResultRow | ResultLimitRow

LONGEST_NOTE = 2000
FARTHEST = timedelta(days=36525)  # nobody's record goes farther back


def enter(act: Act, patient: Patient, row: Row, *, corrects: Row | None = None, settles: bool = True) -> Row:
    """Write an entry, or the newer row of one that it corrects. Raises Refused.

    `row` holds what its table has of its own. Whoever enters several at once `settles` what they make due after them.
    """
    row.patient_id, row.withdrawn = patient.id, bool(row.withdrawn)
    row.entered_by, row.entered_at = str(act.actor), act.now
    row.note = validation.prose("note", row.note or "", longest=LONGEST_NOTE)
    if corrects is not None:
        _supersede(act, patient, row, corrects)
    act.add(row)
    rhythm = any(isinstance(one, ResultRow) and one.kind is ResultKind.RHYTHM for one in (row, corrects))
    if rhythm or isinstance(row, EventRow):
        # A rhythm says whether heart rate counts, the end of a stay from when on a rise is told at another bar.
        panel.mark_stale(act.session, [patient.id], act.now)
    if settles and (_makes_due(row) or (corrects is not None and _makes_due(corrects))):
        dues.settle(act.session, [patient.id], act.now)
    how = "enter" if corrects is None else "withdraw" if row.withdrawn else "correct"
    act.note(f"{row.__tablename__}.{how}", row, patient=patient.id, corrects=row.supersedes_id)
    return row


def _makes_due(row: AnyRow) -> bool:
    """Whether what is due for staff may be another with this entry: of results, chemistry alone answers anything."""
    return row.kind in CHEMISTRY if isinstance(row, ResultRow) else not isinstance(row, EventRow | PersonRow)


def withdraw(act: Act, patient: Patient, row: Row, reason: str, *, settles: bool = True) -> Row:
    """Take an entry back, with the reason: it was never so. It stays on record. Raises Refused."""
    reason = validation.text("reason", reason, longest=LONGEST_NOTE)
    return enter(act, patient, _copy(row, withdrawn=True, note=reason), corrects=row, settles=settles)


def bring_back(act: Act, patient: Patient, row: Row) -> Row:
    """Let what `row` put right, or took back, count again as it was. Raises Refused."""
    before = act.session.get_one(type(row), row.supersedes_id)
    return enter(act, patient, _copy(before), corrects=None if row.withdrawn else row)


def _copy(row: Row, **other: Any) -> Row:
    return type(row)(**values_of(row) | {"id": None, "superseded_at": None, "supersedes_id": None} | other)


def counting(session: Session, table: type[Row], patient_id: uuid.UUID, *order: Any) -> Sequence[Row]:
    """What counts of a patient now: no newer row corrects it, and it is not withdrawn."""
    query = select(table).where(
        table.patient_id == patient_id, table.superseded_at.is_(None), table.withdrawn.is_(False)
    )
    return session.scalars(query.order_by(*order, table.entered_at, table.id)).all()


def newest(session: Session, row: Row) -> Row:
    """The newest row of an entry: what a row that was corrected, or taken back, has become."""
    table = type(row)
    while (
        newer := session.scalar(select(table).where(table.patient_id == row.patient_id, table.supersedes_id == row.id))
    ) is not None:
        row = newer
    return row


def past_date(field: str, day: date, patient: Patient, now: datetime) -> date:
    """A local date that has come where the patient lives. Raises Refused."""
    today = localtime.local_date(now, patient.zone)
    if not today - FARTHEST <= day <= today:
        raise Refused(field, day.isoformat(), "today or an earlier date")
    return day


def died_on(session: Session, patient_id: uuid.UUID) -> date | None:
    """The date of the death that counts; None where none is recorded."""
    deaths = (row for row in counting(session, EventRow, patient_id) if row.kind is EventKind.DEATH)
    return next((row.from_date for row in deaths), None)


def in_lifetime(session: Session, patient: Patient, **days: date | None) -> None:
    """That none of these dates, by field, is after the recorded death of this patient. Raises Refused."""
    died = died_on(session, patient.id)
    for field, day in days.items():
        if died is not None and day is not None and day > died:
            raise Refused(field, day.isoformat(), "a date up to that of the recorded death")


def still_to_plan(patient: Patient, field: str, day: date) -> None:
    """That something may still be planned for this patient. Raises Refused where care has ended: nobody is told."""
    if patient.state is PatientState.ENDED:
        raise Refused(field, day.isoformat(), "nothing more: care here has ended")


def _supersede(act: Act, patient: Patient, row: AnyRow, old: AnyRow) -> None:
    """Claim the old row: whoever marks it first corrects it."""
    if old.patient_id != patient.id:
        raise Refused("id", str(old.id), "an entry of this patient")
    row.supersedes_id = old.id
    table = type(old)
    marked: CursorResult[Any] = act.session.execute(  # type: ignore[assignment]
        update(table).where(table.id == old.id, table.superseded_at.is_(None)).values(superseded_at=act.now)
    )
    if marked.rowcount != 1 or old.withdrawn:
        raise Refused("id", str(old.id), "the newest row of an entry: this one was corrected or taken back meanwhile")
