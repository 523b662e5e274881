"""A settled fortnight proposed to staff as reference: one task, until somebody has decided.

Promises that a proposal somebody kept the reference against does not come again while it is the
same one: the same reference, and a fortnight at the same level. Sets no reference: a person does.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care.tasks import NewTask, raise_tasks
from service.domain.signals.facts import ReferenceProposal
from service.domain.tasks import ReferenceProposed, from_json
from service.domain.trend.reference import DIFFERENT, OLD
from service.domain.vocabulary import TaskKind, TaskState
from service.store.ids import among
from service.store.tables import Task


@dataclass(frozen=True, slots=True)
class WaitingProposal:
    """A proposal that nobody has decided, and its task."""

    task_id: uuid.UUID
    proposal: ReferenceProposal


def waiting(session: Session, patient_id: uuid.UUID) -> WaitingProposal | None:
    """The proposal of one patient, where one waits."""
    task = session.scalar(
        select(Task).where(
            Task.patient_id == patient_id, Task.kind == TaskKind.REFERENCE_PROPOSAL, Task.state != TaskState.CLOSED
        )
    )
    facts = None if task is None else from_json(task.facts)
    return (
        WaitingProposal(task.id, facts.proposal) if task is not None and isinstance(facts, ReferenceProposed) else None
    )


def raise_proposals(
    session: Session, clinic_id: uuid.UUID, proposals: Mapping[uuid.UUID, ReferenceProposal], now: datetime
) -> None:
    """A task for each patient whose proposal is news. One query for all of them."""
    earlier = _newest(session, clinic_id, proposals)
    raise_tasks(
        session,
        [
            NewTask(
                clinic_id,
                patient_id,
                ReferenceProposed(proposal),
                f"reference:{patient_id}:{proposal.to_day.isoformat()}",
            )
            for patient_id, proposal in proposals.items()
            if patient_id not in earlier or _is_news(earlier[patient_id], proposal, now)
        ],
        now,
    )


def _newest(session: Session, clinic_id: uuid.UUID, patient_ids: Collection[uuid.UUID]) -> dict[uuid.UUID, Task]:
    proposed = (Task.clinic_id == clinic_id, Task.kind == TaskKind.REFERENCE_PROPOSAL)
    tasks = session.scalars(select(Task).where(among(Task.patient_id, patient_ids), *proposed).order_by(Task.raised_at))
    return {task.patient_id: task for task in tasks if task.patient_id is not None}  # the newest is last


def _is_news(earlier: Task, proposal: ReferenceProposal, now: datetime) -> bool:
    facts = from_json(earlier.facts)
    if earlier.state is not TaskState.CLOSED or not isinstance(facts, ReferenceProposed):
        return False
    told = facts.proposal
    return (
        abs(told.value - proposal.value) >= DIFFERENT
        or told.reference != proposal.reference
        or now - earlier.raised_at > timedelta(days=OLD)
    )
