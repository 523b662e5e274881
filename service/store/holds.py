"""What was brought back from a backup is held until an operator resumes; and the time of which it knows nothing.

Promises that the hold is in the database itself, so that whatever process works with it sees it:
no message is claimed and no window is opened meanwhile. Readings and check-ins are taken in all the
while. What was sent and what came in between the backup and the resuming is not known, and stays so.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, delete, exists, or_, select, update
from sqlalchemy.orm import InstrumentedAttribute, Session

from service.store.tables import Hold, StaffSession

TOLD_FOR = timedelta(days=14)  # after it was resumed: each patient's next weekly review falls into it, and one more
NEVER_WHOLE = (
    "what was brought back was never found whole: empty the place and bring it back anew. Where `neaptide move` was"
    " broken off, run it again first, with the settings of the file: it ends the move, or says what to do"
)
HELD = exists(select(Hold.id).where(Hold.resumed_at.is_(None)))


@dataclass(frozen=True)
class Gap:
    """A time of which nothing is known: from a backup until what it held was resumed, or, not yet, on and on."""

    id: uuid.UUID
    backup_at: datetime
    restored_at: datetime
    compared_at: datetime | None
    resumed_at: datetime | None


def is_held(session: Session) -> bool:
    """Whether nothing is to be asked or sent."""
    return bool(session.scalar(select(HELD)))


def newest(session: Session, now: datetime) -> Gap | None:
    """The gap of a hold that lasts, or of the last one that was resumed lately; None where there is none."""
    lately = or_(Hold.resumed_at.is_(None), Hold.resumed_at > now - TOLD_FOR)
    row = session.scalars(select(Hold).where(lately).order_by(Hold.restored_at.desc()).limit(1)).first()
    return None if row is None else Gap(row.id, row.backup_at, row.restored_at, row.compared_at, row.resumed_at)


def is_lost(
    opens_at: InstrumentedAttribute[datetime], closes_at: InstrumentedAttribute[datetime]
) -> ColumnElement[bool]:
    """Whether a window was open at a time of which nothing is known."""
    lasts = or_(Hold.resumed_at.is_(None), Hold.resumed_at > opens_at)
    return exists(select(Hold.id).where(Hold.backup_at < closes_at, lasts))


def end_sessions(session: Session) -> None:
    """Sign everybody out: who signed out, or was closed, since the backup would be signed in again."""
    session.execute(delete(StaffSession))


def compared(session: Session, hold_id: uuid.UUID, now: datetime) -> None:
    """What was brought back is what had been backed up."""
    session.execute(update(Hold).where(Hold.id == hold_id).values(compared_at=now))


def resume(session: Session, now: datetime) -> None:
    """From here on it is asked and sent again."""
    session.execute(update(Hold).where(Hold.resumed_at.is_(None)).values(resumed_at=now))
