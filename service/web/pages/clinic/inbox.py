"""The inbox page: what must be looked at today, taken by someone and closed with a reason."""

from __future__ import annotations

import uuid
from datetime import timedelta

from flask import Blueprint, abort, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext

from service.domain.validation import Refused
from service.domain.vocabulary import CLINICAL_STAFF
from service.reviewing import inbox
from service.store.session import read_session
from service.store.tables import Clinic
from service.web.auth import signed_in, staff_act, staff_only
from service.web.frame import page_language
from service.web.services import services
from service.words.labels import label

blueprint = Blueprint("inbox", __name__, url_prefix="/inbox")
CLOSED_DAYS = 7


@blueprint.get("")
@staff_only()
def tasks() -> ResponseReturnValue:
    """Open tasks, most pressing first, and what was closed in the last days."""
    now = services().clock.now()
    with read_session(services().engine) as session:
        clinic = session.get_one(Clinic, g.clinic_id)
        items = inbox.inbox(session, g.clinic_id)
        closed = inbox.inbox(session, g.clinic_id, closed_since=now - timedelta(days=CLOSED_DAYS))
    return render_template(
        "clinic/inbox.html", items=items, closed=closed, zone=clinic.zone, now=now, closed_days=CLOSED_DAYS
    )


@blueprint.post("/<uuid:task_id>/take")
@staff_only(*CLINICAL_STAFF)
def take(task_id: uuid.UUID) -> ResponseReturnValue:
    """Say that one is looking at it."""
    try:
        with staff_act() as act:
            inbox.take(act.session, g.clinic_id, task_id, signed_in(), act.now)
    except inbox.AlreadyHandled as other:
        state = label(page_language(), other.state)
        flash(gettext("%(name)s was first: it is %(state)s already.", name=other.by, state=state), "wrong")
    except LookupError:
        abort(404)
    else:
        flash(gettext("It is yours. It stays here until somebody closes it."), "good")
    return redirect(url_for("clinic.inbox.tasks", _anchor=f"t-{task_id}"), 303)


@blueprint.post("/<uuid:task_id>/close")
@staff_only(*CLINICAL_STAFF)
def close(task_id: uuid.UUID) -> ResponseReturnValue:
    """Close it with a reason."""
    reason = request.form.get("reason", "")
    try:
        with staff_act() as act:
            inbox.close(act.session, g.clinic_id, task_id, signed_in(), reason, act.now)
    except inbox.AlreadyHandled as other:
        flash(gettext("%(name)s had closed it already.", name=other.by), "wrong")
    except Refused as refused:
        flash(gettext("Not closed. The reason must be %(accepted)s.", accepted=refused.accepted), "wrong")
        return redirect(url_for("clinic.inbox.tasks", _anchor=f"t-{task_id}"), 303)
    except LookupError:
        abort(404)
    else:
        flash(gettext("Closed."), "good")
    return redirect(url_for("clinic.inbox.tasks"), 303)
