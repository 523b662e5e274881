"""Take in many readings: a guard around each, one transaction around the batch.

A batch is one transaction because that is what makes a long file quick. When
something unforeseen stops it, each reading is tried in a transaction of its own,
and the one to blame is set aside and reported, so that it never blocks the rest.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import structlog
from sqlalchemy import Engine, select, tuple_
from sqlalchemy.exc import InterfaceError, OperationalError
from sqlalchemy.orm import Session

from service.care.many_arrivals import readings_arrived
from service.domain import readings
from service.domain.readings import Judged, NewReading
from service.domain.validation import Refused
from service.intake import limits, whom
from service.intake.outcomes import Outcome, Recorded
from service.intake.readings import COLUMNS, judged_of, record_reading, repeated, row_of
from service.store import audit, panel
from service.store.bulk import insert_rows
from service.store.quarantine import place, quarantine
from service.store.session import read_session, write_session
from service.store.tables import Reading

log = structlog.get_logger(__name__)

AT_ONCE = 400  # names in one query's list: under every database's limit on parameters
IF_NEW = "ON CONFLICT (patient_id, taken_at) WHERE superseded_at IS NULL DO NOTHING"
Key = tuple[uuid.UUID, datetime]


@dataclass(slots=True)
class _Placed:
    """A reading that was judged and whose patient was found, as the row to write."""

    at: int  # its place in the batch
    new: NewReading
    judged: Judged
    row: dict[str, Any]

    @property
    def key(self) -> Key:
        return self.row["patient_id"], self.row["taken_at"]


def record_readings(
    engine: Engine, clinic_id: uuid.UUID, new: Sequence[NewReading], actor: audit.Actor, now: datetime
) -> list[Recorded | Refused]:
    """Take in a batch, and say of each reading what became of it, in the order given.

    The audit trail gets one line for each patient in the batch.
    """
    results: list[Recorded | Refused | None] = [None] * len(new)
    try:
        with write_session(engine) as session:
            placed = _place(session, clinic_id, new, results, now)
            corrections = [one for one in placed if one.new.supersedes is not None]
            _take(session, clinic_id, [one for one in placed if one.new.supersedes is None], results, actor, now)
        alone = [one.at for one in corrections]
    except (OperationalError, InterfaceError):
        raise  # the database is away: no reading is to blame
    except Exception as error:
        log.warning("batch refused, now one by one", kind="reading", rows=len(new), error=place(error))
        results = [one if isinstance(one, Refused) else None for one in results]
        alone = [at for at, one in enumerate(results) if one is None]
    for at in alone:
        results[at] = _alone(engine, clinic_id, new[at], actor, now)
    return [one for one in results if one is not None]


def try_readings(
    engine: Engine, clinic_id: uuid.UUID, new: Sequence[NewReading], now: datetime
) -> list[Recorded | Refused]:
    """What `record_readings` would answer, without writing anything. The ids are not of any row.

    For files, which hold no corrections; raises ValueError for one.
    """
    if any(one.supersedes is not None for one in new):
        raise ValueError("a correction cannot be tried, only made")
    results: list[Recorded | Refused | None] = [None] * len(new)
    with read_session(engine) as session:
        placed = _place(session, clinic_id, new, results, now)
        kept = _kept(session, [one.key for one in placed])
        for one in placed:
            there = kept.setdefault(one.key, (one.row["id"], one.judged))
            results[one.at] = _resolve(one, *there)
    return [one for one in results if one is not None]


def _place(
    session: Session,
    clinic_id: uuid.UUID,
    new: Sequence[NewReading],
    results: list[Recorded | Refused | None],
    now: datetime,
) -> list[_Placed]:
    people = whom.find_many(session, clinic_id, {one.patient for one in new})
    placed = []
    for at, one in enumerate(new):
        try:
            judged = readings.judge(one, now)
            who = people.get(one.patient)
            if who is None:
                whom.refuse(one.patient)
            placed.append(_Placed(at, one, judged, row_of(clinic_id, who, one, judged, now)))
        except Refused as refusal:
            results[at] = refusal
    return placed


def _take(
    session: Session,
    clinic_id: uuid.UUID,
    placed: Sequence[_Placed],
    results: list[Recorded | Refused | None],
    actor: audit.Actor,
    now: datetime,
) -> None:
    firsts: dict[Key, _Placed] = {}
    for one in placed:
        firsts.setdefault(one.key, one)
    # In one order, so that two batches that share readings wait for each other instead of both giving up.
    written, there = _insert(session, sorted(firsts.values(), key=lambda one: one.key))
    kept = there | {one.key: (one.row["id"], one.judged) for one in written}
    for one in placed:
        results[one.at] = _resolve(one, *kept[one.key])
    days: dict[uuid.UUID, set[date]] = defaultdict(set)
    counts: dict[uuid.UUID, int] = defaultdict(int)
    for one in written:
        days[one.row["patient_id"]].add(one.row["local_date"])
        counts[one.row["patient_id"]] += 1
    if not written:
        return
    lines = [("patient", patient_id, {"readings": count}) for patient_id, count in counts.items()]
    audit.write_lines(session, actor, "readings.record", lines, now, clinic_id=clinic_id)
    readings_arrived(session, days, now)
    limits.watch(session, clinic_id, [_for_limits(one.row) for one in written], now)
    for some in _slices(sorted(days)):
        panel.mark_stale(session, some, now)


def _insert(session: Session, placed: list[_Placed]) -> tuple[list[_Placed], dict[Key, tuple[uuid.UUID, Judged]]]:
    """Those written now, and what was there already for the others."""
    if not placed:
        return [], {}
    # Column-wise and without the ORM: this is what a long file's time is spent on.
    if insert_rows(session, Reading.__table__, [one.row for one in placed], IF_NEW) == len(placed):
        return placed, {}
    there = _kept(session, [one.key for one in placed])
    return [one for one in placed if there[one.key][0] == one.row["id"]], there


def _kept(session: Session, keys: Sequence[Key]) -> dict[Key, tuple[uuid.UUID, Judged]]:
    """The current readings of these patients at these instants."""
    found: dict[Key, tuple[uuid.UUID, Judged]] = {}
    columns = (Reading.patient_id, *COLUMNS)
    for some in _slices(keys):
        rows = session.execute(
            select(*columns).where(
                tuple_(Reading.patient_id, Reading.taken_at).in_(some), Reading.superseded_at.is_(None)
            )
        )
        for row in rows:
            found[row.patient_id, row.taken_at] = (row.id, judged_of(row))
    return found


def _resolve(one: _Placed, kept_id: uuid.UUID, kept: Judged) -> Recorded | Refused:
    if kept_id == one.row["id"]:
        return Recorded(kept_id, Outcome.RECORDED)
    try:
        return repeated(one.new, one.judged, kept_id, kept)
    except Refused as refusal:
        return refusal


def _for_limits(row: dict[str, Any]) -> limits.Kept:
    return limits.Kept(row["id"], row["patient_id"], row["taken_at"], row["local_date"], row["pa_diastolic"])


def _alone(
    engine: Engine, clinic_id: uuid.UUID, new: NewReading, actor: audit.Actor, now: datetime
) -> Recorded | Refused:
    try:
        with write_session(engine) as session:
            return record_reading(session, clinic_id, new, actor, now)
    except Refused as refusal:
        return refusal
    except (OperationalError, InterfaceError):
        raise
    except Exception as error:
        subject = ("new_reading", uuid.uuid4())
        log.error("parked", kind=subject[0], id=str(subject[1]), error=place(error))
        with write_session(engine) as session:
            quarantine(session, subject, error, now)
        return Refused("reading", None, f"one that can be written; this is a fault of ours, noted as {subject[1]}")


def _slices(things: Sequence[Any]) -> Iterator[Sequence[Any]]:
    for start in range(0, len(things), AT_ONCE):
        yield things[start : start + AT_ONCE]
