"""Transfers of patients from this clinic and to it: what was asked, and the answer.

Promises that the clinic that is asked sees of whom, and that they agreed, and nothing of the record before it accepts.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable

from flask import Blueprint, abort, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext

from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import TransferState
from service.enrolling import transfers
from service.store.audit import Act
from service.store.session import read_session
from service.web import forms, trail
from service.web.auth import own_clinic, staff_act, staff_only
from service.web.pages.clinic import refusals
from service.web.services import services

blueprint = Blueprint("transfers", __name__, url_prefix="/transfers")


@blueprint.get("")
@staff_only(Right.ENROL)
def page() -> ResponseReturnValue:
    """All of them, the newest first."""
    with read_session(services().engine) as session:
        found = transfers.of_clinic(session, g.clinic_id)
        trail.of_many(len({one.transfer.patient_id for one in found}))
        return render_template("clinic/transfers.html", found=found, zone=own_clinic(session).zone)


@blueprint.get("/<uuid:transfer_id>")
@staff_only(Right.ENROL)
def one(transfer_id: uuid.UUID) -> ResponseReturnValue:
    """One of them; with the forms that answer it, where it waits for this clinic."""
    return _one(transfer_id)


def _one(transfer_id: uuid.UUID) -> str:
    with read_session(services().engine) as session:
        found = transfers.of_clinic(session, g.clinic_id, [transfer_id])
        if not found:
            abort(404)
        trail.of_patient(found[0].transfer.patient_id)
        is_asked = found[0].transfer.to_clinic_id == g.clinic_id
        waits = found[0].transfer.state is TransferState.ASKED
        return render_template(
            "clinic/transfer.html",
            one=found[0],
            is_asked=is_asked,
            waits=waits,
            offered=transfers.offered(session, found[0].transfer) if is_asked and waits else None,
            zone=own_clinic(session).zone,
            typed=request.form,
        )


@blueprint.post("/<uuid:transfer_id>/accept")
@staff_only(Right.ENROL)
def accept(transfer_id: uuid.UUID) -> ResponseReturnValue:
    """Take the patient over."""
    told = gettext("You look after them from now on. Look at plan and contacts first.")
    return _done(transfer_id, lambda act: transfers.accept(act, transfer_id, forms.text("clinic_ref")).id, told)


@blueprint.post("/<uuid:transfer_id>/decline")
@staff_only(Right.ENROL)
def decline(transfer_id: uuid.UUID) -> ResponseReturnValue:
    """Do not take the patient over, and say why."""
    told = gettext("Declined. The clinic that asked is told why.")
    return _done(transfer_id, lambda act: transfers.decline(act, transfer_id, forms.text("reason")), told)


@blueprint.post("/<uuid:transfer_id>/call-back")
@staff_only(Right.ENROL)
def call_back(transfer_id: uuid.UUID) -> ResponseReturnValue:
    """Ask no longer."""
    told = gettext("Called back. You look after them as before.")
    return _done(transfer_id, lambda act: transfers.call_back(act, transfer_id).patient_id, told)


def _done(transfer_id: uuid.UUID, do: Callable[[Act], object], told: str) -> ResponseReturnValue:
    """What came of it; then to the patient, where `do` says of which, or to the list."""
    try:
        with staff_act() as act:
            for found in transfers.of_clinic(act.session, act.clinic_id, [transfer_id]):
                trail.of_patient(found.transfer.patient_id)
            patient_id = do(act)
    except LookupError:
        abort(404)
    except Refused as refused:
        called = {
            "clinic_ref": gettext("Your number for them"),
            "reason": gettext("Reason"),
            "patient": gettext("Patient"),
            "transfer": gettext("Transfer"),
        }
        flash(gettext("Not changed. %(why)s", why=refusals.plain(refused, called)), "wrong")
        return _one(transfer_id), 422
    flash(told, "good")
    if isinstance(patient_id, uuid.UUID):
        trail.of_patient(patient_id)
        return redirect(url_for("clinic.patient.upkeep.page", patient_id=patient_id), 303)
    return redirect(url_for("clinic.transfers.page"), 303)
