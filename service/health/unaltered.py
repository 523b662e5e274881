"""Whether what is sealed, and the audit trail, are as they were written: read to their end, by every seal.

Repairs nothing, and needs no trust in a conclusion that lies in the database: only in the key, and in the heads that
were taken outside. A sealed record that is gone is found by the line of the trail that tells of it.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import ColumnElement, Engine, exists, select
from sqlalchemy.orm import Session

from service.domain.seals import HOLDS, Seal
from service.domain.tasks import Found
from service.health import heads
from service.store import chain, seals
from service.store.session import read_session
from service.store.tables import Adjustment, AuditLine, Clinic, Consent, ReviewAddition, SignOff, SignOffWithdrawal

# What a line of the trail says was written, and where it must be found.
WRITTEN: dict[str, ColumnElement[bool]] = {
    "review.sign": (SignOff.id == AuditLine.subject_id) & (SignOff.clinic_id == AuditLine.clinic_id),
    "review.add": (ReviewAddition.id == AuditLine.subject_id) & (ReviewAddition.clinic_id == AuditLine.clinic_id),
    "review.take_back": (SignOffWithdrawal.sign_off_id == AuditLine.subject_id)
    & (SignOffWithdrawal.clinic_id == AuditLine.clinic_id),
    # These follow their patient to another clinic; their line stays.
    "consent.give": Consent.id == AuditLine.subject_id,
    "consent.withdraw": Consent.id == AuditLine.subject_id,
    "adjustment.record": Adjustment.id == AuditLine.subject_id,
    "adjustment.correct": Adjustment.id == AuditLine.subject_id,
}


@dataclass(frozen=True, slots=True)
class Unlike:
    """One thing that is not as it was written. `sentence` holds ids, numbers and times."""

    found: Found
    clinic_id: uuid.UUID | None
    sentence: str


def look(engine: Engine, folder: Path) -> Iterator[Unlike]:
    """Everything that is not as it was written, by the heads in the data folder too."""
    with read_session(engine) as session:
        clinics = list(session.scalars(select(Clinic.id).order_by(Clinic.id)))
    for clinic_id in clinics:
        with read_session(engine) as session:
            yield from _records(session, clinic_id)
            yield from _missing(session, clinic_id)
    known, unreadable = _heads(folder)
    for number in unreadable:
        yield Unlike(Found.TRAIL_ALTERED, None, f"line {number} of {heads.FILE} cannot be read")
    try:
        for one in chain.verify(engine, known):
            for flaw in one.flaws:
                yield Unlike(Found.TRAIL_ALTERED, flaw.clinic_id, flaw.sentence)
    except seals.UNREADABLE:
        yield Unlike(Found.TRAIL_ALTERED, None, "a seal belongs to a chain whose name nobody can read")


def _heads(folder: Path) -> tuple[Sequence[chain.Head], Sequence[int]]:
    file = folder / heads.FILE
    return heads.read(file) if file.exists() else ([], [])


def _records(session: Session, clinic_id: uuid.UUID) -> Iterator[Unlike]:
    unknown = 0
    tables: tuple[Any, ...] = (SignOff, ReviewAddition, SignOffWithdrawal, Consent, Adjustment)
    for table in tables:
        for row_id, row in seals.each(session, table, clinic_id):
            seal = Seal.ALTERED if row is None else seals.judge(session, row)
            if seal is Seal.UNKNOWN_KEY:  # of all of them, where the key is lost
                unknown += 1
            elif seal not in HOLDS:
                kind = table.__tablename__.removesuffix("s")
                yield Unlike(Found.RECORD_ALTERED, clinic_id, f"{kind} {row_id} is {seal.value}")
    if unknown:
        yield Unlike(Found.RECORD_ALTERED, clinic_id, f"{unknown} sealed records bear seals of a key not known here")


def _missing(session: Session, clinic_id: uuid.UUID) -> Iterator[Unlike]:
    for action, its in WRITTEN.items():
        told = select(AuditLine.id, AuditLine.subject_id).where(
            AuditLine.clinic_id == clinic_id, AuditLine.action == action, ~exists().where(its)
        )
        for line_id, subject_id in session.execute(told.order_by(AuditLine.at)):
            yield Unlike(
                Found.RECORD_ALTERED, clinic_id, f"what line {line_id} ({action}) tells of is gone: {subject_id}"
            )
