"""Raise what the record makes due for staff on the day that it falls due where the patient lives."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Engine, select, text
from sqlalchemy.orm import Session

from service.care import dues
from service.store.guarded import Due, Tally, Work, Written, work_off
from service.store.quarantine import is_quarantined
from service.store.tables import Patient

# A literal, not a parameter: a partial index serves only a query that provably asks for its part.
FALLS_DUE = text("patients.dues_at IS NOT NULL")


@dataclass(frozen=True, slots=True)
class _FallsDue:
    id: uuid.UUID


def raise_due(engine: Engine, now: datetime, limit: int = 200) -> Tally:
    """Settle every patient of whom something falls due by `now` (UTC), `limit` to a transaction."""
    due = select(Patient.id).where(FALLS_DUE, Patient.dues_at <= now, ~is_quarantined("record", Patient.id))
    return work_off(engine, Work("record", due, _load, lambda s, rows: _write(s, rows, now), limit), now)


def _load(session: Session, due: Due) -> Sequence[_FallsDue]:
    query = due.order_by(Patient.id).with_for_update(skip_locked=True, key_share=True)
    return [_FallsDue(patient_id) for patient_id in session.scalars(query)]


def _write(session: Session, rows: Sequence[_FallsDue], now: datetime) -> Written:
    raised = dues.settle(session, [row.id for row in rows], now)
    return Written(raised, len(rows) - min(raised, len(rows)))
