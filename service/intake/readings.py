"""Take in pressure readings, one at a time or a batch with a guard around each.

Promises that a reading is written once however often it is sent, in the window of
its own day however late it comes, and that what it changes is changed in the same
transaction. A correction supersedes; nothing is overwritten.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.care import windows
from service.domain import readings
from service.domain.localtime import local_date, zone
from service.domain.readings import Judged, NewReading
from service.domain.validation import Refused
from service.intake import limits, whom
from service.intake.outcomes import Outcome, Recorded
from service.intake.whom import Whom
from service.store import audit, panel
from service.store.tables import Reading


@dataclass(frozen=True, slots=True)
class _Kept:
    id: uuid.UUID
    superseded_at: datetime | None
    supersedes_id: uuid.UUID | None
    judged: Judged


_CURRENT: dict[str, Any] = {
    "index_elements": ["patient_id", "taken_at"],
    "index_where": Reading.superseded_at.is_(None),
}
INSERT = {
    "sqlite": sqlite.insert(Reading).on_conflict_do_nothing(**_CURRENT).execution_options(preserve_rowcount=True),
    "postgresql": postgresql.insert(Reading)
    .on_conflict_do_nothing(**_CURRENT)
    .execution_options(preserve_rowcount=True),
}


def record_reading(
    session: Session, clinic_id: uuid.UUID, new: NewReading, actor: audit.Actor, now: datetime
) -> Recorded:
    """Take in one pressure reading and everything that follows from it.

    One transaction: the reading, its audit line, the window it answers, the
    messages and steps it makes pointless, the silence it ends, the mark on the
    patient's review row, and a task when it is beyond a typed limit.
    Raises Refused, and writes nothing, when the reading cannot be true, or when
    other values are there for its instant and it does not say which it corrects.
    """
    judged = readings.judge(new, now)
    who = whom.find(session, clinic_id, new.patient)
    if new.supersedes is not None:
        return _correct(session, clinic_id, who, new, judged, actor, now)
    row = row_of(clinic_id, who, new, judged, now)
    if not _insert(session, row):
        kept = _one(session, Reading.patient_id == who.id, Reading.taken_at == judged.taken_at)
        return repeated(new, judged, kept.id, kept.judged)
    audit.write_line(session, actor, "reading.record", ("reading", row["id"]), now, clinic_id=clinic_id)
    windows.reading_arrived(session, who.id, clinic_id, row["local_date"], now)
    _tell(session, clinic_id, row, now)
    return Recorded(row["id"], Outcome.RECORDED)


def row_of(clinic_id: uuid.UUID, who: Whom, new: NewReading, judged: Judged, now: datetime) -> dict[str, Any]:
    """The row to write for a reading that was judged."""
    return {
        "id": uuid.uuid4(),
        "clinic_id": clinic_id,
        "patient_id": who.id,
        "taken_at": judged.taken_at,
        "received_at": now,
        "local_date": local_date(judged.taken_at, zone(who.zone)),
        "pa_systolic": judged.pa_systolic,
        "pa_diastolic": judged.pa_diastolic,
        "pa_mean": judged.pa_mean,
        "mean_is_derived": judged.mean_is_derived,
        "heart_rate": judged.heart_rate,
        "posture": new.posture,
        "source": new.source,
        "source_ref": new.source_ref,
        "unit_given": new.unit,
        "remarks": judged.remarks,
        "supersedes_id": None,
        "superseded_at": None,
    }


def repeated(new: NewReading, judged: Judged, kept_id: uuid.UUID, kept: Judged) -> Recorded:
    """What to answer when a reading of this instant is there. Raises Refused when it says otherwise."""
    if readings.says_nothing_new(judged, kept):
        return Recorded(kept_id, Outcome.DUPLICATE)
    accepted = f"an instant without other values; to correct reading {kept_id}, name it in supersedes"
    raise Refused("taken_at", new.taken_at.isoformat(), accepted)


def _correct(
    session: Session,
    clinic_id: uuid.UUID,
    who: Whom,
    new: NewReading,
    judged: Judged,
    actor: audit.Actor,
    now: datetime,
) -> Recorded:
    wrong = _first(session, Reading.id == new.supersedes, Reading.patient_id == who.id, current=False)
    if wrong is None:
        raise Refused("supersedes", str(new.supersedes), "the id of a reading of this patient")
    there = _first(session, Reading.patient_id == who.id, Reading.taken_at == judged.taken_at)
    if wrong.superseded_at is not None:
        # Sent again: the correction it asked for has been made.
        if there is not None and there.supersedes_id == wrong.id and there.judged.pa_diastolic == judged.pa_diastolic:
            return repeated(new, judged, there.id, there.judged)
        raise Refused("supersedes", str(wrong.id), "a reading that has not been corrected already")
    if there is not None and there.id != wrong.id:
        accepted = f"an instant without another reading; reading {there.id} is there"
        raise Refused("taken_at", new.taken_at.isoformat(), accepted)
    row = row_of(clinic_id, who, new, judged, now) | {"supersedes_id": wrong.id}
    done = session.execute(
        update(Reading)
        .where(Reading.id == wrong.id, Reading.superseded_at.is_(None))
        .values(superseded_at=now)
        .execution_options(synchronize_session=False)
    )
    if done.rowcount != 1 or not _insert(session, row):  # type: ignore[attr-defined]
        raise Refused("supersedes", str(wrong.id), "a reading that nobody else is correcting at this moment")
    audit.write_line(session, actor, "reading.correct", ("reading", row["id"]), now, clinic_id=clinic_id,
                     detail={"supersedes": str(wrong.id)})  # fmt: skip
    windows.resettle(session, who.id, now)  # it may have moved to another day
    _tell(session, clinic_id, row, now)
    return Recorded(row["id"], Outcome.RECORDED)


def _tell(session: Session, clinic_id: uuid.UUID, row: dict[str, Any], now: datetime) -> None:
    kept = limits.Kept(row["id"], row["patient_id"], row["taken_at"], row["local_date"], row["pa_diastolic"])
    limits.watch(session, clinic_id, [kept], now)
    panel.mark_stale(session, [row["patient_id"]], now)


def _insert(session: Session, row: dict[str, Any]) -> bool:
    # Whoever sends the same reading at the same moment waits here and then finds it written.
    done = session.connection().execute(INSERT[session.get_bind().dialect.name], row)
    return done.rowcount == 1


COLUMNS = (
    Reading.id,
    Reading.superseded_at,
    Reading.supersedes_id,
    Reading.taken_at,
    Reading.pa_systolic,
    Reading.pa_diastolic,
    Reading.pa_mean,
    Reading.mean_is_derived,
    Reading.heart_rate,
)


def judged_of(row: Any) -> Judged:
    """A row of `COLUMNS` as the reading it holds."""
    return Judged(
        row.taken_at, row.pa_systolic, row.pa_diastolic, row.pa_mean, row.mean_is_derived, row.heart_rate, remarks=[]
    )


def _first(session: Session, *where: ColumnElement[bool], current: bool = True) -> _Kept | None:
    query = select(*COLUMNS).where(*where)
    row = session.execute(query.where(Reading.superseded_at.is_(None)) if current else query).first()
    return None if row is None else _Kept(row.id, row.superseded_at, row.supersedes_id, judged_of(row))


def _one(session: Session, *where: ColumnElement[bool]) -> _Kept:
    kept = _first(session, *where)
    if kept is None:
        raise Refused("taken_at", None, "an instant whose reading is not being corrected at this moment")
    return kept
