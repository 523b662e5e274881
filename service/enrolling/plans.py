"""What is expected of a patient and when. When it is not: `care.pauses`."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

from sqlalchemy import select

from service.domain import fields, steps
from service.domain.localtime import zone
from service.domain.plan import EVERY_DAY, PlanRule, checked, next_opening
from service.domain.validation import Refused
from service.domain.vocabulary import PatientState
from service.store import panel
from service.store.audit import Act
from service.store.tables import Patient, Plan


@dataclass(frozen=True)
class NewPlan:
    """`weekdays` is a bit mask (bit 0 is Monday); times are wall times in the patient's zone.

    `steps` (plain values) and `silent_days` override the clinic's where given.
    """

    opens: time
    due: time
    closes: time
    weekdays: int = EVERY_DAY
    wants_reading: bool = True
    wants_checkin: bool = True
    steps: Any = None
    silent_days: int | None = None


def set_plan(act: Act, patient: Patient, new: NewPlan) -> Plan:
    """Set or replace a patient's plan, from the next opening on; today's open window stays. Raises Refused.

    A window of the plan before that should be open by now, and is not because no worker
    ran, opens under the new plan while that one's hours last; dates gone by do not.
    """
    session, now = act.session, act.now
    if patient.state is not PatientState.ACTIVE:
        raise Refused("patient", str(patient.id), "a patient who is being monitored")
    rule = checked(PlanRule(new.weekdays, new.opens, new.due, new.closes, new.wants_reading, new.wants_checkin))
    values = {
        **vars(rule),
        "steps": None if new.steps is None else steps.as_json(steps.from_json(new.steps)),
        "silent_days": None if new.silent_days is None else fields.whole("silent_days", new.silent_days, 1, 30),
    }
    plan = session.scalar(select(Plan).where(Plan.patient_id == patient.id).with_for_update())
    day, opens_at = next_opening(rule, zone(patient.zone), now, None if plan is None else owed_since(plan, now))
    if plan is None:
        plan = Plan(id=uuid.uuid4(), clinic_id=patient.clinic_id, patient_id=patient.id)
        session.add(plan)
    for name, value in values.items():
        setattr(plan, name, value)
    plan.next_date, plan.next_open_at, plan.active, plan.set_at = day, opens_at, True, now
    session.flush()
    panel.mark_stale(session, [patient.id], now)
    act.note("plan.set", plan, patient=patient.id)
    return plan


def owed_since(plan: Plan, now: datetime) -> date | None:
    """The date from which on the plan's windows should have opened by now and have not."""
    return plan.next_date if plan.active and plan.next_open_at <= now else None
