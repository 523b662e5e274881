"""Tasks for staff: written in the transaction that made them necessary, once per occurrence."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, case, select, update
from sqlalchemy.orm import Session

from service.domain.tasks import TaskFacts, as_json, first_told_at, kind_of
from service.domain.vocabulary import Role, TaskSettled, TaskState
from service.store import panel
from service.store.identity import new_id
from service.store.tables import Task
from service.store.upsert import insert_new


@dataclass(frozen=True)
class NewTask:
    """A task of the kind that `facts` ask for; `dedupe_key` is its occurrence."""

    clinic_id: uuid.UUID
    patient_id: uuid.UUID | None
    facts: TaskFacts
    dedupe_key: str
    staff_id: uuid.UUID | None = None  # whose it is; None beside no role is everybody's
    role: Role | None = None


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
    task_id: uuid.UUID = row["id"]
    if not insert_new(session, Task.__table__, [row], ["dedupe_key"]):
        return None
    _mark(session, [patient_id], now)
    return task_id


def raise_tasks(session: Session, new: Iterable[NewTask], now: datetime) -> None:
    """Write those of many tasks whose occurrence has none yet, in one statement."""
    tasks = list(new)
    if insert_new(session, Task.__table__, [_row(task, now) for task in tasks], ["dedupe_key"]):
        _mark(session, [task.patient_id for task in tasks], now)


def tell_instead(session: Session, which: ColumnElement[bool], facts: TaskFacts, now: datetime) -> bool:
    """Let a task that nobody has closed say this instead; one that somebody took before is open again. False for none.

    Staff have one thing to look at, not two: what it said first is no longer so, or is said again in `facts`.
    It says something new: whoever was told of it before is told again, and nobody later than they were to be.
    """
    told_at = first_told_at(kind_of(facts), now)
    is_sooner = (Task.state == TaskState.OPEN) & (Task.escalates_at < told_at)
    owners = session.scalars(
        update(Task)
        .where(which, Task.state != TaskState.CLOSED)
        .values(
            facts=as_json(facts),
            escalates_at=case((is_sooner, Task.escalates_at), else_=told_at),
            retold_at=now,
            state=TaskState.OPEN,
            taken_by=None,
            taken_at=None,
        )
        .returning(Task.patient_id)
    ).all()
    _mark(session, owners, now)
    return bool(owners)


def close_tasks(
    session: Session, which: ColumnElement[bool], reason: TaskSettled, now: datetime, *, also_taken: bool = False
) -> None:
    """Close those of the tasks that nobody has taken, because what they asked about is settled.

    A task that somebody took is theirs to close, unless closing it is what staff just did (`also_taken`).
    Nobody closed them: `closed_by` stays empty.
    """
    still = Task.state != TaskState.CLOSED if also_taken else Task.state == TaskState.OPEN
    owners = session.scalars(
        update(Task)
        .where(which, still)
        .values(state=TaskState.CLOSED, closed_at=now, close_reason=reason.value, escalates_at=None)
        .returning(Task.patient_id)
    )
    _mark(session, owners.all(), now)


def open_again(session: Session, which: ColumnElement[bool], now: datetime) -> None:
    """Open those of the tasks that nobody closed: what they tell of was settled by mistake, and is told anew."""
    closed = select(Task).where(which, Task.state == TaskState.CLOSED, Task.closed_by.is_(None))
    found = session.scalars(closed.order_by(Task.id).execution_options(populate_existing=True)).all()
    for task in found:
        task.state, task.closed_at, task.close_reason = TaskState.OPEN, None, None
        task.taken_by, task.taken_at = None, None
        task.escalates_at, task.retold_at = first_told_at(task.kind, now), now
    session.flush()
    _mark(session, [task.patient_id for task in found], now)


def hand_back(session: Session, staff_id: uuid.UUID, now: datetime) -> None:
    """Open what this account took and did not close, and tell of it anew: nobody is looking at it any more."""
    taken = select(Task).where(Task.taken_by == staff_id, Task.state == TaskState.TAKEN)
    found = session.scalars(taken.order_by(Task.id).with_for_update().execution_options(populate_existing=True)).all()
    for task in found:
        task.state, task.taken_by, task.taken_at = TaskState.OPEN, None, None
        task.escalates_at, task.retold_at = first_told_at(task.kind, now), now
    session.flush()
    _mark(session, [task.patient_id for task in found], now)


def _mark(session: Session, patient_ids: Collection[uuid.UUID | None], now: datetime) -> None:
    """An open task is a reason of the review: it moves its patient up on the panel, and closing it down again."""
    panel.judge_again(session, {patient_id for patient_id in patient_ids if patient_id is not None}, now)


def _row(new: NewTask, now: datetime) -> dict[str, Any]:
    kind = kind_of(new.facts)
    return {
        "id": new_id(),
        "clinic_id": new.clinic_id,
        "patient_id": new.patient_id,
        "kind": kind,
        "facts": as_json(new.facts),
        "dedupe_key": new.dedupe_key,
        "raised_at": now,
        "escalates_at": first_told_at(kind, now),
        "state": TaskState.OPEN,
        "staff_id": new.staff_id,
        "role": new.role,
    }
