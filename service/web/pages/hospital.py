"""The hospital's own sign-in, as staff meet it: a clinic's own page with it, and the ways off and back.

Promises that a page says nothing of which clinics there are: each has an address of its own, that cannot be guessed
and opens nothing by itself. Who comes back is for `accounts.arriving` to say.
"""

from __future__ import annotations

import uuid

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext, lazy_gettext
from werkzeug.exceptions import NotFound

from service.accounts import hospital, invitations
from service.accounts.arriving import Arrival, Purpose, Stopped, arrive
from service.accounts.sessions import SignedIn
from service.accounts.signin import Denied, HalfIn
from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind
from service.store.audit import Actor, act_of
from service.store.session import read_session, write_session
from service.store.tables import HospitalSignIn, Staff
from service.web import departing, trail
from service.web.auth import begin_half, begin_session, current_staff, held_session, origin, signed_in, staff_only
from service.web.pages.signin import HOME, later, next_path
from service.web.services import services

blueprint = Blueprint("hospital", __name__)
ACCOUNT = "signin.password"
_ = lazy_gettext
WHY = {
    Stopped.AWAY: departing.DOES_NOT_ANSWER,
    Stopped.SAID_NO: _("The hospital’s sign-in did not let you through, or was broken off there."),
    Stopped.NOT_BELIEVED: _("What came back from the hospital’s sign-in cannot be relied on. Please begin again; if it"
                            " happens twice, tell an administrator of your clinic."),
    Stopped.NOT_JOINED: _("No account here is joined to you yet. Take up your invitation by the hospital’s sign-in, or"
                          " join your account to it on the page Your account."),
    Stopped.ADDRESS: _("The hospital vouches for another address than that of your account here, or for none. Please"
                       " ask an administrator of your clinic."),
    Stopped.SECOND_STEP: _("The hospital’s sign-in was no second step this time. Please use your own."),
    Stopped.SUBJECT: _("Whoever signed in at the hospital opens another account of this clinic already."),
    Stopped.KEY: _("The link of your invitation works no more. An administrator of your clinic can make another."),
}  # fmt: skip


@blueprint.get("/signin/at/<door>")
def page(door: str) -> ResponseReturnValue:
    """A clinic's own sign-in page."""
    if current_staff() is not None:
        return redirect(next_path(), 303)
    return render_template("signin/hospital.html", door=_at(door).door, next=next_path())


@blueprint.post("/signin/at/<door>")
def leave(door: str) -> ResponseReturnValue:
    """Off to the provider, to sign in."""
    return departing.send_off(_at(door), Purpose.SIGN_IN, then=next_path())


@blueprint.post("/invited/<key>/hospital")
def accept(key: str) -> ResponseReturnValue:
    """Off to the provider, to take up an invitation."""
    with read_session(services().engine) as db:
        staff = invitations.invited(db, key, services().door_clock.now())
        held = None if staff is None else hospital.of_clinic(db, staff.clinic_id)
    if held is None:
        return redirect(url_for("signin.invited", key=key), 303)
    return departing.send_off(held, Purpose.ACCEPT, key)


@blueprint.post("/confirm/hospital")
@staff_only(Right.OWN)
def confirm() -> ResponseReturnValue:
    """Off to the provider, to show once more that it is they."""
    return departing.send_off(_own(), Purpose.CONFIRM, signed_in().id.hex, next_path())


@blueprint.post("/password/hospital")
@staff_only(Right.OWN, fresh=ACCOUNT)
def join() -> ResponseReturnValue:
    """Off to the provider, to join one's own account to it."""
    return departing.send_off(_own(), Purpose.JOIN, signed_in().id.hex)


@blueprint.post("/password/hospital/end")
@staff_only(Right.OWN, fresh=ACCOUNT)
def part() -> ResponseReturnValue:
    """The hospital's sign-in opens one's own account no more."""
    try:
        with write_session(services().engine) as db:
            own = db.get_one(Staff, signed_in().id)
            hospital.part(act_of(db, own, services().door_clock.now()), own)
    except Refused:
        flash(gettext("Not ended: nothing else would open your account. A link from an administrator sets a password."),
              "wrong")  # fmt: skip
    else:
        flash(gettext("Ended. The hospital’s sign-in opens your account no more."), "good")
    return redirect(url_for(ACCOUNT), 303)


@blueprint.get("/signin/at/<door>/back")
def back(door: str) -> ResponseReturnValue:
    """Back from the provider (OpenID Connect Core 1.0, section 3.1.2.5): for what this browser was sent off for."""
    held, now, trip = _at(door), services().door_clock.now(), departing.taken()
    staff = current_staff()
    if trip is None or not trip.is_good(door, now):
        return departing.stopped(held, gettext("This came too late, or from another browser. Please begin again."), 400)
    if trip.purpose in {Purpose.JOIN, Purpose.CONFIRM} and (staff is None or staff.id.hex != trip.whom):
        return departing.stopped(held, gettext("You were signed out in the meantime. Please sign in first."), 403)
    came = Arrival(trip, request.args, origin(), held_session())
    try:
        done = arrive(services().engine, services().openid, held, departing.us(held), came, now)
    except Refused:
        return departing.stopped(held, str(departing.DOES_NOT_ANSWER), 503)
    match done:
        case SignedIn():
            begin_session(done)
            if trip.purpose is Purpose.ACCEPT:
                flash(gettext("You are signed in. From now on you come in by the hospital’s sign-in."), "good")
            return redirect(trip.next or HOME, 303)
        case HalfIn():
            begin_half(done, now)
            return redirect(url_for("signin.ask_code", next=trip.next or HOME), 303)
        case Purpose.JOIN:
            flash(gettext("Joined. The hospital’s sign-in opens your account from now on."), "good")
            return redirect(url_for(ACCOUNT), 303)
        case Purpose():
            trail.by(held.clinic_id, Actor(ActorKind.STAFF, uuid.UUID(trip.whom)), held_session())
            return redirect(trip.next or HOME, 303)
    return departing.stopped(held, *_told(done))


def _told(no: Denied | Stopped) -> tuple[str, int]:
    """Why somebody was not let through, in words, and with which status."""
    if isinstance(no, Denied):
        return later(no), 429
    return str(WHY[no]), 503 if no is Stopped.AWAY else 403


def _at(door: str) -> HospitalSignIn:
    """Raises NotFound."""
    with read_session(services().engine) as db:
        held = hospital.at_door(db, door)
    if held is None:
        raise NotFound
    return held


def _own() -> HospitalSignIn:
    """Of the clinic of who is signed in. Raises NotFound."""
    with read_session(services().engine) as db:
        held = hospital.of_clinic(db, signed_in().clinic_id)
    if held is None:
        raise NotFound
    return held
