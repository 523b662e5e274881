"""What the record makes due for staff: the next contact, chemistry after a change, a goal whose last date has passed,
a newest result that is beyond the clinician's own limit.

Promises one task for each, raised on the day it falls due where the patient lives, and ended in the transaction in
which the contact, the result, the reason, the newer limit or goal came. What staff closed is not told again; what the
service ended is, once what ended it has been taken back. When something next falls due is kept with the patient, so
that nobody need look at everybody.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.care import recorded, tasks
from service.care.tasks import NewTask
from service.domain import localtime
from service.domain.record import rules as record_rules
from service.domain.record.limits import ResultBeyond
from service.domain.record.now import Recorded, of_today
from service.domain.record.rules import RecordRules
from service.domain.tasks import ChemistryWanted, ContactDue, GoalOver, as_json
from service.domain.vocabulary import PatientState, Role, TaskKind, TaskSettled, TaskState
from service.store.ids import among
from service.store.session import Where
from service.store.tables import Clinic, Patient, Task

SETTLED_AS = {
    TaskKind.NEXT_CONTACT: TaskSettled.CONTACT_SETTLED,
    TaskKind.CHEMISTRY_DUE: TaskSettled.CHEMISTRY_SETTLED,
    TaskKind.RESULT_LIMIT: TaskSettled.RESULT_SETTLED,
    TaskKind.GOAL_OVER: TaskSettled.GOAL_SETTLED,
}
A_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class ForStaff:
    """Something for staff, from a local date on. `key` is what it is, however often it is told."""

    key: str
    from_day: date
    facts: ContactDue | ChemistryWanted | GoalOver | ResultBeyond
    staff_id: uuid.UUID | None = None
    role: Role | None = None


def look_again(where: Where, patient_ids: Collection[uuid.UUID], now: datetime) -> None:
    """Let the worker settle these patients at its next tick: something came of many of them at once."""
    where.execute(update(Patient).where(among(Patient.id, patient_ids)).values(dues_at=now))


def look_at_clinic_again(session: Session, clinic_id: uuid.UUID, now: datetime) -> None:
    """The clinic's rules have changed, by which something is due."""
    session.execute(
        update(Patient)
        .where(Patient.clinic_id == clinic_id)
        .values(dues_at=now)
        .execution_options(synchronize_session=False)
    )


def settle(session: Session, patient_ids: Collection[uuid.UUID], now: datetime) -> int:
    """Raise what is due of these patients, end what is due no more, and note when to look again.

    Returns how many tasks were raised. A constant number of queries, and two for each patient of whom something ends.
    """
    query = (
        select(Patient.id, Patient.clinic_id, Patient.zone, Patient.state, Clinic.record_rules)
        .join(Clinic, Clinic.id == Patient.clinic_id)
        .where(among(Patient.id, patient_ids))
        .order_by(Patient.id)
        # One at a time: a task raised beside the result that ends it would stay.
        .with_for_update(of=Patient, key_share=True)
    )
    patients = session.execute(query).all()
    known = recorded.load(session, patient_ids)
    there = _there(session, patient_ids)
    raised: list[NewTask] = []
    later: dict[uuid.UUID, datetime | None] = {}
    for patient_id, clinic_id, zone, state, rules in patients:
        where = localtime.zone(zone)
        today = localtime.local_date(now, where)
        found: list[ForStaff] = []
        if state is PatientState.ACTIVE:
            found = list(_dues(patient_id, known[patient_id], record_rules.from_json(rules), today, where))
        wanted = {one.key: one for one in found if one.from_day <= today}
        _end(session, [task for task in there.get(patient_id, ()) if _key(task) not in wanted], now)
        for one in wanted.values():
            told = [task for task in there.get(patient_id, ()) if _key(task) == one.key]
            raised += _raise(session, clinic_id, patient_id, one, told, now)
        ahead = [one.from_day for one in found if one.from_day > today]
        ahead += [one.from_day + A_DAY for one in found if isinstance(one.facts, ContactDue) and one.from_day == today]
        later[patient_id] = localtime.day_bounds(min(ahead), where)[0] if ahead else None
    tasks.raise_tasks(session, raised, now)
    _look_again(session, later)
    return len(raised)


def _dues(patient_id: uuid.UUID, known: Recorded, rules: RecordRules, today: date, where: Any) -> Iterator[ForStaff]:
    """Everything that is due, now or on a date ahead, each with the day from which it is."""
    for contact in known.contacts:
        facts = ContactDue(contact, is_overdue=contact.due_on < today)
        yield ForStaff(f"contact:{contact.id}", contact.due_on, facts, contact.staff_id, contact.role)
    now = of_today(known, rules, today, where)
    for one in now.due:
        of = f"{patient_id}:{one.due_on.isoformat()}:{one.changed_on.isoformat()}:{one.medicine.casefold()}"
        yield ForStaff(f"chemistry:{of}", one.due_on, ChemistryWanted(one))
    for result in now.beyond:
        yield ForStaff(f"result:{patient_id}:{result.kind}:{result.at}", result.on, result)
    if known.aim is not None:
        yield ForStaff(f"goal:{known.aim.id}", known.aim.goal.until + A_DAY, GoalOver(known.aim))


def _there(session: Session, patient_ids: Collection[uuid.UUID]) -> dict[uuid.UUID, list[Task]]:
    """The tasks there ever were of these kinds."""
    query = select(Task).where(among(Task.patient_id, patient_ids), Task.kind.in_(SETTLED_AS))
    found: dict[uuid.UUID, list[Task]] = {}
    for task in session.scalars(query.execution_options(populate_existing=True)):
        if task.patient_id is not None:
            found.setdefault(task.patient_id, []).append(task)
    return found


def _key(task: Task) -> str:
    """The key of what a task tells of, without the number of times that it was told."""
    return task.dedupe_key.rpartition(":")[0]


def _raise(
    session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, due: ForStaff, told: Sequence[Task], now: datetime
) -> list[NewTask]:
    """The task of what is due, unless there is one, or staff have closed one."""
    for task in told:
        if task.state is not TaskState.CLOSED and task.facts != as_json(due.facts):
            tasks.tell_instead(session, Task.id == task.id, due.facts, now)
    if any(task.state is not TaskState.CLOSED or task.closed_by is not None for task in told):
        return []
    return [NewTask(clinic_id, patient_id, due.facts, f"{due.key}:{len(told)}", due.staff_id, due.role)]


def _end(session: Session, over: Sequence[Task], now: datetime) -> None:
    for kind, settled in SETTLED_AS.items():
        ids = [task.id for task in over if task.kind is kind and task.state is not TaskState.CLOSED]
        if ids:
            tasks.close_tasks(session, Task.id.in_(ids), settled, now, also_taken=True)


def _look_again(session: Session, later: dict[uuid.UUID, datetime | None]) -> None:
    """Keep when each patient's next day of this kind begins."""
    by_moment: dict[datetime | None, list[uuid.UUID]] = {}
    for patient_id, at in later.items():
        by_moment.setdefault(at, []).append(patient_id)
    for at, patient_ids in by_moment.items():
        session.execute(
            update(Patient)
            .where(among(Patient.id, patient_ids), Patient.dues_at.is_distinct_from(at))
            .values(dues_at=at)
            .execution_options(synchronize_session=False)
        )
