"""The clinic's pages over all patients: the weekly review, the inbox, why readings stop, how the clinic is doing.

Staff only. GET reads and never writes; every change is a POST that ends in a
redirect. All of it works without script; script adds keys and hover.
"""

from __future__ import annotations

import uuid
from datetime import timedelta
from typing import Any

from flask import Blueprint, abort, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy import select

from service.domain.validation import Refused
from service.domain.vocabulary import CLINICAL_STAFF, PatientState, Role
from service.reviewing import desk, inbox, measuring
from service.reviewing.panel import PanelEntry, build_panel
from service.store.session import read_session
from service.store.tables import Patient
from service.web import forms
from service.web.auth import own_clinic, signed_in, staff_act, staff_only
from service.web.frame import page_language
from service.web.pages.clinic import patient, records, refusals, review, rules, wordings
from service.web.services import services
from service.words.labels import label

blueprint = Blueprint("clinic", __name__, url_prefix="/clinic")
inbox_blueprint = Blueprint("inbox", __name__, url_prefix="/inbox")
silences_blueprint = Blueprint("silences", __name__, url_prefix="/silences")
patients_blueprint = Blueprint("patients", __name__, url_prefix="/patients")
measures_blueprint = Blueprint("measures", __name__, url_prefix="/measures")
for behind in (
    patient.blueprint,
    review.blueprint,
    inbox_blueprint,
    silences_blueprint,
    patients_blueprint,
    measures_blueprint,
    records.blueprint,
    rules.blueprint,
    wordings.blueprint,
):
    blueprint.register_blueprint(behind)


@blueprint.app_context_processor
def bar() -> dict[str, Any]:
    """What waits, for the bar of the clinic's pages: counted only where a page asks for it."""
    return {"bar_counts": _counted}


def _counted() -> desk.Counts:
    with read_session(services().engine) as session:
        return desk.counts(session, own_clinic(session), services().clock.now())


@blueprint.get("/")
@staff_only()
def home() -> ResponseReturnValue:
    return redirect(url_for("clinic.panel"))


@blueprint.get("/review")
@staff_only()
def panel() -> ResponseReturnValue:
    """The weekly review: everyone, in four lanes."""
    return review.page()


# --- the inbox: what must be looked at today, taken by someone and closed with a reason ----------

CLOSED_DAYS = 7


@inbox_blueprint.get("")
@staff_only()
def tasks() -> ResponseReturnValue:
    """Open tasks, most pressing first, and what was closed in the last days."""
    now = services().clock.now()
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        whose = _whose(request.args.get("whose", ""))
        items = inbox.inbox(session, g.clinic_id, whose=whose)
        closed = inbox.inbox(session, g.clinic_id, closed_since=now - timedelta(days=CLOSED_DAYS))
    return render_template(
        "clinic/inbox.html",
        items=items,
        closed=closed,
        zone=clinic.zone,
        now=now,
        closed_days=CLOSED_DAYS,
        again_days=clinic.silent_again_days,
        whose=request.args["whose"] if whose else "",
        roles=CLINICAL_STAFF,
    )


def _whose(asked: str) -> uuid.UUID | Role | None:
    """Whose tasks the address asks for: one's own, or those of a role; everybody's for anything else."""
    if asked == "mine":
        return signed_in().id
    return Role(asked) if asked in set(Role) else None


@inbox_blueprint.post("/<uuid:task_id>/take")
@staff_only(*CLINICAL_STAFF)
def take(task_id: uuid.UUID) -> ResponseReturnValue:
    """Say that one is looking at it."""
    try:
        with staff_act() as act:
            inbox.take(act, task_id)
    except inbox.AlreadyHandled as other:
        state = label(page_language(), other.state)
        flash(gettext("%(name)s was first: it is %(state)s already.", name=other.by, state=state), "wrong")
    except LookupError:
        abort(404)
    else:
        flash(gettext("It is yours. It stays here until somebody closes it."), "good")
    return redirect(url_for("clinic.inbox.tasks", _anchor=f"t-{task_id}"), 303)


@inbox_blueprint.post("/<uuid:task_id>/close")
@staff_only(*CLINICAL_STAFF)
def close(task_id: uuid.UUID) -> ResponseReturnValue:
    """Close it with a reason; a silence that lasts comes again on the date that was promised, or by itself."""
    try:
        with staff_act() as act:
            inbox.close(act, task_id, forms.text("reason"), forms.day("promised"))
    except inbox.AlreadyHandled as other:
        flash(gettext("%(name)s had closed it already.", name=other.by), "wrong")
    except Refused as refused:
        _not_closed(refused)
        return redirect(url_for("clinic.inbox.tasks", _anchor=f"t-{task_id}"), 303)
    except LookupError:
        abort(404)
    else:
        flash(gettext("Closed."), "good")
    return redirect(url_for("clinic.inbox.tasks"), 303)


def _not_closed(refused: Refused) -> None:
    words = {
        "promised": gettext("Not closed. The date must be %(accepted)s.", accepted=refusals.accepted(refused)),
        "reason": gettext("Not closed. The reason must be %(accepted)s.", accepted=refusals.accepted(refused)),
    }
    flash(words[refused.field], "wrong")


@patients_blueprint.get("", endpoint="page")
@staff_only()
def patients() -> ResponseReturnValue:
    """Everybody who is looked after, by name, with the number to call; by what was sought, whoever was before too."""
    now, sought = services().clock.now(), request.args.get("name", "").strip()[:80]
    with read_session(services().engine) as session:
        built = build_panel(session, g.clinic_id, now)
        at_hand = desk.beside(session, g.clinic_id, built.today)
        query = select(Patient).where(Patient.clinic_id == g.clinic_id, Patient.state == PatientState.ENDED)
        ended = session.scalars(query.order_by(Patient.name)).all() if sought else []

    def fits(one: PanelEntry | Patient) -> bool:
        return sought.casefold() in f"{one.name} {one.clinic_ref}".casefold()

    found = [one for one in built.entries if fits(one)]
    return render_template(
        "clinic/patients.html",
        entries=sorted(found, key=lambda one: one.name.casefold()),
        ended=[one for one in ended if fits(one)],
        at_hand=at_hand,
        nothing=desk.AtHand(),
        sought=sought,
        now=now,
    )


# --- why readings stop, and how the clinic is doing ----------------------------------------------


@silences_blueprint.get("", endpoint="page")
@staff_only()
def silences() -> ResponseReturnValue:
    """The panel's adherence calendar, silences by cause, and what asking brought."""
    with read_session(services().engine) as session:
        why = measuring.why_readings_stop(session, g.clinic_id, services().clock.now())
    return render_template("clinic/silences.html", why=why, busiest=max(why.hours) or 1)


@measures_blueprint.get("", endpoint="page")
@staff_only()
def measures() -> ResponseReturnValue:
    """The clinic's measures, week by week."""
    with read_session(services().engine) as session:
        measured = measuring.measure(session, g.clinic_id, services().clock.now())
    return render_template("clinic/measures.html", measured=measured)
