"""Lists come in pages, in a fixed order, and say how many there are."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from typing import Any

from flask import g
from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from service.store.session import read_session
from service.web.api import finding
from service.web.services import services


def paged(session: Session, query: Select[Any], page: dict[str, int]) -> dict[str, Any]:
    """One page of `query`'s single entity, which must be ordered; two statements."""
    total = session.scalar(select(func.count()).select_from(query.order_by(None).subquery()))
    rows = session.scalars(query.limit(page["page_size"]).offset((page["page"] - 1) * page["page_size"])).all()
    return {"items": rows, "total": total, **page}


def of_dates(table: Any, patient_id: uuid.UUID, order: Sequence[Any], query: dict[str, Any]) -> dict[str, Any]:
    """`of_patient` between `from_date` and `to_date`, both included and either left out."""
    first, last = query.pop("from_date", None), query.pop("to_date", None)
    wanted = select(table).where(table.patient_id == patient_id, table.clinic_id == g.clinic_id)
    if first:
        wanted = wanted.where(table.local_date >= first)
    if last:
        wanted = wanted.where(table.local_date <= last)
    return _of_patient(patient_id, wanted.order_by(*order), query)


def of_patient(table: Any, patient_id: uuid.UUID, order: Any, page: dict[str, int]) -> dict[str, Any]:
    """One page of what a patient of the caller's clinic has in `table`. Raises Problem 404 for another's patient."""
    wanted = select(table).where(table.patient_id == patient_id)
    return _of_patient(patient_id, wanted.order_by(order, table.id), page)


def _of_patient(patient_id: uuid.UUID, wanted: Select[Any], page: dict[str, Any]) -> dict[str, Any]:
    with read_session(services().engine) as session:
        finding.patient(session, patient_id)
        return paged(session, wanted, page)
