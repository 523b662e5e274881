"""What a member of staff is called, wherever they work: whoever looks after a patient now reads who wrote before.

Behind the wall between clinics no colleague of another clinic is seen. The name alone is told, and only of one at a
clinic that has handed a patient over to this one: `wall.name_elsewhere`, in `migrations.roles`.
"""

from __future__ import annotations

import uuid
from typing import Any

from sqlalchemy import ColumnElement, String, func, select
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.orm import InstrumentedAttribute, aliased
from sqlalchemy.sql.functions import FunctionElement

from service.store.tables import Staff


def staff_name(
    whose: InstrumentedAttribute[uuid.UUID] | InstrumentedAttribute[uuid.UUID | None] | ColumnElement[Any],
) -> ColumnElement[str]:
    """The name of who has this id; null where nobody has, or it is not told here."""
    them = aliased(Staff)
    return func.coalesce(select(them.name).where(them.id == whose).scalar_subquery(), _Elsewhere(whose))


class _Elsewhere(FunctionElement[str]):
    inherit_cache = True
    type = String()


@compiles(_Elsewhere)
def _nowhere(_element: _Elsewhere, _compiler: Any, **_options: Any) -> str:
    return "NULL"


@compiles(_Elsewhere, "postgresql")
def _asked(element: _Elsewhere, compiler: Any, **options: Any) -> str:
    return f"wall.name_elsewhere({compiler.process(element.clauses, **options)})"
