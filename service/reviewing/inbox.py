"""The inbox: what must be looked at today, taken by someone and closed with a reason.

Open tasks are never hidden by being taken: a taken one shows by whom, and stays
until somebody closes it.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import case, func, select, update
from sqlalchemy.orm import Session, aliased

from service.domain.tasks import TaskFacts, from_json
from service.domain.validation import Refused, is_storable
from service.domain.vocabulary import ActorKind, MessageKind, TaskKind, TaskState
from service.reviewing.acting import Acting
from service.store import outbox
from service.store.audit import Act, Actor
from service.store.tables import Contact, Message, Patient, Staff, Task

LONGEST_REASON = 400
# What is shown first: who may be in danger, then pressures, then everything else by age.
FIRST = {TaskKind.SAFETY_ANSWER: 0, TaskKind.ABOVE_LIMIT: 1, TaskKind.BELOW_LIMIT: 1, TaskKind.CAREGIVER_SAYS: 2}


class AlreadyHandled(Exception):
    """Somebody took or closed this task before."""

    def __init__(self, by: str, state: TaskState) -> None:
        self.by = by
        self.state = state
        super().__init__(f"already {state.value} by {by}")


@dataclass(frozen=True, slots=True)
class Item:
    """One task as the inbox shows it."""

    id: uuid.UUID
    kind: TaskKind
    facts: TaskFacts
    patient_id: uuid.UUID | None
    patient: str | None
    raised_at: datetime
    state: TaskState
    taken_by: str | None
    taken_at: datetime | None
    closed_by: str | None
    closed_at: datetime | None
    close_reason: str | None


def inbox(session: Session, clinic_id: uuid.UUID, *, closed_since: datetime | None = None) -> list[Item]:
    """Every open and taken task, most pressing first; with `closed_since`, those closed since then instead."""
    taker, closer = aliased(Staff), aliased(Staff)
    query = (
        select(
            Task.id,
            Task.kind,
            Task.facts,
            Task.patient_id,
            Patient.name,
            Task.raised_at,
            Task.state,
            taker.name,
            Task.taken_at,
            closer.name,
            Task.closed_at,
            Task.close_reason,
        )
        .outerjoin(Patient, Patient.id == Task.patient_id)
        .outerjoin(taker, taker.id == Task.taken_by)
        .outerjoin(closer, closer.id == Task.closed_by)
        .where(Task.clinic_id == clinic_id)
    )
    if closed_since is None:
        pressing = case({kind.value: rank for kind, rank in FIRST.items()}, value=Task.kind, else_=9)
        query = query.where(Task.state != TaskState.CLOSED).order_by(pressing, Task.raised_at)
    else:
        query = query.where(Task.state == TaskState.CLOSED, Task.closed_at >= closed_since)
        query = query.order_by(Task.closed_at.desc())
    rows: Sequence[Any] = session.execute(query).all()
    return [Item(row[0], row[1], from_json(row[2]), *row[3:]) for row in rows]


def open_count(session: Session, clinic_id: uuid.UUID) -> int:
    """How many tasks nobody has closed."""
    return (
        session.scalar(
            select(func.count()).select_from(Task).where(Task.clinic_id == clinic_id, Task.state != TaskState.CLOSED)
        )
        or 0
    )


def take(session: Session, clinic_id: uuid.UUID, task_id: uuid.UUID, staff: Acting, now: datetime) -> None:
    """Say that `staff` is looking at it: nobody else need step in, and it steps up to nobody.

    Raises LookupError, or AlreadyHandled naming who was first.
    """
    _move(
        session,
        clinic_id,
        task_id,
        staff,
        now,
        from_states=(TaskState.OPEN,),
        action="task.take",
        values={"state": TaskState.TAKEN, "taken_by": staff.id, "taken_at": now, "escalates_at": None},
    )


def close(
    session: Session, clinic_id: uuid.UUID, task_id: uuid.UUID, staff: Acting, reason: str, now: datetime
) -> None:
    """Close it with a reason. Raises Refused for an empty one, LookupError, or AlreadyHandled."""
    reason = reason.strip()
    if not reason or not is_storable(reason):
        raise Refused("reason", reason, "what was done, in words")
    if len(reason) > LONGEST_REASON:
        raise Refused("reason", f"{len(reason)} characters", f"at most {LONGEST_REASON} characters")
    _move(
        session,
        clinic_id,
        task_id,
        staff,
        now,
        from_states=(TaskState.OPEN, TaskState.TAKEN),
        action="task.close",
        values={
            "state": TaskState.CLOSED,
            "closed_by": staff.id,
            "closed_at": now,
            "close_reason": reason,
            "escalates_at": None,
        },
    )


def _move(
    session: Session,
    clinic_id: uuid.UUID,
    task_id: uuid.UUID,
    staff: Acting,
    now: datetime,
    *,
    from_states: tuple[TaskState, ...],
    action: str,
    values: dict[str, object],
) -> None:
    if staff.clinic_id != clinic_id:
        raise LookupError(f"no staff {staff.id} in this clinic")
    moved = session.execute(
        update(Task)
        .where(Task.id == task_id, Task.clinic_id == clinic_id, Task.state.in_(from_states))
        .values(**values)
        .returning(Task.id)
        .execution_options(synchronize_session=False)
    ).first()
    if moved is None:
        raise _why_not(session, clinic_id, task_id)
    # Nobody else need be told of what somebody is looking at.
    contacts = session.scalars(select(Contact.id).where(Contact.clinic_id == clinic_id, Contact.staff_id.is_not(None)))
    keys = [f"{MessageKind.STAFF_TASK.value}:{task_id}:{contact_id}" for contact_id in contacts]
    outbox.cancel(session, Message.dedupe_key.in_(keys), "task_taken", now)
    Act(session, Actor(ActorKind.STAFF, staff.id), clinic_id, now).note(action, ("task", task_id))


def _why_not(session: Session, clinic_id: uuid.UUID, task_id: uuid.UUID) -> Exception:
    row = session.execute(
        select(Task.state, Staff.name)
        .outerjoin(Staff, Staff.id == func.coalesce(Task.closed_by, Task.taken_by))
        .where(Task.id == task_id, Task.clinic_id == clinic_id)
    ).first()
    if row is None:
        return LookupError(f"no task {task_id}")
    return AlreadyHandled(row[1] or "somebody", row[0])
