"""Conditions on what has arrived for a patient's local date, for queries over many patients."""

from __future__ import annotations

import uuid
from datetime import date, datetime

from sqlalchemy import ColumnElement, ScalarSelect, exists, func, or_, select
from sqlalchemy.orm import InstrumentedAttribute

from service.domain.vocabulary import PauseCause
from service.store.tables import Checkin, Pause, Reading

PatientId = InstrumentedAttribute[uuid.UUID]
Day = InstrumentedAttribute[date]


def first_reading(patient_id: PatientId, day: Day) -> ScalarSelect[datetime]:
    """When the first reading of that date was received; null when there is none."""
    return (
        select(func.min(Reading.received_at))
        .where(Reading.patient_id == patient_id, Reading.local_date == day, Reading.superseded_at.is_(None))
        .scalar_subquery()
    )


def first_checkin(patient_id: PatientId, day: Day) -> ScalarSelect[datetime]:
    """When the check-in of that date was answered; null when there is none."""
    return (
        select(func.min(Checkin.answered_at))
        .where(Checkin.patient_id == patient_id, Checkin.local_date == day, Checkin.superseded_at.is_(None))
        .scalar_subquery()
    )


def later_reading(patient_id: PatientId, day: Day) -> ColumnElement[bool]:
    """Whether there is a reading of a later date."""
    return exists().where(Reading.patient_id == patient_id, Reading.local_date > day, Reading.superseded_at.is_(None))


def is_paused(patient_id: PatientId, day: Day) -> ColumnElement[bool]:
    """Whether a pause covers that date."""
    return exists().where(
        Pause.patient_id == patient_id,
        Pause.cancelled_at.is_(None),
        Pause.from_date <= day,
        or_(Pause.to_date.is_(None), Pause.to_date >= day),
    )


def left_hospital(patient_id: PatientId, day: Day) -> ScalarSelect[date | None]:
    """The last day of the newest hospital stay that was over before that date; null when there was none."""
    return (
        select(func.max(Pause.to_date))
        .where(
            Pause.patient_id == patient_id,
            Pause.cancelled_at.is_(None),
            Pause.cause == PauseCause.IN_HOSPITAL,
            Pause.to_date < day,
        )
        .scalar_subquery()
    )
