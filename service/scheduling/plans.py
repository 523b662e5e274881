"""A plan told ahead, with the place, pauses and sender it takes; and hours that would suit the patient better.

Proposes; changes nothing.

A patient's usual hour is learned and proposed; a member of staff uses it or not.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from service.domain.localtime import zone
from service.domain.plan import HoursProposal, PlanRule
from service.domain.plan import propose_hours as usual_hours_proposal
from service.domain.vocabulary import PatientState
from service.store.tables import Clinic, Patient, Pause, Plan, Reading

LEARNED_FROM = timedelta(days=28)


def propose_hours(session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, now: datetime) -> HoursProposal | None:
    """Other hours for the patient's plan, from the readings of the last four weeks; None where the present suit.

    Each reading's hour is that of the place the patient lives in now. Two queries.
    """
    held = session.execute(
        select(Plan, Patient.zone)
        .join(Patient, Patient.id == Plan.patient_id)
        .where(Plan.patient_id == patient_id, Plan.clinic_id == clinic_id, Plan.active)
    ).first()
    if held is None:
        return None
    plan, place = held[0], zone(held[1])
    taken = session.scalars(
        select(Reading.taken_at).where(
            Reading.patient_id == patient_id,
            Reading.superseded_at.is_(None),
            Reading.local_date >= (now - LEARNED_FROM).astimezone(place).date(),
        )
    )
    walls = [at.astimezone(place) for at in taken]
    rule = PlanRule(plan.weekdays, plan.opens, plan.due, plan.closes, plan.wants_reading, plan.wants_checkin)
    return usual_hours_proposal(rule, [wall.hour * 60 + wall.minute for wall in walls])


@dataclass(frozen=True)
class PlanAhead:
    """The plan as it stands. `pauses` are date ranges, ends included; "until told" ends at date.max."""

    id: uuid.UUID
    patient_id: uuid.UUID
    clinic_ref: str
    language: str  # the patient's
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
            language=patient.language,
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
