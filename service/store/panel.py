"""The carried-forward row of each patient on the weekly review.

Promises that whoever changes what a row is made from can mark it stale inside
the same transaction, for the price of one statement; that a patient without a
row is found just like one with; and that the row can always be made again from
the rows it summarises. Does not compute what is in it.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import and_, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.domain.words import PatientState
from service.store.tables import PanelRow, Patient


@dataclass(frozen=True, slots=True)
class Carried:
    """One active patient with the row carried for them, if there is one."""

    patient_id: uuid.UUID
    name: str
    clinic_ref: str
    zone: str
    enrolled_at: datetime
    as_of: date | None
    facts: dict[str, Any] | None
    stale_since: datetime | None


def mark_stale(session: Session, patient_ids: Collection[uuid.UUID], now: datetime) -> None:
    """Say that these patients' rows no longer tell the newest; part of the caller's transaction.

    A patient without a row needs none: a missing row is stale by itself.
    """
    if patient_ids:
        session.execute(
            update(PanelRow)
            .where(PanelRow.patient_id.in_(patient_ids), PanelRow.stale_since.is_(None))
            .values(stale_since=now)
            .execution_options(synchronize_session=False)
        )


def carried(session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID | None = None) -> list[Carried]:
    """Every active patient of the clinic, or the one named, with their row. One query."""
    query = (
        select(
            Patient.id,
            Patient.name,
            Patient.clinic_ref,
            Patient.zone,
            Patient.enrolled_at,
            PanelRow.as_of,
            PanelRow.facts,
            PanelRow.stale_since,
        )
        .outerjoin(PanelRow, PanelRow.patient_id == Patient.id)
        .where(Patient.clinic_id == clinic_id)
        .order_by(Patient.name, Patient.id)
    )
    # Whoever is looked up by id is found, also after their monitoring has ended: the record stays.
    only = Patient.state == PatientState.ACTIVE if patient_id is None else Patient.id == patient_id
    query = query.where(only)
    return [Carried(*row) for row in session.execute(query)]


def to_refresh(session: Session, now: datetime, limit: int) -> list[tuple[uuid.UUID, uuid.UUID]]:
    """(clinic, patient) of rows that are missing, stale, or of a day before the patient's own; longest stale first."""
    # At most three dates are in use in the world at once: one condition each, whatever the number of zones.
    zones_on: dict[date, list[str]] = {}
    for zone in session.scalars(select(Patient.zone).distinct()):
        zones_on.setdefault(now.astimezone(ZoneInfo(zone)).date(), []).append(zone)
    outdated = [and_(Patient.zone.in_(zones), PanelRow.as_of != today) for today, zones in zones_on.items()]
    query = (
        select(Patient.clinic_id, Patient.id)
        .outerjoin(PanelRow, PanelRow.patient_id == Patient.id)
        .where(
            Patient.state == PatientState.ACTIVE,
            or_(PanelRow.id.is_(None), PanelRow.stale_since.is_not(None), *outdated),
        )
        .order_by(PanelRow.stale_since, Patient.id)
        .limit(limit)
    )
    return [(row[0], row[1]) for row in session.execute(query)]


def keep(session: Session, rows: Sequence[dict[str, Any]]) -> None:
    """Write rows, replacing what was carried for the same patients."""
    if not rows:
        return
    # Both databases speak the same upsert; only the place it is imported from differs.
    insert = postgresql.insert if session.get_bind().dialect.name == "postgresql" else sqlite.insert
    statement = insert(PanelRow).values([{"id": uuid.uuid4(), "stale_since": None, **row} for row in rows])
    session.execute(
        statement.on_conflict_do_update(
            index_elements=["patient_id"],
            set_={
                name: statement.excluded[name]
                for name in ("clinic_id", "as_of", "facts", "trend", "updated_at", "stale_since")
            },
        )
    )
