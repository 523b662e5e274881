"""Readings of many patients at once, and what they do to windows and silences.

Promises the same end as telling each reading alone (`silences.reading_arrived`),
in a handful of statements for the common case: days that nobody has missed. A
patient with a missed day or a silence in reach is decided anew, once.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TypeVar

from sqlalchemy import bindparam, or_, select, update
from sqlalchemy.orm import Session

from service.care.windows import ANSWERED, FOLLOWING, resettle
from service.domain.plan import WindowFacts, state_while_open
from service.domain.vocabulary import StepState, WindowState
from service.store import outbox
from service.store.slices import slices
from service.store.tables import Message, Silence, Step, Window

T = TypeVar("T")
AT_ONCE = 500  # names in one query's list: under every database's limit on parameters


@dataclass(frozen=True, slots=True)
class _Waiting:
    """A window that has no reading yet, for a date that has just got one."""

    id: uuid.UUID
    patient_id: uuid.UUID
    day: date
    state: WindowState
    wants_reading: bool
    wants_checkin: bool
    checkin_at: datetime | None

    def state_with_reading(self, at: datetime) -> WindowState:
        # An excused window stays excused; what came is noted in it all the same.
        paused = self.state is WindowState.EXCUSED
        return state_while_open(WindowFacts(self.wants_reading, self.wants_checkin, at, self.checkin_at, paused))


def readings_arrived(session: Session, arrived: Mapping[uuid.UUID, Collection[date]], now: datetime) -> None:
    """Readings of these patients' dates were recorded: mark windows, stop asking, end silences."""
    waiting = [window for some in slices(list(arrived)) for window in _waiting(session, some, arrived)]
    tangled = {window.patient_id for window in waiting if window.state is WindowState.MISSED}
    for some in slices(list(arrived)):
        tangled |= _silent(session, some, arrived)
    _mark(session, [window for window in waiting if window.patient_id not in tangled], now)
    for patient_id in sorted(tangled):
        days = list(arrived[patient_id])
        resettle(session, patient_id, now, around=days[0] if len(days) == 1 else None)


def _waiting(
    session: Session, patients: Sequence[uuid.UUID], arrived: Mapping[uuid.UUID, Collection[date]]
) -> list[_Waiting]:
    first, last = _ends(patients, arrived)
    rows = session.execute(
        select(
            Window.id,
            Window.patient_id,
            Window.local_date,
            Window.state,
            Window.wants_reading,
            Window.wants_checkin,
            Window.checkin_at,
        )
        .where(Window.patient_id.in_(patients), Window.local_date.between(first, last), Window.reading_at.is_(None))
        # Held in one order, so that none is closed as missed while the reading that answers it is being written.
        .order_by(Window.id)
        .with_for_update(key_share=True)
    )
    return [one for row in rows if (one := _Waiting(*row)).day in arrived[one.patient_id]]


def _silent(
    session: Session, patients: Sequence[uuid.UUID], arrived: Mapping[uuid.UUID, Collection[date]]
) -> set[uuid.UUID]:
    """Patients with a silence that these dates end, divide or touch."""
    first, _ = _ends(patients, arrived)
    rows = session.execute(
        select(Silence.patient_id, Silence.first_date, Silence.last_date, Silence.ended_at).where(
            Silence.patient_id.in_(patients),
            Silence.missed > 0,
            or_(Silence.ended_at.is_(None), Silence.last_date >= first),
        )
    )
    return {
        patient_id
        for patient_id, begun, latest, ended_at in rows
        if ended_at is None or any(begun <= day <= latest for day in arrived[patient_id])
    }


def _mark(session: Session, windows: Sequence[_Waiting], now: datetime) -> None:
    if not windows:
        return
    states = {window.id: window.state_with_reading(now) for window in windows}
    kept = [window.id for window in windows if states[window.id] is window.state]
    moved = [window.id for window in windows if states[window.id] is not window.state]
    connection = session.connection()
    if kept:
        connection.execute(_NOTE, [{"which": one, "at": now} for one in kept])
    if moved:
        connection.execute(_MOVE, [{"which": one, "at": now, "to": states[one]} for one in moved])
    answered = [one for one, state in states.items() if state is WindowState.ANSWERED]
    for some in slices(answered):
        session.execute(
            update(Step)
            .where(Step.window_id.in_(some), Step.state == StepState.PENDING)
            .values(state=StepState.CANCELLED, reason=ANSWERED, settled_at=now)
            .execution_options(synchronize_session=False)
        )
        about = Message.window_id.in_(some) & Message.kind.in_(FOLLOWING)
        outbox.cancel(session, about, ANSWERED, now)


_NOTE = (
    update(Window.__table__)  # type: ignore[arg-type]
    .where(Window.id == bindparam("which"))
    .values(reading_at=bindparam("at"))
)
_MOVE = (
    update(Window.__table__)  # type: ignore[arg-type]
    .where(Window.id == bindparam("which"))
    .values(reading_at=bindparam("at"), settled_at=bindparam("at"), state=bindparam("to"))
)


def _ends(patients: Sequence[uuid.UUID], arrived: Mapping[uuid.UUID, Collection[date]]) -> tuple[date, date]:
    return min(min(arrived[one]) for one in patients), max(max(arrived[one]) for one in patients)
