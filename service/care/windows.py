"""Windows, kept in step with what arrived, and the silences with them.

Promises that after any of these calls the patients' windows, pending steps and
silences say what the readings, check-ins and pauses say, in whatever order those
came. Part of the caller's transaction. Does not open or close windows by the clock.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from sqlalchemy import ColumnElement, ScalarSelect, and_, bindparam, exists, func, or_, select, true, update
from sqlalchemy.orm import InstrumentedAttribute, Session

from service.care import silences
from service.domain.plan import WindowFacts, state_at_close, state_while_open
from service.domain.vocabulary import MessageKind, PauseCause, StepState, WindowState
from service.store import outbox, panel
from service.store.counting import Counted, count
from service.store.histories import lasting
from service.store.identity import none_made_before
from service.store.ids import among_those, slices
from service.store.prepared import Prepared
from service.store.session import Where, columns_of, objects, rows
from service.store.tables import Checkin, Message, Pause, Reading, Silence, Step, Window

FOLLOWING = (MessageKind.PROMPT, MessageKind.REMINDER, MessageKind.NUDGE)
ANSWERED = "answered"
EXCUSED = "excused"


# --- something arrived ---------------------------------------------------------


def readings_arrived(where: Where, arrived: Mapping[uuid.UUID, Collection[date]], now: datetime) -> None:
    """Readings of these patients' dates were recorded: mark windows, stop asking, end silences.

    A handful of statements for the common case, days that nobody has missed. A
    patient with a missed day or a silence in reach is decided anew, once.
    """
    waiting: list[_StoredWindow] = []
    tangled: set[uuid.UUID] = set()
    for patients in slices(list(arrived)):
        waiting += _without_reading(where, patients, arrived)
        tangled |= _silent(where, patients, arrived)
    tangled |= {window.patient_id for window in waiting if window.state is WindowState.MISSED}
    answered = [replace(window, reading_at=now) for window in waiting if window.patient_id not in tangled]
    _mark(where, answered, now)
    for patient_id in sorted(tangled):
        days = list(arrived[patient_id])
        with objects(where) as session:
            resettle(session, patient_id, now, around=days[0] if len(days) == 1 else None)


def checkin_arrived(session: Session, patient_id: uuid.UUID, local_date: date, now: datetime) -> None:
    """A check-in of `local_date` was recorded: mark its window; a missed one's silence may have a new cause."""
    # Locked, so that it cannot be closed as missed while what answers it is being written.
    # KEY SHARE leaves room for the messages that only point at it; a stronger lock could deadlock with them.
    row = session.execute(_WINDOW_ON, {"patient": patient_id, "date": local_date}).first()
    window = None if row is None else _StoredWindow(**row._mapping)
    if window is None or window.checkin_at is not None:
        return
    if window.state is WindowState.MISSED:
        resettle(session, patient_id, now, around=local_date)
    else:
        _mark(session, [replace(window, checkin_at=now)], now)


def note_checkin(where: Where, window_id: uuid.UUID, now: datetime) -> bool:
    """Mark an open window that still waits for its reading, in one statement.

    False when the window is not such a one: `checkin_arrived` then says what follows.
    """
    return _NOTE_CHECKIN.changes(where, {"which": window_id, "at": now}) == 1


def resettle(session: Session, patient_id: uuid.UUID, now: datetime, around: date | None = None) -> None:
    """Decide the patient's windows anew from readings, check-ins and pauses, and bring the silences in line.

    Call it after a pause is recorded or ended, a reading is corrected or arrives
    late. With `around`, only between the readings on either side of that date:
    no change on one date can reach past those.
    """
    span = _Span() if around is None else _between_readings(session, patient_id, around)
    readings = _first_arrivals(session, patient_id, span, Reading, Reading.received_at)
    windows = _decide_anew(session, patient_id, span, readings, now)
    decided = [
        silences.ReadingWindow(window.id, window.day, window.state, window.checkin_at is not None)
        for window in windows
        if window.wants_reading
    ]
    breaks = set(readings) | ({span.before} if span.before else set())
    for first, last in silences.sync(session, patient_id, decided, breaks, (span.after, span.before), now):
        _stop_following(session, _windows_between(session, patient_id, first, last), now)
    panel.mark_stale(session, [patient_id], now)


def _stop_following(where: Where, windows: Sequence[uuid.UUID], now: datetime) -> None:
    """Cancel the pending steps and unsent messages of these windows: what they asked for has come."""
    if windows:
        _CANCEL_STEPS.changes(where, {"windows": windows, "since": none_made_before(windows), "at": now})
        _cancel_messages(where, windows, ANSWERED, now)


def _cancel_messages(where: Where, windows: Sequence[uuid.UUID], reason: str, now: datetime) -> None:
    if windows:
        given = {"windows": windows, "since": none_made_before(windows)}
        outbox.cancel(where, _CANCEL_FOLLOWING, reason, now, given)


# --- windows as they are stored ------------------------------------------------


@dataclass(frozen=True, slots=True)
class _StoredWindow:
    id: uuid.UUID
    patient_id: uuid.UUID
    day: date
    state: WindowState
    closes_at: datetime
    wants_reading: bool
    wants_checkin: bool
    reading_at: datetime | None
    checkin_at: datetime | None

    def facts(self, *, paused: bool) -> WindowFacts:
        return WindowFacts(self.wants_reading, self.wants_checkin, self.reading_at, self.checkin_at, paused)


_COLUMNS = columns_of(_StoredWindow, Window, day=Window.local_date)
# Built once: readings and check-ins pass here.
_WINDOW_ON = (
    select(*_COLUMNS)
    .where(Window.patient_id == bindparam("patient"), Window.local_date == bindparam("date"))
    .with_for_update(key_share=True)
)
_WRITE = (
    update(Window.__table__)  # type: ignore[arg-type]
    .where(Window.id == bindparam("which"))
    .values(state=bindparam("to"), reading_at=bindparam("reading"), checkin_at=bindparam("checkin"))
)
_SETTLE = _WRITE.values(settled_at=bindparam("at"))
_SETTLE_ONE = Prepared(_SETTLE)
_NOTE_CHECKIN = Prepared(
    update(Window.__table__)  # type: ignore[arg-type]
    .where(
        Window.id == bindparam("which"),
        Window.state == WindowState.OPEN,
        Window.wants_reading.is_(True),
        Window.checkin_at.is_(None),
    )
    .values(checkin_at=bindparam("at"))
)
_WITHOUT_READING = Prepared(
    select(*_COLUMNS)
    .where(
        among_those(Window.patient_id, "patients"),
        Window.local_date.between(bindparam("first"), bindparam("last")),
        Window.reading_at.is_(None),
    )
    # Held in one order, so that none is closed as missed while the reading that answers it is being written.
    .order_by(Window.id)
    .with_for_update(key_share=True)
)
_SILENT = Prepared(
    lasting(
        select(Silence.patient_id, Silence.first_date, Silence.last_date, Silence.ended_at).where(
            among_those(Silence.patient_id, "patients")
        ),
        bindparam("first"),
    )
)
# What follows is made with its window or after it: months of before are not looked into.
_SINCE = bindparam("since", type_=Window.id.type)
_CANCEL_STEPS = Prepared(
    update(Step.__table__)  # type: ignore[arg-type]
    .where(among_those(Step.window_id, "windows"), Step.id >= _SINCE, Step.state == StepState.PENDING)
    .values(state=StepState.CANCELLED, reason=ANSWERED, settled_at=bindparam("at"))
)
_CANCEL_FOLLOWING = outbox.cancelling(
    among_those(Message.window_id, "windows")
    & (Message.id >= _SINCE)
    & or_(*(Message.kind == one for one in FOLLOWING))
)


def _without_reading(
    where: Where, patients: Sequence[uuid.UUID], arrived: Mapping[uuid.UUID, Collection[date]]
) -> list[_StoredWindow]:
    """The windows of these dates that have no reading yet."""
    first = min(min(arrived[patient]) for patient in patients)
    last = max(max(arrived[patient]) for patient in patients)
    found = _WITHOUT_READING.all(where, {"patients": patients, "first": first, "last": last})
    return [_StoredWindow(*row) for row in found if row.day in arrived[row.patient_id]]


def _silent(
    where: Where, patients: Sequence[uuid.UUID], arrived: Mapping[uuid.UUID, Collection[date]]
) -> set[uuid.UUID]:
    """Patients with a silence that these dates end, divide or touch."""
    first = min(min(arrived[patient]) for patient in patients)
    found = _SILENT.all(where, {"patients": patients, "first": first})
    return {
        row.patient_id
        for row in found
        if row.ended_at is None or any(row.first_date <= day <= row.last_date for day in arrived[row.patient_id])
    }


def _mark(where: Where, windows: Sequence[_StoredWindow], now: datetime) -> None:
    """Write windows in which something was just noted."""
    # An excused window stays excused; what came is noted in it all the same.
    decided = [
        (window, state_while_open(window.facts(paused=window.state is WindowState.EXCUSED))) for window in windows
    ]
    _write(where, decided, now)
    _stop_following(where, [window.id for window, state in decided if state is WindowState.ANSWERED], now)


def _write(where: Where, decided: Sequence[tuple[_StoredWindow, WindowState]], now: datetime) -> None:
    """Write these windows with the states they have now, and when those that moved were settled."""
    same, moved = [], []
    for window, state in decided:
        values = {"which": window.id, "to": state, "reading": window.reading_at, "checkin": window.checkin_at}
        if state is window.state:
            same.append(values)
        else:
            moved.append(values | {"at": None if state is WindowState.OPEN else now})
    if same:
        rows(where).execute(_WRITE, same)
    if len(moved) == 1:
        _SETTLE_ONE.changes(where, moved[0])
    elif moved:
        rows(where).execute(_SETTLE, moved)


def write_closed(session: Session, closed: Sequence[tuple[silences.ClosingWindow, WindowState]], now: datetime) -> None:
    """Write windows that were open with the states in which they have ended."""
    values = [
        {"which": window.id, "to": state, "reading": window.reading_at, "checkin": window.checkin_at, "at": now}
        for window, state in closed
    ]
    if values:
        session.connection().execute(_SETTLE, values)
        count(session.connection(), Counted.WINDOWS, (state.value for _, state in closed))


# --- all windows between two readings -------------------------------------------


@dataclass(frozen=True)
class _Span:
    """The dates between two readings, both left out; None is without end."""

    after: date | None = None
    before: date | None = None

    def holds(self, column: InstrumentedAttribute[date]) -> ColumnElement[bool]:
        conditions: list[ColumnElement[bool]] = [true()]
        if self.after is not None:
            conditions.append(column > self.after)
        if self.before is not None:
            conditions.append(column < self.before)
        return and_(*conditions)


def _between_readings(session: Session, patient_id: uuid.UUID, day: date) -> _Span:
    def nearest(pick: Any, condition: ColumnElement[bool]) -> date | None:
        return session.scalar(
            select(pick(Reading.local_date)).where(
                Reading.patient_id == patient_id, Reading.superseded_at.is_(None), condition
            )
        )

    return _Span(nearest(func.max, Reading.local_date < day), nearest(func.min, Reading.local_date > day))


def _first_arrivals(
    session: Session,
    patient_id: uuid.UUID,
    span: _Span,
    table: type[Reading] | type[Checkin],
    at: InstrumentedAttribute[datetime],
) -> dict[date, datetime]:
    query = select(table.local_date, func.min(at)).where(
        table.patient_id == patient_id, table.superseded_at.is_(None), span.holds(table.local_date)
    )
    return dict(session.execute(query.group_by(table.local_date)).all())


def pauses(session: Session, patient_id: uuid.UUID) -> list[tuple[date, date]]:
    """The first and last dates of the patient's pauses, the earliest first; `date.max` where it is until told."""
    theirs = (Pause.patient_id == patient_id, Pause.cancelled_at.is_(None))
    found = session.execute(select(Pause.from_date, Pause.to_date).where(*theirs).order_by(Pause.from_date))
    return [(first, last or date.max) for first, last in found]


def _decide_anew(
    session: Session, patient_id: uuid.UUID, span: _Span, readings: Mapping[date, datetime], now: datetime
) -> list[_StoredWindow]:
    """The patient's windows in the span as they are now; those that changed are written."""
    checkins = _first_arrivals(session, patient_id, span, Checkin, Checkin.answered_at)
    paused = pauses(session, patient_id)
    found = session.execute(
        select(*_COLUMNS)
        .where(Window.patient_id == patient_id, span.holds(Window.local_date))
        .order_by(Window.local_date)
    )
    decided, changed = [], []
    for was in [_StoredWindow(**row._mapping) for row in found]:
        window = replace(was, reading_at=readings.get(was.day), checkin_at=checkins.get(was.day))
        facts = window.facts(paused=any(first <= window.day <= last for first, last in paused))
        # What was missed stays over, even when the machine's clock was set back since.
        is_over = was.closes_at <= now or was.state is WindowState.MISSED
        state = state_at_close(facts) if is_over else state_while_open(facts)
        if window != was or state is not was.state:
            changed.append((window, state))
        decided.append(replace(window, state=state))
    _write(session, changed, now)
    _stop_following(session, [window.id for window, state in changed if state is WindowState.ANSWERED], now)
    _cancel_messages(session, [window.id for window, state in changed if state is WindowState.EXCUSED], EXCUSED, now)
    return decided


def _windows_between(session: Session, patient_id: uuid.UUID, first: date, last: date) -> list[uuid.UUID]:
    return list(
        session.scalars(
            select(Window.id).where(Window.patient_id == patient_id, Window.local_date.between(first, last))
        )
    )


# --- conditions on what has arrived for a date, for queries over many patients ---

PatientId = InstrumentedAttribute[uuid.UUID]
Day = InstrumentedAttribute[date]


def first_reading(patient_id: PatientId, day: Day) -> ScalarSelect[datetime]:
    """When the first reading of that date was received; null when there is none."""
    return (
        select(func.min(Reading.received_at))
        .where(Reading.patient_id == patient_id, Reading.local_date == day, Reading.superseded_at.is_(None))
        .scalar_subquery()
    )


def first_checkin(patient_id: PatientId, day: Day) -> ScalarSelect[datetime]:
    """When the check-in of that date was answered; null when there is none."""
    return (
        select(func.min(Checkin.answered_at))
        .where(Checkin.patient_id == patient_id, Checkin.local_date == day, Checkin.superseded_at.is_(None))
        .scalar_subquery()
    )


def later_reading(patient_id: PatientId, day: Day) -> ColumnElement[bool]:
    """Whether there is a reading of a later date."""
    return exists().where(Reading.patient_id == patient_id, Reading.local_date > day, Reading.superseded_at.is_(None))


def is_paused(patient_id: PatientId, day: Day) -> ColumnElement[bool]:
    """Whether a pause covers that date."""
    return exists().where(covering(patient_id, day))


def covering(patient_id: PatientId | uuid.UUID, day: Day | date) -> ColumnElement[bool]:
    """Whether a pause is one of this patient's that covers that date."""
    return and_(
        Pause.patient_id == patient_id,
        Pause.cancelled_at.is_(None),
        Pause.from_date <= day,
        or_(Pause.to_date.is_(None), Pause.to_date >= day),
    )


def left_hospital(patient_id: PatientId, day: Day) -> ScalarSelect[date | None]:
    """The last day of the newest hospital stay that was over before that date; null when there was none."""
    return (
        select(func.max(Pause.to_date))
        .where(
            Pause.patient_id == patient_id,
            Pause.cancelled_at.is_(None),
            Pause.cause == PauseCause.IN_HOSPITAL,
            Pause.to_date < day,
        )
        .scalar_subquery()
    )
