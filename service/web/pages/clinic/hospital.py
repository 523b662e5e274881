"""The hospital's own sign-in, set by an administrator who shows first that it is they.

Promises that the client's secret is never shown again, that a provider which does not answer as one is not kept, and
that the page says what the hospital has to be told.
"""

from __future__ import annotations

from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext, lazy_gettext

from service.accounts import hospital
from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import HospitalCounts
from service.store.session import read_session
from service.transports.openid import Away, Crowded
from service.web import forms, provider
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
        provider.ask_anew(given.issuer, signed_in().clinic_id)
        with staff_act() as act:
            hospital.set_up(act, given, services().settings.keys, came_by_it=signed_in().by_hospital)
    except Refused as refused:
        flash(gettext("Not changed. %(why)s", why=refusals.plain(refused, FIELDS)), "wrong")
        return _page(typed=request.form), 422
    except (Away, Crowded) as away:
        flash(gettext("Not changed: the provider cannot be used. %(why)s", why=provider.why(away)), "wrong")
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


def _page(typed: Any = None) -> str:
    with read_session(services().engine) as session:
        told = provider.told(session, own_clinic(session).id)
    held = told.held
    filled = typed or ({name: getattr(held, name) for name in FIELDS if name != "client_secret"} if held else {})
    return render_template(
        "clinic/hospital.html", held=held, filled=filled, fields=FIELDS, counts=COUNTS, joined=told.joined,
        back=told.back, door=told.door,
    )  # fmt: skip
