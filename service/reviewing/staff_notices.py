"""Tell staff what is open: at once where it may be an emergency, stepping up while nobody takes it, and once a day.

Promises at most one message for each task and contact, and one more each time that something new
opens a task which somebody had taken; one digest for each clinic and local date; and that no text
holds a name or a value: it says that something is open, and where. Who is told first is the order
of the contacts' positions.

A notice of a safety answer goes out at whatever hour, to the next on call too, and round and round
until somebody takes it, alone and in words that say it cannot wait; no clinic may switch this off.
It never ends, and whoever has been told of it four times is told again every two hours.
The person was told to call the emergency number in any case: nobody must rely on a notice that is
read at night.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time

from sqlalchemy import Engine, case, func, or_, select, text, update
from sqlalchemy.orm import Session

from service.domain.localtime import local_date, zone
from service.domain.sending import CANNOT_WAIT
from service.domain.tasks import AT_ANY_HOUR, GOOD_FOR, next_digest, next_told_at, told_again_at
from service.domain.vocabulary import CLINICAL_STAFF, Channel, ContactState, MessageKind, TaskKind
from service.reviewing.inbox import open_count
from service.store import outbox
from service.store.guarded import Due, Tally, Work, Written, work_off
from service.store.outbox import NewMessage
from service.store.quarantine import is_quarantined
from service.store.tables import Clinic, Contact, Message, Staff, Task

BATCH = 100
# A literal, not a parameter: a partial index serves only a query that provably asks for its part.
IS_OPEN = text("tasks.state = 'open'")


@dataclass(frozen=True, slots=True)
class _Open:
    """A task whose time to be told has come."""

    id: uuid.UUID
    clinic_id: uuid.UUID
    kind: TaskKind
    retold_at: datetime | None


@dataclass(frozen=True, slots=True)
class _Reach:
    contact_id: uuid.UUID
    staff_id: uuid.UUID
    channel: Channel


def tell_staff(engine: Engine, now: datetime) -> Tally:
    """Send what is due to staff: open tasks to the next contact, and the digests of the clinics whose day begins."""
    return work_off(engine, _tasks(now), now) + work_off(engine, _digests(now), now)


def _tasks(now: datetime) -> Work[_Open]:
    due = select(Task.id).where(IS_OPEN, Task.escalates_at <= now, ~is_quarantined("task", Task.id))

    def load(session: Session, due: Due) -> Sequence[_Open]:
        query = due.with_only_columns(Task.id, Task.clinic_id, Task.kind, Task.retold_at)
        rows = session.execute(query.order_by(Task.escalates_at).with_for_update(skip_locked=True))
        return [_Open(**row) for row in rows.mappings()]

    def write(session: Session, rows: Sequence[_Open]) -> Written:
        contacts = _on_call(session, {row.clinic_id for row in rows})
        told = _told(session, rows)
        messages = []
        for row in rows:
            following = _next(row, contacts.get(row.clinic_id, []), told, now)
            if following.contact is not None:
                messages.append(_notice(row, following.contact, told, now))
            session.execute(update(Task).where(Task.id == row.id).values(escalates_at=following.at))
        outbox.enqueue_many(session, messages, now)
        return Written(len(messages), len(rows) - len(messages))

    return Work("task", due, load, write, BATCH)


@dataclass(frozen=True, slots=True)
class _Times:
    """How often one contact was told of one task, how often of what it tells of now, and when last."""

    number: int
    lately: int
    last: datetime


Told = Mapping[tuple[uuid.UUID, uuid.UUID], _Times]  # by task and contact


def _told(session: Session, rows: Sequence[_Open]) -> dict[tuple[uuid.UUID, uuid.UUID], _Times]:
    """Who was told already. One query."""
    lately = case((Message.created_at < Task.retold_at, 0), else_=1)  # null is not less
    found = session.execute(
        select(Message.task_id, Message.contact_id, func.count(), func.sum(lately), func.max(Message.created_at))
        .join(Task, Task.id == Message.task_id)
        .where(Message.task_id.in_([row.id for row in rows]))
        .group_by(Message.task_id, Message.contact_id)
    )
    return {(task, contact): _Times(*times) for task, contact, *times in found if task is not None}


@dataclass(frozen=True, slots=True)
class _Next:
    """Whom to tell now, if anybody, and when the next is told; None is never."""

    contact: _Reach | None
    at: datetime | None


def _next(task: _Open, contacts: Sequence[_Reach], told: Told, now: datetime) -> _Next:
    # Not by counting: whoever was told may have ended their notices since, and nobody is passed over for it.
    left = [one for one in contacts if not _knows(task, one, told)]
    round_and_round = task.kind in AT_ANY_HOUR
    if len(left) > 1 or (round_and_round and not contacts):
        return _Next(left[0] if left else None, next_told_at(task.kind, now))
    if not round_and_round:
        return _Next(left[0] if left else None, None)
    times = {one: told.get((task.id, one.contact_id), _Times(0, 0, now)) for one in contacts}
    longest_ago = left[0] if left else min(contacts, key=lambda one: times[one].last)
    times[longest_ago] = replace(times[longest_ago], lately=times[longest_ago].lately + 1, last=now)
    after = min(times.values(), key=lambda one: one.last)
    return _Next(longest_ago, told_again_at(task.kind, now, after.lately, after.last))


def _knows(task: _Open, contact: _Reach, told: Told) -> bool:
    """Whether the contact was told of what the task tells of now."""
    times = told.get((task.id, contact.contact_id))
    return times is not None and (task.retold_at is None or times.last >= task.retold_at)


def _notice(task: _Open, contact: _Reach, told: Told, now: datetime) -> NewMessage:
    params: dict[str, object] = {CANNOT_WAIT: True} if task.kind in AT_ANY_HOUR else {}
    before = told.get((task.id, contact.contact_id))
    occasion = str(task.id) if before is None else f"{task.id}:{before.number + 1}"
    message = _message(task.clinic_id, contact, MessageKind.STAFF_TASK, occasion, now, params)
    return replace(message, task_id=task.id)


@dataclass(frozen=True, slots=True)
class _Morning:
    """A clinic whose day begins."""

    id: uuid.UUID
    zone: str
    at: time
    due_at: datetime | None


def _digests(now: datetime) -> Work[_Morning]:
    no_digest_yet = Clinic.digest_at.is_(None)
    due = select(Clinic.id).where(or_(no_digest_yet, Clinic.digest_at <= now), ~is_quarantined("clinic", Clinic.id))

    def load(session: Session, due: Due) -> Sequence[_Morning]:
        query = due.with_only_columns(
            Clinic.id, Clinic.zone, Clinic.quiet_until.label("at"), Clinic.digest_at.label("due_at")
        )
        return [_Morning(**row) for row in session.execute(query.with_for_update(skip_locked=True)).mappings()]

    def write(session: Session, rows: Sequence[_Morning]) -> Written:
        written = Written()
        contacts = _on_call(session, {clinic.id for clinic in rows})
        for clinic in rows:
            # A clinic that has never had one only learns when its first is, and after an outage a
            # morning that is long past is passed over: nothing is told late.
            in_time = clinic.due_at is not None and now - clinic.due_at <= GOOD_FOR
            waiting = open_count(session, clinic.id) if in_time else 0
            messages = _digest(clinic, contacts.get(clinic.id, []), waiting, now) if waiting else []
            outbox.enqueue_many(session, messages, now)
            session.execute(
                update(Clinic)
                .where(Clinic.id == clinic.id)
                .values(digest_at=next_digest(now, clinic.at, zone(clinic.zone)))
            )
            written.done += bool(messages)
            written.passed += not messages
        return written

    return Work("clinic", due, load, write, BATCH)


def _digest(clinic: _Morning, contacts: Sequence[_Reach], waiting: int, now: datetime) -> list[NewMessage]:
    """One message to each person, by their first contact."""
    first: dict[uuid.UUID, _Reach] = {}
    for reach in contacts:
        first.setdefault(reach.staff_id, reach)
    day = local_date(now, clinic.zone).isoformat()
    return [_message(clinic.id, reach, MessageKind.DIGEST, day, now, {"count": waiting}) for reach in first.values()]


def _message(
    clinic_id: uuid.UUID,
    reach: _Reach,
    kind: MessageKind,
    occasion: str,
    now: datetime,
    params: dict[str, object],
) -> NewMessage:
    return NewMessage(
        clinic_id=clinic_id,
        contact_id=reach.contact_id,
        kind=kind,
        channel=reach.channel,
        dedupe_key=f"{kind.value}:{occasion}:{reach.contact_id}",
        due_at=now,
        expires_at=now + GOOD_FOR,
        staff_id=reach.staff_id,
        params=params,
    )


def _on_call(session: Session, clinic_ids: set[uuid.UUID]) -> dict[uuid.UUID, list[_Reach]]:
    """Each clinic's staff who can be told, in the order in which they are."""
    query = (
        select(Contact.clinic_id, Contact.id, Contact.staff_id, Contact.channel)
        .join(Staff, Staff.id == Contact.staff_id)
        .where(
            Contact.clinic_id.in_(clinic_ids),
            Contact.state == ContactState.OK,
            Staff.active.is_(True),
            Staff.holds_any(CLINICAL_STAFF),
        )
        .order_by(Contact.position, Staff.created_at, Contact.id)
    )
    found: dict[uuid.UUID, list[_Reach]] = {}
    for clinic_id, contact_id, staff_id, channel in session.execute(query):
        if staff_id is not None:
            found.setdefault(clinic_id, []).append(_Reach(contact_id, staff_id, channel))
    return found
