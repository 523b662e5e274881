"""What was typed and not sent, for the script that keeps it: of whoever is signed in, and of nobody else.

Promises that a form which was taken has none (`web.auth.staff_act`).
"""

from __future__ import annotations

from flask import Blueprint, abort, json, request
from flask.typing import ResponseReturnValue

from service.domain.rights import Right
from service.domain.validation import Refused
from service.reviewing import drafts
from service.store.audit import Act
from service.store.session import read_session, write_session
from service.web.auth import signed_in, staff_only
from service.web.services import services

blueprint = Blueprint("drafts", __name__, url_prefix="/drafts")


@blueprint.get("")
@staff_only(Right.CARE)
def mine() -> ResponseReturnValue:
    """What one has typed, by form and field."""
    with read_session(services().engine) as session:
        return drafts.of_staff(session, signed_in().id, services().door_clock.now())


@blueprint.post("")
@staff_only(Right.CARE)
def keep() -> ResponseReturnValue:
    """Keep `typed`, an object of fields, of `form`; 422 for what cannot be kept."""
    staff, now = signed_in(), services().door_clock.now()
    try:
        typed = json.loads(request.form.get("typed", ""))
    except (ValueError, RecursionError):  # the latter of brackets within brackets without end
        abort(400)
    if not isinstance(typed, dict):
        abort(400)
    try:
        with write_session(services().engine) as session:
            drafts.keep(Act(session, staff.actor, staff.clinic_id, now), staff.id, request.form.get("form", ""), typed)
    except Refused:
        return "", 422
    return "", 204
