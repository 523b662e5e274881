"""The inbox's page: what must be looked at today, by patient, with the number to call; taken, and closed with words.

Works without script: the words are asked for where the task stands, and what was typed is there again when
it could not be taken in.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import timedelta

from flask import Blueprint, abort, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext

from service.domain.localtime import local_date
from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import CLINICAL_STAFF, Role
from service.recording import next_contacts
from service.reviewing import desk, inbox
from service.store.session import read_session
from service.web import forms, trail
from service.web.auth import own_clinic, signed_in, staff_act, staff_only
from service.web.frame import page_language
from service.web.pages.clinic import refusals
from service.web.services import services
from service.words.labels import label

blueprint = Blueprint("inbox", __name__, url_prefix="/inbox")
CLOSED_DAYS = 7


@blueprint.get("")
@staff_only(Right.READ)
def tasks() -> ResponseReturnValue:
    """Open tasks by patient, most pressing first, and what was closed in the last days."""
    return _page()


def _page(opened: uuid.UUID | None = None, typed: Mapping[str, str] | None = None, wrong: str = "") -> str:
    """The page; `opened` is the task whose form could not be taken in, `typed` what was in it, `wrong` why."""
    now = services().clock.now()
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        whose = _whose(request.args.get("whose", ""))
        items = inbox.inbox(session, g.clinic_id, whose=whose)
        me = signed_in()
        calls = next_contacts.to_make(session, next_contacts.handed_to(g.clinic_id, me.id, me.roles))
        closed = inbox.inbox(session, g.clinic_id, closed_since=now - timedelta(days=CLOSED_DAYS))
        at_hand = desk.beside(session, g.clinic_id, local_date(now, clinic.zone))
    trail.of_many(len({item.patient_id for item in (*items, *closed)} - {None}))
    return render_template(
        "clinic/inbox.html",
        piles=inbox.by_patient(items),
        at_hand=at_hand,
        calls=calls,
        today=local_date(now, clinic.zone),
        nothing=desk.AtHand(),
        closed=closed,
        zone=clinic.zone,
        closed_days=CLOSED_DAYS,
        again_days=clinic.silent_again_days,
        whose=request.args["whose"] if whose else "",
        roles=CLINICAL_STAFF,
        may_act=signed_in().may(Right.CARE),
        opened=opened,
        typed=typed or {},
        wrong=wrong,
    )


def _whose(asked: str) -> uuid.UUID | Role | None:
    """Whose tasks the address asks for: one's own, or those of a role; everybody's for anything else."""
    if asked == "mine":
        return signed_in().id
    return Role(asked) if asked in set(Role) else None


@blueprint.post("/<uuid:task_id>/take")
@staff_only(Right.CARE)
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


@blueprint.post("/<uuid:task_id>/close")
@staff_only(Right.CARE)
def close(task_id: uuid.UUID) -> ResponseReturnValue:
    """Close it; a silence that lasts comes again on the date that was promised, or by itself."""
    try:
        with staff_act() as act:
            inbox.close(act, task_id, forms.text("reason"), forms.day("promised"))
    except inbox.AlreadyHandled as other:
        flash(gettext("%(name)s had closed it already.", name=other.by), "wrong")
    except Refused as refused:
        return _page(task_id, request.form, _not_closed(refused)), 422
    except LookupError:
        abort(404)
    else:
        flash(gettext("Closed."), "good")
    return redirect(url_for("clinic.inbox.tasks"), 303)


def _not_closed(refused: Refused) -> str:
    words: dict[str, str] = {
        "promised": gettext("Not closed. The date must be %(accepted)s.", accepted=refusals.accepted(refused)),
        "reason": gettext("Not closed. Needed is %(accepted)s.", accepted=refusals.accepted(refused)),
    }
    return words[refused.field]
