"""Consent, recorded before anything is sent and withdrawn without argument."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care import consents
from service.domain import fields
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, ConsentKind, ContactState
from service.store import audit
from service.store.tables import Caregiver, Consent, Contact, Patient

# Whose own agreement it is: the caregiver's where one is named, else the patient's.
ONES_OWN = frozenset({ConsentKind.MESSAGES, ConsentKind.WEBPUSH})
ENDED_BY_OWNER = "ended by the person"


def record_consent(
    session: Session,
    patient: Patient,
    kind: ConsentKind,
    given: bool,
    how: str,
    actor: audit.Actor,
    now: datetime,
    caregiver: Caregiver | None = None,
) -> Consent:
    """Record that consent was given, refused or withdrawn, and how.

    Without a caregiver, MESSAGES and WEBPUSH are the patient's own. With one, they are
    the caregiver's agreement for themselves, and the other kinds are what the patient
    allows this caregiver. A withdrawal cancels what is queued, in this transaction;
    that of WEBPUSH ends the person's phone as a contact, and what is queued to it goes
    to the next one. Raises Refused.
    """
    if kind not in ONES_OWN and caregiver is None:
        raise Refused("caregiver", None, f"the caregiver whom {kind.value} is about")
    if caregiver is not None and caregiver.patient_id != patient.id:
        raise Refused("caregiver", str(caregiver.id), "a caregiver of this patient")
    told = fields.text("how", how, longest=200)
    consent = consents.write(session, patient, caregiver.id if caregiver else None, kind, given, told, actor, now)
    if kind is ConsentKind.WEBPUSH and not given:
        _end_phones(session, caregiver or patient, actor, now)
    return consent


def _end_phones(session: Session, person: Patient | Caregiver, actor: audit.Actor, now: datetime) -> None:
    whose = Contact.patient_id if isinstance(person, Patient) else Contact.caregiver_id
    phones = select(Contact).where(whose == person.id, Contact.channel == Channel.WEBPUSH)
    for phone in session.scalars(phones.where(Contact.state == ContactState.OK)):
        phone.state, phone.broken_reason = ContactState.BROKEN, ENDED_BY_OWNER
        audit.write_line(session, actor, "contact.end", ("contact", phone.id), now, clinic_id=phone.clinic_id)
    session.flush()
