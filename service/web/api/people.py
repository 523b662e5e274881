"""Caregivers, contacts and consents: under the patient they are about."""

from __future__ import annotations

import uuid
from typing import Any

from marshmallow import Schema, fields

from service.care import consents
from service.domain import vocabulary
from service.domain.vocabulary import Scope
from service.enrolling import people
from service.links import PushLink, make_push_link, why_no_push
from service.store.session import read_session
from service.store.tables import Caregiver, Consent, Contact, Patient
from service.web.api.base import Blueprint, instant, list_rows, own, own_patient, text, word
from service.web.api.guards import Call, needs
from service.web.problems import Problem
from service.web.services import services

blueprint = Blueprint("people", "Caregivers, contacts and consents")


class CaregiverIn(Schema):
    name = text(120)
    relation = text(40, required=False)
    zone = text(64, required=False, allow_none=True)
    language = text(8, required=False, allow_none=True)


class CaregiverOut(Schema):
    id = fields.UUID()
    patient_id = fields.UUID()
    name = fields.String()
    relation = fields.String()
    zone = fields.String()
    language = fields.String()
    position = fields.Integer()
    active = fields.Boolean()


class ContactIn(Schema):
    channel = word(vocabulary.Channel, required=True)
    address = text(1000)


class ContactMend(Schema):
    address = text(1000)


class ContactOut(Schema):
    id = fields.UUID()
    channel = word(vocabulary.Channel)
    address = fields.String()
    position = fields.Integer()
    state = word(vocabulary.ContactState)
    broken_reason = fields.String(allow_none=True)


class PushLinkOut(Schema):
    link = fields.String()
    until = instant()


class ConsentIn(Schema):
    kind = word(vocabulary.ConsentKind, required=True)
    given = fields.Boolean(required=True, truthy={True}, falsy={False})
    how = text(200)
    caregiver_id = fields.UUID(allow_none=True)


class ConsentOut(Schema):
    id = fields.UUID()
    kind = word(vocabulary.ConsentKind)
    given = fields.Boolean()
    how = fields.String()
    caregiver_id = fields.UUID(allow_none=True)
    recorded_by = fields.String()
    at = instant()


@blueprint.get("/patients/<uuid:patient_id>/caregivers")
@needs(Scope.ENROL)
@blueprint.lists(CaregiverOut)
def list_caregivers(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Who looks out for the patient, in the order they are asked."""
    return list_rows(query, Caregiver, Caregiver.position, patient_id=patient_id)


@blueprint.post("/patients/<uuid:patient_id>/caregivers")
@needs(Scope.ENROL)
@blueprint.writes(CaregiverOut, 201, takes=CaregiverIn)
def add_caregiver(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Caregiver:
    """Add a caregiver. Nothing is sent before both sides' consents are recorded."""
    patient = own_patient(call.session, patient_id)
    return people.add_caregiver(call.act, patient, people.NewCaregiver(**new))


@blueprint.post("/caregivers/<uuid:caregiver_id>/end")
@needs(Scope.ENROL)
@blueprint.writes(CaregiverOut)
def end_caregiver(call: Call, caregiver_id: uuid.UUID) -> Caregiver:
    """The caregiver is sent nothing more: what is queued is cancelled, consents are withdrawn, what they said stays."""
    caregiver = own(call.session, Caregiver, caregiver_id)
    people.end_caregiver(call.act, caregiver)
    return caregiver


@blueprint.get("/patients/<uuid:patient_id>/contacts")
@needs(Scope.ENROL)
@blueprint.lists(ContactOut)
def list_contacts(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """How the patient is reached, in the order contacts are tried."""
    return list_rows(query, Contact, Contact.position, patient_id=patient_id)


@blueprint.post("/patients/<uuid:patient_id>/contacts")
@needs(Scope.ENROL)
@blueprint.writes(ContactOut, 201, takes=ContactIn)
def add_patient_contact(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Contact:
    """Add a way to reach the patient, tried after those already there."""
    patient = own_patient(call.session, patient_id)
    return people.add_contact(call.act, patient, people.NewContact(**new))


@blueprint.get("/caregivers/<uuid:caregiver_id>/contacts")
@needs(Scope.ENROL)
@blueprint.lists(ContactOut)
def list_caregiver_contacts(query: dict[str, Any], caregiver_id: uuid.UUID) -> dict[str, Any]:
    """How the caregiver is reached, in the order contacts are tried."""
    with read_session(services().engine) as session:
        own(session, Caregiver, caregiver_id)
    return list_rows(query | {"caregiver_id": caregiver_id}, Contact, Contact.position)


@blueprint.post("/caregivers/<uuid:caregiver_id>/contacts")
@needs(Scope.ENROL)
@blueprint.writes(ContactOut, 201, takes=ContactIn)
def add_caregiver_contact(call: Call, new: dict[str, Any], caregiver_id: uuid.UUID) -> Contact:
    """Add a way to reach the caregiver, tried after those already there."""
    caregiver = own(call.session, Caregiver, caregiver_id)
    return people.add_contact(call.act, caregiver, people.NewContact(**new))


@blueprint.patch("/contacts/<uuid:contact_id>")
@needs(Scope.ENROL)
@blueprint.writes(ContactOut, takes=ContactMend)
def mend_contact(call: Call, changes: dict[str, Any], contact_id: uuid.UUID) -> Contact:
    """Correct an address; one that was marked broken is tried again."""
    contact = own(call.session, Contact, contact_id)
    return people.mend_contact(call.act, contact, changes["address"])


@blueprint.post("/contacts/<uuid:contact_id>/first")
@needs(Scope.ENROL)
@blueprint.writes(ContactOut)
def put_contact_first(call: Call, contact_id: uuid.UUID) -> Contact:
    """Try this contact before the person's others"""
    contact = own(call.session, Contact, contact_id)
    people.put_first(call.act, contact)
    return contact


@blueprint.post("/patients/<uuid:patient_id>/push-link")
@needs(Scope.ENROL)
@blueprint.writes(PushLinkOut, 201, kept=False)
def make_patient_push_link(call: Call, patient_id: uuid.UUID) -> PushLink:
    """Make the link by which the patient sets their own phone up for notices. It stands in this answer alone"""
    return _push_link(call, own_patient(call.session, patient_id))


@blueprint.post("/caregivers/<uuid:caregiver_id>/push-link")
@needs(Scope.ENROL)
@blueprint.writes(PushLinkOut, 201, kept=False)
def make_caregiver_push_link(call: Call, caregiver_id: uuid.UUID) -> PushLink:
    """Make the link by which the caregiver sets their own phone up for notices. It stands in this answer alone"""
    return _push_link(call, own(call.session, Caregiver, caregiver_id))


@blueprint.get("/patients/<uuid:patient_id>/consents")
@needs(Scope.ENROL)
@blueprint.lists(ConsentOut)
def list_consents(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Every consent given and withdrawn, newest first; of each kind the newest counts."""
    return list_rows(query, Consent, Consent.at.desc(), patient_id=patient_id)


@blueprint.post("/patients/<uuid:patient_id>/consents")
@needs(Scope.ENROL)
@blueprint.writes(ConsentOut, 201, takes=ConsentIn)
def record_consent(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Consent:
    """Record a consent given or withdrawn; a withdrawal cancels what is queued at once."""
    patient = own_patient(call.session, patient_id)
    caregiver_id = new.pop("caregiver_id", None)
    caregiver = own(call.session, Caregiver, caregiver_id) if caregiver_id else None
    return consents.record_consent(call.act, patient, new["kind"], new["given"], new["how"], caregiver=caregiver)


def _push_link(call: Call, person: Patient | Caregiver) -> PushLink:
    if why := why_no_push(services().settings):
        raise Problem(409, why)
    return make_push_link(call.act, services().links, person)
