"""What is expected of a patient and when: a plan set, told ahead, and hours that would suit the patient better.

A patient's usual hour is learned and proposed; a member of staff uses it or not. When
nothing is expected: `care.pauses`.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from sqlalchemy import exists, select
from sqlalchemy.orm import Session

from service.care import windows
from service.care.plans import open_next, owed_since
from service.domain import localtime, steps, validation
from service.domain import plan as rules
from service.domain.localtime import zone
from service.domain.moves import without_window
from service.domain.plan import EVERY_DAY, HoursProposal, PlanAhead, PlanRule, WindowAhead, checked, phases_as_json
from service.domain.validation import Refused
from service.domain.vocabulary import PatientState
from service.store import panel
from service.store.audit import Act
from service.store.tables import Clinic, Patient, Plan, Reading, Window

LEARNED_FROM = timedelta(days=28)


@dataclass(frozen=True, kw_only=True)
class NewPlan(PlanRule):
    """A rule, for every day where no weekdays are given.

    `steps` (plain values) and `silent_days` override the clinic's where given. `opens_again`
    is `opens` said a second time: a prompt before 06:00 or after 21:00 is not taken without.
    """

    weekdays: int = EVERY_DAY
    steps: Any = None
    silent_days: int | None = None
    opens_again: time | None = None


def set_plan(act: Act, patient: Patient, new: NewPlan) -> Plan:
    """Set or replace a patient's plan, from the next opening on; today's open window stays. Raises Refused.

    A window of the plan before that should be open by now, and is not because no worker
    ran, opens under the new plan while that one's hours last; dates gone by do not.
    """
    session, now = act.session, act.now
    if patient.state is not PatientState.ACTIVE:
        raise Refused("patient", str(patient.id), "a patient who is being monitored")
    values = {
        **{name: value for name, value in vars(checked(new)).items() if name not in {"opens_again", "phases"}},
        "steps": None if new.steps is None else steps.as_json(steps.from_json(new.steps)),
        "silent_days": None if new.silent_days is None else validation.whole("silent_days", new.silent_days, 1, 30),
    }
    _check_night(session, patient, new)
    plan = session.scalar(select(Plan).where(Plan.patient_id == patient.id).with_for_update())
    owed = None if plan is None else owed_since(plan, now)
    # What a stay has added is the stay's: it goes with its dates.
    after_stay = () if plan is None else tuple(phase for phase in plan.rule.phases if phase.after_stay)
    if plan is None:
        plan = Plan(clinic_id=patient.clinic_id, patient_id=patient.id)
        session.add(plan)
    for name, value in values.items():
        setattr(plan, name, value)
    chosen = tuple(phase for phase in new.phases if not phase.after_stay)
    plan.phases = phases_as_json((*sorted(chosen, key=lambda phase: phase.from_date), *after_stay)) or None
    plan.active, plan.set_at = True, now
    open_next(plan, zone(patient.zone), now, owed)
    session.flush()
    panel.mark_stale(session, [patient.id], now)
    act.note("plan.set", plan, patient=patient.id)
    return plan


def asks_at_night(session: Session, plan: Plan, rule: PlanRule) -> time | None:
    """When the plan would prompt at night if it had these hours; None where it would not."""
    return _night(session, plan.clinic_id, rule, plan.steps)


def _night(session: Session, clinic_id: uuid.UUID, rule: PlanRule, own_steps: Any) -> time | None:
    given = own_steps if own_steps is not None else session.get_one(Clinic, clinic_id).steps
    return steps.prompted_at_night(steps.from_json(given), rule)


def _check_night(session: Session, patient: Patient, new: NewPlan) -> None:
    at = _night(session, patient.clinic_id, new, new.steps)
    if at is None or new.opens_again == new.opens:
        return
    said = None if new.opens_again is None else f"{new.opens_again:%H:%M}"
    raise Refused(
        "opens_again",
        said,
        "a prompt from 06:00 to 21:00; this one is at %(at)s, so say %(opens)s twice, "
        "in opens and in opens_again, if the patient wants it then",
        at=f"{at:%H:%M}",
        opens=f"{new.opens:%H:%M}",
    )


def move_plan(act: Act, patient: Patient) -> list[date]:
    """The patient lives in another zone now: the next window opens there; the one already open stays as it was.

    Returns the planned dates that are left without a window: their hours are over where the patient is now.
    """
    session = act.session
    plan = session.scalar(select(Plan).where(Plan.patient_id == patient.id))
    if plan is None:
        return []
    expected = plan.next_date
    open_next(plan, zone(patient.zone), act.now, owed_since(plan, act.now))
    session.flush()
    if not plan.active:
        return []
    opened = session.scalars(
        select(Window.local_date).where(Window.patient_id == patient.id, Window.local_date >= expected)
    )
    return without_window(plan.rule, expected, plan.next_date, set(opened))


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
    return rules.propose_hours(plan.rule, [wall.hour * 60 + wall.minute for wall in walls])


def windows_to_come(session: Session, patient_id: uuid.UUID, now: datetime, days: int) -> list[WindowAhead]:
    """The windows of the next `days` dates where the patient lives; today is one while its own is, or will be, open."""
    ahead = plan_ahead(session, patient_id)
    if ahead is None or not ahead.is_active:
        return []
    today = localtime.local_date(now, ahead.zone)
    still_open = exists().where(Window.patient_id == patient_id, Window.local_date == today, Window.closes_at > now)
    next_date, is_open = session.execute(select(Plan.next_date, still_open).where(Plan.id == ahead.id)).one()
    begin = today if is_open or next_date <= today else today + timedelta(days=1)
    first = begin if is_open else max(begin, next_date)
    return list(rules.windows_ahead(ahead.rule, ahead.zone, first, begin + timedelta(days=days - 1), ahead.pauses))


def plan_ahead(session: Session, patient_id: uuid.UUID) -> PlanAhead | None:
    """The patient's plan with what is told beside it; None where there is none. Two queries."""
    row = session.execute(
        select(Plan, Patient, Clinic.sender_name)
        .join(Patient, Patient.id == Plan.patient_id)
        .join(Clinic, Clinic.id == Plan.clinic_id)
        .where(Patient.id == patient_id)
    ).first()
    if row is None:
        return None
    plan, patient, sender = row
    return PlanAhead(
        id=plan.id,
        patient_id=patient.id,
        clinic_ref=patient.clinic_ref,
        language=patient.language,
        zone=zone(patient.zone),
        is_active=plan.active and patient.state is PatientState.ACTIVE,
        rule=plan.rule,
        set_at=plan.set_at,
        enrolled_at=patient.enrolled_at,
        sender_name=sender,
        pauses=tuple(windows.pauses(session, patient_id)),
    )
