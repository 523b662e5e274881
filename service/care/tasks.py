"""Tasks for staff: written in the transaction that made them necessary, once per occurrence."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import update
from sqlalchemy.orm import Session

from service.domain.escalation import first_told_at
from service.domain.tasks import TaskFacts, as_json, kind_of
from service.domain.vocabulary import TaskSettled, TaskState
from service.store.tables import Task
from service.store.upsert import insert_new


@dataclass(frozen=True)
class NewTask:
    """A task of the kind that `facts` ask for; `dedupe_key` is its occurrence."""

    clinic_id: uuid.UUID
    patient_id: uuid.UUID | None
    facts: TaskFacts
    dedupe_key: str


def raise_task(
    session: Session,
    clinic_id: uuid.UUID,
    patient_id: uuid.UUID | None,
    facts: TaskFacts,
    dedupe_key: str,
    now: datetime,
) -> uuid.UUID | None:
    """Write a task of the kind that `facts` ask for. Returns its id, or None when that occurrence already has one."""
    row = _row(NewTask(clinic_id, patient_id, facts, dedupe_key), now)
    return row["id"] if insert_new(session, Task.__table__, [row], ["dedupe_key"]) else None


def raise_tasks(session: Session, new: Iterable[NewTask], now: datetime) -> None:
    """Write those of many tasks whose occurrence has none yet, in one statement."""
    insert_new(session, Task.__table__, [_row(task, now) for task in new], ["dedupe_key"])


def close_task(session: Session, dedupe_key: str, reason: TaskSettled, now: datetime) -> bool:
    """Close the occurrence's task, if it is open, because what it asked about is settled. Returns whether one was.

    Nobody closed it: `closed_by` stays empty.
    """
    closed = session.execute(
        update(Task)
        .where(Task.dedupe_key == dedupe_key, Task.state == TaskState.OPEN)
        .values(state=TaskState.CLOSED, closed_at=now, close_reason=reason.value, escalates_at=None)
        .returning(Task.id)
        .execution_options(synchronize_session=False)
    ).first()
    return closed is not None


def _row(new: NewTask, now: datetime) -> dict[str, Any]:
    kind = kind_of(new.facts)
    return {
        "id": uuid.uuid4(),
        "clinic_id": new.clinic_id,
        "patient_id": new.patient_id,
        "kind": kind,
        "facts": as_json(new.facts),
        "dedupe_key": new.dedupe_key,
        "raised_at": now,
        "escalates_at": first_told_at(kind, now),
        "contacts_told": 0,
        "state": TaskState.OPEN,
    }
