"""A clinician's word that a level that has been high for weeks is known: why, and until when.

It lets the patient be settled again, and hides nothing: the row goes on telling the level,
the reason and the date. Any signal raised after it breaks it, for good, and so does its date
(`store.staffwork` reads which one is in force). Silence does not: it has a lane of its own.
"""

from __future__ import annotations

from datetime import date, timedelta

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.domain import validation
from service.domain.localtime import local_date
from service.domain.validation import Refused
from service.domain.vocabulary import SignalKind
from service.store import panel
from service.store.audit import Act
from service.store.session import changes_one
from service.store.tables import Acceptance, Patient, Signal

LONGEST_REASON = 400
FURTHEST = timedelta(days=366)


def accept(act: Act, patient: Patient, reason: str, until: date | None) -> Acceptance:
    """Accept the patient's high level until that date, itself included. Raises Refused, and writes nothing then."""
    today = local_date(act.now, patient.zone)
    why = validation.text("reason", reason, longest=LONGEST_REASON)
    if until is None or not today <= until <= today + FURTHEST:
        raise Refused("until", until and until.isoformat(), "a date from today to a year ahead")
    if not _is_high(act.session, patient):
        raise Refused("patient", patient.clinic_ref, "a patient whose pressure is told as high for weeks")
    accepted = Acceptance(
        patient_id=patient.id,
        reason=why,
        until=until,
        accepted_by=act.actor.id,
        accepted_at=act.now,
    )
    act.add(accepted)
    panel.judge_again(act.session, [patient.id], act.now)
    act.note("acceptance.set", accepted, patient=patient.id, until=until)
    return accepted


def take_back(act: Act, accepted: Acceptance) -> bool:
    """Take it back. False when it had been before: the first time stands."""
    still = (Acceptance.id == accepted.id, Acceptance.taken_back_at.is_(None))
    if not changes_one(act.where, update(Acceptance).where(*still).values(taken_back_at=act.now)):
        return False
    panel.judge_again(act.session, [accepted.patient_id], act.now)
    act.note("acceptance.take_back", accepted, patient=accepted.patient_id)
    return True


def _is_high(session: Session, patient: Patient) -> bool:
    going_on = select(Signal.id).where(
        Signal.patient_id == patient.id, Signal.kind == SignalKind.HIGH_STEADY, Signal.ended_on.is_(None)
    )
    return session.scalar(going_on.limit(1)) is not None
