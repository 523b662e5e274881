"""Diary, pressures, what was signed and what was entered, joined by day: for one patient's page, or for a whole clinic.

Promises every patient of the clinic, whatever became of their care, and every day since the first of which anything is
known; and that a clinic's file is made a portion of patients at a time, so that a large one needs no more memory.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.care import recorded
from service.domain.days import Day
from service.domain.localtime import local_date
from service.domain.record.now import Recorded
from service.domain.seals import Seal
from service.domain.signals.facts import ContextTag
from service.domain.vocabulary import PatientState
from service.reports.exports import Joined, Reviewed
from service.reviewing.patient import GoalSpan, PatientReview, changes_of, goals_of
from service.store import histories, signatures
from service.store.histories import History
from service.store.ids import among, slices
from service.store.session import columns_of, read_session
from service.store.tables import Clinic, Patient, ReviewAddition, SignOff

AT_ONCE = 25  # patients in a portion


@dataclass(frozen=True, slots=True)
class Joinable:
    """A patient of the clinic."""

    patient_id: uuid.UUID
    clinic_ref: str
    state: PatientState
    zone: str
    enrolled_at: datetime


def everybody(session: Session, clinic_id: uuid.UUID) -> list[Joinable]:
    """Every patient of the clinic by its own number, but those whose enrolment was a mistake and taken back."""
    query = select(*columns_of(Joinable, Patient, patient_id=Patient.id)).where(Patient.clinic_id == clinic_id)
    rows = session.execute(query.where(Patient.withdrawn.is_(False)).order_by(Patient.clinic_ref, Patient.id))
    return [Joinable(*row) for row in rows]


def of_clinic(
    engine: Engine, clinic_id: uuid.UUID, whose: Sequence[Joinable], now: datetime, days: int | None
) -> Iterator[Joined]:
    """`joined_days`, a portion at a time, each in a transaction of its own."""
    for some in slices(whose, AT_ONCE):
        with read_session(engine) as session:
            joined = joined_days(session, session.get_one(Clinic, clinic_id), some, now, days)
        yield from joined


def joined_days(
    session: Session, clinic: Clinic, whose: Sequence[Joinable], now: datetime, days: int | None = None
) -> list[Joined]:
    """These patients' last `days` up to each one's own today, all there are when None.

    Of a patient whose care has ended the days end with the last of which anything is known.
    """
    todays = {one.patient_id: local_date(now, one.zone) for one in whose}
    if not whose:
        return []
    since = date.min if days is None else min(todays.values()) - timedelta(days=days)
    found = histories.load(session, clinic.id, todays, since)
    which = among(SignOff.patient_id, todays)
    reviewed = _reviewed(session, clinic, None if days is None else now - timedelta(days=days + 2), which)
    records, goals = recorded.load(session, todays), goals_of(session, {one.patient_id: one.zone for one in whose})
    joined = []
    for one in whose:
        of, today = found[one.patient_id], todays[one.patient_id]
        first = _first_known(of, one) if days is None else today - timedelta(days=days - 1)
        tags = [tag.tag for tag in of.tags]
        entered = _entered(records[one.patient_id], one.zone, goals.get(one.patient_id, ()), tags)
        known: Sequence[Day] = of.joined(min(first, today), today)
        if one.state is PatientState.ENDED:
            known = _until_known(known, {*entered, *reviewed.get(one.patient_id, {})})
        joined.append(Joined(one.clinic_ref, one.state, known, reviewed.get(one.patient_id, {}), entered))
    return joined


def _first_known(of: History, one: Joinable) -> date:
    """The day of enrolment, or an earlier one of which a file has told."""
    told = [taken.day for taken in of.readings] + [one.day for one in of.diary]
    return min([local_date(one.enrolled_at, one.zone), *told])


def _until_known(known: Sequence[Day], told: set[date]) -> Sequence[Day]:
    have = [
        number for number, day in enumerate(known, 1) if day.window or day.readings or day.checkin or day.day in told
    ]
    return known[: max(have, default=0)]


def joined_of(session: Session, clinic: Clinic, seen: PatientReview) -> Joined:
    """The joined days of one patient's page, with what was signed and added on them."""
    since = seen.as_of - timedelta(days=len(seen.days) + 2)
    reviewed = _reviewed(session, clinic, since, SignOff.patient_id == seen.patient.id)
    return Joined(
        seen.patient.clinic_ref, seen.patient.state, seen.days, reviewed.get(seen.patient.id, {}), entered_words(seen)
    )


def entered_words(seen: PatientReview) -> Mapping[date, Sequence[str]]:
    """What was entered beside readings and diary on each of these days that has any, as the joined file has it."""
    found = _entered(seen.recorded, seen.patient.zone, seen.goals, seen.tags)
    return {one.day: found[one.day] for one in seen.days if one.day in found}


def _entered(
    known: Recorded, where: str, goals: Sequence[GoalSpan], tags: Sequence[ContextTag]
) -> dict[date, list[str]]:
    """In the words that files and API know: events, courses begun and over, results, goals and tags set and over."""
    found: defaultdict[date, list[str]] = defaultdict(list)
    for event in known.events:
        found[event.from_date].append(f"event {event.kind} {event.cause}")
        if event.to_date is not None:
            found[event.to_date].append(f"event {event.kind} ended")
    for course in known.courses:
        taken = f"{course.name} {course.dose} {course.unit} x {course.times_a_day} {course.route}"
        for what, day in zip(("begun", "over"), changes_of(course), strict=False):
            found[day].append(f"medicine {taken} {what}")
    for kind, series in (known.results or {}).items():
        for one in series:
            unit = f"{one.result.unit} {one.posture or ''}".rstrip()
            found[local_date(one.at, where)].append(f"result {kind} {one.result.value} {unit}")
    for at, rhythm in known.rhythms:
        found[local_date(at, where)].append(f"result rhythm {rhythm}")
    for goal in goals:
        reach = f"from {goal.lower:g}" if goal.lower is not None else ""
        reach += f" to {goal.upper:g}" if goal.upper is not None else ""
        found[goal.first].append(f"goal {reach.strip()} mm[Hg] set")
        found[goal.last + timedelta(days=1)].append("goal over")
    for tag in tags:
        found[tag.from_day].append(f"context {tag.kind}")
        if tag.to_day is not None:
            found[tag.to_day + timedelta(days=1)].append(f"context {tag.kind} over")
    return found


def _reviewed(
    session: Session, clinic: Clinic, since: datetime | None, *which: Any
) -> dict[uuid.UUID, dict[date, list[Reviewed]]]:
    """What was signed since and fits, and what was added to it, by patient and date on the clinic's calendar."""
    signed = select(SignOff.patient_id, SignOff.signed_at, SignOff.outcome, SignOff.note)
    query = signed.where(SignOff.clinic_id == clinic.id, signatures.COUNTS, *which)
    if since is not None:
        query = query.where(SignOff.signed_at >= since)
    lines = [(*row, False) for row in session.execute(query)]
    added = select(SignOff.patient_id, ReviewAddition.added_at, ReviewAddition.outcome, ReviewAddition.note)
    query = added.join(SignOff, SignOff.id == ReviewAddition.sign_off_id).where(
        ReviewAddition.clinic_id == clinic.id, *which
    )
    if since is not None:
        query = query.where(ReviewAddition.added_at >= since)
    lines += [(*row, True) for row in session.execute(query.order_by(ReviewAddition.added_at, ReviewAddition.number))]
    found: dict[uuid.UUID, dict[date, list[Reviewed]]] = {}
    for patient_id, at, outcome, note, adds in lines:
        on = found.setdefault(patient_id, {}).setdefault(local_date(at, clinic.zone), [])
        on.append(Reviewed(Seal.ALTERED, "", adds) if outcome is None else Reviewed(outcome.value, note, adds))
    return found
