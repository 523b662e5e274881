"""The inbox: what must be looked at today, taken by someone and closed; what is urgent with words.

Open tasks are never hidden by being taken: a taken one shows by whom, and stays
until somebody closes it. Whoever is called about one thing is called about all of it once:
the tasks of a patient stand together, where their most pressing one does.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from sqlalchemy import case, false, func, null, select, update
from sqlalchemy.orm import Session, aliased

from service.domain import localtime, validation
from service.domain.tasks import StrangerWrote, TaskFacts, again_at, from_json
from service.domain.validation import Refused
from service.domain.vocabulary import PatientState, Role, TaskKind, TaskState
from service.store import outbox, panel
from service.store.audit import Act
from service.store.session import columns_of
from service.store.tables import Clinic, Message, Patient, Staff, StrangerText, Task

LONGEST_REASON = 400
MOST_DAYS_AHEAD = 30  # a silence is put off no longer on a promise
# What is shown first: who may be in danger, then pressures, then everything else by age.
FIRST = {
    TaskKind.SAFETY_ANSWER: 0,
    TaskKind.SAME_DAY: 1,
    TaskKind.CALL_TODAY: 1,
    TaskKind.ABOVE_LIMIT: 1,
    TaskKind.BELOW_LIMIT: 1,
    TaskKind.RESULT_LIMIT: 1,
    TaskKind.CAREGIVER_SAYS: 2,
    TaskKind.PATIENT_SAYS: 2,
}
URGENT = frozenset(kind for kind, rank in FIRST.items() if rank < 2)  # somebody may be in danger, or is to be called


class AlreadyHandled(Exception):
    """Somebody took or closed this task before."""

    def __init__(self, by: str, state: TaskState) -> None:
        self.by = by
        self.state = state
        super().__init__(f"already {state.value} by {by}")


@dataclass(frozen=True, slots=True)
class Stranger:
    """Whose text a task is about: their number, and what they wrote when. Both are kept for some time only.

    No words where another clinic may be meant.
    """

    number: str = ""  # kept no longer
    wrote: tuple[tuple[datetime, str], ...] = ()


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
    has_ended: bool  # care of the patient
    handed_to: str | None  # the colleague whose it is by name
    role: Role | None  # or whoever has it
    stranger: Stranger | None = None

    @property
    def is_urgent(self) -> bool:
        return self.kind in URGENT


@dataclass(frozen=True, slots=True)
class Pile:
    """What waits about one patient, most pressing first. What is about nobody alone is a pile of one."""

    items: tuple[Item, ...]

    @property
    def patient_id(self) -> uuid.UUID | None:
        return self.items[0].patient_id

    @property
    def patient(self) -> str | None:
        return self.items[0].patient

    @property
    def has_ended(self) -> bool:
        return self.items[0].has_ended

    @property
    def urgent(self) -> int:
        return sum(item.is_urgent for item in self.items)


def by_patient(items: Iterable[Item]) -> list[Pile]:
    """Items that come most pressing first, in piles; each pile where its first item stood."""
    piles: dict[uuid.UUID, list[Item]] = {}
    for item in items:
        piles.setdefault(item.patient_id or item.id, []).append(item)
    return [Pile(tuple(pile)) for pile in piles.values()]


def inbox(
    session: Session,
    clinic_id: uuid.UUID,
    *,
    closed_since: datetime | None = None,
    whose: uuid.UUID | Role | None = None,
) -> list[Item]:
    """Every open and taken task, most pressing first; with `closed_since`, those closed since then instead.

    `whose` leaves those of one colleague, handed to them by name or taken by them, or those handed to a role.
    """
    taker, closer, owner = aliased(Staff), aliased(Staff), aliased(Staff)
    query = (
        select(
            *columns_of(
                Item,
                Task,
                patient=Patient.name,
                taken_by=taker.name,
                closed_by=closer.name,
                has_ended=func.coalesce(Patient.state == PatientState.ENDED, false()),
                handed_to=owner.name,
                stranger=null(),  # read apart
            )
        )
        .outerjoin(Patient, Patient.id == Task.patient_id)
        .outerjoin(taker, taker.id == Task.taken_by)
        .outerjoin(closer, closer.id == Task.closed_by)
        .outerjoin(owner, owner.id == Task.staff_id)
        .where(Task.clinic_id == clinic_id)
    )
    if isinstance(whose, Role):
        query = query.where(Task.role == whose)
    elif whose is not None:
        query = query.where((Task.staff_id == whose) | (Task.taken_by == whose))
    if closed_since is None:
        pressing = case({kind.value: rank for kind, rank in FIRST.items()}, value=Task.kind, else_=9)
        query = query.where(Task.state != TaskState.CLOSED).order_by(pressing, Task.raised_at)
    else:
        query = query.where(Task.state == TaskState.CLOSED, Task.closed_at >= closed_since)
        query = query.order_by(Task.closed_at.desc())
    found = map(dict, session.execute(query).mappings())
    items = [Item(**row | {"facts": from_json(row["facts"])}) for row in found]
    return items if closed_since is not None else _with_strangers(session, clinic_id, items)


def _with_strangers(session: Session, clinic_id: uuid.UUID, items: Sequence[Item]) -> list[Item]:
    about = {item.id: item.facts.inbound for item in items if isinstance(item.facts, StrangerWrote)}
    if not about:
        return list(items)
    first, text = aliased(StrangerText), StrangerText
    rows = session.execute(
        select(first.gateway_ref, first.address, text.said_at, text.body)
        # This clinic's alone, whatever line is whose today: what they wrote to another is that one's.
        .outerjoin(text, (text.address == first.address) & (text.clinic_id == clinic_id))
        .where(first.gateway_ref.in_(about.values()))
        .order_by(text.said_at, text.id)
    )
    found: dict[str, Stranger] = {}
    for ref, number, said_at, body in rows:
        wrote = found.get(ref, Stranger()).wrote
        found[ref] = Stranger(number, wrote if said_at is None else (*wrote, (said_at, body)))
    return [
        replace(item, stranger=found.get(about[item.id], Stranger())) if item.id in about else item for item in items
    ]


def open_count(session: Session, clinic_id: uuid.UUID) -> int:
    """How many tasks nobody has closed."""
    return (
        session.scalar(
            select(func.count()).select_from(Task).where(Task.clinic_id == clinic_id, Task.state != TaskState.CLOSED)
        )
        or 0
    )


def take(act: Act, task_id: uuid.UUID) -> None:
    """Say that one is looking at it: nobody else need step in, and it steps up to nobody.

    Raises LookupError, or AlreadyHandled naming who was first.
    """
    taken = {"state": TaskState.TAKEN, "taken_by": act.actor.id, "taken_at": act.now, "escalates_at": None}
    _move(act, task_id, "task.take", taken, (TaskState.OPEN,))


def close(act: Act, task_id: uuid.UUID, reason: str, promised: date | None = None) -> None:
    """Close it, saying what was done: what is urgent is not closed without words.

    A silence that lasts is told again: on the date `promised`, or after the clinic's days.
    Raises Refused for no words where they are needed or a date that is not ahead, LookupError, or AlreadyHandled.
    """
    reason = validation.prose("reason", reason.strip(), longest=LONGEST_REASON)
    own = (Task.id == task_id, Task.clinic_id == act.clinic_id, Task.state != TaskState.CLOSED)
    if not reason and act.session.scalar(select(Task.kind).where(*own)) in URGENT:
        raise Refused("reason", reason, "what was done, in words: this is urgent")
    closed = {
        "state": TaskState.CLOSED,
        "closed_by": act.actor.id,
        "closed_at": act.now,
        "close_reason": reason,
        "escalates_at": None,
        "again_at": case((Task.kind == TaskKind.SILENT, _again_at(act, promised))),
    }
    _move(act, task_id, "task.close", closed, (TaskState.OPEN, TaskState.TAKEN))


def _again_at(act: Act, promised: date | None) -> datetime:
    clinic = act.session.get_one(Clinic, act.clinic_id)
    where = localtime.zone(clinic.zone)
    if promised is not None:
        today = localtime.local_date(act.now, where)
        first, last = today + timedelta(days=1), today + timedelta(days=MOST_DAYS_AHEAD)
        if not first <= promised <= last:
            raise Refused("promised", promised.isoformat(), "a date from %(first)s to %(last)s", first=first, last=last)
    return again_at(act.now, clinic.silent_again_days, promised, clinic.quiet_until, where)


def _move(
    act: Act, task_id: uuid.UUID, action: str, values: Mapping[str, object], from_states: tuple[TaskState, ...]
) -> None:
    own = (Task.id == task_id, Task.clinic_id == act.clinic_id, Task.state.in_(from_states))
    moved = act.session.execute(update(Task).where(*own).values(**values).returning(Task.patient_id)).first()
    if moved is None:
        raise _why_not(act, task_id)
    # Nobody else need be told of what somebody is looking at. Messages are locked before the row of the
    # review, as the worker does.
    outbox.cancel(act.session, Message.task_id == task_id, "task_taken", act.now)
    if moved.patient_id is not None:
        panel.judge_again(act.session, [moved.patient_id], act.now)
    act.note(action, ("task", task_id))


def _why_not(act: Act, task_id: uuid.UUID) -> Exception:
    row = act.session.execute(
        select(Task.state, Staff.name.label("by"))
        .outerjoin(Staff, Staff.id == func.coalesce(Task.closed_by, Task.taken_by))
        .where(Task.id == task_id, Task.clinic_id == act.clinic_id)
    ).first()
    if row is None:
        return LookupError(f"no task {task_id}")
    return AlreadyHandled(row.by or "somebody", row.state)
