"""Build the weekly review's panel: everyone, in four lanes, in a constant number of queries.

1. Read every active patient with the row carried for them.
2. A few rows that are missing, stale or of another day are made again in memory: reading a
   page never writes, the worker will. Where they are more, or have more to work out than a page
   waits for, they are shown as they were known before, and that is said.
3. Read what staff did (tasks, sign-offs, adjustments) live.
4. Place and order (domain.review).
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime

from sqlalchemy import ColumnElement, false, func, select
from sqlalchemy.orm import Session

from service.domain import factjson, review, since
from service.domain import summary as summaries
from service.domain.localtime import local_date, zone
from service.domain.review import (
    UNRESOLVED,
    Accepted,
    LastAdjustment,
    LastReview,
    OpenTask,
    PatientFacts,
    Placement,
    Reason,
)
from service.domain.since import Standing
from service.domain.summary import Behind, Summary
from service.domain.validation import NotHere
from service.domain.vocabulary import Lane, PatientState
from service.reviewing import refreshing
from service.reviewing.placing import current_week, review_facts
from service.store import panel, signatures, staffwork
from service.store.staffwork import SignedRow
from service.store.tables import Clinic, PanelRow, Patient, ReviewAddition, SignOff

# What a page works out by itself, of a few patients together: about a second of work on a slow machine, whatever the
# clinic's size. The worker has no such bound.
FEW, MOST_EVENINGS = 10, 400


@dataclass(frozen=True, slots=True)
class PanelEntry:
    """One patient's row as the page shows it."""

    patient_id: uuid.UUID
    name: str
    clinic_ref: str
    zone: str
    facts: PatientFacts
    placement: Placement
    signed: SignedRow | None  # this week
    since: tuple[Reason, ...]  # what came since and would have changed what was signed or added
    reviewed_on: tuple[date, ...]  # this week's signature, then what was added to it, on the clinic's calendar
    accepted: Accepted | None  # in force
    days_since_review: int | None
    carried_over: bool  # the last review ended without reaching them

    @property
    def lane(self) -> Lane:
        return self.placement.lane

    @property
    def reasons(self) -> tuple[Reason, ...]:
        """The most pressing first."""
        return self.placement.reasons

    @property
    def order(self) -> tuple[float, ...]:
        return self.placement.order

    @property
    def summary(self) -> Summary:
        return self.facts.known

    @property
    def adjustment(self) -> LastAdjustment | None:
        """The newest."""
        return self.facts.adjustments[0] if self.facts.adjustments else None

    @property
    def tasks(self) -> tuple[OpenTask, ...]:
        return self.facts.tasks

    @property
    def last_review(self) -> LastReview | None:
        return self.facts.last_review

    @property
    def to_do(self) -> bool:
        """Whether this week's review has still to be signed, or added to."""
        return self.signed is None or bool(self.since)

    @property
    def must_be_opened(self) -> bool:
        """Whether it is not to be signed unseen, see `domain.review.must_be_opened`."""
        return review.must_be_opened(self.reasons)

    @property
    def standing(self) -> Standing:
        return since.standing_of(self.facts, self.placement)

    @property
    def seen(self) -> str:
        """The mark of what this row asks of staff: it changes with what is signed, added or would change either."""
        stands = factjson.pack(self.standing)
        named = [sorted(json.dumps(one) for one in stands.get(name, ())) for name in ("causes", "raised", "tasks")]
        answered = str(self.signed.newest) if self.signed else ""
        return hashlib.sha256(json.dumps([answered, *named]).encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Panel:
    """The whole weekly review of one clinic. Each lane has first those who are to be done."""

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

    @property
    def to_do(self) -> int:
        return sum(entry.to_do for entry in self.entries)

    @property
    def since(self) -> int:
        """How many of those to be done were signed before."""
        return sum(bool(entry.since) for entry in self.entries)


def clinic_of(session: Session, clinic_id: uuid.UUID) -> Clinic:
    """The clinic. Raises NotHere when there is none."""
    clinic = session.get(Clinic, clinic_id)
    if clinic is None:
        raise NotHere(f"no clinic {clinic_id}")
    return clinic


def build_panel(session: Session, clinic_id: uuid.UUID, now: datetime) -> Panel:
    """The panel as of `now`. Raises NotHere when there is no such clinic."""
    clinic = clinic_of(session, clinic_id)
    today, week = local_date(now, clinic.zone), current_week(clinic, now)
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
    """Who stands before and after one patient on the panel, and who is next to be done; None where nobody is."""

    before: Neighbour | None
    after: Neighbour | None
    to_do: Neighbour | None


def neighbours(session: Session, clinic: Clinic, patient_id: uuid.UUID, now: datetime) -> Neighbours:
    """The patient's neighbours, by the ranks that the rows carry and this week's signatures. Two queries.

    The next to be done is looked for below the patient first, then from the top. Nobody's
    entry is built; a patient without a row stands at the top, until the worker has made it.
    """
    signed, done = signed_and_done(current_week(clinic, now))
    rank = func.coalesce(PanelRow.rank, "")
    order = (func.substr(rank, 1, 1), done, rank, func.lower(Patient.name), Patient.id)
    row = func.row_number().over(order_by=order).label("at")
    beside = [
        shift(column, type_=column.type).over(order_by=order)
        for shift in (func.lag, func.lead)
        for column in (Patient.id, Patient.name)
    ]
    placed = (
        select(Patient.id, Patient.name, done.label("done"), row, *beside)
        .outerjoin(PanelRow, panel.OF_PATIENT)
        .outerjoin(SignOff, signed)
        .where(Patient.clinic_id == clinic.id, Patient.state == PatientState.ACTIVE)
        .subquery()
    )
    here = session.execute(select(placed).where(placed.c.id == patient_id)).first()
    if here is None:
        return Neighbours(None, None, None)
    at, before_id, before, after_id, after = here[3:]
    waiting = (
        select(placed.c.id, placed.c.name)
        .where(~placed.c.done, placed.c.id != patient_id)
        .order_by(placed.c.at <= at, placed.c.at)
        .limit(1)
    )
    to_do = session.execute(waiting).first()
    return Neighbours(
        Neighbour(before_id, before) if before_id else None,
        Neighbour(after_id, after) if after_id else None,
        Neighbour(*to_do) if to_do else None,
    )


def signed_and_done(week: date) -> tuple[ColumnElement[bool], ColumnElement[bool]]:
    """How a patient's signature of the week is joined, and whether nothing of their row is to be done then."""
    newest = (
        select(ReviewAddition.id)
        .where(ReviewAddition.sign_off_id == SignOff.id)
        .order_by(ReviewAddition.number.desc())
        .limit(1)
        .correlate(SignOff)
        .scalar_subquery()
    )
    # An addition since the row was made has answered what the row says is new.
    news = PanelRow.overtaken.is_not(None) & (PanelRow.overtaken == func.coalesce(newest, SignOff.id))
    by_us = SignOff.clinic_id == Patient.clinic_id  # and not by a clinic that looked after them before
    signed = (SignOff.patient_id == Patient.id) & by_us & (SignOff.week == week) & signatures.COUNTS
    return signed, SignOff.id.is_not(None) & ~func.coalesce(news, false())


def as_carried(row: panel.PatientPanelRow, today: date) -> Summary | None:
    """What a page of `today` shows of the row as it is carried; None where it is to be made again."""
    is_current = row.stale_since is None and row.as_of == today
    return summaries.from_json(row.facts) if is_current and summaries.is_readable(row.facts) else None


def gather(
    session: Session,
    clinic: Clinic,
    now: datetime,
    patient_id: uuid.UUID | None = None,
    as_of: date | None = None,
) -> list[PanelEntry]:
    """The entries of every active patient, or of the one named, in the order of attention; those to be done first.

    `as_of` judges the readings up to an earlier date instead of each patient's today.
    """
    today = local_date(now, clinic.zone)
    everyone = panel.carried(session, clinic.id, patient_id)
    in_zone = {zone: as_of or local_date(now, zone) for zone in {row.zone for row in everyone}}
    todays = {row.patient_id: in_zone[row.zone] for row in everyone}
    fresh = {
        row.patient_id: known for row in everyone if (known := as_carried(row, todays[row.patient_id])) is not None
    }
    behind = {row.patient_id: row for row in everyone if row.patient_id not in fresh}
    remade = _made_now(session, clinic, behind, todays, bounded=as_of is None)
    work = staffwork.of_clinic(
        session,
        clinic.id,
        current_week(clinic, now),
        local_zone=clinic.zone,
        patient_ids=None if patient_id is None else [patient_id],
    )
    entries = [
        _entry(row, fresh.get(row.patient_id) or remade[row.patient_id], work, clinic, today) for row in everyone
    ]
    return sorted(entries, key=lambda entry: (not entry.to_do, entry.order, entry.name.casefold()))


def _made_now(
    session: Session,
    clinic: Clinic,
    behind: Mapping[uuid.UUID, panel.PatientPanelRow],
    todays: Mapping[uuid.UUID, date],
    *,
    bounded: bool,
) -> dict[uuid.UUID, Summary]:
    """Those whose rows wait to be made again: worked out, where `bounded` a few of them only, or as known before."""
    made: dict[uuid.UUID, Summary] = {}
    if not bounded or len(behind) <= FEW:
        each = {patient_id: todays[patient_id] for patient_id in behind}
        most = MOST_EVENINGS // max(len(each), 1) if bounded else None
        made = refreshing.summaries(session, clinic.id, each, most=most)
    for patient_id, row in behind.items():
        if patient_id not in made or made[patient_id].behind:
            made[patient_id] = _as_known(row, clinic, todays[patient_id])
    return made


def _as_known(row: panel.PatientPanelRow, clinic: Clinic, today: date) -> Summary:
    if row.updated_at is None or not summaries.is_readable(row.facts):
        return refreshing.not_worked_out(today)
    made = row.updated_at.astimezone(zone(clinic.zone))
    known = summaries.from_json(row.facts)
    return replace(known, behind=Behind.EARLIER, made_on=made.date(), made_at=f"{made:%H:%M}")


def _entry(
    row: panel.PatientPanelRow,
    known: Summary,
    work: staffwork.StaffWork,
    clinic: Clinic,
    today: date,
) -> PanelEntry:
    standing = review_facts(row, known, work, clinic)
    placement = review.place(standing)
    signed = work.signed.get(row.patient_id)
    last = standing.last_review
    reviewed_on = local_date(signed.instants[-1], clinic.zone) if signed else last.signed_on if last else None
    return PanelEntry(
        patient_id=row.patient_id,
        name=row.name,
        clinic_ref=row.clinic_ref,
        zone=row.zone,
        facts=standing,
        placement=placement,
        signed=signed,
        since=since.since_signed(signed.stood, standing, placement) if signed else (),
        reviewed_on=tuple(local_date(at, clinic.zone) for at in signed.instants) if signed else (),
        accepted=review.in_force(standing),
        days_since_review=(today - reviewed_on).days if reviewed_on else None,
        carried_over=signed is None and last is not None and last.outcome in UNRESOLVED,
    )
