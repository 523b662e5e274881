"""What PostgreSQL's servers have left for us: connections, and how far the standby is behind."""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import Engine, text
from sqlalchemy.exc import SQLAlchemyError

from service.health.checks import Finding, lasted
from service.store.quarantine import describe_error
from service.store.session import MOST_CONNECTIONS, read_session
from service.store.standby import as_of
from service.store.troubles import told

BEHIND_BY = timedelta(minutes=5)
# PostgreSQL, "Connections and Authentication": the last ones are kept for a superuser.
CONNECTIONS = """SELECT count(*), current_setting('max_connections')::int
 - current_setting('superuser_reserved_connections')::int FROM pg_stat_activity WHERE backend_type = 'client backend'"""


def connections(engine: Engine) -> Finding | None:
    """Whether the server has connections left for one process more, as at a reload; None for SQLite."""
    if engine.dialect.name != "postgresql":
        return None
    with read_session(engine) as session:
        taken, most = session.execute(text(CONNECTIONS)).one()
    sentence = f"The server gives {most} connections, and {taken} are taken; a process of ours takes up to "
    sentence += f"{MOST_CONNECTIONS}."
    if is_short := most - taken < MOST_CONNECTIONS:
        sentence += " A process more, as at a reload, may get none: raise max_connections, or put a pooler between."
    return Finding("connections", not is_short, sentence, most - taken)


def standby(engine: Engine, now: datetime) -> Finding:
    """How far the standby is behind, as of the last thing that came there: a worker writes every few seconds."""
    try:
        known = as_of(engine)
    except SQLAlchemyError as error:
        why = told(error) or describe_error(error)
        return Finding("standby", False, f"The standby is not read, and the database itself is in its place: {why}.")
    if known is None:
        sentence = "What NEAPTIDE_STANDBY_DATABASE_URL leads to is no standby, or has nothing yet: it is not read."
        return Finding("standby", False, sentence)
    behind = max((now - known).total_seconds(), 0.0)
    sentence = f"The standby is as of {lasted(behind)} ago."
    return Finding("standby", behind <= BEHIND_BY.total_seconds(), sentence, behind)
