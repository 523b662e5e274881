"""A clinic with patients, written straight into the tables: what review tests start from.

Invented people. Nothing here goes through intake, so that a test of the review
does not fail for a reason of intake's.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from service.domain.tasks import AlarmWritten, as_json
from service.domain.vocabulary import PauseCause, Role, SilenceCause, Source, TaskKind, TaskState, WindowState
from service.store.tables import (
    Checkin,
    Clinic,
    Limits,
    Patient,
    Pause,
    Plan,
    Reading,
    Reference,
    Silence,
    Staff,
    Task,
    Window,
)

NOW = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)  # a Wednesday
EVERY_DAY = 0b1111111


@dataclass
class Ward:
    """One clinic inside one session."""

    session: Session
    clinic: Clinic
    nurse: Staff
    now: datetime

    def today(self, patient: Patient) -> date:
        return self.now.astimezone(ZoneInfo(patient.zone)).date()

    def patient(
        self,
        name: str,
        *,
        zone: str = "Europe/London",
        pressures: Sequence[float | None] = (),
        weights: Sequence[float | None] = (),
        breathlessness: Sequence[int | None] = (),
        planned: bool = True,
        reference: float | None = None,
        upper: float | None = None,
        lower: float | None = None,
        enrolled_days_ago: int = 200,
    ) -> Patient:
        """A patient whose newest value of each sequence is today's; None is a day without."""
        patient = Patient(
            id=uuid.uuid4(),
            clinic_id=self.clinic.id,
            clinic_ref=uuid.uuid4().hex[:8],
            name=name,
            zone=zone,
            language="en",
            usual_pillows=2,
            dry_weight_kg=80.0,
            weight_unit="kg",
            enrolled_at=self.now - timedelta(days=enrolled_days_ago),
        )
        self.session.add(patient)
        self.session.flush()
        if planned:
            self._plan(patient)
        if reference is not None:
            self.reference(patient, reference)
        if upper is not None or lower is not None:
            self.session.add(
                Limits(
                    clinic_id=self.clinic.id,
                    patient_id=patient.id,
                    upper=upper,
                    lower=lower,
                    set_by="test",
                    set_at=self.now - timedelta(days=100),
                )
            )
        today = self.today(patient)
        for ago, value in enumerate(reversed(pressures)):
            day = today - timedelta(days=ago)
            if planned:
                self.window(patient, day, WindowState.ANSWERED if value is not None else WindowState.MISSED)
            if value is not None:
                self.reading(patient, day, value)
        answers: dict[int, dict[str, Any]] = {}
        for ago, kg in enumerate(reversed(weights)):
            if kg is not None:
                answers.setdefault(ago, {})["weight_kg"] = kg
        for ago, score in enumerate(reversed(breathlessness)):
            if score is not None:
                answers.setdefault(ago, {})["breathlessness"] = score
        for ago, given in answers.items():
            self.checkin(patient, today - timedelta(days=ago), given)
        self.session.flush()
        return patient

    def reference(self, patient: Patient, diastolic: float) -> None:
        self.session.add(
            Reference(
                clinic_id=self.clinic.id,
                patient_id=patient.id,
                pa_diastolic=diastolic,
                set_by="test",
                set_at=self.now - timedelta(days=100),
            )
        )

    def window(self, patient: Patient, day: date, state: WindowState) -> Window:
        zone = ZoneInfo(patient.zone)
        opens = datetime.combine(day, time(7), zone).astimezone(UTC)
        window = Window(
            id=uuid.uuid4(),
            clinic_id=self.clinic.id,
            patient_id=patient.id,
            local_date=day,
            zone=patient.zone,
            opens_at=opens,
            due_at=opens + timedelta(hours=2),
            closes_at=opens + timedelta(hours=5),
            wants_reading=True,
            wants_checkin=True,
            state=state,
            reading_at=opens if state is WindowState.ANSWERED else None,
        )
        self.session.add(window)
        return window

    def reading(self, patient: Patient, day: date, diastolic: float, *, at: time = time(7, 30)) -> Reading:
        taken = datetime.combine(day, at, ZoneInfo(patient.zone)).astimezone(UTC)
        reading = Reading(
            id=uuid.uuid4(),
            clinic_id=self.clinic.id,
            patient_id=patient.id,
            taken_at=taken,
            received_at=taken + timedelta(minutes=2),
            local_date=day,
            pa_systolic=diastolic + 18,
            pa_diastolic=diastolic,
            pa_mean=diastolic + 6,
            mean_is_derived=True,
            heart_rate=72,
            source=Source.API,
            unit_given="mm[Hg]",
            remarks=[],
        )
        self.session.add(reading)
        return reading

    def checkin(self, patient: Patient, day: date, given: Mapping[str, Any]) -> Checkin:
        checkin = Checkin(
            id=uuid.uuid4(),
            clinic_id=self.clinic.id,
            patient_id=patient.id,
            local_date=day,
            answered_at=datetime.combine(day, time(8), ZoneInfo(patient.zone)).astimezone(UTC),
            source=Source.PAGE,
            **given,
        )
        self.session.add(checkin)
        return checkin

    def silence(self, patient: Patient, missed: int, cause: SilenceCause = SilenceCause.NO_REPLY) -> Silence:
        today = self.today(patient)
        silence = Silence(
            id=uuid.uuid4(),
            clinic_id=self.clinic.id,
            patient_id=patient.id,
            first_date=today - timedelta(days=missed),
            last_date=today - timedelta(days=1),
            missed=missed,
            cause=cause,
            opened_at=self.now - timedelta(days=missed),
        )
        self.session.add(silence)
        self.session.flush()
        return silence

    def pause(self, patient: Patient, cause: PauseCause, from_date: date, to_date: date | None) -> Pause:
        pause = Pause(
            id=uuid.uuid4(),
            clinic_id=self.clinic.id,
            patient_id=patient.id,
            cause=cause,
            from_date=from_date,
            to_date=to_date,
            recorded_by="test",
            recorded_at=self.now,
        )
        self.session.add(pause)
        self.session.flush()
        return pause

    def task(self, patient: Patient, kind: TaskKind, words: str) -> Task:
        """An open task of the kind, about somebody's own words."""
        task = Task(
            id=uuid.uuid4(),
            clinic_id=self.clinic.id,
            patient_id=patient.id,
            kind=kind,
            facts=as_json(AlarmWritten("test", words, "112")),
            dedupe_key=uuid.uuid4().hex,
            raised_at=self.now - timedelta(hours=1),
            state=TaskState.OPEN,
        )
        self.session.add(task)
        self.session.flush()
        return task

    def staff(self, name: str, role: Role = Role.NURSE) -> Staff:
        staff = Staff(
            id=uuid.uuid4(),
            clinic_id=self.clinic.id,
            email=f"{name.lower()}-{uuid.uuid4().hex[:6]}@fernmoor.example",
            name=name,
            role=role,
            password_hash="none",
            password_set_at=self.now,
            created_at=self.now,
        )
        self.session.add(staff)
        self.session.flush()
        return staff

    def _plan(self, patient: Patient) -> None:
        self.session.add(
            Plan(
                clinic_id=self.clinic.id,
                patient_id=patient.id,
                weekdays=EVERY_DAY,
                opens=time(7),
                due=time(9),
                closes=time(12),
                wants_reading=True,
                wants_checkin=True,
                next_date=self.today(patient) + timedelta(days=1),
                next_open_at=self.now + timedelta(days=1),
                set_at=self.now,
            )
        )


def open_ward(session: Session, *, now: datetime = NOW, zone: str = "Europe/London", weekday: int = 0) -> Ward:
    """An empty invented clinic with one nurse."""
    clinic = Clinic(
        id=uuid.uuid4(),
        name="Fernmoor Clinic",
        zone=zone,
        review_weekday=weekday,
        emergency_number="112",
        contact_line="+441632960000",
        sender_name="Fernmoor",
        quiet_from=time(21),
        quiet_until=time(8),
        steps=[],
        silent_days=3,
        created_at=now - timedelta(days=400),
    )
    session.add(clinic)
    session.flush()
    ward = Ward(session, clinic, None, now)  # type: ignore[arg-type]
    ward.nurse = ward.staff("Imogen Vale")
    return ward
