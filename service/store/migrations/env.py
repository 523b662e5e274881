"""Alembic's entry: runs the migrations on the connection that service.store.migrate hands over."""

from typing import Any, Literal

from alembic import context

from service.store.tables import Base
from service.store.types import LegibleFacts, UTCDateTime, Word


def plain_type(kind: str, item: Any, _context: Any) -> str | Literal[False]:
    """Write our column types as the plain ones beneath: a migration must not change when they do."""
    if kind == "type" and isinstance(item, UTCDateTime):
        return "sa.DateTime(timezone=True)"
    if kind == "type" and isinstance(item, Word):
        return "sa.String(length=24)"
    if kind == "type" and isinstance(item, LegibleFacts):
        return "sa.JSON()"
    return False


context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,
    compare_type=True,
    render_item=plain_type,
    transaction_per_migration=True,  # where the caller has not begun one for all of them
)
with context.begin_transaction():
    context.run_migrations()
