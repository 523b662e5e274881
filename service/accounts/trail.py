"""The trail of who opened what, read: whose record was opened by whom, what a colleague opened, what stands out.

Reads only, a clinic's own lines alone. Tells ids, names of colleagues and machines, and no clinical value: who
answers for the trail need not be allowed to open a record.

Of lists the trail tells how many patients they showed, so `lists_opened` is told beside a record's own lines: whoever
opened the review saw a row of every patient.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from sqlalchemy import ColumnElement, func, or_, select
from sqlalchemy.orm import Session

from service.domain import openings
from service.domain.localtime import local_date, zone
from service.domain.openings import Floors, Noticed, Visit
from service.domain.rights import Right, rights_of
from service.domain.vocabulary import ActorKind, Answered, Opened, Role
from service.store.access import LETTING_IN
from service.store.tables import AccessLine, ApiKey, Caregiver, Clinic, Patient, SignOff, Staff, Task

MOST = 500  # lines that are read for one answer; more are said to be left out
OF_ONE = (Opened.RECORD, Opened.REACH, Opened.PAPER)
NAMED = func.coalesce(Staff.name, ApiKey.name, Caregiver.name, "")


@dataclass(frozen=True, slots=True)
class Opening:
    """What one person or machine opened of one thing on one date of the clinic; `by` is empty for who has no name."""

    first_at: datetime
    last_at: datetime
    actor: ActorKind | None
    by: str
    roles: tuple[Role, ...]
    opened: Opened
    answered: Answered
    times: int
    patients: int
    patient_id: uuid.UUID | None
    clinic_ref: str
    addresses: tuple[str, ...]

    @property
    def is_known(self) -> bool:
        """Whether it was they; a sign-in that failed may have been anybody's."""
        return self.opened is not Opened.DOOR or self.answered in LETTING_IN


@dataclass(frozen=True, slots=True)
class Openings:
    """The newest openings first; `is_whole` is false where more were left out."""

    openings: tuple[Opening, ...]
    is_whole: bool


def of_record(session: Session, clinic: Clinic, patient_id: uuid.UUID, since: datetime, most: int = MOST) -> Openings:
    """Who opened this record, and what of it."""
    its = (AccessLine.patient_id == patient_id, AccessLine.answered.in_(LETTING_IN))
    return _told(session, clinic, since, most, *its)


def lists_opened(session: Session, clinic: Clinic, since: datetime) -> list[tuple[str, int]]:
    """Who opened lists and files of many patients, and on how many occasions; a row of each patient is in most."""
    query = (
        select(NAMED, func.sum(AccessLine.times))
        .outerjoin(Staff, Staff.id == AccessLine.actor_id)
        .outerjoin(ApiKey, ApiKey.id == AccessLine.actor_id)
        .outerjoin(Caregiver, Caregiver.id == AccessLine.actor_id)
        .where(AccessLine.clinic_id == clinic.id, AccessLine.at >= since, AccessLine.patients > 0)
        .where(AccessLine.opened.in_((Opened.LIST, Opened.EXPORT)), AccessLine.answered.in_(LETTING_IN))
        .group_by(AccessLine.actor_id, NAMED)
    )
    return sorted((str(name), int(times)) for name, times in session.execute(query))


def of_colleague(session: Session, clinic: Clinic, staff_id: uuid.UUID, since: datetime) -> Openings:
    """What a colleague opened, and where they were refused."""
    return _told(session, clinic, since, MOST, AccessLine.actor_id == staff_id)


def turned_away(session: Session, clinic: Clinic, since: datetime) -> Openings:
    """Who was refused, and whose sign-in failed."""
    return _told(session, clinic, since, MOST, AccessLine.answered.not_in(LETTING_IN), AccessLine.opened != Opened.LOST)


def known_since(session: Session, clinic: Clinic, since: datetime, now: datetime) -> datetime:
    """From when on the clinic's trail is known: `since`, or its first line where that came later."""
    first = session.scalar(select(func.min(AccessLine.at)).where(AccessLine.clinic_id == clinic.id))
    return max(since, first or now)


def lost(session: Session, clinic_id: uuid.UUID, since: datetime) -> int:
    """How many lines of the clinic could not be kept."""
    its = (AccessLine.opened == Opened.LOST, AccessLine.clinic_id == clinic_id, AccessLine.at >= since)
    return session.scalar(select(func.coalesce(func.sum(AccessLine.times), 0)).where(*its)) or 0


def unusual(session: Session, clinic: Clinic, now: datetime) -> list[Noticed]:
    """What stands out in what colleagues opened lately; see `domain.openings`."""
    since = now - timedelta(days=openings.SHOWN_DAYS + openings.PAST_DAYS)
    seen = select(AccessLine.actor_id, AccessLine.patient_id, AccessLine.at, AccessLine.answered).where(
        AccessLine.clinic_id == clinic.id, AccessLine.at >= since, AccessLine.actor_kind == ActorKind.STAFF,
        AccessLine.opened.in_(OF_ONE), AccessLine.answered.in_(LETTING_IN),
    )  # fmt: skip
    visits = [
        Visit(staff_id, patient_id, at, answered is Answered.CHANGED)
        for staff_id, patient_id, at, answered in session.execute(seen)
        if staff_id is not None and patient_id is not None
    ]
    parts = {(one.staff_id, one.patient_id) for one in visits if one.changed} | {*_work(session, clinic.id, since)}
    may = {Right.CARE, Right.ENROL}
    people = session.execute(select(Staff.id, Staff.roles, Staff.grants).where(Staff.clinic_id == clinic.id))
    takes_part = {staff_id for staff_id, roles, grants in people if rights_of(roles, grants) & may}
    quiet: tuple[time, time] = (clinic.quiet_from, clinic.quiet_until)
    floors = Floors(clinic.noticed_nights, clinic.noticed_records, clinic.noticed_occasions)
    return openings.noticed(visits, parts, takes_part, quiet, zone(clinic.zone), local_date(now, clinic.zone), floors)


def _work(session: Session, clinic_id: uuid.UUID, since: datetime) -> Iterator[tuple[uuid.UUID, uuid.UUID]]:
    """Colleague and patient, wherever one signed the other's review, or has or had a task of theirs."""
    signed = select(SignOff.signed_by, SignOff.patient_id).where(
        SignOff.clinic_id == clinic_id, SignOff.signed_at >= since
    )
    yield from ((staff_id, patient_id) for staff_id, patient_id in session.execute(signed))
    lately: ColumnElement[bool] = or_(Task.raised_at >= since, Task.closed_at >= since, Task.closed_at.is_(None))
    tasks = select(Task.patient_id, Task.taken_by, Task.closed_by, Task.staff_id).where(
        Task.clinic_id == clinic_id, lately
    )
    for patient_id, *staff in session.execute(tasks):
        if patient_id is not None:
            yield from ((one, patient_id) for one in staff if one is not None)


def _told(session: Session, clinic: Clinic, since: datetime, most: int, *which: ColumnElement[bool]) -> Openings:
    """Lines that fit, those of one person, thing, outcome and date together."""
    query = (
        select(AccessLine, NAMED, Staff.roles, func.coalesce(Patient.clinic_ref, ""))
        .outerjoin(Staff, Staff.id == AccessLine.actor_id)
        .outerjoin(ApiKey, ApiKey.id == AccessLine.actor_id)
        .outerjoin(Caregiver, Caregiver.id == AccessLine.actor_id)
        .outerjoin(Patient, (Patient.id == AccessLine.patient_id) & (Patient.clinic_id == clinic.id))
        .where(AccessLine.clinic_id == clinic.id, AccessLine.at >= since, *which)
        .order_by(AccessLine.at.desc(), AccessLine.id)
        .limit(most + 1)
    )
    rows = session.execute(query).all()
    piles: dict[tuple[object, ...], list[tuple[AccessLine, str, Sequence[str] | None, str]]] = {}
    for line, by, roles, ref in rows[:most]:
        like = (local_date(line.at, clinic.zone), line.actor_id, line.actor_kind, line.opened, line.answered)
        piles.setdefault((*like, line.patient_id), []).append((line, by, roles, ref))
    return Openings(tuple(_opening(pile) for pile in piles.values()), len(rows) <= most)


def _opening(pile: list[tuple[AccessLine, str, Sequence[str] | None, str]]) -> Opening:
    line, by, roles, ref = pile[0]
    lines = [one for one, *_ in pile]
    return Opening(
        lines[-1].at, line.at, line.actor_kind, by, tuple(Role(role) for role in roles or ()), line.opened,
        line.answered, sum(one.times for one in lines), max(one.patients for one in lines), line.patient_id, ref,
        tuple(sorted({one.address for one in lines} - {""})),
    )  # fmt: skip
