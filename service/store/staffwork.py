"""What staff did and have still to do, per patient, for the review: always read live.

Promises a constant number of queries for a clinic, whatever the size of its panel.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, func, or_, select
from sqlalchemy.orm import Session

from service.domain import factjson, tasks
from service.domain.review import LastAdjustment, LastReview, OpenTask, Raised
from service.domain.signals.facts import PictureFacts
from service.domain.vocabulary import Outcome, TaskState
from service.store.tables import Adjustment, Signal, SignOff, Staff, Task


@dataclass(frozen=True, slots=True)
class SignedRow:
    id: uuid.UUID
    by: str
    at: datetime
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class StaffWork:
    """Keyed by patient. `adjustments` are newest first; those with a follow-up due are all there."""

    tasks: Mapping[uuid.UUID, tuple[OpenTask, ...]]
    signed: Mapping[uuid.UUID, SignedRow]
    earlier: Mapping[uuid.UUID, LastReview]
    adjustments: Mapping[uuid.UUID, tuple[LastAdjustment, ...]]
    unseen: Mapping[uuid.UUID, tuple[Raised, ...]]


def of_clinic(
    session: Session,
    clinic_id: uuid.UUID,
    week: date,
    *,
    local_zone: str,
    patient_ids: Collection[uuid.UUID] | None = None,
) -> StaffWork:
    """Everything staff did for the clinic's patients, or for these of them. Five queries."""
    zone = ZoneInfo(local_zone)
    return StaffWork(
        _tasks(session, clinic_id, patient_ids, zone),
        _signed(session, clinic_id, patient_ids, week),
        _earlier(session, clinic_id, patient_ids, week, zone),
        _adjustments(session, clinic_id, patient_ids),
        _unseen(session, clinic_id, patient_ids),
    )


def _tasks(
    session: Session, clinic_id: uuid.UUID, patient_ids: Collection[uuid.UUID] | None, zone: ZoneInfo
) -> dict[uuid.UUID, tuple[OpenTask, ...]]:
    query = select(Task.patient_id, Task.id, Task.kind, Task.facts, Task.raised_at).where(
        Task.clinic_id == clinic_id,
        Task.state != TaskState.CLOSED,
        Task.patient_id.is_not(None),
        *_of(Task, patient_ids),
    )
    found: dict[uuid.UUID, list[OpenTask]] = {}
    for owner, task_id, kind, facts, raised_at in session.execute(query.order_by(Task.raised_at)):
        if owner is not None:
            found.setdefault(owner, []).append(
                OpenTask(task_id, kind, tasks.from_json(facts), raised_at.astimezone(zone).date())
            )
    return {owner: tuple(rows) for owner, rows in found.items()}


def _signed(
    session: Session, clinic_id: uuid.UUID, patient_ids: Collection[uuid.UUID] | None, week: date
) -> dict[uuid.UUID, SignedRow]:
    query = (
        select(SignOff.patient_id, SignOff.id, Staff.name, SignOff.signed_at, SignOff.outcome)
        .join(Staff, Staff.id == SignOff.signed_by)
        .where(SignOff.clinic_id == clinic_id, SignOff.week == week, *_of(SignOff, patient_ids))
    )
    return {row[0]: SignedRow(*row[1:]) for row in session.execute(query)}


def _earlier(
    session: Session, clinic_id: uuid.UUID, patient_ids: Collection[uuid.UUID] | None, week: date, zone: ZoneInfo
) -> dict[uuid.UUID, LastReview]:
    """The newest review of each patient in a week before this one."""
    newest = (
        select(SignOff.patient_id, func.max(SignOff.week).label("week"))
        .where(SignOff.clinic_id == clinic_id, SignOff.week < week, *_of(SignOff, patient_ids))
        .group_by(SignOff.patient_id)
        .subquery()
    )
    query = (
        select(SignOff.patient_id, SignOff.week, SignOff.signed_at, SignOff.outcome, SignOff.next_look)
        .join(newest, (newest.c.patient_id == SignOff.patient_id) & (newest.c.week == SignOff.week))
        .where(SignOff.clinic_id == clinic_id)
    )
    return {
        row[0]: LastReview(row[1], row[2].astimezone(zone).date(), row[3], row[4]) for row in session.execute(query)
    }


def _adjustments(
    session: Session, clinic_id: uuid.UUID, patient_ids: Collection[uuid.UUID] | None
) -> dict[uuid.UUID, tuple[LastAdjustment, ...]]:
    """The newest adjustment of each patient, and every older one whose follow-up is not done."""
    newest = (
        select(Adjustment.patient_id, func.max(Adjustment.recorded_at).label("at"))
        .where(Adjustment.clinic_id == clinic_id, Adjustment.superseded_at.is_(None), *_of(Adjustment, patient_ids))
        .group_by(Adjustment.patient_id)
        .subquery()
    )
    query = (
        select(
            Adjustment.patient_id,
            Adjustment.made_on,
            Adjustment.what,
            Adjustment.follow_up_on,
            Adjustment.follow_up_what,
            Adjustment.followed_up_at,
        )
        .join(newest, newest.c.patient_id == Adjustment.patient_id)
        .where(
            Adjustment.clinic_id == clinic_id,
            Adjustment.superseded_at.is_(None),
            or_(
                Adjustment.recorded_at == newest.c.at,
                (Adjustment.follow_up_on.is_not(None)) & (Adjustment.followed_up_at.is_(None)),
            ),
        )
        .order_by(Adjustment.made_on.desc(), Adjustment.recorded_at.desc())
    )
    found: dict[uuid.UUID, list[LastAdjustment]] = {}
    for owner, made_on, what, follow_up_on, follow_up_what, done_at in session.execute(query):
        due = follow_up_on if done_at is None else None
        found.setdefault(owner, []).append(
            LastAdjustment(made_on, what, follow_up_on=due, follow_up_what=follow_up_what)
        )
    return {owner: tuple(rows) for owner, rows in found.items()}


def _unseen(
    session: Session, clinic_id: uuid.UUID, patient_ids: Collection[uuid.UUID] | None
) -> dict[uuid.UUID, tuple[Raised, ...]]:
    """Signals that no longer hold but that nobody has seen: carried until somebody has."""
    query = select(Signal.patient_id, Signal.kind, Signal.facts, Signal.raised_on).where(
        Signal.clinic_id == clinic_id,
        Signal.ended_on.is_not(None),
        Signal.seen_at.is_(None),
        *_of(Signal, patient_ids),
    )
    found: dict[uuid.UUID, list[Raised]] = {}
    for owner, kind, facts, raised_on in session.execute(query.order_by(Signal.raised_at)):
        told = factjson.unpack(PictureFacts, facts)
        found.setdefault(owner, []).append(Raised(kind, told, raised_on, ended=True))
    return {owner: tuple(rows) for owner, rows in found.items()}


def _of(table: Any, patient_ids: Collection[uuid.UUID] | None) -> tuple[ColumnElement[bool], ...]:
    """The condition that a row is of one of these patients; none for everybody's."""
    return () if patient_ids is None else (table.patient_id.in_(patient_ids),)
