"""Staff come in, go out, change their own password and end their sessions elsewhere.

Promises that a wrong name and a wrong password look alike, that nobody is sent to
another site after signing in, and that a changed password ends every other session.
"""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext

from service.accounts import signin
from service.accounts.signin import NotIn, SignedIn
from service.accounts.staff import set_language, set_password
from service.domain import passwords
from service.domain.passwords import Weakness, WeakPassword
from service.domain.rights import Right
from service.domain.validation import Refused
from service.store.audit import act_of
from service.store.session import read_session, write_session
from service.store.tables import Clinic, Staff
from service.web.auth import IDLE, begin_session, current_staff, end_session, signed_in, staff_only
from service.web.frame import speak
from service.web.services import services
from service.words.language import load_language, staff_codes

blueprint = Blueprint("signin", __name__)
HOME = "/clinic/"


@blueprint.get("/signin")
def page() -> ResponseReturnValue:
    """The form; whoever is in already goes on."""
    if current_staff() is not None:
        return redirect(_next(), 303)
    return _form()


@blueprint.post("/signin")
def enter() -> ResponseReturnValue:
    """Check the name and the password."""
    email, password = request.form.get("email", ""), request.form.get("password", "")
    now = services().door_clock.now()
    result = signin.sign_in(services().engine, email, password, now)
    if isinstance(result, SignedIn):
        begin_session(result, now)
        return redirect(_next(), 303)
    if result is NotIn.TOO_MANY:
        return _form(gettext("Too many tries. Please wait a quarter of an hour and try again."), email), 429
    return _form(gettext("The address or the password is not right."), email), 403


@blueprint.post("/signout")
def leave() -> ResponseReturnValue:
    """End this browser's session for good: asked for, or by the page itself after a while without use."""
    end_session(services().door_clock.now())
    if request.form.get("why") == "idle":
        return redirect(url_for("signin.page", ended="idle"), 303)
    flash(gettext("You are signed out."), "good")
    return redirect(url_for("signin.page"), 303)


@blueprint.get("/signin/still-here")
def still_here() -> ResponseReturnValue:
    """Nothing but a sign that the session goes on; asked for by the notice that it is about to end."""
    return ("", 403) if current_staff() is None else ("", 200)


@blueprint.post("/language")
@staff_only(Right.OWN)
def choose_language() -> ResponseReturnValue:
    """Choose what the pages speak to oneself; nothing chosen is what the browser asks for."""
    staff, chosen = signed_in(), request.form.get("language") or None
    try:
        with write_session(services().engine) as db:
            row = db.get_one(Staff, staff.id)
            set_language(act_of(db, row, services().door_clock.now()), row, chosen)
    except Refused:
        abort(400)  # the page offers no other
    if chosen:
        speak(chosen)
    flash(gettext("Kept. These pages speak your language on every browser.") if chosen else gettext("Kept."), "good")
    return redirect(url_for("signin.password"), 303)


@blueprint.get("/password")
@staff_only(Right.OWN)
def password() -> ResponseReturnValue:
    """The form to change one's own password, and where else one is signed in."""
    return _password_form({})


@blueprint.post("/password")
@staff_only(Right.OWN)
def change_password() -> ResponseReturnValue:
    """Replace one's own password, knowing the present one."""
    staff = signed_in()
    given = {key: request.form.get(key, "") for key in ("present", "new", "again")}
    if given["new"] != given["again"]:
        return _password_form({"again": gettext("The two are not the same.")}), 422
    now = services().door_clock.now()
    if refused := signin.confirm(services().engine, staff.email, given["present"], now):
        return _not_confirmed("present", refused)
    try:
        with write_session(services().engine) as db:
            row = db.get_one(Staff, staff.id)
            set_password(act_of(db, row, now), row, given["new"])
            # The session in hand ended with the old password; it begins anew.
            anew = signin.begin_session(db, row, now)
    except WeakPassword as weak:
        return _password_form({"new": _weak_words(weak.why)}), 422
    begin_session(anew, now)
    flash(gettext("Your password is changed. Other browsers are signed out."), "good")
    return redirect(url_for("signin.password"), 303)


@blueprint.post("/password/elsewhere")
@staff_only(Right.OWN)
def leave_elsewhere() -> ResponseReturnValue:
    """End one's own sessions on other browsers, knowing the present password (OWASP ASVS 5.0, 7.5.2)."""
    staff, now = signed_in(), services().door_clock.now()
    if refused := signin.confirm(services().engine, staff.email, request.form.get("confirm", ""), now):
        return _not_confirmed("confirm", refused)
    with write_session(services().engine) as db:
        signin.end_other_sessions(db, db.get_one(Staff, staff.id), staff.session_id, now)
    flash(gettext("Other browsers are signed out."), "good")
    return redirect(url_for("signin.password"), 303)


def _form(problem: str = "", email: str = "") -> str:
    return render_template(
        "signin/signin.html",
        problem=problem,
        email=email,
        next=_next(),
        ended=request.args.get("ended") == "idle",
        minutes=int(IDLE.total_seconds() // 60),
    )


def _password_form(problems: dict[str, str]) -> str:
    languages = [(code, load_language(code).own_name) for code in staff_codes()]
    return render_template(
        "signin/password.html", problems=problems, length=_length_words(), others=_elsewhere(), languages=languages
    )


def _not_confirmed(field: str, why: NotIn) -> ResponseReturnValue:
    if why is NotIn.TOO_MANY:
        return _password_form({field: gettext("Too many tries. Please wait a quarter of an hour and try again.")}), 429
    return _password_form({field: gettext("This is not your present password.")}), 422


def _elsewhere() -> list[datetime]:
    """When this account signed in on other browsers, on the clinic's clock."""
    staff = signed_in()
    with read_session(services().engine) as db:
        zone = ZoneInfo(db.get_one(Clinic, staff.clinic_id).zone)
        begun = signin.other_sessions(db, staff.id, staff.session_id, services().door_clock.now())
    return [at.astimezone(zone) for at in begun]


def _length_words() -> str:
    words: str = gettext(
        "%(least)s to %(most)s characters. A few unrelated words are good.",
        least=passwords.SHORTEST, most=passwords.LONGEST,
    )  # fmt: skip
    return words


def _weak_words(why: Weakness) -> str:
    if why is Weakness.LENGTH:
        return _length_words()
    words: str = gettext(
        "This is easy to guess: too much of it is repeated, a row of keys, a common word, or a name of yours or the"
        " clinic's. A few unrelated words are good."
    )
    return words


def _next() -> str:
    """Where to go on: a path of this site only."""
    asked = request.values.get("next", "")
    inside = asked.startswith("/") and not asked.startswith(("//", "/\\")) and "\\" not in asked
    return asked if inside and asked.isprintable() and not asked.startswith("/sign") else HOME
