"""A caregiver looks out for the patient no longer."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Session

from service.care import contacts
from service.domain.vocabulary import ConsentKind
from service.enrolling.consenting import record_consent
from service.store import audit, outbox
from service.store.tables import Caregiver, Patient

ENDED = "caregiver_ended"
HOW = "no longer a caregiver"


def end_caregiver(session: Session, caregiver: Caregiver, actor: audit.Actor, now: datetime) -> None:
    """Nothing more is sent to the caregiver, and their links open nothing; what they said stays.

    What is queued to them is cancelled with the reason `caregiver_ended`, and every
    consent that stands is withdrawn on record. One who has ended stays as they are.
    """
    if not caregiver.active:
        return
    caregiver.active = False
    session.flush()
    outbox.cancel_for_person(session, ENDED, now, caregiver_id=caregiver.id)
    patient = session.get_one(Patient, caregiver.patient_id)
    for kind in ConsentKind:
        if contacts.has_consent(session, patient.id, kind, caregiver.id):
            record_consent(session, patient, kind, False, HOW, actor, now, caregiver)
    audit.write_line(
        session, actor, "caregiver.end", ("caregiver", caregiver.id), now, clinic_id=caregiver.clinic_id,
        detail={"patient": str(patient.id)},
    )  # fmt: skip
