"""The design this service did not take: one scheduler job per patient, kept in a job store."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from apscheduler.executors.debug import DebugExecutor
from apscheduler.jobstores.sqlalchemy import SQLAlchemyJobStore
from apscheduler.schedulers.base import BaseScheduler
from apscheduler.triggers.cron import CronTrigger
from sqlalchemy import Engine, select

from service.domain.vocabulary import Channel, MessageKind, MessageState, StepKind, StepState, WindowState
from service.store.session import write_session
from service.store.tables import Contact, Message, Patient, Plan, Step, Window
from tests.bench.hospitals import FAR

_engine: Engine
_minute: datetime


class Still(BaseScheduler):
    """A scheduler that runs its due jobs when it is told to, in the caller's thread."""

    def wakeup(self) -> None:
        pass

    def shutdown(self, wait: bool = True) -> None:
        super().shutdown(wait)

    def fire(self) -> None:
        self._process_jobs()


def fire(store: Path, engine: Engine, minute: datetime, measure: Callable[[Callable[[], Any]], float]) -> float:
    """What `measure` says of running the jobs of all who open at `minute`, among one job for each patient."""
    global _engine, _minute
    _engine, _minute = engine, minute
    scheduler = Still(
        timezone=UTC,
        jobstores={"default": SQLAlchemyJobStore(f"sqlite:///{store}")},
        executors={"default": DebugExecutor()},
        job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
    )
    scheduler.start()
    with write_session(engine) as session:
        plans = session.execute(select(Plan.id, Plan.next_open_at, Patient.zone).join(Patient)).all()
    past, future = datetime.now(UTC) - timedelta(seconds=1), FAR + timedelta(days=36500)
    for plan_id, opens_at, zone in plans:
        scheduler.add_job(
            open_one,
            CronTrigger(hour=7, minute=0, timezone=zone),
            args=[plan_id],
            next_run_time=past if opens_at == minute else future,
        )
    spent = measure(scheduler.fire)
    scheduler.shutdown()
    return spent


def open_one(plan_id: uuid.UUID) -> None:
    """One patient's window, steps and prompt, in a transaction of its own."""
    now = _minute
    with write_session(_engine) as session:
        plan = session.get_one(Plan, plan_id)
        patient = session.get_one(Patient, plan.patient_id)
        contact = session.scalars(select(Contact).where(Contact.patient_id == patient.id)).first()
        assert contact is not None
        whose = {"clinic_id": plan.clinic_id, "patient_id": plan.patient_id}
        window = Window(
            id=uuid.uuid4(),
            local_date=plan.next_date,
            zone=patient.zone,
            opens_at=now,
            due_at=now + timedelta(minutes=90),
            closes_at=now + timedelta(hours=3),
            wants_reading=True,
            wants_checkin=True,
            state=WindowState.OPEN,
            **whose,
        )
        session.add(window)
        session.flush()
        for position, kind in enumerate(StepKind):
            session.add(
                Step(
                    id=uuid.uuid4(),
                    window_id=window.id,
                    position=position,
                    kind=kind,
                    due_at=now,
                    state=StepState.PENDING,
                    **whose,
                )
            )
        session.add(
            Message(
                contact_id=contact.id,
                window_id=window.id,
                kind=MessageKind.PROMPT,
                channel=Channel.TEXT,
                dedupe_key=f"prompt:{window.id}:text",
                params={},
                created_at=now,
                expires_at=window.closes_at,
                state=MessageState.QUEUED,
                next_try_at=now,
                **whose,
            )
        )
        plan.next_date, plan.next_open_at = date(2027, 1, 1), FAR
