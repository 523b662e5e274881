"""A patient's transfer to another clinic: asked for by one, accepted or declined by the other."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar

from flask import g
from marshmallow import Schema, fields
from sqlalchemy import select

from service.domain.vocabulary import Scope
from service.enrolling import transfers
from service.enrolling.transfers import TransferShown
from service.store.session import read_session
from service.store.tables import Clinic, Patient, Transfer
from service.web import trail
from service.web.api.base import Blueprint, shows, text, told
from service.web.api.guards import Call, needs, reads
from service.web.api.people import PATIENT
from service.web.auth import own_patient
from service.web.problems import Problem
from service.web.services import services

T = TypeVar("T")
blueprint = Blueprint("transfers", "Transfers from clinic to clinic")


class TransferIn(Schema):
    """`how` and when (`on`, if not today) the patient agreed that the other clinic takes over and has the record."""

    to_clinic_id = fields.UUID(required=True)
    how = text(200)
    on = fields.Date(allow_none=True, load_default=None)


class AcceptIn(Schema):
    """The accepting clinic's own number for the patient."""

    clinic_ref = text(40)


class DeclineIn(Schema):
    reason = text(transfers.LONGEST_REASON)


WHAT = "id patient_id name clinic_ref clinic_id to_clinic_id state reason asked_at settled_at"
TransferOut = shows("TransferOut", Transfer, WHAT)
TransferShownOut = shows(
    "TransferShownOut", TransferShown, "from_clinic to_clinic", transfer=fields.Nested(TransferOut, dump_only=True)
)
DestinationOut = shows("DestinationOut", Clinic, "id name")
TakenOverOut = shows("TakenOverOut", Patient, PATIENT)


@blueprint.get("/transfers/clinics", allowed=reads(Scope.ENROL))
@blueprint.lists(DestinationOut)
def list_destinations(query: dict[str, Any]) -> dict[str, Any]:
    """The other clinics of this service, by name."""
    with read_session(services().engine) as session:
        others = select(Clinic).where(Clinic.id != g.clinic_id)
        return told(session, query, others, Clinic, partial(transfers.destinations, session, g.clinic_id))


@blueprint.get("/transfers", allowed=reads(Scope.ENROL))
@blueprint.lists(TransferShownOut)
def list_transfers(query: dict[str, Any]) -> dict[str, Any]:
    """Transfers from this clinic and to it, the newest first."""
    with read_session(services().engine) as session:
        wanted = select(Transfer).where(transfers.either_way(g.clinic_id))
        found = told(session, query, wanted, Transfer, partial(transfers.of_clinic, session, g.clinic_id))
    trail.of_many(len({one.transfer.patient_id for one in found["items"]}))
    return found


@blueprint.post("/patients/<uuid:patient_id>/transfers", allowed=needs(Scope.ENROL, fresh=True))
@blueprint.writes(TransferOut, 201, takes=TransferIn)
def ask_transfer(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Transfer:
    """Ask another clinic to take the patient over. The consent is recorded with it; nothing moves before it accepts."""
    return transfers.ask(call.act, own_patient(call.session, patient_id), **new)


@blueprint.post("/transfers/<uuid:transfer_id>/call-back", allowed=needs(Scope.ENROL))
@blueprint.writes(TransferOut)
def call_transfer_back(call: Call, transfer_id: uuid.UUID) -> Transfer:
    """Ask no longer; for the clinic that asked."""
    return _found(call, transfer_id, lambda: transfers.call_back(call.act, transfer_id))


@blueprint.post("/transfers/<uuid:transfer_id>/accept", allowed=needs(Scope.ENROL))
@blueprint.writes(TakenOverOut, takes=AcceptIn)
def accept_transfer(call: Call, new: dict[str, Any], transfer_id: uuid.UUID) -> Patient:
    """Take the patient over, with all that is recorded; for the clinic that was asked."""
    return _found(call, transfer_id, lambda: transfers.accept(call.act, transfer_id, new["clinic_ref"]))


@blueprint.post("/transfers/<uuid:transfer_id>/decline", allowed=needs(Scope.ENROL))
@blueprint.writes(TransferOut, takes=DeclineIn)
def decline_transfer(call: Call, new: dict[str, Any], transfer_id: uuid.UUID) -> Transfer:
    """Do not take the patient over, with the reason; for the clinic that was asked."""
    return _found(call, transfer_id, lambda: transfers.decline(call.act, transfer_id, new["reason"]))


def _found(call: Call, transfer_id: uuid.UUID, do: Callable[[], T]) -> T:
    for one in transfers.of_clinic(call.session, g.clinic_id, [transfer_id]):
        trail.of_patient(one.transfer.patient_id)
    try:
        return do()
    except LookupError:
        raise Problem(404, "The clinic has no such transfer.") from None
