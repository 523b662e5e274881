"""Lists come in pages, in a fixed order, and say how many there are."""

from __future__ import annotations

import uuid
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from service.store.session import reading
from service.web.api import finding
from service.web.services import services


def paged(session: Session, query: Select[Any], page: dict[str, int]) -> dict[str, Any]:
    """One page of `query`'s single entity, which must be ordered; two statements."""
    total = session.scalar(select(func.count()).select_from(query.order_by(None).subquery()))
    rows = session.scalars(query.limit(page["page_size"]).offset((page["page"] - 1) * page["page_size"])).all()
    return {"items": rows, "total": total, **page}


def of_patient(table: Any, patient_id: uuid.UUID, order: Any, page: dict[str, int]) -> dict[str, Any]:
    """One page of what a patient of the caller's clinic has in `table`. Raises Problem 404 for another's patient."""
    with reading(services().engine) as session:
        finding.patient(session, patient_id)
        return paged(session, select(table).where(table.patient_id == patient_id).order_by(order, table.id), page)
