"""Patients, and under each of them their caregivers, contacts and consents."""

from __future__ import annotations

import uuid
from typing import Any

from marshmallow import Schema, fields
from sqlalchemy import exists
from werkzeug.exceptions import NotFound

from service.care import contacts, ending
from service.domain import vocabulary
from service.domain.seals import Seal
from service.domain.vocabulary import PatientState, Scope
from service.enrolling import people
from service.links import PushLink, make_push_link, revoke_links, why_no_push
from service.store import seals
from service.store.session import read_session
from service.store.tables import Caregiver, Consent, Contact, Patient, PatientMove, Silence
from service.web.api.base import Blueprint, Listed, list_rows, number, shows, text, whole, word, yes_no
from service.web.api.guards import Call, needs, reads
from service.web.auth import own, own_patient
from service.web.problems import Problem
from service.web.services import services

patients_blueprint = Blueprint("patients", "Patients")
blueprint = Blueprint("people", "Caregivers, contacts and consents")


# --- patients -------------------------------------------------------------------------------


class PatientChange(Schema):
    name = text(120, required=False)
    zone = text(64, required=False)
    language = text(8, required=False)
    usual_pillows = whole(0, 10, allow_none=True)
    dry_weight_kg = number(20, 400, allow_none=True)
    weight_unit = text(8, required=False)
    says_back = yes_no()


class PatientIn(PatientChange):
    clinic_ref = text(40)
    name = text(120)
    zone = text(64)


PATIENT = "id clinic_ref name zone language state usual_pillows dry_weight_kg weight_unit says_back enrolled_at"
PatientOut = shows("PatientOut", Patient, PATIENT)
MoveOut = shows(
    "MoveOut",
    PatientMove,
    "at from_zone to_zone without_window",
    without_window=fields.List(fields.String(metadata={"format": "date"})),
)
# `move` is there when the change was one to another zone.
PatientChangedOut = shows("PatientChangedOut", Patient, PATIENT, move=fields.Nested(MoveOut, allow_none=True))


class PatientQuery(Listed):
    """`silent`: whether a run of missed readings is open."""

    clinic_ref = text(40, required=False)
    state = word(PatientState)
    silent = fields.Boolean()


@patients_blueprint.get("/patients", allowed=reads(Scope.ENROL))
@patients_blueprint.lists(PatientOut, PatientQuery)
def list_patients(query: dict[str, Any]) -> dict[str, Any]:
    """Everybody the clinic looks after or has looked after, by name."""
    silent = query.pop("silent", None)
    missing = exists().where(Silence.patient_id == Patient.id, Silence.ended_at.is_(None), Silence.missed > 0)
    only = () if silent is None else (missing if silent else ~missing,)
    return list_rows(query, Patient, Patient.name, only=only)


@patients_blueprint.post("/patients", allowed=needs(Scope.ENROL))
@patients_blueprint.writes(PatientOut, 201, takes=PatientIn)
def enrol_patient(call: Call, new: dict[str, Any]) -> Patient:
    """Enrol a patient. Nothing is sent until a contact, a consent and a plan are there too."""
    return people.enrol_patient(call.act, people.NewPatient(**new))


@patients_blueprint.get("/patients/<uuid:patient_id>", allowed=reads(Scope.ENROL))
@patients_blueprint.response(200, PatientOut)
def show_patient(patient_id: uuid.UUID) -> Patient:
    """One patient."""
    with read_session(services().engine) as session:
        return own_patient(session, patient_id)


@patients_blueprint.patch("/patients/<uuid:patient_id>", allowed=needs(Scope.ENROL))
@patients_blueprint.writes(PatientChangedOut, takes=PatientChange)
def change_patient(call: Call, changes: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Change particulars; a move to another zone plans the next window there.

    `move` names the planned dates that it leaves without a window.
    """
    patient = own_patient(call.session, patient_id)
    was = patient.zone
    people.change_patient(call.act, patient, changes)
    move = people.newest_move(call.session, patient.id) if patient.zone != was else None
    return {**{name: getattr(patient, name) for name in PatientOut().fields}, "move": move}


@patients_blueprint.get("/patients/<uuid:patient_id>/moves", allowed=reads(Scope.ENROL))
@patients_blueprint.lists(MoveOut)
def list_moves(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """The patient's moves from zone to zone, newest first."""
    return list_rows(query, PatientMove, PatientMove.at.desc(), patient_id=patient_id)


@patients_blueprint.post("/patients/<uuid:patient_id>/end", allowed=needs(Scope.ENROL))
@patients_blueprint.writes(PatientOut)
def end_patient(call: Call, patient_id: uuid.UUID) -> Patient:
    """The patient is no longer looked after here; what was recorded stays."""
    patient = own_patient(call.session, patient_id)
    ending.end_patient(call.act, patient)
    return patient


class BeginIn(Schema):
    from_date = fields.Date(required=True)
    why = word(vocabulary.BeginsAgain, required=True)


class SealField(fields.Enum[Seal]):
    """What the row that is shown is found to be by its seal."""

    def get_value(self, obj: Any, *args: Any, **options: Any) -> Seal:
        return seals.judge(services().engine, obj)


ConsentOut = shows(
    "ConsentOut",
    Consent,
    "id kind given how given_on caregiver_id recorded_by at seal",
    seal=SealField(Seal, by_value=True),
)
PatientBegunOut = shows("PatientBegunOut", Patient, PATIENT, consents=fields.List(fields.Nested(ConsentOut)))


@patients_blueprint.post("/patients/<uuid:patient_id>/begin-again", allowed=needs(Scope.ENROL))
@patients_blueprint.writes(PatientBegunOut, takes=BeginIn)
def begin_again(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Look after a patient again whose care had ended: the plan asks from `from_date` on, a date where they live.

    A death that is recorded is taken back first. No consent is given by this: `consents` are those that stand,
    and nothing is sent until consent to messages is recorded.
    """
    patient = own_patient(call.session, patient_id)
    ending.begin_again(call.act, patient, new["from_date"], new["why"])
    standing = contacts.standing(call.session, patient_id)
    return {**{name: getattr(patient, name) for name in PatientOut().fields}, "consents": standing}


class RevokedOut(Schema):
    links = fields.Integer(dump_only=True)


@patients_blueprint.post("/patients/<uuid:patient_id>/links/revoke", allowed=needs(Scope.ENROL))
@patients_blueprint.writes(RevokedOut)
def revoke_patient_links(call: Call, patient_id: uuid.UUID) -> dict[str, int]:
    """No link that was sent or handed out for this patient, to them or their caregivers, opens anything any more.

    The next message carries a new one. Use it when a telephone is lost or a message went to somebody else.
    """
    return {"links": revoke_links(call.act, own_patient(call.session, patient_id))}


# --- caregivers, contacts and consents ----------------------------------------------------------


class CaregiverIn(Schema):
    name = text(120)
    relation = text(40, required=False)
    zone = text(64, required=False, allow_none=True)
    language = text(8, required=False, allow_none=True)


CaregiverOut = shows("CaregiverOut", Caregiver, "id patient_id name relation zone language position active")
ContactOut = shows("ContactOut", Contact, "id channel address position state broken_reason")
PushLinkOut = shows("PushLinkOut", PushLink, "link until")


class ContactIn(Schema):
    channel = word(vocabulary.Channel, required=True)
    address = text(1000)


class ContactMend(Schema):
    address = text(1000)


class ConsentIn(Schema):
    kind = word(vocabulary.ConsentKind, required=True)
    given = yes_no(required=True)
    how = text(200)
    on = fields.Date(allow_none=True, load_default=None)
    caregiver_id = fields.UUID(allow_none=True)


@blueprint.get("/patients/<uuid:patient_id>/caregivers", allowed=reads(Scope.ENROL))
@blueprint.lists(CaregiverOut)
def list_caregivers(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Who looks out for the patient, in the order they are asked."""
    return list_rows(query, Caregiver, Caregiver.position, patient_id=patient_id)


@blueprint.post("/patients/<uuid:patient_id>/caregivers", allowed=needs(Scope.ENROL, fresh=True))
@blueprint.writes(CaregiverOut, 201, takes=CaregiverIn)
def add_caregiver(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Caregiver:
    """Add a caregiver. Nothing is sent before both sides' consents are recorded."""
    return people.add_caregiver(call.act, own_patient(call.session, patient_id), people.NewCaregiver(**new))


@blueprint.post("/caregivers/<uuid:caregiver_id>/end", allowed=needs(Scope.ENROL))
@blueprint.writes(CaregiverOut)
def end_caregiver(call: Call, caregiver_id: uuid.UUID) -> Caregiver:
    """The caregiver is sent nothing more: what is queued is cancelled, consents are withdrawn, what they said stays."""
    caregiver = own(call.session, Caregiver, caregiver_id)
    people.end_caregiver(call.act, caregiver)
    return caregiver


@blueprint.get("/patients/<uuid:patient_id>/contacts", allowed=reads(Scope.CONTACTS))
@blueprint.lists(ContactOut)
def list_contacts(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """How the patient is reached, in the order contacts are tried."""
    return list_rows(query, Contact, Contact.position, patient_id=patient_id)


@blueprint.post("/patients/<uuid:patient_id>/contacts", allowed=needs(Scope.CONTACTS, fresh=True))
@blueprint.writes(ContactOut, 201, takes=ContactIn)
def add_patient_contact(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Contact:
    """Add a way to reach the patient, tried after those already there."""
    return people.add_contact(call.act, own_patient(call.session, patient_id), people.NewContact(**new))


@blueprint.get("/caregivers/<uuid:caregiver_id>/contacts", allowed=reads(Scope.CONTACTS))
@blueprint.lists(ContactOut)
def list_caregiver_contacts(query: dict[str, Any], caregiver_id: uuid.UUID) -> dict[str, Any]:
    """How the caregiver is reached, in the order contacts are tried."""
    with read_session(services().engine) as session:
        own(session, Caregiver, caregiver_id)
    return list_rows(query | {"caregiver_id": caregiver_id}, Contact, Contact.position)


@blueprint.post("/caregivers/<uuid:caregiver_id>/contacts", allowed=needs(Scope.CONTACTS, fresh=True))
@blueprint.writes(ContactOut, 201, takes=ContactIn)
def add_caregiver_contact(call: Call, new: dict[str, Any], caregiver_id: uuid.UUID) -> Contact:
    """Add a way to reach the caregiver, tried after those already there."""
    caregiver = own(call.session, Caregiver, caregiver_id)
    return people.add_contact(call.act, caregiver, people.NewContact(**new))


@blueprint.patch("/contacts/<uuid:contact_id>", allowed=needs(Scope.CONTACTS, fresh=True))
@blueprint.writes(ContactOut, takes=ContactMend)
def mend_contact(call: Call, changes: dict[str, Any], contact_id: uuid.UUID) -> Contact:
    """Correct an address; one that was marked broken is tried again."""
    contact = _of_somebody_looked_after(call, contact_id)
    return people.mend_contact(call.act, contact, changes["address"])


@blueprint.post("/contacts/<uuid:contact_id>/first", allowed=needs(Scope.CONTACTS, fresh=True))
@blueprint.writes(ContactOut)
def put_contact_first(call: Call, contact_id: uuid.UUID) -> Contact:
    """Try this contact before the person's others"""
    contact = _of_somebody_looked_after(call, contact_id)
    people.put_first(call.act, contact)
    return contact


class TestSentOut(Schema):
    message_id = fields.UUID(dump_only=True)
    state = word(vocabulary.MessageState, dump_only=True)


@blueprint.post("/contacts/<uuid:contact_id>/test", allowed=needs(Scope.CONTACTS))
@blueprint.writes(TestSentOut, 201)
def send_test_message(call: Call, contact_id: uuid.UUID) -> dict[str, Any]:
    """Send a test message to a patient's or caregiver's contact. What becomes of it stands among their messages."""
    contact = _of_somebody_looked_after(call, contact_id)
    sent = people.send_test(call.act, contact, services().transports.keys())
    return {"message_id": sent, "state": vocabulary.MessageState.QUEUED}


def _of_somebody_looked_after(call: Call, contact_id: uuid.UUID) -> Contact:
    """A patient's or caregiver's. Where staff are told of alarms is no machine's to change."""
    contact = own(call.session, Contact, contact_id)
    if contact.patient_id is None and contact.caregiver_id is None:
        raise NotFound
    return contact


@blueprint.post("/patients/<uuid:patient_id>/push-link", allowed=needs(Scope.CONTACTS, fresh=True))
@blueprint.writes(PushLinkOut, 201, kept=False)
def make_patient_push_link(call: Call, patient_id: uuid.UUID) -> PushLink:
    """Make the link by which the patient sets their own phone up for notices. It stands in this answer alone"""
    return _push_link(call, own_patient(call.session, patient_id))


@blueprint.post("/caregivers/<uuid:caregiver_id>/push-link", allowed=needs(Scope.CONTACTS, fresh=True))
@blueprint.writes(PushLinkOut, 201, kept=False)
def make_caregiver_push_link(call: Call, caregiver_id: uuid.UUID) -> PushLink:
    """Make the link by which the caregiver sets their own phone up for notices. It stands in this answer alone"""
    return _push_link(call, own(call.session, Caregiver, caregiver_id))


@blueprint.get("/patients/<uuid:patient_id>/consents", allowed=reads(Scope.ENROL))
@blueprint.lists(ConsentOut)
def list_consents(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Every consent given and withdrawn, newest first; of each kind the newest counts."""
    return list_rows(query, Consent, Consent.at.desc(), patient_id=patient_id)


@blueprint.post("/patients/<uuid:patient_id>/consents", allowed=needs(Scope.ENROL))
@blueprint.writes(ConsentOut, 201, takes=ConsentIn)
def record_consent(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Consent:
    """Record a consent given or withdrawn; a withdrawal cancels what is queued at once.

    `on` is the date of the form or the talk, where it was not today.
    """
    patient = own_patient(call.session, patient_id)
    caregiver_id = new.pop("caregiver_id", None)
    caregiver = own(call.session, Caregiver, caregiver_id) if caregiver_id else None
    return contacts.record_consent(call.act, patient, new["kind"], new["given"], new["how"], caregiver, new["on"])


def _push_link(call: Call, person: Patient | Caregiver) -> PushLink:
    if why := why_no_push(services().settings):
        raise Problem(409, why, kind="not-now")
    return make_push_link(call.act, services().links, person)
