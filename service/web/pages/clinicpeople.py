"""A caregiver looks out for the patient no longer: asked once more on a page of its own, then done.

Promises that nothing changes before the button on that page is pressed.
"""

from __future__ import annotations

import uuid

from flask import Blueprint, abort, flash, g, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy.orm import Session

from service import enrolling
from service.store.session import read_session, write_session
from service.store.tables import Caregiver, Patient
from service.web.auth import staff_only
from service.web.pages import clinicwords
from service.web.services import services

blueprint = Blueprint("people", __name__, url_prefix="/caregivers/<uuid:caregiver_id>")


@blueprint.get("/end")
@staff_only()
def ask(patient_id: uuid.UUID, caregiver_id: uuid.UUID) -> ResponseReturnValue:
    """What ending a caregiver comes to, and the button that does it."""
    with read_session(services().engine) as session:
        caregiver = _caregiver(session, patient_id, caregiver_id)
        patient = session.get_one(Patient, patient_id)
    return render_template("clinic/endcaregiver.html", caregiver=caregiver, patient=patient)


@blueprint.post("/end")
@staff_only()
def end(patient_id: uuid.UUID, caregiver_id: uuid.UUID) -> ResponseReturnValue:
    """The caregiver is sent nothing more, and their links open nothing."""
    with write_session(services().engine) as session:
        caregiver = _caregiver(session, patient_id, caregiver_id)
        enrolling.end_caregiver(session, caregiver, clinicwords.acting().actor, services().clock.now())
    flash(f"{caregiver.name} is sent nothing more.", "good")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id, _anchor="ways"), 303)


def _caregiver(session: Session, patient_id: uuid.UUID, caregiver_id: uuid.UUID) -> Caregiver:
    found = session.get(Caregiver, caregiver_id)
    if found is None or found.clinic_id != g.clinic_id or found.patient_id != patient_id:
        abort(404)
    return found
