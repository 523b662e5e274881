"""What is expected of a patient and when, and when it is not."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care import pauses
from service.domain import fields, steps
from service.domain.localtime import zone
from service.domain.plan import EVERY_DAY, PlanRule, checked, next_opening
from service.domain.validation import Refused
from service.domain.vocabulary import PatientState, PauseCause
from service.store import audit, panel
from service.store.tables import Patient, Pause, Plan

FARTHEST_PAUSE = timedelta(days=731)  # farther away it is a slip of the pen; common practice, no source


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


def set_plan(session: Session, patient: Patient, new: NewPlan, actor: audit.Actor, now: datetime) -> Plan:
    """Set or replace a patient's plan, from the next opening on; today's open window stays. Raises Refused.

    A window of the plan before that should be open by now, and is not because no worker
    ran, opens under the new plan while that one's hours last; dates gone by do not.
    """
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
    audit.write_line(session, actor, "plan.set", ("plan", plan.id), now, clinic_id=patient.clinic_id,
                     detail={"patient": str(patient.id)})  # fmt: skip
    return plan


def owed_since(plan: Plan, now: datetime) -> date | None:
    """The date from which on the plan's windows should have opened by now and have not."""
    return plan.next_date if plan.active and plan.next_open_at <= now else None


def pause(
    session: Session,
    patient: Patient,
    cause: PauseCause,
    from_date: date,
    to_date: date | None,
    note: str,
    actor: audit.Actor,
    now: datetime,
) -> Pause:
    """Nothing is expected from `from_date` to `to_date` (both included; None is until told). Raises Refused."""
    if abs(from_date - now.date()) > FARTHEST_PAUSE:
        raise Refused("from_date", from_date.isoformat(), f"a date at most {FARTHEST_PAUSE.days} days from today")
    fields.date_span("to_date", from_date, to_date, longest_days=366)
    fields.text("note", note, longest=2000, shortest=0)
    added = pauses.add_pause(session, patient, cause, from_date, to_date, note, str(actor), now)
    audit.write_line(session, actor, "pause.add", ("pause", added.id), now, clinic_id=patient.clinic_id,
                     detail={"patient": str(patient.id), "cause": cause.value})  # fmt: skip
    return added


def end_pause(session: Session, held: Pause, last_day: date, actor: audit.Actor, now: datetime) -> Pause:
    """End a pause after `last_day`; a day before its first one cancels it altogether. Raises Refused."""
    if held.cancelled_at is not None:
        raise Refused("pause", str(held.id), "a pause that has not been cancelled")
    if last_day >= held.from_date:
        fields.date_span("last_day", held.from_date, last_day, longest_days=366)
    pauses.end_after(session, held, last_day, now)
    audit.write_line(session, actor, "pause.end", ("pause", held.id), now, clinic_id=held.clinic_id)
    return held
