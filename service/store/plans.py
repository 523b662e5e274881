"""A patient's plan with what it takes to tell it ahead: place, pauses, and who signs it."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from service.domain.plan import PlanRule
from service.domain.vocabulary import PatientState
from service.store.tables import Clinic, Patient, Pause, Plan


@dataclass(frozen=True)
class PlanAhead:
    """The plan as it stands. `pauses` are date ranges, ends included; "until told" ends at date.max."""

    id: uuid.UUID
    patient_id: uuid.UUID
    clinic_ref: str
    zone: str
    is_active: bool
    rule: PlanRule
    set_at: datetime
    enrolled_at: datetime
    sender_name: str
    pauses: tuple[tuple[date, date], ...]


def plans_ahead(session: Session, *patients: ColumnElement[bool]) -> list[PlanAhead]:
    """The plans of the patients that meet these conditions. Two queries."""
    rows = session.execute(
        select(Plan, Patient, Clinic.sender_name)
        .join(Patient, Patient.id == Plan.patient_id)
        .join(Clinic, Clinic.id == Plan.clinic_id)
        .where(*patients)
    ).all()
    pauses = session.execute(
        select(Pause.patient_id, Pause.from_date, Pause.to_date)
        .where(Pause.patient_id.in_([patient.id for _, patient, _ in rows]), Pause.cancelled_at.is_(None))
        .order_by(Pause.from_date)
    ).all()
    return [
        PlanAhead(
            id=plan.id,
            patient_id=patient.id,
            clinic_ref=patient.clinic_ref,
            zone=patient.zone,
            is_active=plan.active and patient.state is PatientState.ACTIVE,
            rule=PlanRule(plan.weekdays, plan.opens, plan.due, plan.closes, plan.wants_reading, plan.wants_checkin),
            set_at=plan.set_at,
            enrolled_at=patient.enrolled_at,
            sender_name=sender,
            pauses=tuple((first, last or date.max) for whose, first, last in pauses if whose == patient.id),
        )
        for plan, patient, sender in rows
    ]
