"""The keys of machines, and who did what: what an administrator watches over. A key's secret is shown once."""

from __future__ import annotations

import uuid
from typing import Any

from flask import Blueprint, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy import func, select

from service.accounts import keys
from service.domain.rights import Right
from service.domain.tasks import TaskFacts, from_json
from service.domain.validation import Refused
from service.domain.vocabulary import Role, Scope, TaskKind, TaskState
from service.store.session import read_session
from service.store.tables import ApiKey, AuditLine, Caregiver, Staff, Task
from service.web import forms
from service.web.auth import own, own_clinic, signed_in, staff_act, staff_only
from service.web.pages.clinic import refusals
from service.web.pages.clinic.stretches import stretch_of
from service.web.services import services

keys_blueprint = Blueprint("keys", __name__, url_prefix="/keys")
audit_blueprint = Blueprint("audit", __name__, url_prefix="/audit")
KEYS = "clinic.keys.page"
LINES = 100  # on one page


@keys_blueprint.get("", endpoint="page")
@staff_only(Right.ADMINISTER, fresh=KEYS)
def keys_page() -> ResponseReturnValue:
    """Every key, the newest first, without its secret."""
    return _keys()


@keys_blueprint.post("")
@staff_only(Right.ADMINISTER, fresh=KEYS)
def issue() -> ResponseReturnValue:
    """Issue a key: its secret stands on the page that answers, and nowhere else."""
    scopes = [Scope(one) for one in request.form.getlist("scopes") if one in set(Scope)]
    try:
        with staff_act() as act:
            key, secret = keys.issue_key(act, forms.text("name"), scopes)
    except Refused as refused:
        called = {"name": gettext("Name"), "scopes": gettext("May")}
        flash(gettext("Not issued. %(why)s", why=refusals.plain(refused, called)), "wrong")
        return _keys(), 422
    return _keys(name=key.name, secret=secret)


@keys_blueprint.post("/<uuid:key_id>/revoke")
@staff_only(Right.ADMINISTER, fresh=KEYS)
def revoke(key_id: uuid.UUID) -> ResponseReturnValue:
    """The key opens nothing from now on."""
    with staff_act() as act:
        keys.revoke_key(act, own(act.session, ApiKey, key_id))
    flash(gettext("Revoked. It opens nothing any more."), "good")
    return redirect(url_for(KEYS), 303)


@audit_blueprint.get("", endpoint="page")
@staff_only(Right.ADMINISTER)
def audit_page() -> ResponseReturnValue:
    """Who did what to which record, newest first, a page at a time. Ids and names of fields, no values."""
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        query = (
            select(AuditLine, func.coalesce(Staff.name, Caregiver.name, ""))
            .outerjoin(Staff, Staff.id == AuditLine.actor_id)
            .outerjoin(Caregiver, Caregiver.id == AuditLine.actor_id)
        )
        lines = stretch_of(session, query, AuditLine, AuditLine.at, LINES)
    return render_template("clinic/audit.html", lines=lines.rows, stretch=lines, zone=clinic.zone)


def altered() -> list[TaskFacts]:
    """What the nightly check found altered, while the clinic's task of it is open: not all of them see the inbox."""
    its = (Task.clinic_id == signed_in().clinic_id, Task.state != TaskState.CLOSED, Task.role == Role.ADMINISTRATOR)
    with read_session(services().engine) as session:
        its_kind = select(Task.facts).where(*its, Task.kind == TaskKind.CHECK_FOUND)
        found = session.scalars(its_kind.order_by(Task.raised_at))
        return [from_json(facts) for facts in found]


def _keys(**issued: Any) -> str:
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        held = session.scalars(
            select(ApiKey).where(ApiKey.clinic_id == g.clinic_id).order_by(ApiKey.created_at.desc(), ApiKey.id)
        ).all()
    return render_template("clinic/keys.html", keys=held, scopes=list(Scope), zone=clinic.zone, **issued)
