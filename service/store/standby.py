"""What is long is read from a standby of PostgreSQL, where there is one, so that it keeps nobody waiting.

Promises that whoever reads there is told as of when it is: what was committed by then is there; and that the database
itself is read in its place where the standby does not answer, is none, or cannot say. For figures of weeks, files and
exports alone. Never for what a decision hangs on, nor for what somebody has just written and looks for: a standby may
be behind by any time.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import structlog
from sqlalchemy import Engine, text
from sqlalchemy.exc import SQLAlchemyError

from service.store.session import read_session
from service.store.troubles import told

log = structlog.get_logger(__name__)
# PostgreSQL, "Recovery Control Functions": when the last transaction that it has replayed was committed. While a worker
# runs there is one every few seconds. None in a database that is no standby.
AS_OF = text("SELECT CASE WHEN pg_is_in_recovery() THEN pg_last_xact_replay_timestamp() END")


@dataclass(frozen=True)
class ReadFrom:
    """Where to read, and as of when that is; None: as of now, in the database itself."""

    engine: Engine
    as_of: datetime | None


def source(engine: Engine, standby: Engine | None) -> ReadFrom:
    """Where something long is to be read now: the standby, if there is one and it answers, else the database."""
    if standby is not None:
        try:
            if (known := as_of(standby)) is not None:
                return ReadFrom(standby, known)
            log.warning("the standby is none, or has nothing yet", see="neaptide doctor")
        except SQLAlchemyError as error:
            if not (why := told(error)):
                raise
            log.warning("the standby is not read", error=why)
    return ReadFrom(engine, None)


def as_of(standby: Engine) -> datetime | None:
    """What was committed by then is there; None where that cannot be said: it is no standby, or a new one."""
    with read_session(standby) as session:
        known: datetime | None = session.scalar(AS_OF)
        return None if known is None else known.astimezone(UTC)
