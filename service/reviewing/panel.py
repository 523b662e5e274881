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

from sqlalchemy.orm import Session

from service.domain import localtime, review
from service.domain import summary as summaries
from service.domain.review import UNRESOLVED, LastAdjustment, LastReview, OpenTask, PatientFacts
from service.domain.summary import Summary
from service.domain.vocabulary import Lane, Outcome
from service.reviewing import refreshing
from service.store import panel, staffwork
from service.store.tables import Clinic

RESPONSE_DAYS = 28  # common practice, no source: later, other things have happened


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
    why: str
    also: tuple[str, ...]
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
        if row.facts and row.stale_since is None and row.as_of == todays[row.patient_id]
    }
    behind = {row.patient_id: todays[row.patient_id] for row in everyone if row.patient_id not in fresh}
    remade = refreshing.summaries(session, clinic.id, behind)
    work = staffwork.of_clinic(
        session,
        clinic.id,
        review.week_of(today, clinic.review_weekday),
        local_zone=clinic.zone,
        patient_id=patient_id,
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


def local_date(now: datetime, zone: str) -> date:
    """The date that a calendar on the wall in `zone` shows at `now`."""
    return localtime.local_date(now, localtime.zone(zone))


def standing_of(row: panel.PatientPanelRow, known: Summary, work: staffwork.StaffWork, clinic: Clinic) -> PatientFacts:
    """What the rules of the review are given for one patient."""
    patient_id = row.patient_id
    adjustments = work.adjustments.get(patient_id, ())
    if adjustments and known.judged.response is not None and _recent(adjustments[0], known.today):
        newest = adjustments[0]
        adjustments = (
            LastAdjustment(
                newest.made_on,
                newest.what,
                known.judged.response,
                known.judged.response_sentence,
                newest.follow_up_on,
                newest.follow_up_what,
            ),
            *adjustments[1:],
        )
    holding = {signal.kind for signal in known.judged.signals}
    unseen = tuple(signal for signal in work.unseen.get(patient_id, ()) if signal.kind not in holding)
    return PatientFacts(
        patient_id=patient_id,
        name=row.name,
        today=known.today,
        enrolled_on=local_date(row.enrolled_at, row.zone),
        has_plan=known.has_plan,
        silent_days=known.silent_days or clinic.silent_days,
        signals=(*known.judged.signals, *unseen),
        tasks=work.tasks.get(patient_id, ()),
        adherence=known.adherence,
        silence=known.silence,
        pause=known.pause,
        last_reading_on=known.last_reading_on,
        last_diary_on=known.last_diary_on,
        picture=known.judged.picture,
        picture_lane=known.judged.lane,
        picture_sentence=known.judged.sentence,
        size=known.judged.size,
        level=known.judged.level,
        reference=known.judged.reference,
        days_to_limit=known.judged.days_to_limit,
        adjustments=adjustments,
        last_review=work.earlier.get(patient_id),
        trouble=known.trouble,
    )


def _recent(made: LastAdjustment, today: date) -> bool:
    """Whether what the pressures do now can still be an answer to it."""
    return (today - made.made_on).days <= RESPONSE_DAYS


def _entry(
    row: panel.PatientPanelRow,
    known: Summary,
    work: staffwork.StaffWork,
    clinic: Clinic,
    today: date,
    *,
    remade: bool,
) -> PanelEntry:
    standing = standing_of(row, known, work, clinic)
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
        why=placement.why,
        also=placement.also,
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
