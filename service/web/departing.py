"""How a browser is sent off to the hospital's own sign-in, and what it carries there and back.

Promises that a page of ours says where it goes first: the answer to a form may lead to no other site (`form-action` in
`web.security`), and people see whose page they are about to type a password into. What a browser is on its way for
stays in its own signed cookie, is good once, and for a few minutes.
"""

from __future__ import annotations

from datetime import UTC, datetime
from urllib.parse import urlsplit

from flask import g, render_template, session
from flask.typing import ResponseReturnValue
from flask_babel import gettext, lazy_gettext

from service.accounts import hospital
from service.accounts.arriving import Purpose, Trip
from service.domain.validation import Refused
from service.store.session import read_session
from service.store.tables import HospitalSignIn
from service.transports.openid import Ask, Away, Crowded, Us
from service.web.auth import CurrentStaff
from service.web.services import services

COOKIE = "trip"
LONGEST_NEXT = 500  # characters: a browser keeps a cookie of 4,096 bytes at least (RFC 6265, section 6.1)
_ = lazy_gettext
DOES_NOT_ANSWER = _("The hospital’s sign-in does not answer. Please try again, or ask an administrator of your clinic.")


def back(door: str) -> str:
    """Where the provider sends a browser back to: told to it beforehand, to the letter."""
    return f"{services().settings.base_url}/signin/at/{door}/back"


def page_of(door: str) -> str:
    """A clinic's own sign-in page, with the hospital's sign-in on it."""
    return f"{services().settings.base_url}/signin/at/{door}"


def us(held: HospitalSignIn) -> Us:
    """Who we are at the provider. Raises Refused where its secret cannot be read any more."""
    return hospital.us(held, back(held.door), services().settings.keys)


def send_off(held: HospitalSignIn, purpose: Purpose, whom: str = "", then: str = "") -> ResponseReturnValue:
    """A page that leads on to the provider."""
    then = then if len(then) <= LONGEST_NEXT else ""
    trip = Trip(held.door, purpose, services().door_clock.now(), then, whom)
    try:
        address = services().openid.leads_to(us(held), trip.ask, surely=purpose is Purpose.CONFIRM, acr=held.acr or "")
    except Crowded:
        return stopped(held, gettext("Many are signing in just now. Please try again in a moment."), 429)
    except (Away, Refused):
        return stopped(held, str(DOES_NOT_ANSWER), 503)
    ask = trip.ask
    session[COOKIE] = [
        trip.door, trip.purpose.value, trip.begun.timestamp(), trip.next, trip.whom, ask.state, ask.nonce, ask.verifier,
    ]  # fmt: skip
    return _leaving(address)


def taken() -> Trip | None:
    """What this browser is on its way for, which from now on it is no more."""
    held = session.pop(COOKIE, None)
    if held is None:
        return None
    door, purpose, begun, then, whom, *ask = held
    return Trip(door, Purpose(purpose), datetime.fromtimestamp(begun, UTC), then, whom, Ask(*ask))


def way_out(staff: CurrentStaff | None) -> str | None:
    """Where somebody who came by the hospital is signed out there too, if it offers that."""
    if staff is None or not staff.by_hospital:
        return None
    with read_session(services().engine) as db:
        held = hospital.of_clinic(db, staff.clinic_id)
    try:
        return None if held is None else services().openid.way_out(us(held), page_of(held.door))
    except Refused:
        return None


def signed_out(address: str) -> ResponseReturnValue:
    """A page that says that our session has ended, and leads on to the end of the hospital's."""
    g.staff_now = None
    return _leaving(address, is_out=True)


def stopped(held: HospitalSignIn | None, why: str, status: int) -> ResponseReturnValue:
    """The page for whoever was not let through."""
    return render_template("signin/stopped.html", door=held.door if held else None, why=why), status


def _leaving(address: str, *, is_out: bool = False) -> ResponseReturnValue:
    return render_template("signin/leaving.html", address=address, host=urlsplit(address).netloc, is_out=is_out)
