"""Consent, recorded before anything is sent and withdrawn without argument."""

from __future__ import annotations

import uuid
from datetime import datetime

from sqlalchemy.orm import Session

from service.domain import fields
from service.domain.refused import Refused
from service.domain.words import ConsentKind
from service.store import audit, outbox
from service.store.tables import Caregiver, Consent, Patient

WITHDRAWN = "consent_withdrawn"


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
    consent = Consent(
        id=uuid.uuid4(),
        clinic_id=patient.clinic_id,
        patient_id=patient.id,
        caregiver_id=caregiver.id if caregiver else None,
        kind=kind,
        given=given,
        how=fields.text("how", how, longest=200),
        recorded_by=str(actor),
        at=now,
    )
    session.add(consent)
    session.flush()
    if not given and kind is not ConsentKind.CAREGIVER_VALUES:
        if caregiver is not None:
            outbox.cancel_for_person(session, WITHDRAWN, now, caregiver_id=caregiver.id)
        else:
            outbox.cancel_for_person(session, WITHDRAWN, now, patient_id=patient.id)
    audit.write_line(
        session, actor, "consent.give" if given else "consent.withdraw", ("patient", patient.id), now,
        clinic_id=patient.clinic_id,
        detail={"kind": kind.value, "caregiver": str(caregiver.id) if caregiver else None},
    )  # fmt: skip
    return consent
