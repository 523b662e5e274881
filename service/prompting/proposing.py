"""Hours that would suit a patient better, learned from when they measure. Proposes; changes nothing."""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain import habit
from service.domain.habit import Proposal
from service.domain.localtime import zone
from service.domain.plan import PlanRule
from service.store.tables import Patient, Plan, Reading

LEARNED_FROM = timedelta(days=28)


def propose_hours(session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, now: datetime) -> Proposal | None:
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
    return habit.propose(rule, [wall.hour * 60 + wall.minute for wall in walls])
