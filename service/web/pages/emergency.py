"""The door for emergencies: a code on paper, one's name and why, for whoever cannot sign in as usual.

Promises that a code that is none, one that was used and one whose access is another's are one answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from flask import Blueprint, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext

from service.accounts import emergency
from service.accounts.signin import Denied, NotIn
from service.domain.validation import Refused
from service.web.auth import begin_session, current_staff, end_session, held_session, origin
from service.web.pages.signin import later
from service.web.services import services

blueprint = Blueprint("emergency", __name__, url_prefix="/emergency")
NO_PROBLEMS: Mapping[str, str] = MappingProxyType({})


@blueprint.get("")
def page() -> ResponseReturnValue:
    """What emergency access is, and the form."""
    return _form()


@blueprint.post("")
def enter() -> ResponseReturnValue:
    """Open the access of the code, and tell whoever must know of it."""
    typed = emergency.Typed(*(request.form.get(name, "") for name in ("code", "name", "reason")))
    now = emergency.Clocks(services().clock.now(), services().door_clock.now())
    channels = frozenset(services().transports)
    try:
        result = emergency.enter(services().engine, typed, now, origin(), channels, held_session())
    except Refused as refused:
        said = {
            "name": gettext("Please write your own name, 2 to 80 characters."),
            "reason": gettext("Please write why, in a sentence of 10 to 400 characters."),
        }
        return _form({refused.field: said[refused.field]}), 422
    if isinstance(result, Denied):
        if result.why is NotIn.WRONG:
            return _form(
                {"code": gettext("This code opens nothing: it is mistyped, or was used, or is replaced.")}
            ), 403
        return _form({"code": later(result)}), 429, {"Retry-After": str(result.seconds)}
    end_session(now.door)  # whose else's it was
    begin_session(result)
    return redirect(url_for("clinic.panel"), 303)


def _form(problems: Mapping[str, str] = NO_PROBLEMS) -> str:
    current_staff()  # whose session ends when another begins
    hours = int(emergency.LASTS.total_seconds() // 3600)
    return render_template("signin/emergency.html", problems=problems, typed=request.form, hours=hours)
