"""One stretch of a clinic's long list, newest first: from a row on, so that what is years back costs what today's does.

An address names the row: `?before=ID` shows what is older, `?after=ID` what is newer. Without one, or with one that is
not there, the newest are shown. What is older was made before it: where a list lies by month (`store.months`), those
since then are not looked into.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from flask import g, request
from sqlalchemy import Select, select, tuple_
from sqlalchemy.orm import Session

from service.store.identity import none_made_after, none_made_before


@dataclass(frozen=True, slots=True)
class RowsShown:
    """Some rows of a list, each with the listed one first; and the rows beside which more follow, if more do."""

    rows: Sequence[Any]
    newer: uuid.UUID | None
    older: uuid.UUID | None


def stretch_of(session: Session, query: Select[Any, Any], table: Any, at: Any, size: int) -> RowsShown:
    """At most `size` of the clinic's rows that `query` asks for, by `at`: an index of clinic and `at` serves."""
    here, query = (at, table.id), query.where(table.clinic_id == g.clinic_id)
    before, after = (request.args.get(name, type=uuid.UUID) for name in ("before", "after"))
    own = select(*here).where(table.id == (before or after), table.clinic_id == g.clinic_id)
    place = session.execute(own).first() if before or after else None
    if place is not None and not before:
        upward = query.where(tuple_(*here) > tuple(place), table.id >= none_made_before([place.id]))
        newer = session.execute(upward.order_by(at, table.id).limit(size + 1)).all()
        if len(newer) > size:
            rows = newer[:size][::-1]
            return RowsShown(rows, rows[0][0].id, rows[-1][0].id)
        place = None  # that is the beginning
    if place is not None:
        query = query.where(tuple_(*here) < tuple(place), table.id <= none_made_after([place.id]))
    found = session.execute(query.order_by(at.desc(), table.id.desc()).limit(size + 1)).all()
    rows = found[:size]
    return RowsShown(
        rows,
        rows[0][0].id if rows and place is not None else None,
        rows[-1][0].id if len(found) > size else None,
    )
