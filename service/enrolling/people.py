"""Patients, caregivers and how each is reached."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import phonenumbers
from sqlalchemy import ColumnElement, func, select, update
from sqlalchemy.orm import Session

from service.care import contacts
from service.care.consents import record_consent
from service.domain import fields, localtime
from service.domain.plan import PlanRule, next_opening
from service.domain.readings import UNITS_OF_WEIGHT
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, ConsentKind, ContactState, PatientState
from service.enrolling.plans import owed_since
from service.store import outbox, panel
from service.store.audit import Act
from service.store.tables import Caregiver, Contact, Patient, Plan, Staff
from service.words.language import checked_language

CAREGIVER_ENDED = "caregiver_ended"
HOW_ENDED = "no longer a caregiver"


@dataclass(frozen=True)
class NewContact:
    """`address`: a telephone number with country code, or a mailbox. Phones for notices are `phones`' business."""

    channel: Channel
    address: str


@dataclass(frozen=True)
class NewPatient:
    """`clinic_ref` is the clinic's own number for this person, unique in the clinic."""

    clinic_ref: str
    name: str
    zone: str
    language: str = "en"
    usual_pillows: int | None = None
    dry_weight_kg: float | None = None
    weight_unit: str = "kg"


@dataclass(frozen=True)
class NewCaregiver:
    """`zone` and `language` default to the patient's."""

    name: str
    relation: str = ""
    zone: str | None = None
    language: str | None = None


def enrol_patient(act: Act, new: NewPatient) -> Patient:
    """Write a patient. Nothing is sent until a contact, a consent and a plan are there too. Raises Refused."""
    values = {name: _check(name, value) for name, value in vars(new).items()}
    taken = select(Patient.id).where(Patient.clinic_id == act.clinic_id, Patient.clinic_ref == values["clinic_ref"])
    if act.session.scalar(taken) is not None:
        raise Refused("clinic_ref", new.clinic_ref, "a reference no other patient of the clinic has")
    patient = Patient(
        id=uuid.uuid4(), clinic_id=act.clinic_id, enrolled_at=act.now, state=PatientState.ACTIVE, **values
    )
    act.session.add(patient)
    act.session.flush()
    panel.begin(act.session, act.clinic_id, patient.id, act.now)
    act.note("patient.enrol", patient)
    return patient


def change_patient(act: Act, patient: Patient, changes: Mapping[str, Any]) -> Patient:
    """Change some of a patient's particulars.

    A move to another zone plans the next window there; the one already open
    stays as it was. Raises Refused.
    """
    for name, value in changes.items():
        setattr(patient, name, _check(name, value))
    act.session.flush()
    if "zone" in changes:
        _plan_anew(act.session, patient, act.now)
    panel.mark_stale(act.session, [patient.id], act.now)
    act.note("patient.change", patient, fields=sorted(changes))
    return patient


def end_patient(act: Act, patient: Patient) -> None:
    """The patient is no longer looked after here: nothing more is expected, asked or sent."""
    session, now = act.session, act.now
    patient.state = PatientState.ENDED
    session.execute(update(Plan).where(Plan.patient_id == patient.id).values(active=False))
    outbox.cancel_for_person(session, "patient_ended", now, patient_id=patient.id)
    for caregiver_id in session.scalars(select(Caregiver.id).where(Caregiver.patient_id == patient.id)):
        outbox.cancel_for_person(session, "patient_ended", now, caregiver_id=caregiver_id)
    panel.mark_stale(session, [patient.id], now)
    act.note("patient.end", patient)


def add_caregiver(act: Act, patient: Patient, new: NewCaregiver) -> Caregiver:
    """Write a caregiver. Both sides' consents are recorded apart, and nothing is sent before both. Raises Refused."""
    position = act.session.scalar(select(func.count(Caregiver.id)).where(Caregiver.patient_id == patient.id)) or 0
    caregiver = Caregiver(
        id=uuid.uuid4(),
        clinic_id=patient.clinic_id,
        patient_id=patient.id,
        name=fields.text("name", new.name, longest=120),
        relation=fields.text("relation", new.relation, longest=40, shortest=0),
        zone=localtime.zone(new.zone or patient.zone).key,
        language=checked_language("language", new.language or patient.language),
        position=position,
        active=True,
        created_at=act.now,
    )
    act.session.add(caregiver)
    act.session.flush()
    act.note("caregiver.add", caregiver, patient=patient.id)
    return caregiver


def end_caregiver(act: Act, caregiver: Caregiver) -> None:
    """Nothing more is sent to the caregiver, and their links open nothing; what they said stays.

    What is queued to them is cancelled with the reason `caregiver_ended`, and every
    consent that stands is withdrawn on record. One who has ended stays as they are.
    """
    if not caregiver.active:
        return
    session = act.session
    caregiver.active = False
    session.flush()
    outbox.cancel_for_person(session, CAREGIVER_ENDED, act.now, caregiver_id=caregiver.id)
    patient = session.get_one(Patient, caregiver.patient_id)
    for kind in ConsentKind:
        if contacts.has_consent(session, patient.id, kind, caregiver.id):
            record_consent(act, patient, kind, False, HOW_ENDED, caregiver)
    act.note("caregiver.end", caregiver, patient=patient.id)


def add_contact(act: Act, owner: Patient | Caregiver | Staff, new: NewContact) -> Contact:
    """Write one way to reach a person; contacts are tried in the order they were added. Raises Refused."""
    column = {Patient: Contact.patient_id, Caregiver: Contact.caregiver_id, Staff: Contact.staff_id}[type(owner)]
    position = act.session.scalar(select(func.count(Contact.id)).where(column == owner.id)) or 0
    contact = Contact(
        id=uuid.uuid4(),
        clinic_id=owner.clinic_id,
        channel=new.channel,
        address=_address(new),
        position=position,
        state=ContactState.OK,
        created_at=act.now,
        **{column.key: owner.id},
    )
    act.session.add(contact)
    act.session.flush()
    act.note("contact.add", contact, channel=new.channel, **{column.key: owner.id})
    return contact


def mend_contact(act: Act, contact: Contact, address: str) -> Contact:
    """Correct an address, and try it again if it was marked broken. Raises Refused."""
    contact.address = _address(NewContact(contact.channel, address))
    contact.state = ContactState.OK
    contact.broken_reason = None
    act.session.flush()
    act.note("contact.mend", contact)
    return contact


def put_first(act: Act, contact: Contact) -> None:
    """Try this contact before the person's others; those keep their order."""
    whose = _owner_of(contact)
    others = act.session.scalars(
        select(Contact)
        .where(whose, Contact.id != contact.id)
        .order_by(Contact.position, Contact.created_at, Contact.id)
    ).all()
    for position, each in enumerate((contact, *others)):
        each.position = position
    act.session.flush()
    act.note("contact.first", contact)


def _owner_of(contact: Contact) -> ColumnElement[bool]:
    if contact.patient_id is not None:
        return Contact.patient_id == contact.patient_id
    if contact.caregiver_id is not None:
        return Contact.caregiver_id == contact.caregiver_id
    return Contact.staff_id == contact.staff_id


def _plan_anew(session: Session, patient: Patient, now: datetime) -> None:
    plan = session.scalar(select(Plan).where(Plan.patient_id == patient.id))
    if plan is None:
        return
    rule = PlanRule(plan.weekdays, plan.opens, plan.due, plan.closes, plan.wants_reading, plan.wants_checkin)
    plan.next_date, plan.next_open_at = next_opening(rule, localtime.zone(patient.zone), now, owed_since(plan, now))
    session.flush()


def _address(new: NewContact) -> str:
    if new.channel is Channel.EMAIL:
        return fields.mailbox("address", new.address)
    if new.channel is Channel.WEBPUSH:
        raise Refused("channel", new.channel.value, "text or email; for notices on a phone, make that person's link")
    accepted = "a telephone number with its country code, such as +64 9 999 01 00"
    try:
        parsed = phonenumbers.parse(new.address)
    except phonenumbers.NumberParseException:
        raise Refused("address", new.address, accepted) from None
    # Possible, not valid: new number ranges reach telephones before they reach a library's tables.
    if not phonenumbers.is_possible_number(parsed):
        raise Refused("address", new.address, accepted)
    return phonenumbers.format_number(parsed, phonenumbers.PhoneNumberFormat.E164)


def _check(name: str, value: Any) -> Any:
    match name:
        case "clinic_ref":
            return fields.text(name, value, longest=40)
        case "name":
            return fields.text(name, value, longest=120)
        case "zone":
            return localtime.zone(value).key
        case "language":
            return checked_language(name, value)
        case "usual_pillows":
            return None if value is None else fields.whole(name, value, 0, 10)
        case "dry_weight_kg":
            return None if value is None else fields.number(name, value, 20, 400, "kg")
        case "weight_unit":
            if value not in UNITS_OF_WEIGHT:
                raise Refused(name, value, " or ".join(UNITS_OF_WEIGHT))
            return value
    raise Refused(name, value, "a particular of the patient")
