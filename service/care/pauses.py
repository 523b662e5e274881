"""Pauses: date ranges in which nothing is expected, written and made good for the days already past."""

from __future__ import annotations

import uuid
from datetime import date, datetime

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.care import windows
from service.domain.vocabulary import PauseCause
from service.store.tables import Patient, Pause


def add_pause(
    session: Session,
    patient: Patient,
    cause: PauseCause,
    from_date: date,
    to_date: date | None,
    note: str,
    recorded_by: str,
    now: datetime,
) -> Pause:
    """Write a pause and excuse the windows it covers, both ends included; None is until told."""
    pause = Pause(
        id=uuid.uuid4(), clinic_id=patient.clinic_id, patient_id=patient.id, cause=cause, from_date=from_date,
        to_date=to_date, note=note, recorded_by=recorded_by, recorded_at=now,
    )  # fmt: skip
    session.add(pause)
    session.flush()
    windows.resettle(session, patient.id, now)
    return pause


def move_last_day(session: Session, pause: Pause, to_date: date | None, now: datetime) -> None:
    """Give a pause another last day, later, earlier or until told, and decide the windows anew."""
    pause.to_date = to_date
    session.flush()
    windows.resettle(session, pause.patient_id, now)


def end_after(session: Session, pause: Pause, last_day: date, now: datetime) -> None:
    """End a pause after `last_day`, and decide the windows anew; a day before its first cancels it altogether."""
    if last_day < pause.from_date:
        pause.cancelled_at = now
    else:
        pause.to_date = last_day
    session.flush()
    windows.resettle(session, pause.patient_id, now)


def pause_on(session: Session, patient_id: uuid.UUID, day: date, cause: PauseCause | None = None) -> Pause | None:
    """The pause that covers `day`, if one does; with `cause`, only one for that cause."""
    query = select(Pause).where(
        Pause.patient_id == patient_id,
        Pause.cancelled_at.is_(None),
        Pause.from_date <= day,
        or_(Pause.to_date.is_(None), Pause.to_date >= day),
    )
    if cause is not None:
        query = query.where(Pause.cause == cause)
    return session.scalars(query.order_by(Pause.recorded_at)).first()
