"""Rows whose handling failed unexpectedly: set aside and reported, so that they never block the rest.

Promises that a quarantined row is not tried again until somebody releases it, and
that what is noted of the failure holds no value and no name.
"""

from __future__ import annotations

import traceback
import uuid
from datetime import datetime
from pathlib import PurePath

import structlog
from sqlalchemy import ColumnElement, exists, update
from sqlalchemy.orm import InstrumentedAttribute, Session

from service.store.identity import new_id
from service.store.tables import QuarantinedRow
from service.store.troubles import told
from service.store.upsert import upsert

log = structlog.get_logger(__name__)


def quarantine(session: Session, subject: tuple[str, uuid.UUID], error: BaseException, now: datetime) -> None:
    """Set `subject` ("plan", id) aside because of `error`; one that was released is set aside anew."""
    log.error("quarantined", kind=subject[0], id=str(subject[1]), error=describe_error(error))
    row = {
        "id": new_id(),
        "subject_kind": subject[0],
        "subject_id": subject[1],
        "error": describe_error(error),
        "at": now,
        "released_at": None,
    }
    upsert(session, QuarantinedRow.__table__, [row], ["subject_kind", "subject_id"])


def is_quarantined(kind: str, subject_id: InstrumentedAttribute[uuid.UUID]) -> ColumnElement[bool]:
    """Whether the row with this id is set aside: a condition for the query that looks for due rows."""
    return exists().where(
        QuarantinedRow.subject_kind == kind,
        QuarantinedRow.subject_id == subject_id,
        QuarantinedRow.released_at.is_(None),
    )


def release(session: Session, subject: tuple[str, uuid.UUID], now: datetime) -> bool:
    """Let `subject` be tried again. False when it was not set aside."""
    released = session.execute(
        update(QuarantinedRow)
        .where(
            QuarantinedRow.subject_kind == subject[0],
            QuarantinedRow.subject_id == subject[1],
            QuarantinedRow.released_at.is_(None),
        )
        .values(released_at=now)
    )
    return bool(released.rowcount)  # type: ignore[attr-defined]


def describe_error(error: BaseException) -> str:
    """The kind of failure and where it happened: "ZeroDivisionError at windows.py:31"; a database's trouble by name."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [frame for frame in frames if "/service/" in frame.filename] or frames
    where = f" at {PurePath(ours[-1].filename).name}:{ours[-1].lineno}" if ours else ""
    trouble = told(error)
    return f"{type(error).__name__}{where}{f' ({trouble})' if trouble else ''}"[:200]
