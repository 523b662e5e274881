"""Staff come in, by password or for the first time by a link, go out, and look after their own account.

Passkeys are in `pages.passkeys`.

Promises that a wrong name and a wrong password look alike, that nobody is sent to
another site after signing in, and that a changed password ends every other session.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType
from zoneinfo import ZoneInfo

from flask import Blueprint, abort, flash, redirect, render_template, request, session, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext, ngettext

from service.accounts import emergency, factors, hashing, hospital, invitations, sessions, signin
from service.accounts.sessions import IDLE, SignedIn
from service.accounts.signin import Denied, HalfIn, NotIn, WhichOf
from service.accounts.staff import hashes_beside, names_of, set_language, set_password
from service.domain import passwords
from service.domain.passwords import Weakness, WeakPassword
from service.domain.rights import Right
from service.domain.validation import Refused
from service.intake.patients import id_of
from service.store.audit import Act, act_of
from service.store.session import read_session, write_session
from service.store.tables import Clinic, Staff
from service.store.wall import Gate, through
from service.web import departing, gates, held, trail
from service.web.auth import (
    CurrentStaff,
    begin_half,
    begin_session,
    begin_which,
    current_staff,
    end_session,
    half_by_hospital,
    half_in,
    held_session,
    is_fresh,
    origin,
    own_patient,
    signed_in,
    staff_only,
    to_confirm,
    which_of,
)
from service.web.forms import WRITTEN
from service.web.frame import speak
from service.web.security import forgotten
from service.web.services import services
from service.words.language import spoken_by_staff

blueprint = Blueprint("signin", __name__)
HOME = "/clinic/"
NO_PROBLEMS: Mapping[str, str] = MappingProxyType({})


@blueprint.get("/signin")
def page() -> ResponseReturnValue:
    """The form; whoever is in already goes on."""
    if current_staff() is not None:
        return redirect(next_path(), 303)
    return sign_in_form()


@blueprint.post("/signin")
def enter() -> ResponseReturnValue:
    """Check the name and the password."""
    email, password = request.form.get("email", ""), request.form.get("password", "")
    now = services().door_clock.now()
    result = signin.sign_in(services().engine, email, password, now, origin(), held_session())
    if isinstance(result, WhichOf):
        begin_which(result, now)
        return redirect(url_for("signin.ask_which", next=next_path()), 303)
    if not isinstance(result, Denied):
        return _gone_on(result, now)
    trail.aimed_at(result.aimed_at)
    if result.why is NotIn.WRONG:
        return sign_in_form(gettext("The address or the password is not right."), email), 403
    return sign_in_form(later(result), email), 429, {"Retry-After": str(result.seconds)}


def _gone_on(result: SignedIn | HalfIn, now: datetime) -> ResponseReturnValue:
    if isinstance(result, SignedIn):
        begin_session(result)
        return redirect(next_path(), 303)
    begin_half(result, now)
    return redirect(url_for("signin.ask_code", next=next_path()), 303)


@blueprint.get("/signin/which")
def ask_which() -> ResponseReturnValue:
    """Which clinic is meant, of several at which this person has an account with this password."""
    which = which_of(services().door_clock.now())
    if which is None:
        return redirect(url_for("signin.page"), 303)
    with read_session(services().engine) as db:
        offered = signin.offered(db, which[0])
    return render_template("signin/which.html", offered=offered, next=next_path())


@blueprint.post("/signin/which")
def choose_which() -> ResponseReturnValue:
    """Go on with the account of the clinic that was chosen."""
    now = services().door_clock.now()
    which, chosen = which_of(now), id_of(request.form.get("staff", ""))
    if which is None or chosen is None:
        return redirect(url_for("signin.ask_which", next=next_path()), 303)
    result = signin.choose(services().engine, which[0], chosen, which[1], now, origin(), held_session())
    session.pop("which")
    return redirect(url_for("signin.page"), 303) if result is None else _gone_on(result, now)


@blueprint.get("/signin/code")
def ask_code() -> ResponseReturnValue:
    """The second step, after the right password."""
    half = half_in(services().door_clock.now())
    return redirect(url_for("signin.page"), 303) if half is None else code_form(half)


@blueprint.post("/signin/code")
def enter_code() -> ResponseReturnValue:
    """Check the code and begin the session."""
    now = services().door_clock.now()
    half = half_in(now)
    if half is None:
        return redirect(url_for("signin.page"), 303)
    code, by_hospital = request.form.get("code", ""), half_by_hospital()
    result = signin.finish(services().engine, half, code, now, origin(), held_session(), by_hospital=by_hospital)
    if isinstance(result, SignedIn):
        begin_session(result)
        return redirect(next_path(), 303)
    trail.aimed_at(result.aimed_at)
    if result.why is NotIn.WRONG:
        return code_form(half, {"code": _wrong_code()}), 403
    return code_form(half, {"code": later(result)}), 429, {"Retry-After": str(result.seconds)}


def code_form(half: uuid.UUID, problems: Mapping[str, str] = NO_PROBLEMS) -> str:
    """Of somebody whose password was right."""
    with read_session(services().engine) as db:
        by_codes = db.get_one(Staff, half).totp_secret is not None
    return render_template("signin/code.html", problems=problems, next=next_path(), by_codes=by_codes)


def _wrong_code() -> str:
    return str(gettext("This code is not right, or was used already. The telephone shows a new one every half minute."))


@blueprint.get("/confirm")
@staff_only(Right.OWN)
def ask_to_confirm() -> ResponseReturnValue:
    """Before what reaches far: whether it is still they who sit there."""
    return confirm_form()


@blueprint.post("/confirm")
@staff_only(Right.OWN)
def confirm() -> ResponseReturnValue:
    """Take the password again, or a code where there is a second step, and go on. Passkeys: `pages.passkeys`."""
    staff, now, given = signed_in(), services().door_clock.now(), request.form.get("confirm", "")
    if staff.has_passkey and not staff.has_codes:
        return confirm_form(), 422  # a password alone is not enough
    if staff.has_codes:
        found, no = signin.check_code(services().engine, staff.id, given, now, origin()), _wrong_code()
    else:
        found = signin.check(services().engine, staff.email, given, now, origin(), staff.id)
        no = gettext("This is not your present password.")
    if isinstance(found, Denied):
        wrong = no if found.why is NotIn.WRONG else later(found)
        return confirm_form({"confirm": wrong}), 422 if found.why is NotIn.WRONG else 429
    with write_session(services().engine) as db:
        sessions.confirmed(db, staff.session_id, now)
    return redirect(next_path(), 303)


def confirm_form(problems: Mapping[str, str] = NO_PROBLEMS) -> str:
    staff = signed_in()
    with read_session(services().engine) as db:
        own = db.get_one(Staff, staff.id)
        by_hospital = hospital.may_confirm(db, own, has_second_step=staff.has_second_step)
        ways = {"has_password": hospital.has_password(db, own), "by_hospital": by_hospital}
    return render_template("signin/confirm.html", problems=problems, next=next_path(), **ways)


@blueprint.get("/confirm/go-on")
@staff_only(Right.OWN, fresh="signin.go_on")
def go_on() -> ResponseReturnValue:
    """Send on the form that waited meanwhile: at once, or, after the session had `ended`, once it was looked at."""
    staff, name = signed_in(), ""
    with read_session(services().engine) as db:
        waited = held.held(db, staff.id, services().door_clock.now())
        if waited is None:
            return redirect(HOME, 303)
        if waited.has_ended and staff.may(Right.READ) and (patient_id := held.whose(waited.path)):
            name = own_patient(db, patient_id).name
    beside = [value for field, value in waited.fields if field not in WRITTEN and value and id_of(value) is None]
    seen = {"ended": waited.has_ended, "name": name, "beside": beside, "WRITTEN": WRITTEN}
    return render_template("signin/held.html", held=waited, **seen)


@blueprint.post("/signout")
def leave() -> ResponseReturnValue:
    """End this browser's session for good: asked for, or by the page itself after a while without use."""
    staff, is_idle, now = current_staff(), request.form.get("why") == "idle", services().door_clock.now()
    if staff is not None:
        trail.by(staff.clinic_id, staff.actor, staff.session_id)
        gates.stand_in(staff.clinic_id)
    if staff is not None and staff.emergency_until is not None and not is_idle:
        with write_session(services().engine) as db:
            emergency.end_own(Act(db, staff.actor, staff.clinic_id, services().clock.now()))
    away = None if is_idle else departing.way_out(staff)
    end_session(now)
    if is_idle:
        left: ResponseReturnValue = redirect(url_for("signin.page", ended="idle"), 303)
    elif away is not None:
        left = departing.signed_out(away)
    else:
        flash(gettext("You are signed out."), "good")
        left = redirect(url_for("signin.page"), 303)
    return forgotten(left)


@blueprint.get("/signin/still-here")
def still_here() -> ResponseReturnValue:
    """Nothing but a sign that the session goes on; asked for by the notice that it is about to end."""
    return ("", 403) if current_staff() is None else ("", 200)


# --- coming to a password of one's own ---------------------------------------------------------


@blueprint.get("/invited/<key>")
def invited(key: str) -> ResponseReturnValue:
    """Whoever was invited sets a password here, or learns that the link works no more."""
    return invited_form(key)


@blueprint.post("/invited/<key>")
def take_up(key: str) -> ResponseReturnValue:
    """Set the password and sign in."""
    new, now = request.form.get("new", ""), services().door_clock.now()
    if new != request.form.get("again", ""):
        return invited_form(key, {"again": gettext("The two are not the same.")}, 422)
    try:
        staff = invitations.take_up(services().engine, key, new, now)
    except WeakPassword as weak:
        return invited_form(key, {"new": weak_words(weak.why)}, 422)
    except hashing.Busy:
        return invited_form(key, {"new": later(signin.BUSY)}, 429)
    except Refused:
        return invited_form(key)
    with read_session(services().engine) as db:
        is_half = factors.has_second_step(db, staff)
    if is_half:  # a link replaces the password, not the second step
        begin_half(HalfIn(staff.id), now)
        return redirect(url_for("signin.ask_code"), 303)
    with write_session(services().engine) as db:
        begun = sessions.begin_session(db, staff, now, origin(), held_session())
    begin_session(begun)
    flash(gettext("Your password is set, and you are signed in."), "good")
    return redirect(HOME, 303)


def invited_form(
    key: str, problems: Mapping[str, str] = MappingProxyType({}), status: int = 200
) -> ResponseReturnValue:
    with read_session(services().engine) as db:
        staff = invitations.invited(db, key, services().door_clock.now())
        by_hospital = staff is not None and hospital.of_clinic(db, staff.clinic_id) is not None
        by_passkey = staff is not None and not factors.has_second_step(db, staff)
    shown = render_template(
        "signin/invited.html",
        whose=staff,
        problems=problems,
        length=length_words(),
        key=key,
        by_hospital=by_hospital,
        by_passkey=by_passkey,
    )
    return shown, 404 if staff is None else status


# --- the second step -----------------------------------------------------------------------------


@blueprint.get("/second-step")
@staff_only(Right.OWN, fresh="signin.second_step")
def second_step() -> ResponseReturnValue:
    """Set up a telephone that makes codes; or, where there is one, end that."""
    return _second_step()


@blueprint.post("/second-step")
@staff_only(Right.OWN, fresh="signin.second_step")
def set_second_step() -> ResponseReturnValue:
    """Ask for codes from now on, once the telephone has shown one; the codes for paper are shown once."""
    staff, now, secret = signed_in(), services().door_clock.now(), session.get("new_secret", "")
    if staff.has_codes or not secret:
        return redirect(url_for("signin.second_step"), 303)
    try:
        with write_session(services().engine) as db:
            row = db.get_one(Staff, staff.id)
            paper = factors.set_up(act_of(db, row, now), row, secret, request.form.get("code", ""), now)
    except Refused:
        return _second_step({"code": _wrong_code()}), 422
    session.pop("new_secret")
    return render_template("signin/paper.html", paper=paper)


@blueprint.post("/second-step/end")
@staff_only(Right.OWN, fresh="signin.second_step")
def end_second_step() -> ResponseReturnValue:
    """No code is asked for any more."""
    staff = signed_in()
    with write_session(services().engine) as db:
        row = db.get_one(Staff, staff.id)
        factors.end_codes(act_of(db, row, services().door_clock.now()), row)
    flash(_without_codes(staff), "good")
    return redirect(url_for("signin.password"), 303)


def _without_codes(staff: CurrentStaff) -> str:
    if staff.has_passkey:
        return str(gettext("Ended. Your passkeys open your account."))
    return str(gettext("Ended. The password alone opens your account."))


def _second_step(problems: Mapping[str, str] = NO_PROBLEMS) -> str:
    staff, secret, picture = signed_in(), "", ""
    if not staff.has_codes:
        import segno  # here alone, and for whoever has no such telephone yet

        secret = session.setdefault("new_secret", factors.new_secret())
        with read_session(services().engine) as db:
            issuer = db.get_one(Clinic, staff.clinic_id).sender_name
        picture = segno.make(factors.address(secret, staff.email, issuer)).svg_data_uri(scale=5, border=4, light="#fff")
    groups = [secret[at : at + 4] for at in range(0, len(secret), 4)]
    return render_template("signin/second.html", problems=problems, secret=" ".join(groups), picture=picture)


# --- one's own account -------------------------------------------------------------------------


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
    """Replace one's own password, knowing the present one; or set one, where a passkey alone opened the account."""
    staff = signed_in()
    if not _ways_in()["may_set_password"]:
        return _password_form({}), 422
    given = {key: request.form.get(key, "") for key in ("present", "new", "again")}
    if given["new"] != given["again"]:
        return _password_form({"again": gettext("The two are not the same.")}), 422
    now = services().door_clock.now()
    if refused := _not_confirmed("present", given["present"]):
        return refused
    try:
        with through(Gate.SIGN_IN), read_session(services().engine) as db:
            row = db.get_one(Staff, staff.id)
            names, beside = names_of(db, row), hashes_beside(db, row)
        made = hashing.hashed(given["new"], names, beside)
    except WeakPassword as weak:
        return _password_form({"new": weak_words(weak.why)}), 422
    except hashing.Busy:
        return _password_form({"new": later(signin.BUSY)}), 429, {"Retry-After": str(signin.BUSY.seconds)}
    with write_session(services().engine) as db:
        row = db.get_one(Staff, staff.id)
        set_password(act_of(db, row, now), row, made)
        # The session in hand ended with the old password; it begins anew.
        anew = sessions.begin_session(db, row, now, origin())
    begin_session(anew)
    changed = gettext("Your password is changed. Other browsers are signed out.")
    flash(changed if staff.has_password else gettext("Your password is set. Other browsers are signed out."), "good")
    return redirect(url_for("signin.password"), 303)


@blueprint.post("/password/elsewhere")
@staff_only(Right.OWN)
def leave_elsewhere() -> ResponseReturnValue:
    """End one's own sessions on other browsers, having shown that it is they (OWASP ASVS 5.0, 7.5.2)."""
    staff, now = signed_in(), services().door_clock.now()
    if refused := _not_confirmed("confirm", request.form.get("confirm", "")):
        return refused
    with write_session(services().engine) as db:
        sessions.end_other_sessions(db, db.get_one(Staff, staff.id), staff.session_id, now)
    flash(gettext("Other browsers are signed out."), "good")
    return redirect(url_for("signin.password"), 303)


def sign_in_form(problem: str = "", email: str = "") -> str:
    with read_session(services().engine) as db:
        doors = hospital.doors_of(db, origin().known_to)  # to a browser that knows them already
    return render_template(
        "signin/signin.html",
        problem=problem,
        email=email,
        doors=doors,
        next=next_path(),
        ended=request.args.get("ended") == "idle",
        minutes=int(IDLE.total_seconds() // 60),
    )


def _password_form(problems: dict[str, str]) -> str:
    return render_template(
        "signin/password.html",
        problems=problems,
        length=length_words(),
        others=_elsewhere(),
        **_ways_in(),
        languages=spoken_by_staff(),
    )


def _not_confirmed(field: str, password: str) -> ResponseReturnValue | None:
    """The page again where this is not the present password; None where it is.

    Whoever has none is asked for their passkey instead, if they did not show it lately.
    """
    staff, now = signed_in(), services().door_clock.now()
    if not _ways_in()["has_password"]:
        return None if is_fresh(staff) else to_confirm("signin.password")
    found = signin.check(services().engine, staff.email, password, now, origin(), staff.id)
    if not isinstance(found, Denied):
        return None
    if found.why is NotIn.WRONG:
        return _password_form({field: gettext("This is not your present password.")}), 422
    return _password_form({field: later(found)}), 429, {"Retry-After": str(found.seconds)}


def later(denied: Denied) -> str:
    """When to try again, in words."""
    if denied.why is NotIn.BUSY:
        return str(gettext("Many are signing in just now. Please try again in a moment."))
    minutes, seconds = divmod(denied.seconds, 60)
    wait = ngettext("%(num)s minute", "%(num)s minutes", minutes + 1) if minutes else (
        ngettext("%(num)s second", "%(num)s seconds", seconds))  # fmt: skip
    return str(gettext("Too many tries from here. Please wait %(wait)s and try again.", wait=wait))


def _ways_in() -> dict[str, bool]:
    """What opens this account, and whether the clinic has the hospital's own sign-in."""
    with read_session(services().engine) as db:
        own = db.get_one(Staff, signed_in().id)
        return {
            "by_hospital": hospital.of_clinic(db, own.clinic_id) is not None,
            "has_joined": bool(hospital.doors_of(db, {own.id})),
            "has_password": hospital.has_password(db, own),
            "may_set_password": own.id not in hospital.closed_to_passwords(db, [own]),
        }


@dataclass(frozen=True)
class Elsewhere:
    """A browser on which the account is signed in, on the clinic's clock."""

    browser: str
    address: str
    begun: datetime
    seen: datetime


def _elsewhere() -> list[Elsewhere]:
    """Where this account is signed in besides here."""
    staff, now = signed_in(), services().door_clock.now()
    with read_session(services().engine) as db:
        zone = ZoneInfo(db.get_one(Clinic, staff.clinic_id).zone)
        others = [one for one in sessions.sessions_of(db, staff.id, now) if one.id != staff.session_id]
    return [
        Elsewhere(one.browser, one.address, one.begun_at.astimezone(zone), one.seen_at.astimezone(zone))
        for one in others
    ]


def length_words() -> str:
    words: str = gettext(
        "%(least)s to %(most)s characters. A few unrelated words are good.",
        least=passwords.SHORTEST, most=passwords.LONGEST,
    )  # fmt: skip
    return words


def weak_words(why: Weakness) -> str:
    if why is Weakness.LENGTH:
        return length_words()
    words: str = gettext(
        "This is easy to guess: too much of it is repeated, a row of keys, a common word, or a name of yours or the"
        " clinic's. A few unrelated words are good."
    )
    return words


def next_path() -> str:
    """Where to go on: a path of this site only."""
    asked = request.values.get("next", "")
    inside = asked.startswith("/") and not asked.startswith(("//", "/\\")) and "\\" not in asked
    return asked if inside and asked.isprintable() and not asked.startswith("/sign") else HOME
