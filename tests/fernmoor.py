"""A small invented ward for tests of scheduling, set up through enrolling."""

from __future__ import annotations

import itertools
import uuid
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from sqlalchemy import Engine, insert, select
from sqlalchemy.orm import Session

from service import enrolling
from service.domain.vocabulary import Channel, ConsentKind, Source
from service.store.audit import OPERATOR
from service.store.session import read_session, write_session
from service.store.tables import Base, Caregiver, Clinic, Patient, Reading

# A Sunday evening in Auckland; the first window opens on Monday, 2 March, at seven.
START = datetime(2026, 3, 1, 8, tzinfo=UTC)
NUMBERS = itertools.count(100)


@dataclass
class Fernmoor:
    """One clinic and whoever is enrolled in it."""

    engine: Engine
    clinic: Clinic
    now: datetime = START

    def patient(
        self,
        zone: str = "Pacific/Auckland",
        *,
        opens: time = time(7),
        due: time = time(8, 30),
        closes: time = time(10),
        consent: bool = True,
        contact: bool = True,
        enrolled: timedelta = timedelta(days=60),
        plan: dict[str, Any] | None = None,
    ) -> Patient:
        number = next(NUMBERS)
        with write_session(self.engine) as session:
            new = enrolling.NewPatient(clinic_ref=f"F-{number}", name=f"Patient {number}", zone=zone)
            # Long enough ago that follow-up is no longer that of the first weeks.
            enrolled_at = self.now - enrolled
            patient = enrolling.enrol_patient(session, self.clinic, new, OPERATOR, enrolled_at)
            if contact:
                enrolling.add_contact(session, patient, text_contact(), OPERATOR, self.now)
            enrolling.record_consent(session, patient, ConsentKind.MESSAGES, consent, "signed form", OPERATOR, self.now)
            new_plan = enrolling.NewPlan(opens=opens, due=due, closes=closes, **(plan or {}))
            enrolling.set_plan(session, patient, new_plan, OPERATOR, self.now)
        return patient

    def caregiver(
        self, patient: Patient, *, allowed: bool = True, agreed: bool = True, contact: bool = True
    ) -> Caregiver:
        with write_session(self.engine) as session:
            new = enrolling.NewCaregiver(name=f"Caregiver {next(NUMBERS)}")
            caregiver = enrolling.add_caregiver(session, patient, new, OPERATOR, self.now)
            if contact:
                enrolling.add_contact(session, caregiver, text_contact(), OPERATOR, self.now)
            for kind, given in ((ConsentKind.CAREGIVER, allowed), (ConsentKind.MESSAGES, agreed)):
                enrolling.record_consent(session, patient, kind, given, "by telephone", OPERATOR, self.now, caregiver)
        return caregiver

    def write_reading(self, patient: Patient, day: date, received_at: datetime) -> None:
        """A reading as it lies in the table, with nothing told of it."""
        with write_session(self.engine) as session:
            session.execute(insert(Reading).values(**reading_row(patient, day, received_at)))

    def rows(self, table: type[Base], *where: Any, order: Any = None) -> list[Any]:
        with read_session(self.engine) as session:
            query = select(table).where(*where)
            return list(session.scalars(query if order is None else query.order_by(order)))


def clinic_of(session: Session, now: datetime = START, **settings: Any) -> Clinic:
    new = enrolling.NewClinic(
        name="Fernmoor Clinic",
        zone="Pacific/Auckland",
        emergency_number="111",
        contact_line="09 999 0100",
        sender_name="Fernmoor",
        quiet_from=time(21),
        quiet_until=time(6, 30),
        **settings,
    )
    return enrolling.enrol_clinic(session, new, OPERATOR, now)


def text_contact() -> enrolling.NewContact:
    return enrolling.NewContact(Channel.TEXT, f"+649999{next(NUMBERS):04}")


def reading_row(patient: Patient, day: date, received_at: datetime) -> dict[str, Any]:
    return {
        "id": uuid.uuid4(),
        "clinic_id": patient.clinic_id,
        "patient_id": patient.id,
        # A moment of that morning in Auckland, and another one for each reading received.
        "taken_at": datetime.combine(day - timedelta(days=1), time(18, 30), UTC) + (received_at - START) / 1_000_000,
        "received_at": received_at,
        "local_date": day,
        "pa_systolic": 36.0,
        "pa_diastolic": 18.0,
        "pa_mean": 24.0,
        "mean_is_derived": False,
        "source": Source.API,
        "unit_given": "mm[Hg]",
        "remarks": [],
    }


def checkin_row(patient: Patient, day: date, answered_at: datetime) -> dict[str, Any]:
    return {
        "id": uuid.uuid4(),
        "clinic_id": patient.clinic_id,
        "patient_id": patient.id,
        "local_date": day,
        "answered_at": answered_at,
        "source": Source.PAGE,
        "breathlessness": 2,
        "remarks": [],
    }
