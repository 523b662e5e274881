"""The silences table: the rows that tell a patient's runs of missed readings.

Promises that a run keeps its row as it grows, shrinks or is repaired, because
messages and caregivers' replies point at it; and that a run which turned out
never to have been is ended with nothing missed, not deleted. Does not decide
which windows were missed.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from sqlalchemy import bindparam, insert, select, update
from sqlalchemy.orm import Session

from service.domain import adherence
from service.domain.vocabulary import MessageKind, MessageState, SilenceCause, WindowState
from service.store.tables import Message, Patient, Silence

ASKING = (MessageKind.PROMPT, MessageKind.REMINDER)
READING = "reading"
REPAIRED = "late_reading"
EXCUSED = "excused"


@dataclass(frozen=True)
class SilenceRow:
    """A silence as it is stored."""

    id: uuid.UUID
    first: date
    last: date
    missed: int
    cause: SilenceCause
    ended_at: datetime | None


@dataclass(frozen=True)
class ReadingWindow:
    """A reading window as it stands."""

    window_id: uuid.UUID
    day: date
    state: WindowState
    checked_in: bool


@dataclass(frozen=True)
class MissedWindow:
    """A reading window that has just closed without a reading."""

    window_id: uuid.UUID
    clinic_id: uuid.UUID
    patient_id: uuid.UUID
    day: date
    checked_in: bool


_LENGTHEN = (
    update(Silence.__table__)  # type: ignore[arg-type]
    .where(Silence.id == bindparam("silence"))
    .values(
        first_date=bindparam("first"), last_date=bindparam("last"), missed=bindparam("count"), cause=bindparam("why")
    )
)
_COLUMNS = (
    Silence.id,
    Silence.first_date.label("first"),
    Silence.last_date.label("last"),
    Silence.missed,
    Silence.cause,
    Silence.ended_at,
)


def causes(session: Session, windows: Collection[tuple[uuid.UUID, bool]]) -> dict[uuid.UUID, SilenceCause]:
    """Why each of these missed windows (id, did the diary come) was missed. One query."""
    prompts: dict[uuid.UUID | None, list[tuple[MessageState, bool]]] = defaultdict(list)
    for window_id, state, attempts in session.execute(
        select(Message.window_id, Message.state, Message.attempts).where(
            Message.window_id.in_([window_id for window_id, _ in windows]), Message.kind.in_(ASKING)
        )
    ):
        prompts[window_id].append((state, attempts > 0))
    return {window_id: adherence.cause(checked_in, prompts[window_id]) for window_id, checked_in in windows}


def add_missed(session: Session, missed: Sequence[MissedWindow], now: datetime) -> None:
    """Put windows of many patients into their silences, beginning one where none is open."""
    if not missed:
        return
    why = causes(session, [(window.window_id, window.checked_in) for window in missed])
    running = _open(session, {window.patient_id for window in missed})
    begun: dict[uuid.UUID, SilenceRow] = {}
    clinics = {window.patient_id: window.clinic_id for window in missed}
    for window in sorted(missed, key=lambda window: window.day):
        row = running.get(window.patient_id)
        if row is None:
            row = SilenceRow(uuid.uuid4(), window.day, window.day, 0, why[window.window_id], None)
            begun[window.patient_id] = row
        if window.day >= row.last:
            row = replace(row, last=window.day, cause=why[window.window_id])
        row = replace(row, first=min(row.first, window.day), missed=row.missed + 1)
        running[window.patient_id] = row
    rows = [_values(clinics[patient], patient, running[patient], now) for patient in begun]
    longer = [row for patient, row in running.items() if patient not in begun]
    if rows:
        session.connection().execute(insert(Silence), rows)
    if longer:
        session.connection().execute(
            _LENGTHEN,
            [
                {"silence": row.id, "first": row.first, "last": row.last, "count": row.missed, "why": row.cause}
                for row in longer
            ],
        )


def sync(
    session: Session,
    patient_id: uuid.UUID,
    windows: Sequence[ReadingWindow],
    reading_dates: Collection[date],
    between: tuple[date | None, date | None],
    now: datetime,
) -> list[tuple[date, date]]:
    """Make the patient's rows between two dates (both left out) tell the runs in `windows`.

    Returns the first and last date of each silence that ended by this.
    """
    runs = adherence.runs(((window.day, window.state) for window in windows), reading_dates)
    rows = _rows_between(session, patient_id, between)
    by_day = {window.day: window for window in windows}
    latest = [by_day[run.last] for run in runs]
    why = causes(session, [(window.window_id, window.checked_in) for window in latest])

    # Newest first, so that when a late reading divides a silence, the part that
    # goes on keeps the row, and with it the nudges and replies that belong to it.
    pairs: list[tuple[adherence.Run, SilenceRow | None]] = []
    left = list(reversed(rows))
    for run in reversed(runs):
        row = next((row for row in left if row.first <= run.last and row.last >= run.first), None)
        if row is not None:
            left.remove(row)
        pairs.append((run, row))

    ended: list[tuple[date, date]] = []
    # Endings are written before beginnings: a patient has one open silence at most, and the database says so.
    for row in left:
        if row.missed or row.ended_at is None:
            _vanish(session, row, windows, now)
            ended.append((row.first, row.last))
    for run, row in sorted(pairs, key=lambda pair: not pair[0].ended):
        cause = why[by_day[run.last].window_id]
        if row is None:
            _begin(session, patient_id, run, cause, now)
        elif row != SilenceRow(row.id, run.first, run.last, run.missed, cause, row.ended_at) or run.ended != bool(
            row.ended_at
        ):
            _follow(session, row, run, cause, now)
            if run.ended and row.ended_at is None:
                ended.append((run.first, run.last))
    return ended


def _rows_between(
    session: Session, patient_id: uuid.UUID, between: tuple[date | None, date | None]
) -> list[SilenceRow]:
    query = select(*_COLUMNS).where(Silence.patient_id == patient_id).order_by(Silence.first_date)
    after, before = between
    if after is not None:
        query = query.where(Silence.first_date > after)
    if before is not None:
        query = query.where(Silence.last_date < before)
    return [SilenceRow(**row._mapping) for row in session.execute(query)]


def _open(session: Session, patient_ids: Collection[uuid.UUID]) -> dict[uuid.UUID, SilenceRow]:
    # Locked in one order: two workers may each hold a window of the same patient.
    rows = session.execute(
        select(Silence.patient_id, *_COLUMNS)
        .where(Silence.patient_id.in_(patient_ids), Silence.ended_at.is_(None))
        .order_by(Silence.id)
        .with_for_update(key_share=True)
    )
    return {
        row.patient_id: SilenceRow(row.id, row.first, row.last, row.missed, row.cause, row.ended_at) for row in rows
    }


def _values(clinic_id: uuid.UUID, patient_id: uuid.UUID, row: SilenceRow, now: datetime) -> dict[str, Any]:
    return {
        "id": row.id,
        "clinic_id": clinic_id,
        "patient_id": patient_id,
        "first_date": row.first,
        "last_date": row.last,
        "missed": row.missed,
        "cause": row.cause,
        "opened_at": now,
    }


def _begin(session: Session, patient_id: uuid.UUID, run: adherence.Run, cause: SilenceCause, now: datetime) -> None:
    clinic_id = select(Patient.clinic_id).where(Patient.id == patient_id).scalar_subquery()
    session.execute(
        insert(Silence).values(
            id=uuid.uuid4(),
            clinic_id=clinic_id,
            patient_id=patient_id,
            first_date=run.first,
            last_date=run.last,
            missed=run.missed,
            cause=cause,
            opened_at=now,
            ended_at=now if run.ended else None,
            ended_because=READING if run.ended else None,
        )
    )


def _follow(session: Session, row: SilenceRow, run: adherence.Run, cause: SilenceCause, now: datetime) -> None:
    ending: dict[str, Any] = {}
    if run.ended and row.ended_at is None:
        ending = {"ended_at": now, "ended_because": READING}
    elif not run.ended and row.ended_at is not None:
        ending = {"ended_at": None, "ended_because": None}
    _update(session, row.id, first_date=run.first, last_date=run.last, missed=run.missed, cause=cause, **ending)


def _vanish(session: Session, row: SilenceRow, windows: Sequence[ReadingWindow], now: datetime) -> None:
    states = {window.state for window in windows if row.first <= window.day <= row.last}
    because = EXCUSED if WindowState.EXCUSED in states else REPAIRED
    _update(session, row.id, missed=0, ended_at=row.ended_at or now, ended_because=because)


def _update(session: Session, silence_id: uuid.UUID, **values: Any) -> None:
    session.execute(
        update(Silence).where(Silence.id == silence_id).values(**values).execution_options(synchronize_session=False)
    )
