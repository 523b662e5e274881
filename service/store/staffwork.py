"""What staff did and have still to do, per patient, for the review: always read live.

Promises a constant number of queries for a clinic, whatever the size of its panel.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import TypeVar
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, exists, func, or_, select
from sqlalchemy.orm import Session, aliased

from service.domain import factjson, tasks
from service.domain.review import Accepted, LastAdjustment, LastReview, OpenTask
from service.domain.seals import Seal
from service.domain.signals.facts import Episode, PictureFacts
from service.domain.since import Standing
from service.domain.vocabulary import Outcome, SignalKind, TaskState
from service.store import ids, legible, seals, signatures
from service.store.adjustments import COUNTS, NEWEST_FIRST
from service.store.names import staff_name
from service.store.session import rows
from service.store.tables import Acceptance, Adjustment, ReviewAddition, Signal, SignOff, Task

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class AddedRow:
    """An addition to a signature."""

    id: uuid.UUID
    by: str
    at: datetime
    outcome: Outcome | None  # None: altered, nobody can read it
    note: str
    seal: Seal


@dataclass(frozen=True, slots=True)
class SignedRow:
    """A week's signature of one patient, with what was added to it since, and where the patient stood each time."""

    id: uuid.UUID
    by: str
    at: datetime
    outcome: Outcome | None  # None: altered, nobody can read it
    next_look: date | None = None
    note: str = ""
    by_id: uuid.UUID | None = None  # whose
    seal: Seal = Seal.UNSEALED  # without what was frozen, which is not shown beside it
    additions: tuple[AddedRow, ...] = ()
    stood: tuple[Standing, ...] = ()

    @property
    def instants(self) -> tuple[datetime, ...]:
        """When it was signed, and when it was added to."""
        return (self.at, *(one.at for one in self.additions))

    @property
    def newest(self) -> uuid.UUID:
        """The last addition's id, or the signature's where there is none."""
        return self.additions[-1].id if self.additions else self.id


@dataclass(frozen=True, slots=True)
class StaffWork:
    """Keyed by patient. `adjustments` are newest first; those with a follow-up due are all there."""

    tasks: Mapping[uuid.UUID, tuple[OpenTask, ...]]
    signed: Mapping[uuid.UUID, SignedRow]
    earlier: Mapping[uuid.UUID, LastReview]
    adjustments: Mapping[uuid.UUID, tuple[LastAdjustment, ...]]
    unseen: Mapping[uuid.UUID, tuple[Episode, ...]]
    accepted: Mapping[uuid.UUID, Accepted]


def of_clinic(
    session: Session,
    clinic_id: uuid.UUID,
    week: date,
    *,
    local_zone: str,
    patient_ids: Collection[uuid.UUID] | None = None,
) -> StaffWork:
    """Everything staff did for the clinic's patients, or for these of them. Six queries."""
    zone = ZoneInfo(local_zone)
    them = None if patient_ids is None else ids.Ids(patient_ids)

    def among(table: type[Task | SignOff | Adjustment | Signal | Acceptance]) -> ColumnElement[bool]:
        theirs = table.clinic_id == clinic_id
        return theirs if them is None else theirs & ids.among(table.patient_id, them)

    return StaffWork(
        _tasks(session, among(Task), zone),
        _signed(session, among(SignOff), week),
        _earlier(session, among(SignOff), week, zone),
        _adjustments(session, among(Adjustment)),
        _unseen(session, among(Signal)),
        _accepted(session, among(Acceptance), zone),
    )


def _tasks(session: Session, among: ColumnElement[bool], zone: ZoneInfo) -> dict[uuid.UUID, tuple[OpenTask, ...]]:
    query = select(Task.patient_id, Task.id, Task.kind, Task.facts, Task.raised_at).where(
        among, Task.state != TaskState.CLOSED, Task.patient_id.is_not(None)
    )
    return _by_owner(
        (owner, OpenTask(task_id, kind, tasks.from_json(facts), raised_at.astimezone(zone).date()))
        for owner, task_id, kind, facts, raised_at in rows(session).execute(query.order_by(Task.raised_at))
        if owner is not None
    )


def _signed(session: Session, among: ColumnElement[bool], week: date) -> dict[uuid.UUID, SignedRow]:
    added = ReviewAddition
    ours, theirs = seals.columns(SignOff), seals.columns(added)
    query = (
        select(*ours, *(one.label(f"added_{one.key}") for one in theirs))
        .add_columns(staff_name(SignOff.signed_by).label("by"), staff_name(added.added_by).label("by_adder"))
        .outerjoin(added, added.sign_off_id == SignOff.id)
        .where(among, signatures.COUNTS, SignOff.week == week)
        .order_by(added.number)
    )
    sealer, end = seals.sealer_of(session), len(ours) + len(theirs)
    found: dict[uuid.UUID, SignedRow] = {}
    for line in rows(session).execute(query):
        row = found.get(line.patient_id)
        if row is None:
            seal = seals.judged(sealer, SignOff, line[: len(ours)])
            row = SignedRow(
                line.id, line.by, line.signed_at, line.outcome, line.next_look, line.note, line.signed_by,
                stood=(legible.standing(line.standing, seal, week),), seal=seal,
            )  # fmt: skip
        if line.added_id is not None:
            seal = seals.judged(sealer, added, line[len(ours) : end])
            addition = AddedRow(
                line.added_id, line.by_adder, line.added_added_at, line.added_outcome, line.added_note, seal
            )
            stood = (*row.stood, legible.standing(line.added_standing, seal, week))
            row = replace(row, additions=(*row.additions, addition), stood=stood)
        found[line.patient_id] = row
    return found


def _earlier(session: Session, among: ColumnElement[bool], week: date, zone: ZoneInfo) -> dict[uuid.UUID, LastReview]:
    """The newest review of each patient in a week before this one; outcome and date are the last addition's to it."""
    last, one = ReviewAddition, aliased(ReviewAddition)
    number = select(func.max(one.number)).where(one.sign_off_id == SignOff.id).correlate(SignOff).scalar_subquery()
    at, outcome = func.coalesce(last.added_at, SignOff.signed_at), func.coalesce(last.outcome, SignOff.outcome)
    newest = (
        select(SignOff.patient_id, func.max(SignOff.week).label("week"))
        .where(among, signatures.COUNTS, SignOff.week < week)
        .group_by(SignOff.patient_id)
        .subquery()
    )
    query = (
        select(SignOff.patient_id, SignOff.week, at.label("at"), outcome.label("outcome"), SignOff.next_look)
        .join(newest, (newest.c.patient_id == SignOff.patient_id) & (newest.c.week == SignOff.week))
        .outerjoin(last, (last.sign_off_id == SignOff.id) & (last.number == number))
        .where(among, signatures.COUNTS)
    )
    return {
        row.patient_id: LastReview(row.week, row.at.astimezone(zone).date(), row.outcome, row.next_look)
        for row in rows(session).execute(query)
    }


def _adjustments(session: Session, among: ColumnElement[bool]) -> dict[uuid.UUID, tuple[LastAdjustment, ...]]:
    """The newest adjustment of each patient, and every older one whose follow-up is not done."""
    sealer = seals.sealer_of(session)
    place = func.row_number().over(partition_by=Adjustment.patient_id, order_by=NEWEST_FIRST)
    current = select(*seals.columns(Adjustment), place.label("place")).where(among, COUNTS).subquery()
    still_due = current.c.follow_up_on.is_not(None) & current.c.followed_up_at.is_(None)
    query = select(current).where(or_(current.c.place == 1, still_due)).order_by(current.c.place)
    found = [(made, seals.judged(sealer, Adjustment, made[:-1])) for made in rows(session).execute(query)]
    return _by_owner(
        (
            made.patient_id,
            LastAdjustment(
                made.made_on,
                made.what,
                follow_up_on=made.follow_up_on if made.followed_up_at is None else None,
                follow_up_what=made.follow_up_what,
                seal=seal,
                stands=sealer.relies(seal),
            ),
        )
        for made, seal in found
    )


def _unseen(session: Session, among: ColumnElement[bool]) -> dict[uuid.UUID, tuple[Episode, ...]]:
    """Signals that no longer hold but that nobody has seen: carried until somebody has."""
    query = select(
        Signal.patient_id, Signal.kind, Signal.raised_on, Signal.began_on, Signal.facts, Signal.ended_on
    ).where(among, Signal.ended_on.is_not(None), Signal.seen_at.is_(None))
    return _by_owner(
        (owner, Episode(kind, raised_on, began_on, factjson.unpack(PictureFacts, facts), ended_on))
        for owner, kind, raised_on, began_on, facts, ended_on in rows(session).execute(query.order_by(Signal.raised_at))
    )


def _accepted(session: Session, among: ColumnElement[bool], zone: ZoneInfo) -> dict[uuid.UUID, Accepted]:
    """The newest acceptance of each patient that was not taken back and that nothing has broken since.

    Silence breaks none: it says nothing of the pressure, and has a lane of its own.
    """
    broken = exists().where(
        Signal.patient_id == Acceptance.patient_id,
        Signal.raised_at > Acceptance.accepted_at,
        Signal.kind != SignalKind.SILENT,
    )
    query = (
        select(
            Acceptance.patient_id,
            Acceptance.id,
            Acceptance.reason,
            Acceptance.until,
            staff_name(Acceptance.accepted_by),
            Acceptance.accepted_at,
        )
        .where(among, Acceptance.taken_back_at.is_(None), ~broken)
        .order_by(Acceptance.accepted_at)
    )
    return {
        owner: Accepted(accepted_id, reason, until, by, at.astimezone(zone).date())
        for owner, accepted_id, reason, until, by, at in rows(session).execute(query)
    }


def _by_owner(owned: Iterable[tuple[uuid.UUID, T]]) -> dict[uuid.UUID, tuple[T, ...]]:
    found: dict[uuid.UUID, list[T]] = {}
    for owner, row in owned:
        found.setdefault(owner, []).append(row)
    return {owner: tuple(several) for owner, several in found.items()}
