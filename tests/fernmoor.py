"""A small invented ward for tests of scheduling, set up through enrolling."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from sqlalchemy import Engine, insert, select
from sqlalchemy.orm import Session

from service.care.windows import readings_arrived
from service.domain.vocabulary import Source
from service.scheduling import closing, opening, steps
from service.store.session import read_session, write_session
from service.store.tables import Base, Caregiver, Clinic, Patient, Reading
from tests.builder import AUCKLAND, NUMBERS, Builder, building, next_number

# A Sunday evening in Auckland; the first window opens on Monday, 2 March, at seven.
START = datetime(2026, 3, 1, 8, tzinfo=UTC)
MONDAY = date(2026, 3, 2)
SEVEN = datetime(2026, 3, 1, 18, tzinfo=UTC)  # seven o'clock on that Monday in Auckland


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
        with building(self.engine, self.now) as build:
            return build.patient(
                self.clinic,
                f"Patient {number}",
                ref=f"F-{number}",
                zone=zone,
                phones=(next_number(),) if contact else (),
                consent=consent,
                plan={"opens": opens, "due": due, "closes": closes, **(plan or {})},
                # Long enough ago that follow-up is no longer that of the first weeks.
                enrolled_ago=enrolled,
            )

    def caregiver(
        self, patient: Patient, *, allowed: bool = True, agreed: bool = True, contact: bool = True
    ) -> Caregiver:
        with building(self.engine, self.now) as build:
            phones = (next_number(),) if contact else ()
            return build.caregiver(patient, f"Caregiver {next(NUMBERS)}", phones=phones, allowed=allowed, agreed=agreed)

    def write_reading(self, patient: Patient, day: date, received_at: datetime) -> None:
        """A reading as it lies in the table, with nothing told of it."""
        with write_session(self.engine) as session:
            session.execute(insert(Reading).values(**reading_row(patient, day, received_at)))

    def arrive(self, patient: Patient, day: int, now: datetime) -> None:
        """A reading of that day (counted from Monday) is recorded, as intake does it."""
        local_date = MONDAY + timedelta(days=day)
        with write_session(self.engine) as session:
            session.add(Reading(**reading_row(patient, local_date, now)))
            session.flush()
            readings_arrived(session, {patient.id: [local_date]}, now)

    def rows(self, table: type[Base], *where: Any, order: Any = None) -> list[Any]:
        with read_session(self.engine) as session:
            query = select(table).where(*where)
            return list(session.scalars(query if order is None else query.order_by(order)))


def tick(engine: Engine, now: datetime) -> None:
    """Windows open, close, and their steps are taken."""
    opening.open_windows(engine, now)
    closing.close_windows(engine, now)
    steps.take_steps(engine, now)


def clinic_of(session: Session, now: datetime = START, **settings: Any) -> Clinic:
    return Builder(session, now).clinic(**{**AUCKLAND, **settings})


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
        "weight_confirmed": False,
    }
