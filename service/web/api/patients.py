"""Patients: enrol, list, change, end; and everything kept under one of them."""

from __future__ import annotations

import uuid
from typing import Any

from marshmallow import Schema, fields
from sqlalchemy import exists

from service.domain import vocabulary
from service.domain.vocabulary import PatientState, Scope
from service.enrolling import people
from service.store.session import read_session
from service.store.tables import Patient, Silence
from service.web.api.base import (
    Blueprint,
    Page,
    Text,
    instant,
    list_rows,
    number,
    own_patient,
    text,
    whole,
    word,
)
from service.web.api.guards import Call, needs
from service.web.services import services

blueprint = Blueprint("patients", "Patients")


class PatientChange(Schema):
    name = text(120, required=False)
    zone = text(64, required=False)
    language = text(8, required=False)
    usual_pillows = whole(0, 10, allow_none=True)
    dry_weight_kg = number(20, 400, allow_none=True)
    weight_unit = text(8, required=False)


class PatientIn(PatientChange):
    clinic_ref = text(40)
    name = text(120)
    zone = text(64)


class PatientOut(Schema):
    id = fields.UUID()
    clinic_ref = fields.String()
    name = fields.String()
    zone = fields.String()
    language = fields.String()
    state = word(vocabulary.PatientState)
    usual_pillows = fields.Integer(allow_none=True)
    dry_weight_kg = fields.Float(allow_none=True)
    weight_unit = fields.String()
    enrolled_at = instant()


class PatientQuery(Page):
    """`silent`: whether a run of missed readings is open."""

    clinic_ref = Text()
    state = word(PatientState)
    silent = fields.Boolean()


@blueprint.get("/patients")
@needs(Scope.ENROL)
@blueprint.lists(PatientOut, PatientQuery)
def list_patients(query: dict[str, Any]) -> dict[str, Any]:
    """Everybody the clinic looks after or has looked after, by name."""
    silent = query.pop("silent", None)
    missing = exists().where(Silence.patient_id == Patient.id, Silence.ended_at.is_(None), Silence.missed > 0)
    only = () if silent is None else (missing if silent else ~missing,)
    return list_rows(query, Patient, Patient.name, only=only)


@blueprint.post("/patients")
@needs(Scope.ENROL)
@blueprint.writes(PatientOut, 201, takes=PatientIn)
def enrol(call: Call, new: dict[str, Any]) -> Patient:
    """Enrol a patient. Nothing is sent until a contact, a consent and a plan are there too."""
    return people.enrol_patient(call.act, people.NewPatient(**new))


@blueprint.get("/patients/<uuid:patient_id>")
@needs(Scope.ENROL)
@blueprint.response(200, PatientOut)
def show(patient_id: uuid.UUID) -> Patient:
    """One patient."""
    with read_session(services().engine) as session:
        return own_patient(session, patient_id)


@blueprint.patch("/patients/<uuid:patient_id>")
@needs(Scope.ENROL)
@blueprint.writes(PatientOut, takes=PatientChange)
def change(call: Call, changes: dict[str, Any], patient_id: uuid.UUID) -> Patient:
    """Change particulars; a move to another zone plans the next window there."""
    patient = own_patient(call.session, patient_id)
    return people.change_patient(call.act, patient, changes)


@blueprint.post("/patients/<uuid:patient_id>/end")
@needs(Scope.ENROL)
@blueprint.writes(PatientOut)
def end(call: Call, patient_id: uuid.UUID) -> Patient:
    """The patient is no longer looked after here; what was recorded stays."""
    patient = own_patient(call.session, patient_id)
    people.end_patient(call.act, patient)
    return patient
