"""Build the weekly review's panel: everyone, in four lanes, in a constant number of queries.

1. Read every active patient with the row carried for them.
2. Rows that are missing, stale or of another day are made again in memory;
   reading a page never writes, the worker will.
3. Read what staff did (tasks, sign-offs, adjustments) live.
4. Place and order (domain.review).
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.domain import review
from service.domain import summary as summaries
from service.domain.review import UNRESOLVED, LastAdjustment, LastReview, OpenTask, Reason
from service.domain.summary import Summary
from service.domain.vocabulary import Lane, Outcome, PatientState
from service.reviewing import refreshing
from service.reviewing.placing import local_date, review_facts
from service.store import panel, staffwork
from service.store.tables import Clinic, PanelRow, Patient, SignOff


@dataclass(frozen=True, slots=True)
class Signed:
    """This week's signature of one patient."""

    id: uuid.UUID
    by: str
    at: datetime
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class PanelEntry:
    """One patient's row as the page shows it."""

    patient_id: uuid.UUID
    name: str
    clinic_ref: str
    zone: str
    lane: Lane
    reasons: tuple[Reason, ...]  # the most pressing first
    order: tuple[float, ...]
    summary: Summary
    adjustment: LastAdjustment | None
    tasks: tuple[OpenTask, ...]
    signed: Signed | None
    last_review: LastReview | None
    days_since_review: int | None
    carried_over: bool  # the last review ended without reaching them
    refreshed_now: bool  # the row was made again for this page


@dataclass(frozen=True, slots=True)
class Panel:
    """The whole weekly review of one clinic. Each lane has its unsigned patients first."""

    clinic_id: uuid.UUID
    clinic_name: str
    zone: str
    week: date
    today: date
    as_of: datetime
    lanes: Mapping[Lane, tuple[PanelEntry, ...]]

    @property
    def entries(self) -> tuple[PanelEntry, ...]:
        return tuple(entry for lane in review.LANES for entry in self.lanes[lane])

    @property
    def signed(self) -> int:
        return sum(entry.signed is not None for entry in self.entries)


def build_panel(session: Session, clinic_id: uuid.UUID, now: datetime) -> Panel:
    """The panel as of `now`. Raises LookupError when there is no such clinic."""
    clinic = session.get(Clinic, clinic_id)
    if clinic is None:
        raise LookupError(f"no clinic {clinic_id}")
    today = local_date(now, clinic.zone)
    week = review.week_of(today, clinic.review_weekday)
    entries = gather(session, clinic, now)
    return Panel(
        clinic_id,
        clinic.name,
        clinic.zone,
        week,
        today,
        now,
        {lane: tuple(entry for entry in entries if entry.lane is lane) for lane in review.LANES},
    )


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Another patient of the panel, to go on to."""

    patient_id: uuid.UUID
    name: str


@dataclass(frozen=True, slots=True)
class Neighbours:
    """Who stands before and after one patient on the panel, and who is next to be signed; None where nobody is."""

    before: Neighbour | None
    after: Neighbour | None
    unsigned: Neighbour | None


def neighbours(session: Session, clinic: Clinic, patient_id: uuid.UUID, now: datetime) -> Neighbours:
    """The patient's neighbours, by the ranks that the rows carry and this week's signatures. Two queries.

    The next to be signed is looked for below the patient first, then from the top. Nobody's
    entry is built; a patient without a row stands at the top, until the worker has made it.
    """
    week = review.week_of(local_date(now, clinic.zone), clinic.review_weekday)
    signed = SignOff.id.is_not(None)
    rank = func.coalesce(PanelRow.rank, "")
    order = (func.substr(rank, 1, 1), signed, rank, func.lower(Patient.name), Patient.id)
    row = func.row_number().over(order_by=order).label("at")
    beside = [
        shift(column, type_=column.type).over(order_by=order)
        for shift in (func.lag, func.lead)
        for column in (Patient.id, Patient.name)
    ]
    placed = (
        select(Patient.id, Patient.name, signed.label("signed"), row, *beside)
        .outerjoin(PanelRow, PanelRow.patient_id == Patient.id)
        .outerjoin(SignOff, (SignOff.patient_id == Patient.id) & (SignOff.week == week))
        .where(Patient.clinic_id == clinic.id, Patient.state == PatientState.ACTIVE)
        .subquery()
    )
    here = session.execute(select(placed).where(placed.c.id == patient_id)).first()
    if here is None:
        return Neighbours(None, None, None)
    at, before_id, before, after_id, after = here[3:]
    waiting = (
        select(placed.c.id, placed.c.name)
        .where(~placed.c.signed, placed.c.id != patient_id)
        .order_by(placed.c.at <= at, placed.c.at)
        .limit(1)
    )
    unsigned = session.execute(waiting).first()
    return Neighbours(
        Neighbour(before_id, before) if before_id else None,
        Neighbour(after_id, after) if after_id else None,
        Neighbour(*unsigned) if unsigned else None,
    )


def gather(
    session: Session,
    clinic: Clinic,
    now: datetime,
    patient_id: uuid.UUID | None = None,
    as_of: date | None = None,
) -> list[PanelEntry]:
    """The entries of every active patient, or of the one named, in the order of attention; unsigned first.

    `as_of` judges the readings up to an earlier date instead of each patient's today.
    """
    today = local_date(now, clinic.zone)
    everyone = panel.carried(session, clinic.id, patient_id)
    in_zone = {zone: as_of or local_date(now, zone) for zone in {row.zone for row in everyone}}
    todays = {row.patient_id: in_zone[row.zone] for row in everyone}
    fresh = {
        row.patient_id: summaries.from_json(row.facts)
        for row in everyone
        if summaries.is_readable(row.facts) and row.stale_since is None and row.as_of == todays[row.patient_id]
    }
    behind = {row.patient_id: todays[row.patient_id] for row in everyone if row.patient_id not in fresh}
    remade = refreshing.summaries(session, clinic.id, behind)
    work = staffwork.of_clinic(
        session,
        clinic.id,
        review.week_of(today, clinic.review_weekday),
        local_zone=clinic.zone,
        patient_ids=None if patient_id is None else [patient_id],
    )
    entries = [
        _entry(
            row,
            fresh.get(row.patient_id) or remade[row.patient_id],
            work,
            clinic,
            today,
            remade=row.patient_id in remade,
        )
        for row in everyone
    ]
    return sorted(entries, key=lambda entry: (entry.signed is not None, entry.order, entry.name.casefold()))


def _entry(
    row: panel.PatientPanelRow,
    known: Summary,
    work: staffwork.StaffWork,
    clinic: Clinic,
    today: date,
    *,
    remade: bool,
) -> PanelEntry:
    standing = review_facts(row, known, work, clinic)
    placement = review.place(standing)
    signed = work.signed.get(row.patient_id)
    last = standing.last_review
    newest = signed.at if signed else None
    reviewed_on = local_date(newest, clinic.zone) if newest else (last.signed_on if last else None)
    return PanelEntry(
        patient_id=row.patient_id,
        name=row.name,
        clinic_ref=row.clinic_ref,
        zone=row.zone,
        lane=placement.lane,
        reasons=placement.reasons,
        order=placement.order,
        summary=known,
        adjustment=standing.adjustments[0] if standing.adjustments else None,
        tasks=standing.tasks,
        signed=Signed(signed.id, signed.by, signed.at, signed.outcome) if signed else None,
        last_review=last,
        days_since_review=(today - reviewed_on).days if reviewed_on else None,
        carried_over=signed is None and last is not None and last.outcome in UNRESOLVED,
        refreshed_now=remade,
    )
