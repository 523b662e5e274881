"""Patients: enrol, list, change, end; and everything kept under one of them."""

from __future__ import annotations

import uuid
from typing import Any

from flask import Response
from marshmallow import Schema, fields
from sqlalchemy import exists, select

from service.domain import vocabulary
from service.domain.vocabulary import PatientState, Scope
from service.enrolling import people
from service.store.session import read_session, write_session
from service.store.tables import Patient, Silence
from service.web.api import base
from service.web.api.base import Blueprint, Page, Text, instant, listing, number, paged, text, whole, word
from service.web.api.guards import caller, needs, once
from service.web.services import services

blueprint = Blueprint("api_patients", __name__, url_prefix="/api/v1", description="Patients")


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


PATIENT, PATIENTS = PatientOut(), listing(PatientOut)


class PatientQuery(Page):
    """`silent`: whether a run of missed readings is open."""

    clinic_ref = Text()
    state = word(PatientState)
    silent = fields.Boolean()


@blueprint.route("/patients", methods=["GET"])
@needs(Scope.ENROL)
@blueprint.arguments(PatientQuery, location="query")
@blueprint.response(200, PATIENTS)
def list_patients(query: dict[str, Any]) -> dict[str, Any]:
    """Everybody the clinic looks after or has looked after, by name."""
    wanted = select(Patient).where(Patient.clinic_id == caller().clinic_id).order_by(Patient.name, Patient.id)
    if ref := query.pop("clinic_ref", None):
        wanted = wanted.where(Patient.clinic_ref == ref)
    if state := query.pop("state", None):
        wanted = wanted.where(Patient.state == state)
    if (silent := query.pop("silent", None)) is not None:
        missing = exists().where(Silence.patient_id == Patient.id, Silence.ended_at.is_(None), Silence.missed > 0)
        wanted = wanted.where(missing if silent else ~missing)
    with read_session(services().engine) as session:
        return paged(session, wanted, query)


@blueprint.route("/patients", methods=["POST"])
@needs(Scope.ENROL)
@blueprint.arguments(PatientIn)
@blueprint.response(201, PATIENT)
def enrol(new: dict[str, Any]) -> Response:
    """Enrol a patient. Nothing is sent until a contact, a consent and a plan are there too."""
    with once() as call:
        if call.answered:
            return call.answered
        patient = people.enrol_patient(
            call.session,
            base.own_clinic(call.session),
            people.NewPatient(**new),
            caller().actor,
            services().clock.now(),
        )
        return call.answer(PATIENT, patient)


@blueprint.route("/patients/<uuid:patient_id>", methods=["GET"])
@needs(Scope.ENROL)
@blueprint.response(200, PATIENT)
def show(patient_id: uuid.UUID) -> Patient:
    """One patient."""
    with read_session(services().engine) as session:
        return base.own_patient(session, patient_id)


@blueprint.route("/patients/<uuid:patient_id>", methods=["PATCH"])
@needs(Scope.ENROL)
@blueprint.arguments(PatientChange)
@blueprint.response(200, PATIENT)
def change(changes: dict[str, Any], patient_id: uuid.UUID) -> Patient:
    """Change particulars; a move to another zone plans the next window there."""
    with write_session(services().engine) as session:
        patient = base.own_patient(session, patient_id)
        return people.change_patient(session, patient, changes, caller().actor, services().clock.now())


@blueprint.route("/patients/<uuid:patient_id>/end", methods=["POST"])
@needs(Scope.ENROL)
@blueprint.arguments(Schema.from_dict({}, name="Nothing"))
@blueprint.response(200, PATIENT)
def end(_nothing: dict[str, Any], patient_id: uuid.UUID) -> Response:
    """The patient is no longer looked after here; what was recorded stays."""
    with once() as call:
        if call.answered:
            return call.answered
        patient = base.own_patient(call.session, patient_id)
        people.end_patient(call.session, patient, caller().actor, services().clock.now())
        return call.answer(PATIENT, patient, 200)
