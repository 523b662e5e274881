"""How closely a patient is followed, and hours that would suit better, on the patient's page.

Promises that hours are changed only by a member of staff who was shown them; what
was learned is never used by itself.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import datetime, time

from flask import Blueprint, abort, flash, g, redirect, request, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy import select
from sqlalchemy.orm import Session

from service import enrolling, prompting
from service.domain import pace
from service.domain.habit import Proposal
from service.domain.validation import Refused
from service.domain.vocabulary import CLINICAL_STAFF, ActorKind
from service.store.audit import Actor
from service.store.session import write_session
from service.store.tables import Patient, Plan, Window
from service.web.auth import staff_only
from service.web.pages import clinicwords
from service.web.services import services

blueprint = Blueprint("plan", __name__, url_prefix="/plan")


@dataclass(frozen=True)
class Followed:
    """The plan as staff see it: its hours, the pace of the newest window in words, and a proposal if there is one."""

    plan: Plan | None
    sentence: str
    proposal: Proposal | None


def followed(session: Session, patient_id: uuid.UUID, now: datetime) -> Followed:
    """What the patient's page says of the plan. Four queries."""
    plan = session.scalar(select(Plan).where(Plan.patient_id == patient_id, Plan.clinic_id == g.clinic_id, Plan.active))
    newest = session.scalar(
        select(Window.pace).where(Window.patient_id == patient_id).order_by(Window.local_date.desc()).limit(1)
    )
    return Followed(
        plan,
        pace.sentence(newest) if plan is not None and newest is not None else "",
        prompting.propose_hours(session, g.clinic_id, patient_id, now),
    )


@blueprint.post("/hours")
@staff_only(*CLINICAL_STAFF)
def use_hours(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Use the hours that were shown. The rest of the plan stays as it is."""
    services_, staff = services(), clinicwords.acting()
    try:
        opens, due, closes = (_time(name) for name in ("opens", "due", "closes"))
        with write_session(services_.engine) as session:
            patient = session.get(Patient, patient_id)
            plan = session.scalar(select(Plan).where(Plan.patient_id == patient_id))
            if patient is None or patient.clinic_id != g.clinic_id or plan is None:
                abort(404)
            new = enrolling.NewPlan(
                opens, due, closes, plan.weekdays, plan.wants_reading, plan.wants_checkin, plan.steps, plan.silent_days
            )
            enrolling.set_plan(session, patient, new, Actor(ActorKind.STAFF, staff.id), services_.clock.now())
    except Refused as refused:
        flash(f"Not changed: {refused}.", "wrong")
    else:
        flash(f"From the next window on: {opens:%H:%M} to {closes:%H:%M}, reminder {due:%H:%M}.", "good")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id, _anchor="plan"), 303)


def _time(name: str) -> time:
    given = request.form.get(name, "")
    try:
        return time.fromisoformat(given)
    except ValueError:
        raise Refused(name, given, "a local time, such as 07:30") from None
