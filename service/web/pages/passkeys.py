"""Passkeys on pages: signing in by one, showing once more that it is they, and looking after one's own.

Promises that a page asks for a passkey by a press alone, and that what the browser answers comes back by the page's
own form, so that it passes where every form does. Without JavaScript the pages say so, and passwords and codes work.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from flask import Blueprint, Response, abort, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.accounts import challenges, invitations, passkeys, sessions
from service.accounts.challenges import Challenge, Doubted, Site
from service.accounts.factors import has_second_step
from service.accounts.signin import Denied, HalfIn, NotIn
from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import PasskeyPurpose
from service.store.audit import Act, act_of
from service.store.session import read_session, write_session
from service.store.tables import Clinic, Passkey, Staff
from service.web import letters, trail
from service.web.auth import (
    asked_before,
    begin_session,
    browser_words,
    half_by_hospital,
    half_in,
    held_session,
    origin,
    remember_asked,
    signed_in,
    staff_only,
)
from service.web.pages.signin import HOME, code_form, confirm_form, invited_form, later, next_path, sign_in_form
from service.web.services import services

blueprint = Blueprint("passkeys", __name__)
HERE = "passkeys.page"


# --- in, and once more --------------------------------------------------------------------------


@blueprint.post("/signin/passkey/ask")
def ask_to_enter() -> ResponseReturnValue:
    """What the browser is to sign, with whichever passkey of this site its person chooses: nothing tells who exists."""
    now = services().door_clock.now()
    return _asked(challenges.ask(services().engine, _site(), PasskeyPurpose.ENTER, now, origin()))


@blueprint.post("/signin/passkey")
def enter() -> ResponseReturnValue:
    """Begin the session. After a password it is the second step; without one it is both."""
    now, answer = services().door_clock.now(), request.form.get("signed", "")
    staff_id = half_in(now)
    half = None if staff_id is None else HalfIn(staff_id, half_by_hospital())
    result = challenges.sign_in(services().engine, _site(), asked_before(), answer, now, origin(), held_session(), half)
    if isinstance(result, Denied):
        return _refused(result, sign_in_form if staff_id is None else lambda: code_form(staff_id), 403)
    begin_session(result)
    return redirect(next_path(), 303)


@blueprint.post("/confirm/passkey/ask")
@staff_only(Right.OWN)
def ask_to_confirm() -> ResponseReturnValue:
    """What one of their own passkeys is to sign."""
    now = services().door_clock.now()
    asked = challenges.ask(services().engine, _site(), PasskeyPurpose.CONFIRM, now, origin(), signed_in().id)
    return _asked(asked)


@blueprint.post("/confirm/passkey")
@staff_only(Right.OWN)
def confirm() -> ResponseReturnValue:
    """It is still they; go on."""
    staff, now, answer = signed_in(), services().door_clock.now(), request.form.get("signed", "")
    found = challenges.check(services().engine, _site(), PasskeyPurpose.CONFIRM, asked_before(), answer, now, origin())
    if isinstance(found, Denied):
        return _refused(found, confirm_form, 422)
    with write_session(services().engine) as db:
        sessions.confirmed(db, staff.session_id, now)
    return redirect(next_path(), 303)


def _refused(denied: Denied, form: Callable[[], str], status: int) -> ResponseReturnValue:
    """The page again on which the passkey was asked for, and why it did not open."""
    trail.aimed_at(denied.aimed_at)
    flash(_why(denied), "wrong")
    if denied.why is NotIn.TOO_MANY:
        return form(), 429, {"Retry-After": str(denied.seconds)}
    return form(), status


def _why(denied: Denied) -> str:
    """Why a passkey did not open, in words; of one that may have been copied its person is told by mail too."""
    if isinstance(denied, Doubted) and denied.staff_id is not None:
        letters.tell_of_doubted(denied.staff_id)
    match denied.why:
        case NotIn.LATE:
            return str(gettext("It took too long, or the page was an old one. Please press the button once more."))
        case NotIn.DOUBTED:
            return str(gettext(
                "This passkey opens nothing any more: its count of uses went back, as that of a copy does. Please tell"
                " an administrator of your clinic."
            ))  # fmt: skip
        case NotIn.HOSPITAL:
            return str(gettext("Your clinic has you sign in at the hospital: a passkey alone opens nothing."))
        case NotIn.WRONG:
            return str(gettext("This passkey opens nothing here. It may have been removed, or be of another account."))
        case _:
            return later(denied)


# --- by an invitation -----------------------------------------------------------------------------


@blueprint.post("/invited/<key>/passkey/ask")
def ask_invited(key: str) -> ResponseReturnValue:
    """What the browser of whoever was invited is to make."""
    now = services().door_clock.now()
    staff_id = _invited(key)
    return _asked(challenges.ask_for_new(services().engine, _site(), PasskeyPurpose.TAKE_UP, staff_id, now, origin()))


@blueprint.post("/invited/<key>/passkey")
def take_up(key: str) -> ResponseReturnValue:
    """Keep the passkey of whoever was invited, in place of a password, and sign in."""
    now, answer, staff_id = services().door_clock.now(), request.form.get("signed", ""), _invited(key)
    try:
        new = challenges.checked_new(
            services().engine, _site(), PasskeyPurpose.TAKE_UP, asked_before(), answer, staff_id, now
        )
        staff = invitations.take_up_by_passkey(services().engine, key, new, _first_name(), now)
    except Refused as refused:
        flash(_not_kept(refused), "wrong")
        return invited_form(key, status=422)
    with write_session(services().engine) as db:
        begun = sessions.begin_session(db, staff, now, origin(), held_session())
    begin_session(begun)
    letters.tell_of_added(staff)
    flash(gettext("Your passkey is set, and you are signed in."), "good")
    return redirect(HOME, 303)


def _invited(key: str) -> uuid.UUID:
    """Whose link this is, where a passkey may answer it: it replaces no second step."""
    with read_session(services().engine) as db:
        staff = invitations.invited(db, key, services().door_clock.now())
        if staff is None or has_second_step(db, staff):
            abort(404)
        return staff.id


# --- one's own ----------------------------------------------------------------------------------------


@blueprint.get("/passkeys")
@staff_only(Right.OWN, fresh=HERE)
def page() -> ResponseReturnValue:
    """One's own passkeys, and a form to add one."""
    return _page()


def _page() -> str:
    staff = signed_in()
    with read_session(services().engine) as db:
        kept = passkeys.passkeys_of(db, staff.id)
        zone = db.get_one(Clinic, staff.clinic_id).zone
        otherwise = passkeys.opens_otherwise(db, db.get_one(Staff, staff.id))
    lasting = {one.id for one in kept if passkeys.is_last(one, kept, otherwise)}
    return render_template(
        "signin/passkeys.html", passkeys=kept, zone=zone, lasting=lasting, proposed=_first_name(),
        address=services().settings.base_url, full=len(kept) >= passkeys.MOST_KEPT,
    )  # fmt: skip


@blueprint.post("/passkeys/ask")
@staff_only(Right.OWN, fresh=HERE)
def ask_to_add() -> ResponseReturnValue:
    """What the browser is to make."""
    now = services().door_clock.now()
    staff_id = signed_in().id
    return _asked(challenges.ask_for_new(services().engine, _site(), PasskeyPurpose.ADD, staff_id, now, origin()))


@blueprint.post("/passkeys")
@staff_only(Right.OWN, fresh=HERE)
def add() -> ResponseReturnValue:
    """Keep one more."""
    staff, now, answer = signed_in(), services().door_clock.now(), request.form.get("signed", "")
    name = request.form.get("name", "").strip() or _first_name()
    try:
        new = challenges.checked_new(
            services().engine, _site(), PasskeyPurpose.ADD, asked_before(), answer, staff.id, now
        )
        with _own() as (act, row):
            passkeys.add(act, row, new, name)
    except Refused as refused:
        return _unchanged(refused)
    letters.tell_of_added(row)
    flash(gettext("The passkey is added. It opens your account from now on."), "good")
    return redirect(url_for(HERE), 303)


@blueprint.post("/passkeys/<uuid:passkey_id>/name")
@staff_only(Right.OWN, fresh=HERE)
def rename(passkey_id: uuid.UUID) -> ResponseReturnValue:
    """Call a passkey something else."""
    try:
        with _own() as (act, row):
            passkeys.rename(act, row, _of_theirs(act.session, row, passkey_id), request.form.get("name", ""))
    except Refused as refused:
        return _unchanged(refused)
    flash(gettext("Kept."), "good")
    return redirect(url_for(HERE), 303)


@blueprint.post("/passkeys/<uuid:passkey_id>/remove")
@staff_only(Right.OWN, fresh=HERE)
def remove(passkey_id: uuid.UUID) -> ResponseReturnValue:
    """A passkey opens nothing any more, and other browsers are signed out."""
    try:
        with _own() as (act, row):
            passkeys.remove(act, row, _of_theirs(act.session, row, passkey_id), signed_in().session_id)
    except Refused as refused:
        return _unchanged(refused)
    letters.tell_of_removed(row)
    flash(gettext("The passkey is removed. Other browsers are signed out."), "good")
    return redirect(url_for(HERE), 303)


@contextmanager
def _own() -> Iterator[tuple[Act, Staff]]:
    """A writing transaction on one's own account, by the clock of the door."""
    with write_session(services().engine) as db:
        row = db.get_one(Staff, signed_in().id)
        yield act_of(db, row, services().door_clock.now()), row


def _of_theirs(db: Session, staff: Staff, passkey_id: uuid.UUID) -> Passkey:
    found = db.scalar(select(Passkey).where(Passkey.id == passkey_id, Passkey.staff_id == staff.id))
    return abort(404) if found is None else found


def _unchanged(refused: Refused) -> ResponseReturnValue:
    flash(_not_kept(refused), "wrong")
    return _page(), 422


def _not_kept(refused: Refused) -> str:
    match refused.field:
        case "name":
            return str(gettext("A name has 1 to 60 characters."))
        case "passkeys":
            return str(gettext("Not changed: an account keeps at least one way in, and at most 20 passkeys."))
        case _:
            return str(gettext("No passkey was kept: it took too long, or this device did not ask who you are."))


def _first_name() -> str:
    """What a passkey is called until its person calls it something else."""
    return browser_words(request.headers.get("User-Agent", "")) or str(gettext("Passkey"))


# --- what they share ------------------------------------------------------------------------------------


def _site() -> Site:
    """Where passkeys work; where they do not, these pages are not there."""
    return services().site or abort(404)


def _asked(asked: Challenge | Denied) -> ResponseReturnValue:
    if isinstance(asked, Denied):
        return "", 429, {"Retry-After": str(asked.seconds)}
    remember_asked(asked)
    return Response(asked.options, mimetype="application/json")
