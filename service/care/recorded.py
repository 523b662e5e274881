"""What the record says today, of one patient or of a whole panel: as many queries for one as for all."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from service.domain import localtime
from service.domain.plan import weekdays_of
from service.domain.record import rules as record_rules
from service.domain.record.limits import ResultLimit, read_limit
from service.domain.record.medicines import Course
from service.domain.record.now import (
    ASKED_WITHIN,
    CHECKINS,
    Aim,
    Contacting,
    Happened,
    InPlace,
    PersonNow,
    Recorded,
    RecordNow,
    of_today,
)
from service.domain.record.results import TimedResult, read_result
from service.domain.record.trouble import before_event
from service.domain.signals.facts import ContextTag, Goal, scale_shift
from service.domain.vocabulary import ContextKind, ResultKind, Rhythm
from service.store.ids import among
from service.store.tables import (
    Checkin,
    Clinic,
    ContextTagRow,
    EventRow,
    GoalRow,
    MedicineRow,
    NextContact,
    NoResultRow,
    Patient,
    PersonRow,
    ResultLimitRow,
    ResultRow,
    Staff,
)


@dataclass(frozen=True, slots=True)
class Told:
    """The record's facts of one patient, and the local date and zone they are of."""

    facts: RecordNow
    today: date
    where: ZoneInfo


def of_patients(
    session: Session, clinic: Clinic, patient_ids: Collection[uuid.UUID], now: datetime
) -> dict[uuid.UUID, Told]:
    """The record's facts of each patient, on the local date that it is where they live."""
    known = load(session, patient_ids)
    zones = session.execute(select(Patient.id, Patient.zone).where(among(Patient.id, patient_ids)))
    return {patient_id: told(known[patient_id], clinic, zone, now) for patient_id, zone in zones}


def told(known: Recorded, clinic: Clinic, zone: str, now: datetime) -> Told:
    """What a record says of the local date that it is in `zone`, by the clinic's own rules."""
    return told_on(known, clinic, zone, localtime.local_date(now, zone))


def told_on(known: Recorded, clinic: Clinic, zone: str, day: date) -> Told:
    """The same of a local date."""
    where = localtime.zone(zone)
    return Told(of_today(known, record_rules.from_json(clinic.record_rules), day, where), day, where)


def load_one(session: Session, patient_id: uuid.UUID, today: date) -> Recorded:
    """What counts of one patient's record, with what the diary says of missed medicines. One query more than `load`."""
    query = (
        select(Checkin.local_date, Checkin.missed_medicines)
        .where(
            Checkin.patient_id == patient_id,
            Checkin.superseded_at.is_(None),
            Checkin.local_date > today - ASKED_WITHIN,  # a diary that never asks is not read to its beginning
            Checkin.missed_medicines.is_not(None),
        )
        .order_by(Checkin.local_date.desc())
        .limit(CHECKINS)
    )
    missed = [(day, bool(was)) for day, was in reversed(session.execute(query).all())]
    return replace(load(session, [patient_id])[patient_id], missed=missed)


def load(session: Session, patient_ids: Collection[uuid.UUID]) -> Mapping[uuid.UUID, Recorded]:
    """What counts of each patient's record; of one without entries an empty one. Eleven queries at most."""
    known: defaultdict[uuid.UUID, Recorded] = defaultdict(Recorded)

    def add(patient_id: uuid.UUID, **more: Any) -> None:
        known[patient_id] = replace(known[patient_id], **more)

    def each(table: Any, *order: Any) -> Any:
        query = select(table).where(among(table.patient_id, patient_ids), *_counts(table))
        return session.scalars(query.order_by(*order, table.entered_at, table.id))

    zones: dict[uuid.UUID, ZoneInfo] = {}
    for patient_id, zone, enrolled_at in session.execute(
        select(Patient.id, Patient.zone, Patient.enrolled_at).where(among(Patient.id, patient_ids))
    ):
        zones[patient_id] = localtime.zone(zone)
        add(patient_id, enrolled_on=localtime.local_date(enrolled_at, zones[patient_id]))
    for row in each(PersonRow):
        add(row.patient_id, born_on=row.born_on, sex=row.sex, person=person_of(row))
    scales = _recalibrated(session, patient_ids)
    for row in each(EventRow, EventRow.from_date):
        event = event_of(row, scales.get(row.patient_id, ()))
        add(row.patient_id, events=(*known[row.patient_id].events, event))
    for row in each(MedicineRow, MedicineRow.from_date):
        add(row.patient_id, courses=(*known[row.patient_id].courses, course_of(row)))
    for patient_id, (results, rhythms) in _results(session, patient_ids).items():
        add(patient_id, results=results, rhythms=rhythms)
    for row in each(NoResultRow, NoResultRow.due_on):
        add(row.patient_id, in_place=(*known[row.patient_id].in_place, in_place_of(row, zones[row.patient_id])))
    for row in each(ResultLimitRow, ResultLimitRow.kind):
        add(row.patient_id, limits=(*known[row.patient_id].limits, limit_of(row, zones[row.patient_id])))
    for patient_id, aim in _aims(session, patient_ids, zones).items():
        add(patient_id, aim=aim)
    contacts = [row for row in each(NextContact, NextContact.due_on) if row.done_on is None]
    names: dict[uuid.UUID, str] = {}
    if wanted := [row.staff_id for row in contacts if row.staff_id is not None]:
        names = dict(session.execute(select(Staff.id, Staff.name).where(among(Staff.id, wanted))).all())
    for row in contacts:
        add(row.patient_id, contacts=(*known[row.patient_id].contacts, contact_of(row, names)))
    return known


def _recalibrated(session: Session, patient_ids: Collection[uuid.UUID]) -> dict[uuid.UUID, list[ContextTag]]:
    """The recalibrations of each patient's sensor."""
    query = select(ContextTagRow).where(
        among(ContextTagRow.patient_id, patient_ids),
        ContextTagRow.kind == ContextKind.RECALIBRATED,
        ContextTagRow.cancelled_at.is_(None),
    )
    found: defaultdict[uuid.UUID, list[ContextTag]] = defaultdict(list)
    for row in session.scalars(query):
        found[row.patient_id].append(ContextTag(row.kind, row.from_date, row.to_date, row.offset_mmhg))
    return found


def _aims(
    session: Session, patient_ids: Collection[uuid.UUID], zones: Mapping[uuid.UUID, ZoneInfo]
) -> dict[uuid.UUID, Aim]:
    """The goal of each patient that was set last, where nobody has ended it."""
    query = select(GoalRow).where(among(GoalRow.patient_id, patient_ids)).order_by(GoalRow.set_at, GoalRow.id)
    newest = {row.patient_id: row for row in session.scalars(query)}
    return {
        patient_id: Aim(
            row.id,
            Goal(row.lower, row.upper, localtime.local_date(row.set_at, zones[patient_id]), row.until),
            row.why,
            row.set_by,
        )
        for patient_id, row in newest.items()
        if row.ended_at is None
    }


def _counts(table: Any) -> tuple[ColumnElement[bool], ...]:
    return table.superseded_at.is_(None), table.withdrawn.is_(False)


def _results(
    session: Session, patient_ids: Collection[uuid.UUID]
) -> Mapping[uuid.UUID, tuple[Mapping[ResultKind, Sequence[TimedResult]], Sequence[tuple[datetime, Rhythm]]]]:
    """The numbers of each patient by kind, and the rhythms, oldest first; without objects, as there may be years."""
    columns = (
        ResultRow.patient_id, ResultRow.kind, ResultRow.taken_at, ResultRow.value, ResultRow.unit, ResultRow.posture,
    )  # fmt: skip
    query = select(*columns).where(among(ResultRow.patient_id, patient_ids), *_counts(ResultRow))
    found: dict[uuid.UUID, tuple[dict[ResultKind, list[TimedResult]], list[tuple[datetime, Rhythm]]]] = {}
    for row in session.execute(query.order_by(ResultRow.taken_at, ResultRow.entered_at, ResultRow.id)):
        series, rhythms = found.setdefault(row.patient_id, ({}, []))
        if row.kind is ResultKind.RHYTHM:
            rhythms.append((row.taken_at, Rhythm(row.value)))
            continue
        of_kind = series.setdefault(row.kind, [])
        before = next((one for one in reversed(of_kind) if one.posture is row.posture), None)
        of_kind.append(result_of(row, before))
    return found


def course_of(row: MedicineRow) -> Course:
    """The course that a row holds."""
    dose, times = Decimal(row.dose), Decimal(row.times_a_day)
    until = (row.from_date, row.to_date, row.chemistry_on)
    return Course(row.name, row.kind, dose, row.unit, times, row.route, *until)


def event_of(row: EventRow, scales: Sequence[ContextTag] = ()) -> Happened:
    """The event that a row holds; the level before it on the scale after the last of these recalibrations."""
    frozen = (row.before or {}).get("pa_diastolic", ())
    first = row.from_date - timedelta(days=len(frozen))
    days = enumerate(frozen)
    now = [None if one is None else one + scale_shift(scales, first + timedelta(days=day)) for day, one in days]
    level = before_event(row.from_date, now).level
    return Happened(row.kind, row.cause, row.from_date, row.to_date, level)


def result_of(row: Any, before: TimedResult | None = None) -> TimedResult:
    """The number that a row of results holds; not for a rhythm, which is a word."""
    return TimedResult(row.taken_at, read_result(row.kind, row.value, row.unit), before, row.posture)


def person_of(row: PersonRow) -> PersonNow:
    """What a row says of the person."""
    days = None if row.dialysis_days is None else tuple(weekdays_of(row.dialysis_days))
    lives = (row.height_cm, row.implanted_on, row.implant_side, row.altitude_m, row.device)
    return PersonNow(*lives, days, row.fluid_ml, row.sodium_mg)


def limit_of(row: ResultLimitRow, where: ZoneInfo) -> ResultLimit:
    """The limit that a row holds, of a patient who lives by the clocks of `where`."""
    return read_limit(row.kind, row.lower, row.upper, row.unit, localtime.local_date(row.entered_at, where))


def in_place_of(row: NoResultRow, where: ZoneInfo) -> InPlace:
    """The reason that a row holds, of a patient who lives by the clocks of `where`."""
    return InPlace(row.due_on, row.why, localtime.local_date(row.entered_at, where), row.done_on)


def contact_of(row: NextContact, names: Mapping[uuid.UUID, str]) -> Contacting:
    """The contact that a row holds; `names` of staff by id."""
    who = None if row.staff_id is None else names.get(row.staff_id)
    return Contacting(row.id, row.due_on, row.way, who, row.role, row.agreed, row.staff_id)
