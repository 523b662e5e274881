"""The demo's people go on living while its clock is moved: invented readings and diaries, at hours of their own.

Promises that only who was invented with the demo lives (their readings say so), that a day of a person goes the
same way in whatever steps the clock is moved, that whoever the visitor plays does nothing by themselves, and that a
caregiver who was really sent a nudge sometimes brings the reading about. Everything goes through intake, at its own
instant. The shares are made up and say nothing of anybody.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from random import Random

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.care.windows import pauses
from service.domain import days, diary
from service.domain.diary import NewCheckin
from service.domain.localtime import local_date, zone
from service.domain.plan import window_times
from service.domain.readings import NewReading
from service.domain.vocabulary import MessageKind, PatientState, Source
from service.intake.checkins import record_checkin
from service.intake.readings import record_reading
from service.store.audit import act_of
from service.store.session import write_session
from service.store.tables import Checkin, Message, Patient, Plan, Reading, Silence, Window

KEEPS = 0.88  # share of their days on which somebody who is not silent takes the reading by themselves
BROUGHT = 0.45  # share of nudges that bring it
BROUGHT_AFTER = (15.0, 90.0)  # minutes
A_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Deed:
    """At `at` somebody takes the reading of `day`, and fills in the diary."""

    at: datetime
    patient: Patient
    day: date
    by: float  # mmHg from the reading before


def live(engine: Engine, first: datetime, last: datetime, played: Collection[uuid.UUID]) -> int:
    """Let everybody but those `played` do what they do after `first`, up to `last` (UTC). Returns how many deeds."""
    with write_session(engine) as session:
        deeds = sorted(_deeds(session, first, last, played), key=lambda deed: (deed.at, deed.patient.id))
        for deed in deeds:
            _do(session, deed)
    return len(deeds)


def last_reading(session: Session, patient_id: uuid.UUID) -> tuple[float, float, float, float] | None:
    """The newest reading: systolic, diastolic, mean (mmHg), heart rate."""
    current = (Reading.patient_id == patient_id, Reading.superseded_at.is_(None))
    row = session.scalars(select(Reading).where(*current).order_by(Reading.taken_at.desc()).limit(1)).first()
    return None if row is None else (row.pa_systolic, row.pa_diastolic, row.pa_mean, row.heart_rate or 72.0)


def _deeds(session: Session, first: datetime, last: datetime, played: Collection[uuid.UUID]) -> Iterator[Deed]:
    invented = select(Reading.patient_id).where(Reading.source == Source.DEMO)
    people = session.execute(
        select(Patient, Plan)
        .join(Plan, Plan.patient_id == Patient.id)
        .where(Plan.active, Patient.state == PatientState.ACTIVE, Patient.id.in_(invented), Patient.id.not_in(played))
    ).all()
    silent = set(session.scalars(select(Silence.patient_id).where(Silence.ended_at.is_(None))))
    since = (first - 2 * A_DAY).date()
    there = select(Reading.patient_id, Reading.local_date).where(Reading.local_date >= since)
    read = {(row[0], row[1]) for row in session.execute(there)}
    nudged = {
        (row[0], row[1]): row[2]
        for row in session.execute(
            select(Message.patient_id, Window.local_date, Message.handed_over_at)
            .join(Window, Window.id == Message.window_id)
            .where(Message.kind == MessageKind.NUDGE, Message.handed_over_at > first - A_DAY)
        )
    }
    for patient, plan in people:
        where, rule, paused = zone(patient.zone), plan.rule, pauses(session, patient.id)
        for day in days.dates(local_date(first, patient.zone) - A_DAY, local_date(last, patient.zone)):
            is_away = any(begun <= day <= ended for begun, ended in paused)
            is_planned = rule.weekdays_on(day) >> day.weekday() & 1
            if is_away or not is_planned or (patient.id, day) in read:
                continue
            random, times = Random(f"{patient.id}:{day}"), window_times(rule, day, where)
            at = times.opens_at + random.uniform(0.1, 0.8) * (times.closes_at - times.opens_at)
            keeps, heeds = random.random() < KEEPS, random.random() < BROUGHT
            asked = nudged.get((patient.id, day))
            if asked is not None:
                at = asked + timedelta(minutes=random.uniform(*BROUGHT_AFTER))
            does = heeds if asked is not None else keeps and patient.id not in silent
            if does and first < at <= last:
                yield Deed(at, patient, day, random.choice((-1.0, -0.5, 0.0, 0.5, 1.0)))


def _do(session: Session, deed: Deed) -> None:
    systolic, diastolic, mean, rate = last_reading(session, deed.patient.id) or (38.0, 18.0, 26.0, 72.0)
    new = NewReading(
        patient=deed.patient.id,
        taken_at=deed.at,
        pa_systolic=systolic + deed.by,
        pa_diastolic=diastolic + deed.by,
        pa_mean=mean + deed.by,
        heart_rate=rate,
        source=Source.DEMO,
    )
    act = act_of(session, deed.patient, deed.at)
    record_reading(act, new)
    theirs = (Checkin.patient_id == deed.patient.id, Checkin.superseded_at.is_(None))
    before = session.scalars(select(Checkin).where(*theirs).order_by(Checkin.local_date.desc()).limit(1)).first()
    if before is not None and before.local_date < deed.day:
        answers = replace(diary.from_columns(before), safety_signs=(), note="")
        record_checkin(act, NewCheckin(deed.patient.id, answers, deed.day, Source.DEMO))
