"""One patient's page: why they are where they are, the time line, and everything staff can record.

The time line is a picture drawn on the server, beside a table of every value;
script may replace the picture by a live one.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

from flask import Blueprint, Response, abort, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain import days as joined_
from service.domain.days import Day
from service.domain.followup import AFTER_DAYS, usually_due
from service.domain.plan import HoursProposal
from service.domain.review import amendments
from service.domain.validation import Refused
from service.domain.vocabulary import CLINICAL_STAFF, AdjustmentKind, Outcome
from service.enrolling import plans
from service.reports import charts, exports
from service.reviewing import adjusting, patient, signing
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.panel import neighbours
from service.reviewing.patient import PatientReview
from service.scheduling.plans import propose_hours
from service.store.session import read_session
from service.store.tables import Clinic, Patient, Plan, Window
from service.web import drawing
from service.web.auth import signed_in, staff_act, staff_only
from service.web.frame import page_language
from service.web.pages.clinic import people
from service.web.services import services
from service.words.sentences import following

blueprint = Blueprint("patient", __name__, url_prefix="/patients/<uuid:patient_id>")
plan_blueprint = Blueprint("plan", __name__, url_prefix="/plan")
blueprint.register_blueprint(plan_blueprint)
blueprint.register_blueprint(people.contacts_blueprint)
blueprint.register_blueprint(people.caregivers_blueprint)

WIDE, NARROW = 760, 220


@blueprint.get("")
@staff_only()
def page(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Everything known of one patient over 30, 90 or 365 days."""
    days, now = _days(), services().clock.now()
    with read_session(services().engine) as session:
        seen = _build(session, patient_id, days, now)
        clinic = session.get_one(Clinic, g.clinic_id)
        around = neighbours(session, clinic, patient_id, now)
        first = min((date.fromisoformat(past.frozen["days"][0]["day"]) for past in seen.reviews), default=None)
        known = patient.days_since(session, g.clinic_id, patient_id, first, now) if first else ()
        plan = followed(session, patient_id, now)
        ways = people.ways(session, patient_id)
    say = page_language()
    facts = patient.timeline_of(seen, say)
    return render_template(
        "clinic/patient.html",
        seen=seen,
        entry=seen.entry,
        days=days,
        ranges=patient.RANGES,
        sentence=charts.describe(facts, say, gettext("The table below holds every value.")),
        usual={kind: (AFTER_DAYS[kind], usually_due(kind, seen.days[-1].day)) for kind in AFTER_DAYS},
        zone=clinic.zone,
        around=around,
        amended=_amended(seen, known),
        followed=plan,
        ways=ways,
        today=seen.days[-1].day,
    )


@blueprint.get("/timeline.svg")
@staff_only()
def timeline_svg(patient_id: uuid.UUID) -> ResponseReturnValue:
    """The time line as a picture; `narrow=1` for a phone."""
    seen, say = _seen(patient_id, _days()), page_language()
    spec = charts.timeline(patient.timeline_of(seen, say), say, width=NARROW if request.args.get("narrow") else WIDE)
    return Response(drawing.svg(spec), mimetype="image/svg+xml", headers={"Cache-Control": "private, no-store"})


@blueprint.get("/timeline.json")
@staff_only()
def timeline_json(patient_id: uuid.UUID) -> ResponseReturnValue:
    """The same drawing for the browser to draw itself, with each day's values under the pointer."""
    width = request.args.get("width", WIDE, type=int)
    seen, say = _seen(patient_id, _days()), page_language()
    spec = charts.timeline(patient.timeline_of(seen, say), say, width=min(max(width, 200), 1600), interactive=True)
    return Response(json.dumps(spec), mimetype="application/json", headers={"Cache-Control": "private, no-store"})


@blueprint.get("/joined.csv")
@staff_only()
def joined_csv(patient_id: uuid.UUID) -> ResponseReturnValue:
    """The joined days of the chosen range."""
    seen = _seen(patient_id, _days())
    return Response(
        exports.joined_csv([(seen.patient.clinic_ref, seen.days)]),
        mimetype="text/csv",
        headers={"Content-Disposition": f'attachment; filename="joined-{seen.days[-1].day}.csv"'},
    )


@blueprint.post("/sign")
@staff_only(*CLINICAL_STAFF)
def sign(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Sign this week's review of the patient."""
    try:
        outcome, note, next_look = _word(Outcome, "outcome"), request.form.get("note", ""), _date("next_look")
        with staff_act() as act:
            signing.sign(
                act.session, g.clinic_id, patient_id, signed_in(), outcome, note, next_look, act.now, page_language()
            )
    except signing.AlreadySigned as other:
        flash(gettext("Not signed: %(name)s had signed this review already. Theirs stands.", name=other.by), "wrong")
    except Refused as refused:
        flash(gettext("Not signed. %(why)s", why=_plain(refused)), "wrong")
        return redirect(url_for("clinic.patient.page", patient_id=patient_id, _anchor="sign"), 303)
    except LookupError:
        abort(404)
    else:
        flash(gettext("Signed. What was on the page is kept with it."), "good")
    return redirect(_back(patient_id), 303)


@blueprint.post("/adjustments")
@staff_only(*CLINICAL_STAFF)
def adjust(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Record an adjustment, or correct one (`corrects`)."""
    corrects = request.form.get("corrects", "", type=str)
    try:
        new = NewAdjustment(
            kind=_word(AdjustmentKind, "kind"),
            what=request.form.get("what", ""),
            made_on=_date("made_on") or services().clock.now().date(),
            follow_up_on=_date("follow_up_on"),
            follow_up_what=request.form.get("follow_up_what", ""),
        )
        wrong = uuid.UUID(corrects) if corrects else None
        with staff_act() as act:
            adjusting.record_adjustment(act.session, g.clinic_id, patient_id, new, signed_in(), act.now, corrects=wrong)
    except Refused as refused:
        flash(gettext("Not recorded. %(why)s", why=_plain(refused)), "wrong")
    except (LookupError, ValueError):
        abort(404)
    else:
        flash(gettext("Recorded. The response will be told as readings come."), "good")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id, _anchor="adjustments"), 303)


@blueprint.post("/adjustments/<uuid:adjustment_id>/followed-up")
@staff_only(*CLINICAL_STAFF)
def followed_up(patient_id: uuid.UUID, adjustment_id: uuid.UUID) -> ResponseReturnValue:
    """Note that a follow-up was done."""
    try:
        with staff_act() as act:
            noted = adjusting.follow_up_done(act.session, g.clinic_id, adjustment_id, signed_in(), act.now)
    except LookupError:
        abort(404)
    flash(gettext("Follow-up noted.") if noted else gettext("It had been noted before."), "good")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id, _anchor="adjustments"), 303)


# --- helpers ---------------------------------------------------------------------------


def _seen(patient_id: uuid.UUID, days: int) -> PatientReview:
    with read_session(services().engine) as session:
        return _build(session, patient_id, days, services().clock.now())


def _build(session: Session, patient_id: uuid.UUID, days: int, now: datetime) -> PatientReview:
    try:
        return patient.build_patient(session, g.clinic_id, patient_id, now, days)
    except LookupError:
        abort(404)


def _days() -> int:
    asked = request.args.get("days", patient.RANGES[0], type=int)
    return asked if asked in patient.RANGES else patient.RANGES[0]


def _amended(seen: PatientReview, known: Sequence[Day]) -> dict[uuid.UUID, list[Any]]:
    """For each signed review, what its days read like now, where that differs."""
    return {
        past.id: amendments([joined_.from_json(day) for day in past.frozen["days"]], known) for past in seen.reviews
    }


def _back(patient_id: uuid.UUID) -> str:
    if request.form.get("back") != "panel":
        return url_for("clinic.patient.page", patient_id=patient_id)
    after = request.form.get("after", "")
    view = request.form.get("view", "")
    anchor = f"#p-{after}" if after and _is_uuid(after) else ""
    return f"{url_for('clinic.panel')}{view if view.startswith('?') else ''}{anchor}"


def _is_uuid(text: str) -> bool:
    try:
        uuid.UUID(text)
    except ValueError:
        return False
    return True


def _date(name: str) -> date | None:
    text = request.form.get(name, "").strip()
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise Refused(name, text, "a date such as 2026-11-25") from None


def _word(vocabulary: Any, name: str) -> Any:
    given = request.form.get(name, "")
    try:
        return vocabulary(given)
    except ValueError:
        raise Refused(name, given, ", ".join(word.value for word in vocabulary)) from None


def _plain(refused: Refused) -> str:
    field = refused.field.replace("_", " ").capitalize()
    return str(gettext("%(field)s: accepted is %(accepted)s.", field=field, accepted=refused.accepted))


# --- how closely the patient is followed, and at which hours ------------------------------


@dataclass(frozen=True)
class Followed:
    """The plan as staff see it: its hours, the pace of the newest window in words, and a proposal if there is one."""

    plan: Plan | None
    sentence: str
    proposal: HoursProposal | None


def followed(session: Session, patient_id: uuid.UUID, now: datetime) -> Followed:
    """What the patient's page says of the plan. Four queries."""
    plan = session.scalar(select(Plan).where(Plan.patient_id == patient_id, Plan.clinic_id == g.clinic_id, Plan.active))
    newest = session.scalar(
        select(Window.pace).where(Window.patient_id == patient_id).order_by(Window.local_date.desc()).limit(1)
    )
    return Followed(
        plan,
        following.pace(page_language(), newest) if plan is not None and newest is not None else "",
        propose_hours(session, g.clinic_id, patient_id, now),
    )


@plan_blueprint.post("/hours")
@staff_only(*CLINICAL_STAFF)
def use_hours(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Use the hours that were shown. The rest of the plan stays as it is."""
    try:
        opens, due, closes = (_time(name) for name in ("opens", "due", "closes"))
        with staff_act() as act:
            patient = act.session.get(Patient, patient_id)
            plan = act.session.scalar(select(Plan).where(Plan.patient_id == patient_id))
            if patient is None or patient.clinic_id != g.clinic_id or plan is None:
                abort(404)
            new = plans.NewPlan(
                opens, due, closes, plan.weekdays, plan.wants_reading, plan.wants_checkin, plan.steps, plan.silent_days
            )
            plans.set_plan(act, patient, new)
    except Refused as refused:
        flash(gettext("Not changed: %(why)s.", why=str(refused)), "wrong")
    else:
        hours = {"opens": f"{opens:%H:%M}", "closes": f"{closes:%H:%M}", "due": f"{due:%H:%M}"}
        flash(gettext("From the next window on: %(opens)s to %(closes)s, reminder %(due)s.", **hours), "good")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id, _anchor="plan"), 303)


def _time(name: str) -> time:
    given = request.form.get(name, "")
    try:
        return time.fromisoformat(given)
    except ValueError:
        raise Refused(name, given, "a local time, such as 07:30") from None
