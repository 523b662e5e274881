"""Lists come in pages, in a fixed order, and say how many there are."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session


def paged(session: Session, query: Select[Any], page: dict[str, int]) -> dict[str, Any]:
    """One page of `query`'s single entity, which must be ordered; two statements."""
    total = session.scalar(select(func.count()).select_from(query.order_by(None).subquery()))
    rows = session.scalars(query.limit(page["page_size"]).offset((page["page"] - 1) * page["page_size"])).all()
    return {"items": rows, "total": total, **page}
