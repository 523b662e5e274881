"""The end of looking after a patient here: nothing more is expected, asked or sent."""

from __future__ import annotations

from sqlalchemy import select, update

from service.domain.vocabulary import PatientState
from service.store import outbox, panel
from service.store.audit import Act
from service.store.tables import Caregiver, Patient, Plan


def end_patient(act: Act, patient: Patient, reason: str = "patient_ended") -> None:
    """Nothing more is expected of the patient, asked or sent, to them or to a caregiver, all in this transaction.

    `reason` is what is written on the messages that were waiting.
    """
    session, now = act.session, act.now
    patient.state, patient.dues_at = PatientState.ENDED, now  # nothing of the record is due any more
    session.execute(update(Plan).where(Plan.patient_id == patient.id).values(active=False))
    outbox.cancel_for_person(session, reason, now, patient_id=patient.id)
    for caregiver_id in session.scalars(select(Caregiver.id).where(Caregiver.patient_id == patient.id)):
        outbox.cancel_for_person(session, reason, now, caregiver_id=caregiver_id)
    panel.mark_stale(session, [patient.id], now)
    act.note("patient.end", patient)
