"""Tell again of a silence whose task was closed, while it lasts.

Promises that no silence drops out of sight because somebody closed its task: on the morning of
the date that staff promised, else after the days that the clinic has set, they get a new one. A
pause puts it off from morning to morning; the end of the silence, or of the care here, ends it.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time
from typing import Any

from sqlalchemy import ColumnElement, Engine, Select, exists, select, text, update
from sqlalchemy.orm import Session, aliased

from service.care import silences, tasks
from service.care.pauses import pause_on
from service.care.silences import Running
from service.care.tasks import NewTask
from service.domain import localtime
from service.domain.tasks import LongSilence, again_at
from service.domain.vocabulary import PatientState, TaskKind, TaskState
from service.store.guarded import Due, Tally, Work, Written, work_off
from service.store.quarantine import is_quarantined
from service.store.session import columns_of
from service.store.tables import Clinic, Patient, Task

# A literal, not a parameter: a partial index serves only a query that provably asks for its part.
COMES_AGAIN = text("tasks.again_at IS NOT NULL")


@dataclass(frozen=True, slots=True)
class _Closed:
    """A closed task of a silence, whose time to be told again has come."""

    id: uuid.UUID
    clinic_id: uuid.UUID
    patient_id: uuid.UUID
    raised_at: datetime
    is_looked_after: bool
    is_told: bool  # another task of the same patient's silence is not closed
    zone: str  # the patient's
    clinics_zone: str
    morning: time  # the end of the clinic's quiet hours


def tell_again(engine: Engine, now: datetime, limit: int = 200) -> Tally:
    """Raise a task for every silence that lasts and whose time has come at `now` (UTC), `limit` to a transaction."""
    due = select(Task.id).where(COMES_AGAIN, Task.again_at <= now, ~is_quarantined("task", Task.id))
    return work_off(engine, Work("task", due, _load, lambda s, rows: _write(s, rows, now), limit), now)


def _load(session: Session, due: Due) -> Sequence[_Closed]:
    query: Select[*tuple[Any, ...]] = (
        due.join(Patient, Patient.id == Task.patient_id)
        .join(Clinic, Clinic.id == Task.clinic_id)
        .with_only_columns(
            *columns_of(
                _Closed,
                Task,
                is_looked_after=Patient.state == PatientState.ACTIVE,
                is_told=_is_told(),
                zone=Patient.zone,
                clinics_zone=Clinic.zone,
                morning=Clinic.quiet_until,
            )
        )
        .order_by(Task.again_at)
        .with_for_update(of=Task, skip_locked=True)
    )
    return [_Closed(**row) for row in session.execute(query).mappings()]


def _is_told() -> ColumnElement[bool]:
    other = aliased(Task)
    return exists().where(
        other.patient_id == Task.patient_id, other.kind == TaskKind.SILENT, other.state != TaskState.CLOSED
    )


def _write(session: Session, rows: Sequence[_Closed], now: datetime) -> Written:
    running = silences.running(session, {row.patient_id for row in rows})
    new: dict[uuid.UUID, NewTask] = {}
    for row in rows:
        silence = running.get(row.patient_id)
        later = None
        if silence is not None and _lasts(row, silence):
            if pause_on(session, row.patient_id, localtime.local_date(now, row.zone)) is None:
                new.setdefault(row.patient_id, _again(row, silence))
            else:
                later = again_at(now, 1, None, row.morning, localtime.zone(row.clinics_zone))
        session.execute(update(Task).where(Task.id == row.id).values(again_at=later))
    tasks.raise_tasks(session, new.values(), now)
    return Written(len(new), len(rows) - len(new))


def _lasts(task: _Closed, silence: Running) -> bool:
    """Whether the silence is still the one that the task told of, and staff have no other task of it."""
    return task.is_looked_after and not task.is_told and silence.begun_at <= task.raised_at


def _again(task: _Closed, silence: Running) -> NewTask:
    facts = LongSilence(silence.missed, silence.cause, silence.first, again=True)
    return NewTask(task.clinic_id, task.patient_id, facts, f"silent:{task.id}:again")
