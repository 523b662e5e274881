"""The people of the demo, read for its pages in a fixed number of queries."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.localtime import zone
from service.domain.vocabulary import Channel, PatientState, WindowState
from service.store.tables import Caregiver, Clinic, Contact, Patient, Reading, Window


@dataclass
class Person:
    """A patient, their telephone, and the telephones of whoever looks after them."""

    name: str
    zone: str
    language: str
    local: datetime
    contact_id: uuid.UUID | None = None
    is_waited_for: bool = False
    caregivers: list[tuple[str, uuid.UUID]] = field(default_factory=list)


def clinic(session: Session) -> Clinic | None:
    """The demo's one clinic."""
    return session.scalars(select(Clinic).order_by(Clinic.created_at).limit(1)).first()


def everybody(session: Session, now: datetime) -> list[Person]:
    """All active patients, those who are waited for first, then by name. Four queries."""
    patients = session.scalars(select(Patient).where(Patient.state == PatientState.ACTIVE).order_by(Patient.name)).all()
    people = {one.id: Person(one.name, one.zone, one.language, now.astimezone(zone(one.zone))) for one in patients}
    texts = (Contact.channel == Channel.TEXT, Contact.staff_id.is_(None))
    carers = {
        one.id: one for one in session.scalars(select(Caregiver).where(Caregiver.active).order_by(Caregiver.position))
    }
    for contact in session.scalars(select(Contact).where(*texts).order_by(Contact.position, Contact.created_at)):
        if contact.patient_id in people and people[contact.patient_id].contact_id is None:
            people[contact.patient_id].contact_id = contact.id
        elif contact.caregiver_id in carers:
            carer = carers[contact.caregiver_id]
            if carer.patient_id in people:
                people[carer.patient_id].caregivers.append((carer.name, contact.id))
    for patient_id in session.scalars(select(Window.patient_id).where(Window.state == WindowState.OPEN)):
        if patient_id in people:
            people[patient_id].is_waited_for = True
    return sorted(people.values(), key=lambda one: (not one.is_waited_for, one.name))


def last_reading(session: Session, patient_id: uuid.UUID) -> tuple[float, float, float, float] | None:
    """The newest reading: systolic, diastolic, mean (mmHg), heart rate."""
    row = session.scalars(
        select(Reading)
        .where(Reading.patient_id == patient_id, Reading.superseded_at.is_(None))
        .order_by(Reading.taken_at.desc())
        .limit(1)
    ).first()
    return None if row is None else (row.pa_systolic, row.pa_diastolic, row.pa_mean, row.heart_rate or 72.0)
