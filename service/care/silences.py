"""The silences table: the rows that tell a patient's runs of missed readings.

Promises that a run keeps its row as it grows, shrinks or is repaired; and that a run
which turned out never to have been is ended with nothing missed, not deleted. What was
done about a run (tasks, nudges, caregivers' answers) is found by its dates and never by
its row: a late reading divides a run, and the part that goes on begins anew. Does not
decide which windows were missed.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from itertools import groupby
from typing import Any

from sqlalchemy import Select, and_, bindparam, exists, func, insert, select, update
from sqlalchemy.orm import Session, aliased

from service.domain import plan
from service.domain.plan import WindowFacts
from service.domain.vocabulary import MessageKind, MessageState, SilenceCause, TaskKind, WindowState
from service.store import holds
from service.store.identity import new_id, none_made_before
from service.store.session import columns_of
from service.store.tables import CaregiverReply, Message, Patient, Silence, Task, Window

ASKING = (MessageKind.PROMPT, MessageKind.REMINDER)
READING = "reading"
REPAIRED = "late_reading"
EXCUSED = "excused"
NEVER = datetime.min.replace(tzinfo=UTC)


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
class Running:
    """A silence that has not ended, and what has been done about it since its first date."""

    patient_id: uuid.UUID
    first: date
    missed: int
    cause: SilenceCause
    begun_at: datetime  # when the window of its first date opened
    told: bool  # a task has been raised
    nudges: int  # since a caregiver last answered
    nudged_at: datetime | None  # the last of them


@dataclass(frozen=True)
class ReadingWindow:
    """A reading window as it stands."""

    window_id: uuid.UUID
    day: date
    state: WindowState
    checked_in: bool


@dataclass(frozen=True)
class ClosingWindow(WindowFacts):
    """A window whose end has come, with what is known of it."""

    id: uuid.UUID
    clinic_id: uuid.UUID
    patient_id: uuid.UUID
    day: date


_LENGTHEN = (
    update(Silence.__table__)  # type: ignore[arg-type]
    .where(Silence.id == bindparam("silence"))
    .values(
        first_date=bindparam("first"), last_date=bindparam("last"), missed=bindparam("count"), cause=bindparam("why")
    )
)
_COLUMNS = columns_of(SilenceRow, Silence, first=Silence.first_date, last=Silence.last_date)


def causes(session: Session, windows: Collection[tuple[uuid.UUID, bool]]) -> dict[uuid.UUID, SilenceCause]:
    """Why each of these missed windows (id, did the diary come) was missed. One query."""
    prompts: dict[uuid.UUID, list[tuple[MessageState, bool]]] = defaultdict(list)
    lost: set[uuid.UUID] = set()
    ids = [window_id for window_id, _ in windows]
    asked = and_(Message.window_id == Window.id, Message.id >= none_made_before(ids), Message.kind.in_(ASKING))
    for window_id, is_lost, state, attempts in session.execute(
        select(Window.id, holds.is_lost(Window.opens_at, Window.closes_at), Message.state, Message.attempts)
        .outerjoin(Message, asked)
        .where(Window.id.in_(ids))
    ):
        if is_lost:
            lost.add(window_id)
        if state is not None:
            prompts[window_id].append((state, attempts > 0))
    return {
        window_id: plan.silence_cause(checked_in, prompts[window_id], is_lost=window_id in lost)
        for window_id, checked_in in windows
    }


def add_missed(session: Session, missed: Sequence[ClosingWindow], now: datetime) -> None:
    """Put windows of many patients, closed without a reading, into their silences: begun where none is open."""
    if not missed:
        return
    why = causes(session, [(window.id, window.checkin_at is not None) for window in missed])
    running = _open(session, {window.patient_id for window in missed})
    begun: dict[uuid.UUID, SilenceRow] = {}
    clinics = {window.patient_id: window.clinic_id for window in missed}
    for window in sorted(missed, key=lambda window: window.day):
        row = running.get(window.patient_id)
        if row is None:
            row = SilenceRow(new_id(), window.day, window.day, 0, why[window.id], None)
            begun[window.patient_id] = row
        if window.day >= row.last:
            row = replace(row, last=window.day, cause=why[window.id])
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
    runs = plan.missed_runs(((window.day, window.state) for window in windows), reading_dates)
    rows = _rows_between(session, patient_id, between)
    by_day = {window.day: window for window in windows}
    latest = [by_day[run.last] for run in runs]
    why = causes(session, [(window.window_id, window.checked_in) for window in latest])

    # Newest first, so that when a late reading divides a silence, the part that goes on keeps the row.
    pairs: list[tuple[plan.Run, SilenceRow | None]] = []
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


def running(session: Session, patient_ids: Collection[uuid.UUID]) -> dict[uuid.UUID, Running]:
    """The silence of each of these patients that has not ended. A query, and one for each month that one began in."""
    if not patient_ids:
        return {}
    begun = session.execute(running_query(patient_ids).order_by(Silence.first_date)).all()
    nudged: dict[uuid.UUID, tuple[int, datetime]] = {}
    for _, some in groupby(begun, key=lambda row: (row.first.year, row.first.month)):
        rows = list(some)
        since = none_made_before(row.window_id or uuid.UUID(int=0) for row in rows)
        asked_since = min(row.begun_at if row.window_id else NEVER for row in rows)
        query = nudges_query([row.patient_id for row in rows], since, asked_since)
        nudged |= {patient_id: (number, newest) for patient_id, number, newest in session.execute(query)}
    return {
        row.patient_id: Running(
            row.patient_id, row.first, row.missed, row.cause, row.begun_at, row.told,
            *nudged.get(row.patient_id, (0, None)),
        )
        for row in begun
    }  # fmt: skip


def running_query(patient_ids: Collection[uuid.UUID]) -> Select[*tuple[Any, ...]]:
    """Of `running`, all but the nudges; and the window of the first date, before which none was made."""
    first = aliased(Window)
    begun_at = func.coalesce(first.opens_at, Silence.opened_at)
    return (
        select(
            Silence.patient_id,
            Silence.first_date.label("first"),
            Silence.missed,
            Silence.cause,
            begun_at.label("begun_at"),
            first.id.label("window_id"),
            exists()
            .where(Task.patient_id == Silence.patient_id, Task.kind == TaskKind.SILENT, Task.raised_at >= begun_at)
            .correlate(Silence, first)
            .label("told"),
        )
        .outerjoin(first, and_(first.patient_id == Silence.patient_id, first.local_date == Silence.first_date))
        .where(Silence.patient_id.in_(patient_ids), Silence.ended_at.is_(None), Silence.missed > 0)
    )


def nudges_query(
    patient_ids: Collection[uuid.UUID], since: uuid.UUID, asked_since: datetime
) -> Select[*tuple[Any, ...]]:
    """Of `running`, (patient, nudges, the last of them); ids of messages and their times begin with the first window.

    By patient and time: asked window by window, PostgreSQL read all messages there are.
    """
    answered, about = aliased(Window), aliased(Window)
    last_answer = (
        select(func.max(CaregiverReply.at))
        .join(answered, answered.id == CaregiverReply.window_id)
        .where(answered.patient_id == Silence.patient_id, answered.local_date >= Silence.first_date)
        .correlate(Silence)
        .scalar_subquery()
    )
    nudge = (
        Message.id >= since,
        Message.created_at >= asked_since,
        Message.kind == MessageKind.NUDGE,
        Message.state != MessageState.CANCELLED,
        func.coalesce(Message.created_at > last_answer, True),
    )
    return (
        # One step is one nudge, on however many channels it had to be tried.
        select(Silence.patient_id, func.count(func.distinct(Message.step_id)), func.max(Message.created_at))
        .join(Message, Message.patient_id == Silence.patient_id)
        .join(about, and_(about.id == Message.window_id, about.local_date >= Silence.first_date))
        .where(Silence.patient_id.in_(patient_ids), Silence.ended_at.is_(None), *nudge)
        .group_by(Silence.patient_id)
    )


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


def _values(clinic_id: Any, patient_id: uuid.UUID, row: SilenceRow, now: datetime) -> dict[str, Any]:
    return {
        "id": row.id,
        "clinic_id": clinic_id,
        "patient_id": patient_id,
        "first_date": row.first,
        "last_date": row.last,
        "missed": row.missed,
        "cause": row.cause,
        "opened_at": now,
        "ended_at": row.ended_at,
        "ended_because": None if row.ended_at is None else READING,
    }


def _begin(session: Session, patient_id: uuid.UUID, run: plan.Run, cause: SilenceCause, now: datetime) -> None:
    clinic_id = select(Patient.clinic_id).where(Patient.id == patient_id).scalar_subquery()
    row = SilenceRow(new_id(), run.first, run.last, run.missed, cause, now if run.ended else None)
    session.execute(insert(Silence).values(_values(clinic_id, patient_id, row, now)))


def _follow(session: Session, row: SilenceRow, run: plan.Run, cause: SilenceCause, now: datetime) -> None:
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
    session.execute(update(Silence).where(Silence.id == silence_id).values(**values))
