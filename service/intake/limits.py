"""Readings beyond the limits that the clinician typed in: one task for staff until somebody closes it.

Knows no limit of its own: a patient without limits raises nothing here.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care.tasks import raise_task
from service.domain import spoken
from service.domain.vocabulary import TaskKind, TaskState
from service.store.tables import Limits, Task

# A pressure beyond a limit longer ago than this belongs to the weekly review, not to somebody's evening.
NEWS = timedelta(days=2)
AT_ONCE = 400


@dataclass(frozen=True, slots=True)
class Kept:
    """A reading that was just written."""

    id: uuid.UUID
    patient_id: uuid.UUID
    taken_at: datetime
    local_date: date
    pa_diastolic: float


def watch(session: Session, clinic_id: uuid.UUID, kept: Sequence[Kept], now: datetime) -> None:
    """Raise a task for each patient and day on which one of these readings is beyond a limit."""
    recent = [one for one in kept if one.taken_at >= now - NEWS]
    if not recent:
        return
    limits = _in_force(session, list({one.patient_id for one in recent}))
    waiting = _waiting(session, list(limits)) if limits else set()
    for one in recent:
        if (row := limits.get(one.patient_id)) is not None:
            upper, lower, set_at = row
            if upper is not None and one.pa_diastolic > upper and (one.patient_id, TaskKind.ABOVE_LIMIT) not in waiting:
                _raise(session, clinic_id, one, TaskKind.ABOVE_LIMIT, upper, set_at, now)
            if lower is not None and one.pa_diastolic < lower and (one.patient_id, TaskKind.BELOW_LIMIT) not in waiting:
                _raise(session, clinic_id, one, TaskKind.BELOW_LIMIT, lower, set_at, now)


def _waiting(session: Session, patient_ids: Sequence[uuid.UUID]) -> set[tuple[uuid.UUID | None, TaskKind]]:
    """(patient, kind) of tasks that nobody has closed: a second beside one of them would only be noise."""
    rows = session.execute(
        select(Task.patient_id, Task.kind).where(
            Task.patient_id.in_(patient_ids),
            Task.kind.in_([TaskKind.ABOVE_LIMIT, TaskKind.BELOW_LIMIT]),
            Task.state != TaskState.CLOSED,
        )
    )
    return {(row[0], row[1]) for row in rows}


def _in_force(
    session: Session, patient_ids: Sequence[uuid.UUID]
) -> dict[uuid.UUID, tuple[float | None, float | None, datetime]]:
    found = {}
    for start in range(0, len(patient_ids), AT_ONCE):
        some = patient_ids[start : start + AT_ONCE]
        rows = session.execute(
            select(Limits.patient_id, Limits.upper, Limits.lower, Limits.set_at)
            .where(Limits.patient_id.in_(some))
            .order_by(Limits.set_at)
        )
        for patient_id, upper, lower, set_at in rows:
            found[patient_id] = (upper, lower, set_at)  # the newest is last, and counts
    return found


def _raise(
    session: Session,
    clinic_id: uuid.UUID,
    one: Kept,
    kind: TaskKind,
    limit: float,
    set_at: datetime,
    now: datetime,
) -> None:
    above = kind is TaskKind.ABOVE_LIMIT
    sentence = (
        f"PA diastolic {spoken.figure(one.pa_diastolic)} mmHg on {spoken.day(one.local_date)}, "
        f"{'above' if above else 'below'} the {'upper' if above else 'lower'} limit of {spoken.figure(limit)} mmHg "
        f"set for this patient on {spoken.day(set_at.date())}."
    )
    facts = {"reading": str(one.id), "pa_diastolic": one.pa_diastolic, "limit": limit}
    # The key of a signal's task, so that the same day's crossing is told once whoever sees it first.
    key = f"{kind.value}:{one.patient_id}:{one.local_date.isoformat()}"
    raise_task(session, clinic_id, one.patient_id, kind, sentence, facts, key, now)
