"""When a plan's next window opens, and the dates after a stay on which it asks every day.

Promises that a change of what is planned holds from the next window on, and that dates which staff chose for a
patient stay as they are when a stay adds to them. Part of the caller's transaction.
"""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

from sqlalchemy import select

from service.domain.localtime import zone
from service.domain.plan import EVERY_DAY, PlanPhase, next_opening, phases_as_json
from service.store import panel
from service.store.audit import Act
from service.store.tables import Patient, Plan


def owed_since(plan: Plan, now: datetime) -> date | None:
    """The date from which on the plan's windows should have opened by now and have not."""
    return plan.next_date if plan.active and plan.next_open_at <= now else None


def open_next(plan: Plan, where: ZoneInfo, now: datetime, owed: date | None) -> None:
    """Say anew when the plan's next window opens, for patients who live by the clocks of `where`."""
    plan.next_date, plan.next_open_at = next_opening(plan.rule, where, now, owed)


def ask_daily(act: Act, patient: Patient, dates: tuple[date, date] | None) -> None:
    """Ask every day on `dates`, ends included, because a stay has just ended; None: on no dates any more."""
    plan = act.session.scalar(select(Plan).where(Plan.patient_id == patient.id).with_for_update())
    if plan is None:
        return
    after = () if dates is None else (PlanPhase(*dates, EVERY_DAY, after_stay=True),)
    phases = (*(phase for phase in plan.rule.phases if not phase.after_stay), *after)
    if phases == plan.rule.phases:
        return
    owed = owed_since(plan, act.now)
    plan.phases, plan.set_at = phases_as_json(phases) or None, act.now
    open_next(plan, zone(patient.zone), act.now, owed)
    act.session.flush()
    panel.mark_stale(act.session, [patient.id], act.now)
    act.note("plan.after_stay", plan, patient=patient.id)
