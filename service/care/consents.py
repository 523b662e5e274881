"""Consent as a record: written once, never changed, and a withdrawal acted on at once.

The newest record counts, so what is recorded later is later, even when the machine's
clock was set back in between: a withdrawal must never lose to an older yes.
"""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.domain.vocabulary import ConsentKind
from service.store import audit, outbox
from service.store.tables import Consent, Patient

WITHDRAWN = "consent_withdrawn"
# Without these nothing may go to the person. What was meant for a phone of theirs may still go as a text.
STOPS_EVERYTHING = frozenset({ConsentKind.MESSAGES, ConsentKind.CAREGIVER})


def write(
    session: Session,
    patient: Patient,
    caregiver_id: uuid.UUID | None,
    kind: ConsentKind,
    given: bool,
    how: str,
    actor: audit.Actor,
    now: datetime,
) -> Consent:
    """Write one record with its audit line; a withdrawal cancels what is queued to that person."""
    consent = Consent(
        id=uuid.uuid4(), clinic_id=patient.clinic_id, patient_id=patient.id, caregiver_id=caregiver_id, kind=kind,
        given=given, how=how, recorded_by=str(actor), at=_after_the_last(session, patient.id, caregiver_id, kind, now),
    )  # fmt: skip
    session.add(consent)
    session.flush()
    if not given and kind in STOPS_EVERYTHING:
        if caregiver_id is not None:
            outbox.cancel_for_person(session, WITHDRAWN, now, caregiver_id=caregiver_id)
        else:
            outbox.cancel_for_person(session, WITHDRAWN, now, patient_id=patient.id)
    audit.write_line(
        session, actor, "consent.give" if given else "consent.withdraw", ("patient", patient.id), now,
        clinic_id=patient.clinic_id,
        detail={"kind": kind.value, "caregiver": str(caregiver_id) if caregiver_id else None},
    )  # fmt: skip
    return consent


def _after_the_last(
    session: Session, patient_id: uuid.UUID, caregiver_id: uuid.UUID | None, kind: ConsentKind, now: datetime
) -> datetime:
    same_person = Consent.caregiver_id.is_(None) if caregiver_id is None else Consent.caregiver_id == caregiver_id
    last = session.scalar(
        select(func.max(Consent.at)).where(Consent.patient_id == patient_id, Consent.kind == kind, same_person)
    )
    return now if last is None else max(now, last + timedelta(microseconds=1))
