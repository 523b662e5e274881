"""Consent, recorded before anything is sent and withdrawn without argument."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Session

from service.domain import fields
from service.domain.refused import Refused
from service.domain.words import ConsentKind
from service.store import audit, consents
from service.store.tables import Caregiver, Consent, Patient


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

    Without a caregiver, MESSAGES is the patient's own. With one, MESSAGES is the
    caregiver's agreement for themselves, and the other kinds are what the patient
    allows this caregiver. A withdrawal cancels what is queued, in this transaction.
    Raises Refused.
    """
    if kind is not ConsentKind.MESSAGES and caregiver is None:
        raise Refused("caregiver", None, f"the caregiver whom {kind.value} is about")
    if caregiver is not None and caregiver.patient_id != patient.id:
        raise Refused("caregiver", str(caregiver.id), "a caregiver of this patient")
    told = fields.text("how", how, longest=200)
    return consents.write(session, patient, caregiver.id if caregiver else None, kind, given, told, actor, now)
