"""Tell staff what is open: at once where it may be an emergency, stepping up while nobody takes it, and once a day.

Promises at most one message for each task and contact, one digest for each clinic
and local date, and that no text holds a name or a value: it says that something
is open, and where. Who is told first is the order of the contacts' positions.

A notice of a safety answer goes out at whatever hour, to the next on call too, alone and in words
that say it cannot wait; no clinic may switch this off. The person was told to call the emergency
number in any case: nobody must rely on a notice that is read at night.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time

from sqlalchemy import Engine, or_, select, text, update
from sqlalchemy.orm import Session

from service.domain.escalation import AT_ANY_HOUR, GOOD_FOR, next_digest, next_told_at
from service.domain.localtime import local_date, zone
from service.domain.sending import CANNOT_WAIT
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
    contacts_told: int


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
        query = due.with_only_columns(Task.id, Task.clinic_id, Task.kind, Task.contacts_told)
        rows = session.execute(query.order_by(Task.escalates_at).with_for_update(skip_locked=True))
        return [_Open(**row) for row in rows.mappings()]

    def write(session: Session, rows: Sequence[_Open]) -> Written:
        contacts = _on_call(session, {row.clinic_id for row in rows})
        told = _told(session, rows, contacts)
        messages, done = [], 0
        for row in rows:
            # Not by counting: whoever was told may have ended their notices since, and nobody is passed over for it.
            left = [one for one in contacts.get(row.clinic_id, []) if (row.id, one.contact_id) not in told]
            following = None
            if left:
                messages.append(_notice(row, left[0], now))
                following = next_told_at(row.kind, now) if len(left) > 1 else None
                done += 1
            session.execute(
                update(Task)
                .where(Task.id == row.id)
                .values(escalates_at=following, contacts_told=row.contacts_told + bool(left))
                .execution_options(synchronize_session=False)
            )
        outbox.enqueue_many(session, messages, now)
        return Written(done, len(rows) - done)

    return Work("task", due, load, write, BATCH)


def _told(
    session: Session, rows: Sequence[_Open], contacts: Mapping[uuid.UUID, Sequence[_Reach]]
) -> set[tuple[uuid.UUID, uuid.UUID]]:
    """(task, contact) pairs that were told already. One query."""
    keys = {
        _key(MessageKind.STAFF_TASK, str(row.id), one.contact_id): (row.id, one.contact_id)
        for row in rows
        if row.contacts_told
        for one in contacts.get(row.clinic_id, ())
    }
    if not keys:
        return set()
    return {keys[key] for key in session.scalars(select(Message.dedupe_key).where(Message.dedupe_key.in_(keys)))}


def _key(kind: MessageKind, occasion: str, contact_id: uuid.UUID) -> str:
    return f"{kind.value}:{occasion}:{contact_id}"


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
                .execution_options(synchronize_session=False)
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
    day = local_date(now, zone(clinic.zone)).isoformat()
    return [_message(clinic.id, reach, MessageKind.DIGEST, day, now, {"count": waiting}) for reach in first.values()]


def _notice(task: _Open, reach: _Reach, now: datetime) -> NewMessage:
    params: dict[str, object] = {"task": str(task.id)}
    if task.kind in AT_ANY_HOUR:
        params[CANNOT_WAIT] = True
    return _message(task.clinic_id, reach, MessageKind.STAFF_TASK, str(task.id), now, params)


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
        dedupe_key=_key(kind, occasion, reach.contact_id),
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
            Staff.role.in_(CLINICAL_STAFF),
        )
        .order_by(Contact.position, Staff.created_at, Contact.id)
    )
    found: dict[uuid.UUID, list[_Reach]] = {}
    for clinic_id, contact_id, staff_id, channel in session.execute(query):
        if staff_id is not None:
            found.setdefault(clinic_id, []).append(_Reach(contact_id, staff_id, channel))
    return found
