"""Erasing a patient whose care has ended, for administrators, who go by the clinic's own number and see no record.

Promises that what goes, what stays and why is on the page before anything is done, that it is done by somebody who
showed lately that it is they, gave a reason and typed the number once more, and that it says afterwards by what the
rest is found.
"""

from __future__ import annotations

from flask import Blueprint, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import EraseWhy
from service.keeping import erasing
from service.store.session import read_session
from service.store.tables import Patient
from service.web import forms, handing, trail
from service.web.auth import own_clinic, staff_act, staff_only
from service.web.frame import page_language
from service.web.pages.clinic import refusals
from service.web.services import services
from service.words.sentences import keeping

blueprint = Blueprint("erasing", __name__, url_prefix="/erasing")
HERE = "clinic.erasing.page"


@blueprint.get("")
@staff_only(Right.ADMINISTER)
def page() -> ResponseReturnValue:
    """Whom it is about, and then what would become of what is kept."""
    return _page(request.args.get("number", "").strip())


@blueprint.post("")
@staff_only(Right.ADMINISTER, fresh=HERE)
def erase() -> ResponseReturnValue:
    """Do it."""
    number = forms.text("number").strip()
    try:
        with staff_act() as act:
            patient = _of_number(act.session, number)
            trail.of_patient(patient.id)
            why = forms.word(EraseWhy, "why")
            called = erasing.erase(act, patient, why, forms.text("confirm"), handing.forget)
            patient_id = patient.id
    except Refused as refused:
        return _page(number, _told(refused)), 422
    handing.after_erasing()
    flash(gettext("Erased. What stays is found by %(id)s, and called %(name)s.", id=patient_id, name=called), "good")
    return redirect(url_for(HERE), 303)


def _page(number: str, wrong: str = "") -> str:
    found = None
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        if number:
            try:
                patient = _of_number(session, number)
                trail.of_patient(patient.id)
                found, last = erasing.look(session, patient), erasing.ended_on(session, patient)
            except Refused as refused:
                wrong = wrong or _told(refused)
    if wrong:
        flash(wrong, "wrong")
    say = page_language()
    return render_template(
        "clinic/erasing.html", number=number, found=found, ended_on=last if found else None, whys=EraseWhy,
        goes=keeping.goes(say), stays=keeping.stays(say), reaches_not=keeping.reaches_not(say), zone=clinic.zone,
    )  # fmt: skip


def _of_number(session: Session, number: str) -> Patient:
    """Raises Refused."""
    found = session.scalar(select(Patient).where(Patient.clinic_id == g.clinic_id, Patient.clinic_ref == number))
    if found is None:
        raise Refused("number", number, "the clinic’s own number of a patient")
    return found


def _told(refused: Refused) -> str:
    """What was refused, in words."""
    called = {
        "number": gettext("Number"),
        "confirm": gettext("The number once more"),
        "why": gettext("Why"),
        "patient": gettext("Patient"),
    }
    return str(gettext("Not erased. %(why)s", why=refusals.plain(refused, called)))
