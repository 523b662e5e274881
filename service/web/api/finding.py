"""One record of the caller's clinic by its id, or 404. No other way in reaches a record by id."""

from __future__ import annotations

import uuid
from typing import Any, TypeVar

from flask import g
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.tables import Base, Clinic, Patient
from service.web.problems import Problem

T = TypeVar("T", bound=Base)


def own(session: Session, table: type[T], record_id: uuid.UUID) -> T:
    """The record, if it belongs to the caller's clinic. Raises Problem 404."""
    whose: Any = table  # every table that holds records of a clinic has the column
    found: T | None = session.scalars(
        select(table).where(whose.id == record_id, whose.clinic_id == g.clinic_id)
    ).first()
    if found is None:
        raise Problem(404, "The clinic has no such record.")
    return found


def own_clinic(session: Session) -> Clinic:
    return session.get_one(Clinic, g.clinic_id)


def patient(session: Session, patient_id: uuid.UUID) -> Patient:
    return own(session, Patient, patient_id)
