"""Close the windows whose end has come, and put what was missed into the patients' silences.

A window is closed from what is recorded for its date, not from what it was told: on
PostgreSQL a reading may be written while its window is being opened.
"""

from __future__ import annotations

import uuid
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Engine, Select, func, not_, or_, select
from sqlalchemy.orm import Session

from service.care import silences, windows
from service.domain.plan import state_at_close
from service.domain.vocabulary import PatientState, WindowState
from service.store import panel
from service.store.audit import SYSTEM, Act
from service.store.due import OPEN_WINDOWS
from service.store.guarded import Due, Tally, Work, Written, work_off
from service.store.quarantine import is_quarantined
from service.store.session import columns_of
from service.store.tables import Patient, Window


def close_windows(engine: Engine, now: datetime, limit: int = 1000) -> Tally:
    """Close every window whose end has come at `now` (UTC), `limit` to a transaction.

    1. Choose open windows past their end, locked against other workers and against
       readings being recorded for them.
    2. Decide each from what is recorded for its date, not only from what it was told:
       a reading written while the window was being opened counts.
    3. Put the missed readings into the patients' silences, each with its cause.
    4. Write windows and silences, and mark the review's rows stale, in one transaction.
    """
    work = Work("window", _due(now), _load, lambda session, due: _close(session, due, now), limit)
    return work_off(engine, work, now)


@dataclass(frozen=True)
class _DueWindow(silences.ClosingWindow):
    """Its date counts as paused also where the patient's care here has ended: nothing is expected either way."""

    overtaken: bool  # a reading of a later date is there already


def _due(now: datetime) -> Due:
    return select(Window.id).where(OPEN_WINDOWS, Window.closes_at <= now, not_(is_quarantined("window", Window.id)))


def _load(session: Session, due: Due) -> list[_DueWindow]:
    date_of = Window.patient_id, Window.local_date
    query: Select[*tuple[Any, ...]] = (
        due.with_only_columns(
            *columns_of(
                _DueWindow,
                Window,
                day=Window.local_date,
                reading_at=func.coalesce(Window.reading_at, windows.first_reading(*date_of)),
                checkin_at=func.coalesce(Window.checkin_at, windows.first_checkin(*date_of)),
                paused=or_(windows.is_paused(*date_of), Patient.state == PatientState.ENDED),
                overtaken=windows.later_reading(*date_of),
            )
        )
        .join(Patient, Patient.id == Window.patient_id)
        .order_by(Window.closes_at, Window.local_date)
        .with_for_update(of=Window, skip_locked=True, key_share=True)
    )
    return [_DueWindow(**row) for row in session.execute(query).mappings()]


def _close(session: Session, due: Sequence[_DueWindow], now: datetime) -> Written:
    written = Written()
    closed: list[tuple[_DueWindow, WindowState]] = []
    for window in due:
        try:
            closed.append((window, state_at_close(window)))
        except Exception as error:
            written.failed.append((window.id, error))
    missed = [window for window, state in closed if state is WindowState.MISSED and window.wants_reading]
    windows.write_closed(session, closed, now)
    silences.add_missed(session, [window for window in missed if not window.overtaken], now)
    for window in missed:
        if window.overtaken:  # closed late: it belongs before a reading, not after the last one
            windows.resettle(session, window.patient_id, now, around=window.day)
    days: dict[uuid.UUID, set[date]] = defaultdict(set)
    for window, _ in closed:
        days[window.patient_id].add(window.day)
    panel.mark_days(session, days, now)
    for clinic_id, count in Counter(window.clinic_id for window, _ in closed).items():
        Act(session, SYSTEM, clinic_id, now).note("windows.close", ("clinic", clinic_id), windows=count)
    written.done = len(closed)
    return written
