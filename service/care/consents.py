"""Consent as a record: written once, never changed, and a withdrawal acted on at once.

The newest record counts, so what is recorded later is later, even when the machine's
clock was set back in between: a withdrawal must never lose to an older yes.
"""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.domain import fields
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, ConsentKind, ContactState
from service.store import outbox
from service.store.audit import Act
from service.store.tables import Caregiver, Consent, Contact, Patient

WITHDRAWN = "consent_withdrawn"
ENDED_BY_OWNER = "ended by the person"
# Without these nothing may go to the person. What was meant for a phone of theirs may still go as a text.
STOPS_EVERYTHING = frozenset({ConsentKind.MESSAGES, ConsentKind.CAREGIVER})
# Whose own agreement it is: the caregiver's where one is named, else the patient's.
ONES_OWN = frozenset({ConsentKind.MESSAGES, ConsentKind.WEBPUSH})


def record_consent(
    act: Act, patient: Patient, kind: ConsentKind, given: bool, how: str, caregiver: Caregiver | None = None
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
    session, now = act.session, act.now
    caregiver_id = caregiver.id if caregiver else None
    consent = Consent(
        id=uuid.uuid4(),
        clinic_id=patient.clinic_id,
        patient_id=patient.id,
        caregiver_id=caregiver_id,
        kind=kind,
        given=given,
        how=fields.text("how", how, longest=200),
        recorded_by=str(act.actor),
        at=_after_the_last(session, patient.id, caregiver_id, kind, now),
    )
    session.add(consent)
    session.flush()
    if not given and kind in STOPS_EVERYTHING:
        if caregiver_id is not None:
            outbox.cancel_for_person(session, WITHDRAWN, now, caregiver_id=caregiver_id)
        else:
            outbox.cancel_for_person(session, WITHDRAWN, now, patient_id=patient.id)
    act.note("consent.give" if given else "consent.withdraw", patient, kind=kind, caregiver=caregiver_id)
    if kind is ConsentKind.WEBPUSH and not given:
        _end_phones(act, caregiver or patient)
    return consent


def _after_the_last(
    session: Session, patient_id: uuid.UUID, caregiver_id: uuid.UUID | None, kind: ConsentKind, now: datetime
) -> datetime:
    same_person = Consent.caregiver_id.is_(None) if caregiver_id is None else Consent.caregiver_id == caregiver_id
    last = session.scalar(
        select(func.max(Consent.at)).where(Consent.patient_id == patient_id, Consent.kind == kind, same_person)
    )
    return now if last is None else max(now, last + timedelta(microseconds=1))


def _end_phones(act: Act, person: Patient | Caregiver) -> None:
    whose = Contact.patient_id if isinstance(person, Patient) else Contact.caregiver_id
    phones = select(Contact).where(whose == person.id, Contact.channel == Channel.WEBPUSH)
    for phone in act.session.scalars(phones.where(Contact.state == ContactState.OK)):
        phone.state, phone.broken_reason = ContactState.BROKEN, ENDED_BY_OWNER
        act.note("contact.end", phone)
    act.session.flush()
