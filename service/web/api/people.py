"""Caregivers, contacts and consents: under the patient they are about."""

from __future__ import annotations

import uuid
from typing import Any

from flask import Response
from marshmallow import Schema, fields
from sqlalchemy import select

from service import links
from service.care import consents
from service.domain import vocabulary
from service.domain.vocabulary import Scope
from service.enrolling import people
from service.store.session import read_session, write_session
from service.store.tables import Caregiver, Consent, Contact, Patient
from service.web.api import base
from service.web.api.base import Blueprint, Page, instant, listing, of_patient, paged, text, word
from service.web.api.guards import caller, needs, once
from service.web.problems import Problem
from service.web.services import services

blueprint = Blueprint(
    "api_people", __name__, url_prefix="/api/v1", description="Caregivers, contacts and consents"
)  # fmt: skip


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


CAREGIVER, CAREGIVERS = CaregiverOut(), listing(CaregiverOut)
CONTACT, CONTACTS = ContactOut(), listing(ContactOut)
CONSENT, CONSENTS = ConsentOut(), listing(ConsentOut)
PUSH_LINK = PushLinkOut()


@blueprint.route("/patients/<uuid:patient_id>/caregivers", methods=["GET"])
@needs(Scope.ENROL)
@blueprint.arguments(Page, location="query")
@blueprint.response(200, CAREGIVERS)
def list_caregivers(page: dict[str, int], patient_id: uuid.UUID) -> dict[str, Any]:
    """Who looks out for the patient, in the order they are asked."""
    return of_patient(Caregiver, patient_id, Caregiver.position, page)


@blueprint.route("/patients/<uuid:patient_id>/caregivers", methods=["POST"])
@needs(Scope.ENROL)
@blueprint.arguments(CaregiverIn)
@blueprint.response(201, CAREGIVER)
def add_caregiver(new: dict[str, Any], patient_id: uuid.UUID) -> Response:
    """Add a caregiver. Nothing is sent before both sides' consents are recorded."""
    with once() as call:
        if call.answered:
            return call.answered
        patient = base.own_patient(call.session, patient_id)
        added = people.add_caregiver(
            call.session, patient, people.NewCaregiver(**new), caller().actor, services().clock.now()
        )
        return call.answer(CAREGIVER, added)


@blueprint.route("/caregivers/<uuid:caregiver_id>/end", methods=["POST"])
@needs(Scope.ENROL)
@blueprint.arguments(Schema.from_dict({}, name="NothingToEnd"))
@blueprint.response(200, CAREGIVER)
def end_caregiver(_nothing: dict[str, Any], caregiver_id: uuid.UUID) -> Response:
    """The caregiver is sent nothing more: what is queued is cancelled, consents are withdrawn, what they said stays."""
    with once() as call:
        if call.answered:
            return call.answered
        caregiver = base.own(call.session, Caregiver, caregiver_id)
        people.end_caregiver(call.session, caregiver, caller().actor, services().clock.now())
        return call.answer(CAREGIVER, caregiver, 200)


@blueprint.route("/patients/<uuid:patient_id>/contacts", methods=["GET"])
@needs(Scope.ENROL)
@blueprint.arguments(Page, location="query")
@blueprint.response(200, CONTACTS)
def list_contacts(page: dict[str, int], patient_id: uuid.UUID) -> dict[str, Any]:
    """How the patient is reached, in the order contacts are tried."""
    return of_patient(Contact, patient_id, Contact.position, page)


@blueprint.route("/patients/<uuid:patient_id>/contacts", methods=["POST"])
@needs(Scope.ENROL)
@blueprint.arguments(ContactIn)
@blueprint.response(201, CONTACT)
def add_patient_contact(new: dict[str, Any], patient_id: uuid.UUID) -> Response:
    """Add a way to reach the patient, tried after those already there."""
    return _add_contact(Patient, patient_id, new)


@blueprint.route("/caregivers/<uuid:caregiver_id>/contacts", methods=["GET"])
@needs(Scope.ENROL)
@blueprint.arguments(Page, location="query")
@blueprint.response(200, CONTACTS)
def list_caregiver_contacts(page: dict[str, int], caregiver_id: uuid.UUID) -> dict[str, Any]:
    """How the caregiver is reached, in the order contacts are tried."""
    with read_session(services().engine) as session:
        base.own(session, Caregiver, caregiver_id)
        wanted = select(Contact).where(Contact.caregiver_id == caregiver_id).order_by(Contact.position, Contact.id)
        return paged(session, wanted, page)


@blueprint.route("/caregivers/<uuid:caregiver_id>/contacts", methods=["POST"])
@needs(Scope.ENROL)
@blueprint.arguments(ContactIn)
@blueprint.response(201, CONTACT)
def add_caregiver_contact(new: dict[str, Any], caregiver_id: uuid.UUID) -> Response:
    """Add a way to reach the caregiver, tried after those already there."""
    return _add_contact(Caregiver, caregiver_id, new)


@blueprint.route("/contacts/<uuid:contact_id>", methods=["PATCH"])
@needs(Scope.ENROL)
@blueprint.arguments(ContactMend)
@blueprint.response(200, CONTACT)
def mend_contact(changes: dict[str, Any], contact_id: uuid.UUID) -> Contact:
    """Correct an address; one that was marked broken is tried again."""
    with write_session(services().engine) as session:
        contact = base.own(session, Contact, contact_id)
        return people.mend_contact(session, contact, changes["address"], caller().actor, services().clock.now())


@blueprint.route("/contacts/<uuid:contact_id>/first", methods=["POST"])
@needs(Scope.ENROL)
@blueprint.arguments(Schema.from_dict({}, name="NothingToMove"))
@blueprint.response(200, CONTACT)
def put_contact_first(_nothing: dict[str, Any], contact_id: uuid.UUID) -> Response:
    """Try this contact before the person's others"""
    with once() as call:
        if call.answered:
            return call.answered
        contact = base.own(call.session, Contact, contact_id)
        people.put_first(call.session, contact, caller().actor, services().clock.now())
        return call.answer(CONTACT, contact, 200)


@blueprint.route("/patients/<uuid:patient_id>/push-link", methods=["POST"])
@needs(Scope.ENROL)
@blueprint.arguments(Schema.from_dict({}, name="NothingToLinkPatient"))
@blueprint.response(201, PUSH_LINK)
def make_patient_push_link(_nothing: dict[str, Any], patient_id: uuid.UUID) -> Response:
    """Make the link by which the patient sets their own phone up for notices. It stands in this answer alone"""
    return _make_push_link(Patient, patient_id)


@blueprint.route("/caregivers/<uuid:caregiver_id>/push-link", methods=["POST"])
@needs(Scope.ENROL)
@blueprint.arguments(Schema.from_dict({}, name="NothingToLinkCaregiver"))
@blueprint.response(201, PUSH_LINK)
def make_caregiver_push_link(_nothing: dict[str, Any], caregiver_id: uuid.UUID) -> Response:
    """Make the link by which the caregiver sets their own phone up for notices. It stands in this answer alone"""
    return _make_push_link(Caregiver, caregiver_id)


@blueprint.route("/patients/<uuid:patient_id>/consents", methods=["GET"])
@needs(Scope.ENROL)
@blueprint.arguments(Page, location="query")
@blueprint.response(200, CONSENTS)
def list_consents(page: dict[str, int], patient_id: uuid.UUID) -> dict[str, Any]:
    """Every consent given and withdrawn, newest first; of each kind the newest counts."""
    return of_patient(Consent, patient_id, Consent.at.desc(), page)


@blueprint.route("/patients/<uuid:patient_id>/consents", methods=["POST"])
@needs(Scope.ENROL)
@blueprint.arguments(ConsentIn)
@blueprint.response(201, CONSENT)
def record_consent(new: dict[str, Any], patient_id: uuid.UUID) -> Response:
    """Record a consent given or withdrawn; a withdrawal cancels what is queued at once."""
    with once() as call:
        if call.answered:
            return call.answered
        caregiver_id = new.get("caregiver_id")
        recorded = consents.record_consent(
            call.session,
            base.own_patient(call.session, patient_id),
            new["kind"],
            new["given"],
            new["how"],
            caller().actor,
            services().clock.now(),
            caregiver=base.own(call.session, Caregiver, caregiver_id) if caregiver_id else None,
        )
        return call.answer(CONSENT, recorded)


def _make_push_link(whose: type[Patient] | type[Caregiver], person_id: uuid.UUID) -> Response:
    with once() as call:
        person: Patient | Caregiver = base.own(call.session, whose, person_id)
        if why := links.why_no_push(services().settings):
            raise Problem(409, why)
        made = links.make_push_link(call.session, services().links, person, caller().actor, services().clock.now())
        return call.unkept(PUSH_LINK.dump(made), 201)


def _add_contact(whose: type[Patient] | type[Caregiver], owner_id: uuid.UUID, new: dict[str, Any]) -> Response:
    with once() as call:
        if call.answered:
            return call.answered
        owner: Patient | Caregiver = base.own(call.session, whose, owner_id)
        added = people.add_contact(
            call.session, owner, people.NewContact(**new), caller().actor, services().clock.now()
        )
        return call.answer(CONTACT, added)
