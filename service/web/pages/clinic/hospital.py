"""The hospital's own sign-in, set by an administrator who shows first that it is they.

Promises that the client's secret is never shown again, that a provider which does not answer as one is not kept, and
that the page says what the hospital has to be told.
"""

from __future__ import annotations

from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext, lazy_gettext
from sqlalchemy import func, select

from service.accounts import hospital
from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import HospitalCounts
from service.store.session import read_session
from service.store.tables import HospitalSignIn, Staff
from service.transports.openid import Away, Crowded, Lack
from service.web import departing, forms
from service.web.auth import own_clinic, signed_in, staff_act, staff_only
from service.web.pages.clinic import refusals
from service.web.services import services

blueprint = Blueprint("hospital", __name__, url_prefix="/settings/hospital")
HERE = "clinic.hospital.page"
_ = lazy_gettext
FIELDS = {
    "issuer": _("Address of the provider (issuer)"),
    "client_id": _("Client id"),
    "client_secret": _("Client secret"),
    "address_claim": _("Claim that carries the address"),
    "counts": _("Counts as the second step"),
    "acr": _("Strength to ask for (acr)"),
    "passwords_too": _("A password or passkey opens joined accounts too"),
}
COUNTS = {
    HospitalCounts.NEVER: _("no"),
    HospitalCounts.ALWAYS: _("yes, every time"),
    HospitalCounts.TOLD: _("when the hospital says so"),
}


LACKS = {
    Lack.ANSWER: _("It does not answer with what it says of itself (…/.well-known/openid-configuration)."),
    Lack.NAME: _("It calls itself by another address: the issuer has to be the same to the letter."),
    Lack.TLS: _("One of its addresses is not https."),
    Lack.ADDRESS: _("It is inside a network that is not called from here: whoever runs the service can name it"
                    " (NEAPTIDE_SIGN_IN_HOSTS)."),
}  # fmt: skip


@blueprint.get("")
@staff_only(Right.ADMINISTER, fresh=HERE)
def page() -> ResponseReturnValue:
    """What is set now, and what the hospital has to be told."""
    return _page()


@blueprint.post("")
@staff_only(Right.ADMINISTER, fresh=HERE)
def save() -> ResponseReturnValue:
    """Keep what was typed, once the provider has answered."""
    given = hospital.Given(
        **{name: forms.text(name).strip() for name in ("issuer", "client_id", "client_secret", "address_claim", "acr")},
        counts=forms.text("counts"),
        passwords_too=forms.text("passwords_too") != "no",
    )
    try:
        _try(given.issuer)
        with staff_act() as act:
            hospital.set_up(act, given, services().settings.keys, came_by_it=signed_in().by_hospital)
    except Refused as refused:
        flash(gettext("Not changed. %(why)s", why=refusals.plain(refused, FIELDS)), "wrong")
        return _page(typed=request.form), 422
    except (Away, Crowded) as away:
        flash(gettext("Not changed: the provider cannot be used. %(why)s", why=_why(away)), "wrong")
        return _page(typed=request.form), 422
    flash(gettext("Kept."), "good")
    return redirect(url_for(HERE), 303)


@blueprint.post("/end")
@staff_only(Right.ADMINISTER, fresh=HERE)
def end() -> ResponseReturnValue:
    """Nobody comes in by the hospital any more."""
    with staff_act() as act:
        held = hospital.of_clinic(act.session, act.clinic_id)
        if held is not None:
            hospital.take_away(act, held)
    flash(gettext("Ended. Whoever has no password needs a link: see Colleagues."), "good")
    return redirect(url_for(HERE), 303)


def _try(issuer: str) -> None:
    """Ask a provider that is new here what it says of itself. Raises Away and Crowded."""
    with read_session(services().engine) as session:
        held = hospital.of_clinic(session, own_clinic(session).id)
    if issuer and (held is None or held.issuer != issuer):  # while it is away, all else can still be changed
        services().openid.provider(issuer, anew=True)


def _why(away: Away | Crowded) -> str:
    if isinstance(away, Crowded):
        return str(gettext("Many are signing in just now. Please try again in a moment."))
    return str(LACKS.get(away.lacks, LACKS[Lack.ANSWER]))


def _page(typed: Any = None) -> str:
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        held = hospital.of_clinic(session, clinic.id)
        joined = _number_joined(session, held)
        door = hospital.door_of(clinic.id, services().settings.keys) if held is None else held.door
    filled = typed or ({name: getattr(held, name) for name in FIELDS if name != "client_secret"} if held else {})
    return render_template(
        "clinic/hospital.html", held=held, filled=filled, fields=FIELDS, counts=COUNTS, joined=joined,
        back=departing.back(door), door=departing.page_of(door),
    )  # fmt: skip


def _number_joined(session: Any, held: HospitalSignIn | None) -> int:
    if held is None:
        return 0
    its = (Staff.clinic_id == held.clinic_id, Staff.active, Staff.hospital_issuer == held.issuer)
    return int(session.scalar(select(func.count()).select_from(Staff).where(*its)) or 0)
