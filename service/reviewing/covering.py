"""Who was reviewed in which week, who was not, and everybody's joined days for export."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain import days as joined_
from service.domain import localtime, review
from service.domain.days import Day
from service.reviewing.panel import local_date
from service.store import histories, panel
from service.store.tables import Clinic, SignOff


@dataclass(frozen=True, slots=True)
class Covered:
    """One review week: how many of those enrolled then were signed, and the names of those who were not."""

    first: date
    signed: int
    enrolled: int
    unsigned: tuple[str, ...]


def coverage(session: Session, clinic_id: uuid.UUID, now: datetime, weeks: int) -> list[Covered]:
    """The newest `weeks` review weeks, the present one first; two queries. Raises LookupError for no such clinic."""
    clinic = session.get(Clinic, clinic_id)
    if clinic is None:
        raise LookupError(f"no clinic {clinic_id}")
    newest = review.week_of(local_date(now, clinic.zone), clinic.review_weekday)
    starts = [newest - timedelta(weeks=back) for back in range(weeks)]
    everyone = panel.carried(session, clinic_id)
    signed = {
        (row[0], row[1])
        for row in session.execute(
            select(SignOff.patient_id, SignOff.week).where(SignOff.clinic_id == clinic_id, SignOff.week >= starts[-1])
        )
    }
    zone = localtime.zone(clinic.zone)
    told = []
    for start in starts:
        end = localtime.first_instant(start + timedelta(days=7), time(0), zone)
        enrolled = [row for row in everyone if row.enrolled_at < end]
        unsigned = [row.name for row in enrolled if (row.patient_id, start) not in signed]
        told.append(Covered(start, len(enrolled) - len(unsigned), len(enrolled), tuple(unsigned)))
    return told


def joined_days(session: Session, clinic_id: uuid.UUID, now: datetime, days: int) -> list[tuple[str, tuple[Day, ...]]]:
    """The clinic's number and the joined days of every active patient, up to each one's own today."""
    everyone = panel.carried(session, clinic_id)
    todays = {row.patient_id: local_date(now, row.zone) for row in everyone}
    if not everyone:
        return []
    found = histories.load(session, clinic_id, todays, min(todays.values()) - timedelta(days=days))
    return [
        (
            row.clinic_ref,
            joined_.join(
                todays[row.patient_id] - timedelta(days=days - 1),
                todays[row.patient_id],
                readings=found[row.patient_id].readings,
                diary=found[row.patient_id].diary,
                windows=found[row.patient_id].windows,
                pauses=found[row.patient_id].pauses,
            ),
        )
        for row in everyone
    ]


def days_since(
    session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, first: date, now: datetime
) -> tuple[Day, ...]:
    """One patient's joined days from `first` to their own today. Raises LookupError for another clinic's patient."""
    found = panel.carried(session, clinic_id, patient_id)
    if not found:
        raise LookupError(f"no patient {patient_id}")
    history = histories.load(session, clinic_id, [patient_id], first)[patient_id]
    return joined_.join(
        first,
        local_date(now, found[0].zone),
        readings=history.readings,
        diary=history.diary,
        windows=history.windows,
        pauses=history.pauses,
    )
