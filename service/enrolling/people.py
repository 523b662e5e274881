"""Patients, caregivers and how each is reached."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import phonenumbers
import structlog
from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session

from service.care import contacts
from service.care.tasks import raise_task
from service.domain import localtime, validation
from service.domain.readings import UNITS_OF_WEIGHT
from service.domain.tasks import NumberToCheck, Whose
from service.domain.validation import Clashes, Refused
from service.domain.vocabulary import Channel, ConsentKind, ContactState, MessageKind, PatientState
from service.enrolling.plans import move_plan
from service.store import outbox, panel
from service.store.audit import Act
from service.store.identity import new_id
from service.store.tables import Caregiver, Clinic, Contact, Message, Patient, PatientMove, Staff
from service.words import countries
from service.words.language import checked_language

log = structlog.get_logger(__name__)

CAREGIVER_ENDED = "caregiver_ended"
HOW_ENDED = "no longer a caregiver"
MOST_TESTS, TESTS_WITHIN = 5, timedelta(days=1)  # to one contact; our own number, no source
TEST_LASTS = timedelta(minutes=30)  # a test that arrives later tells nobody anything


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
    says_back: bool = True


@dataclass(frozen=True)
class NewCaregiver:
    """`zone` and `language` default to the patient's."""

    name: str
    relation: str = ""
    zone: str | None = None
    language: str | None = None


def enrol_patient(act: Act, new: NewPatient, its_id: uuid.UUID | None = None) -> Patient:
    """Write a patient. Nothing is sent until a contact, a consent and a plan are there too. Raises Refused."""
    values = {name: _check(name, value) for name, value in vars(new).items()}
    taken = select(Patient.id).where(Patient.clinic_id == act.clinic_id, Patient.clinic_ref == values["clinic_ref"])
    if act.session.scalar(taken) is not None:
        raise ref_is_taken(new.clinic_ref)
    patient = Patient(id=its_id or new_id(), enrolled_at=act.now, state=PatientState.ACTIVE, **values)
    act.add(patient)
    panel.begin(act.session, act.clinic_id, patient.id, act.now)
    act.note("patient.enrol", patient)
    return patient


def ref_is_taken(ref: str) -> Refused:
    """What is said of a number that somebody else has."""
    return Clashes("clinic_ref", ref, "a reference no other patient of the clinic has")


def change_patient(act: Act, patient: Patient, changes: Mapping[str, Any]) -> Patient:
    """Change some of a patient's particulars.

    A move to another zone plans the next window there; the one already open
    stays as it was. The move is kept, with the planned dates it leaves without a
    window. Raises Refused.
    """
    was = patient.zone
    for name, value in changes.items():
        setattr(patient, name, _check(name, value))
    act.session.flush()
    if patient.zone != was:
        patient.dues_at = act.now  # another date may have begun there
        _move(act, patient, was)
    panel.mark_stale(act.session, [patient.id], act.now)
    act.note("patient.change", patient, fields=sorted(changes))
    return patient


def _move(act: Act, patient: Patient, was: str) -> None:
    left = move_plan(act, patient)
    last = newest_move(act.session, patient.id)
    act.add(
        PatientMove(
            patient_id=patient.id,
            at=localtime.later(act.now, last.at if last else None),
            from_zone=was,
            to_zone=patient.zone,
            without_window=[day.isoformat() for day in left],
        )
    )


def newest_move(session: Session, patient_id: uuid.UUID) -> PatientMove | None:
    """The last time they moved to another zone; None where they never did."""
    return session.scalars(
        select(PatientMove)
        .where(PatientMove.patient_id == patient_id)
        .order_by(PatientMove.at.desc(), PatientMove.id)
        .limit(1)
    ).first()


def add_caregiver(act: Act, patient: Patient, new: NewCaregiver) -> Caregiver:
    """Write a caregiver. Both sides' consents are recorded apart, and nothing is sent before both. Raises Refused."""
    position = act.session.scalar(select(func.count(Caregiver.id)).where(Caregiver.patient_id == patient.id)) or 0
    caregiver = Caregiver(
        patient_id=patient.id,
        name=validation.text("name", new.name, longest=120),
        relation=validation.text("relation", new.relation, longest=40, shortest=0),
        zone=localtime.zone(new.zone or patient.zone).key,
        language=checked_language("language", new.language or patient.language),
        position=position,
        active=True,
        created_at=act.now,
    )
    act.add(caregiver)
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
            contacts.record_consent(act, patient, kind, False, HOW_ENDED, caregiver)
    act.note("caregiver.end", caregiver, patient=patient.id)


def add_contact(act: Act, owner: Patient | Caregiver | Staff, new: NewContact) -> Contact:
    """Write one way to reach a person; contacts are tried in the order they were added. Raises Refused."""
    column = contacts.owner(owner)
    position = act.session.scalar(select(func.count(Contact.id)).where(column == owner.id)) or 0
    contact = Contact(
        channel=new.channel,
        address=checked_address("address", new.channel, new.address),
        position=position,
        state=ContactState.OK,
        created_at=act.now,
        **{column.key: owner.id},
    )
    act.add(contact)
    act.note("contact.add", contact, channel=new.channel, **{column.key: owner.id})
    _ask_to_check(act, contact)
    return contact


def mend_contact(act: Act, contact: Contact, address: str) -> Contact:
    """Correct an address, and try it again if it was marked broken. Raises Refused."""
    mended = checked_address("address", contact.channel, address)
    if mended != contact.address:
        contact.introduced_by = None  # perhaps somebody else than before reads there
        contact.changed_at = act.now
    contact.address = mended
    contact.state = ContactState.OK
    contact.broken_reason = None
    act.session.flush()
    act.note("contact.mend", contact)
    _ask_to_check(act, contact)
    return contact


def end_staff_contact(act: Act, contact: Contact) -> None:
    """Nothing more goes to that telephone or mailbox of a member of staff. What waits goes to their next contact."""
    contact.state = ContactState.BROKEN
    contact.broken_reason = "ended by an administrator"
    act.session.flush()
    act.note("contact.end", contact, staff=contact.staff_id)


def _ask_to_check(act: Act, contact: Contact) -> None:
    """A number that is alive in another clinic too may be a wrong digit: this clinic is asked to check it.

    That there is another, and which, is for the operator alone.
    """
    shared = contacts.shared_numbers(act.session, contact.address) if contact.channel is Channel.TEXT else {}
    others = [str(one.id) for some in shared.values() for one in some if one.clinic_id != contact.clinic_id]
    if not others:
        return
    log.warning("number alive in another clinic", contact=str(contact.id), others=others)
    caregiver = None if contact.caregiver_id is None else act.session.get_one(Caregiver, contact.caregiver_id)
    whose = Whose.STAFF if contact.staff_id else Whose.CAREGIVER if caregiver else Whose.PATIENT
    patient_id = contact.patient_id if caregiver is None else caregiver.patient_id
    key = f"check_number:{contact.id}:{act.now.isoformat()}"
    raise_task(act.session, contact.clinic_id, patient_id, NumberToCheck(contact.id, whose), key, act.now)


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


def checked_address(field: str, channel: Channel, given: str, region: str | None = None) -> str:
    """A telephone number or an e-mail address as it is kept. Raises Refused.

    A number without a country code is one of `region` (ISO 3166), and refused where none is given.
    """
    if channel is Channel.EMAIL:
        return validation.mailbox(field, given)
    if channel is Channel.WEBPUSH:
        raise Refused("channel", channel.value, "text or email; for notices on a phone, make that person's link")
    no = Refused(field, given, "a telephone number with its country code, such as +64 9 999 01 00")
    try:
        parsed = phonenumbers.parse(given, region)
    except phonenumbers.NumberParseException:
        raise no from None
    # Possible, not valid: new number ranges reach telephones before they reach a library's tables.
    if not phonenumbers.is_possible_number(parsed):
        raise no
    return phonenumbers.format_number(parsed, phonenumbers.PhoneNumberFormat.E164)


def region_of(clinic: Clinic) -> str | None:
    """The country (ISO 3166) whose numbers people of this clinic dial without a code; None is not known."""
    try:
        line = phonenumbers.parse(clinic.contact_line)
    except phonenumbers.NumberParseException:
        return countries.of_zone(clinic.zone)
    return phonenumbers.region_code_for_country_code(line.country_code or 0)


def as_dialled(number: str) -> tuple[str, str | None]:
    """A number that is kept, in groups of digits with its country code, and the country (ISO 3166), if it is of one."""
    parsed = phonenumbers.parse(number)
    region = phonenumbers.region_code_for_number(parsed) or phonenumbers.region_code_for_country_code(
        parsed.country_code or 0
    )
    shown = phonenumbers.format_number(parsed, phonenumbers.PhoneNumberFormat.INTERNATIONAL)
    return shown, region if region in countries.known() else None


def send_test(act: Act, contact: Contact, channels: Collection[Channel]) -> uuid.UUID:
    """Queue a test message to a patient's or caregiver's contact; `channels` are those that are set up. Its id.

    Its words say nothing of anybody. Raises Refused where it could not leave, and for one too many.
    """
    session, now = act.session, act.now
    caregiver = None if contact.caregiver_id is None else session.get_one(Caregiver, contact.caregiver_id)
    patient_id = contact.patient_id if caregiver is None else caregiver.patient_id
    if contact.state is not ContactState.OK or (caregiver is not None and not caregiver.active):
        raise Refused("contact", str(contact.id), "a contact that works")
    if contact.channel not in channels:
        raise Refused("contact", str(contact.id), "a way of sending that this service is set up for")
    if contact not in contacts.reachable(session, patient_id=patient_id, caregiver_id=contact.caregiver_id):
        raise Refused("contact", str(contact.id), "somebody who has agreed to messages")
    tests = select(func.count(Message.id)).where(
        Message.patient_id == patient_id,
        Message.contact_id == contact.id,
        Message.kind == MessageKind.TEST,
        Message.created_at > now - TESTS_WITHIN,
    )
    number = session.scalar(tests) or 0
    if number >= MOST_TESTS:
        raise Refused("contact", str(contact.id), "no more than 5 test messages a day to one contact")
    sent = outbox.enqueue(
        session,
        outbox.NewMessage(
            clinic_id=contact.clinic_id,
            contact_id=contact.id,
            kind=MessageKind.TEST,
            channel=contact.channel,
            dedupe_key=f"test:{contact.id}:{now.isoformat()}",
            due_at=now,
            expires_at=now + TEST_LASTS,
            patient_id=patient_id,
            caregiver_id=contact.caregiver_id,
        ),
        now,
    )
    if sent is None:
        raise Refused("contact", str(contact.id), "one test message at a time")
    act.note("message.test", ("message", sent), patient=patient_id)
    return sent


def _check(name: str, value: Any) -> Any:
    match name:
        case "clinic_ref":
            return validation.text(name, value, longest=40)
        case "name":
            return validation.text(name, value, longest=120)
        case "zone":
            return localtime.zone(value).key
        case "language":
            return checked_language(name, value)
        case "usual_pillows":
            return None if value is None else validation.whole(name, value, 0, 10)
        case "dry_weight_kg":
            return None if value is None else validation.number(name, value, 20, 400, "kg")
        case "says_back":
            return validation.yes_no(name, value)
        case "weight_unit":
            if value not in UNITS_OF_WEIGHT:
                raise Refused(name, value, "one of %(words)s", words=tuple(UNITS_OF_WEIGHT))
            return value
    raise Refused(name, value, "a particular of the patient")
