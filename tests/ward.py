"""A clinic with patients and weeks of data: what review tests start from.

Invented people. They are enrolled by the builder, and their readings and diaries come
through intake, each on its own day; only what the worker would have made of the days
gone by (windows, silences, tasks) is laid into the tables.
"""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Engine, delete, func, select, update
from sqlalchemy.orm import Session

from service.domain import factjson
from service.domain.diary import Answers, NewCheckin
from service.domain.readings import NewReading
from service.domain.signals.facts import Picture, PictureFacts
from service.domain.tasks import AlarmWritten, as_json
from service.domain.vocabulary import (
    ActorKind,
    PauseCause,
    Role,
    SignalKind,
    SilenceCause,
    Source,
    TaskKind,
    TaskState,
    WindowState,
)
from service.intake.checkins import record_checkin
from service.intake.readings import RecordedReading, record_reading, record_together
from service.reviewing.adjusting import NewAdjustment, record_adjustment
from service.store.audit import Act, Actor
from service.store.session import read_session, write_session
from service.store.tables import (
    Adjustment,
    AuditLine,
    Checkin,
    Clinic,
    Limits,
    PanelRow,
    Patient,
    Pause,
    Reading,
    Reference,
    Signal,
    Silence,
    Staff,
    Task,
    Window,
)
from tests.builder import Builder, acting
from tests.waiting import PATIENCE_SECONDS

NOW = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)  # a Wednesday
KEY, PAGE = Actor(ActorKind.KEY), Actor(ActorKind.PATIENT)


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
        patient = self.build.patient(
            self.clinic,
            name,
            ref=uuid.uuid4().hex[:8],
            zone=zone,
            consent=None,
            plan={"due": time(9), "closes": time(12)} if planned else None,
            enrolled_ago=timedelta(days=enrolled_days_ago),
            usual_pillows=2,
            dry_weight_kg=80.0,
        )
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
        measured = {today - timedelta(days=ago): value for ago, value in enumerate(reversed(pressures))}
        if planned:
            for day, value in measured.items():
                self.window(patient, day, WindowState.OPEN if value is not None else WindowState.MISSED)
        answers: dict[int, dict[str, Any]] = {}
        for ago, kg in enumerate(reversed(weights)):
            if kg is not None:
                answers.setdefault(ago, {})["weight_kg"] = kg
        for ago, score in enumerate(reversed(breathlessness)):
            if score is not None:
                answers.setdefault(ago, {})["breathlessness"] = score
        for ago, given in answers.items():
            self.checkin(patient, today - timedelta(days=ago), given)
        # After the diaries, which an open window takes in one statement, and at once, with the newest:
        # one by one takes most of a test's time.
        came = [self._new_reading(patient, day, value) for day, value in measured.items() if value is not None]
        if came:
            act = Act(self.session, KEY, self.clinic.id, came[0].taken_at + timedelta(minutes=2))
            assert all(isinstance(one, RecordedReading) for one in record_together(act, came))
        self.session.flush()
        self._forget_the_making()
        return patient

    def _forget_the_making(self) -> None:
        """A test's own audit lines are the only ones: how its people came to be is not its business."""
        self.session.execute(delete(AuditLine).where(AuditLine.clinic_id == self.clinic.id))

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
        new = self._new_reading(patient, day, diastolic, at)
        came = record_reading(Act(self.session, KEY, self.clinic.id, new.taken_at + timedelta(minutes=2)), new)
        return self.session.get_one(Reading, came.id)

    def _new_reading(self, patient: Patient, day: date, diastolic: float, at: time = time(7, 30)) -> NewReading:
        taken = datetime.combine(day, at, ZoneInfo(patient.zone)).astimezone(UTC)
        return NewReading(patient.id, taken, diastolic + 18, diastolic, heart_rate=72)

    def unnoticed_reading(self, patient: Patient, day: date, diastolic: float, *, at: time = time(7, 30)) -> None:
        """A reading after which nobody marked the patient's row of the review as out of date."""
        self.reading(patient, day, diastolic, at=at)
        self.session.execute(update(PanelRow).where(PanelRow.patient_id == patient.id).values(stale_since=None))

    def checkin(self, patient: Patient, day: date, given: Mapping[str, Any]) -> Checkin:
        answers = {"weight" if name == "weight_kg" else name: value for name, value in given.items()}
        answered = datetime.combine(day, time(8), ZoneInfo(patient.zone)).astimezone(UTC)
        new = NewCheckin(patient.id, Answers(**answers), local_date=day, source=Source.PAGE)
        came = record_checkin(Act(self.session, PAGE, self.clinic.id, answered), new)
        return self.session.get_one(Checkin, came.id)

    def silence(self, patient: Patient, missed: int, cause: SilenceCause = SilenceCause.NO_REPLY) -> Silence:
        today = self.today(patient)
        missed_last = select(func.max(Window.local_date)).where(
            Window.patient_id == patient.id, Window.state == WindowState.MISSED
        )
        last = self.session.scalar(missed_last) or today - timedelta(days=1)
        # What intake has made of the missed days so far gives way to what the test says of them.
        self.session.execute(delete(Silence).where(Silence.patient_id == patient.id, Silence.ended_at.is_(None)))
        silence = Silence(
            id=uuid.uuid4(),
            clinic_id=self.clinic.id,
            patient_id=patient.id,
            first_date=last - timedelta(days=missed - 1),
            last_date=last,
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

    def signal(self, patient: Patient, raised: date, began: date, ended: date | None = None) -> Signal:
        """A rise that was raised and, it may be, ended, which nobody has looked at."""
        signal = Signal(
            clinic_id=self.clinic.id,
            patient_id=patient.id,
            kind=SignalKind.RISING,
            raised_on=raised,
            raised_at=self.now,
            began_on=began,
            facts=factjson.pack(PictureFacts(Picture.UP_AND_WELL, raised)),
            ended_on=ended,
        )
        self.session.add(signal)
        self.session.flush()
        return signal

    def adjusts(self, patient: Patient, new: NewAdjustment, corrects: uuid.UUID | None = None) -> Adjustment:
        """The nurse records what was changed."""
        return record_adjustment(acting(self.session, self.nurse, self.now), patient.id, new, corrects=corrects)

    def staff(self, name: str, *roles: Role) -> Staff:
        return self.build.staff(self.clinic, name, *roles)

    @property
    def build(self) -> Builder:
        return Builder(self.session, self.now)


def open_ward(session: Session, *, now: datetime = NOW, zone: str = "Europe/London", weekday: int = 0) -> Ward:
    """An empty invented clinic with one nurse."""
    clinic = Builder(session, now - timedelta(days=400)).clinic(
        zone=zone,
        review_weekday=weekday,
        emergency_number="112",
        contact_line="+441632960000",
        quiet_from=time(21),
        quiet_until=time(8),
        silent_days=3,
    )
    ward = Ward(session, clinic, None, now)  # type: ignore[arg-type]
    ward.nurse = ward.staff("Imogen Vale")
    ward._forget_the_making()
    return ward


def ward_of(session: Session, clinic_id: uuid.UUID) -> Ward:
    """A clinic that is there already, in another session."""
    nurse = session.scalars(select(Staff).where(Staff.clinic_id == clinic_id).order_by(Staff.created_at)).first()
    assert nurse is not None
    return Ward(session, session.get_one(Clinic, clinic_id), nurse, NOW)


def at_once(engine: Engine, people: Sequence[uuid.UUID], does: Callable[[Session, Staff], str]) -> list[str]:
    """What `does` says for each of these staff, who all begin at the same moment; what it wrote is kept."""
    ready = threading.Barrier(len(people))

    def acts(staff_id: uuid.UUID) -> str:
        with read_session(engine) as session:
            staff = session.get_one(Staff, staff_id)
        ready.wait(PATIENCE_SECONDS)
        with write_session(engine) as session:
            return does(session, staff)

    with ThreadPoolExecutor(len(people)) as pool:
        return list(pool.map(acts, people, timeout=PATIENCE_SECONDS))


@pytest.fixture
def ward(engine: Engine) -> Iterator[Ward]:
    """An empty clinic, in a transaction that lasts as long as the test."""
    with write_session(engine) as session:
        yield open_ward(session)
