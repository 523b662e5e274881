"""What lies behind a patient's page: how far the record goes, what is new since the last review, who did what.

Reads only.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.domain.localtime import local_date
from service.domain.review import Reason
from service.domain.since import since_signed
from service.domain.vocabulary import ActorKind
from service.reviewing.patient import PatientReview
from service.store import legible, seals
from service.store.identity import none_made_within
from service.store.session import columns_of
from service.store.tables import AuditLine, Checkin, Patient, Reading, ReviewAddition, SignOff, Staff, Window

AUDITED = 100  # lines


def days_on_record(session: Session, patient: Patient, now: datetime, most: int) -> int:
    """How many days back to the first window, reading or check-in there is, at most `most`, and 30 at least."""
    firsts = [
        session.scalar(select(func.min(table.local_date)).where(table.patient_id == patient.id, *counts))
        for table, *counts in (
            (Window,), (Reading, Reading.superseded_at.is_(None)), (Checkin, Checkin.superseded_at.is_(None)),
        )
    ]  # fmt: skip
    today = local_date(now, patient.zone)
    return min(most, max([30, *((today - first).days + 1 for first in firsts if first is not None)]))


def news_since_review(session: Session, seen: PatientReview) -> tuple[Reason, ...] | None:
    """Of the present reasons, those that the newest signed review had not known; None where none is signed."""
    if not seen.reviews:
        return None
    newest = seen.reviews[0].id
    signed = [
        *session.scalars(select(SignOff).where(SignOff.id == newest)),
        *session.scalars(select(ReviewAddition).where(ReviewAddition.sign_off_id == newest)),
    ]
    stood = [legible.standing(one.standing, seals.judge(session, one), seen.reviews[0].week) for one in signed]
    return since_signed(stood, seen.entry.facts, seen.entry.placement)


@dataclass(frozen=True, slots=True)
class Audited:
    """Who did what to the patient's record; `by` is empty for whoever has no name here."""

    at: datetime
    by: str
    actor: ActorKind
    action: str


def audit_of(
    session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, age: timedelta, now: datetime
) -> tuple[Audited, ...]:
    """The lines about this patient that are no older at `now`, newest first, at most `AUDITED`."""
    query = (
        select(*columns_of(Audited, AuditLine, by=func.coalesce(Staff.name, ""), actor=AuditLine.actor_kind))
        .outerjoin(Staff, Staff.id == AuditLine.actor_id)
        .where(AuditLine.clinic_id == clinic_id, AuditLine.patient_id == patient_id)
        .where(AuditLine.at >= now - age, AuditLine.id >= none_made_within(age))
        .order_by(AuditLine.at.desc(), AuditLine.id)
        .limit(AUDITED)
    )
    return tuple(Audited(*row) for row in session.execute(query))
