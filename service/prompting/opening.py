"""Open the windows whose time has come."""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Engine, Select, bindparam, case, func, not_, select, update
from sqlalchemy.orm import Session

from service.care import windows
from service.domain import pace, steps
from service.domain.tally import Tally
from service.domain.vocabulary import WindowState
from service.prompting.acting import carry_out, decide_all
from service.prompting.facts import quiet_length
from service.prompting.stepping import settled
from service.prompting.working_out import Batch, ClinicFacts, DuePlan, Record, work_out
from service.store.agenda import ACTIVE_PLANS
from service.store.audit import SYSTEM, write_line
from service.store.guarded import Work, Written, work_off
from service.store.quarantine import is_quarantined
from service.store.tables import Clinic, Patient, Plan, Step, Window
from service.store.upsert import insert_rows

MOVE_ON = (
    update(Plan.__table__)  # type: ignore[arg-type]
    .where(Plan.id == bindparam("plan"))
    .values(next_date=bindparam("day"), next_open_at=bindparam("at"), active=bindparam("goes_on"))
)


def open_windows(engine: Engine, now: datetime, limit: int = 1000) -> Tally:
    """Open every window due at `now` (UTC), `limit` to a transaction, and take the steps that fall due with it.

    1. Choose active plans whose `next_open_at` has come, locked against other workers.
    2. Work out each plan's window, frozen steps and next date, one guard per plan.
       What has come early is noted; a date inside a pause opens excused; steps of
       a window that is over already are passed as stale, all but the clinic's own.
    3. Decide the steps due at once (as a rule the prompt), in memory.
    4. Write windows, steps, messages and the plans' next dates in one transaction.
    After days without a worker this repeats, a date at a time, until every plan is caught up.
    """
    work = Work(
        "plan", lambda s: _has_due(s, now), lambda s, only: _load(s, only, now, limit), lambda s, d: _open(s, d, now)
    )
    return work_off(engine, work, now)


def _due(now: datetime) -> Select[uuid.UUID]:
    return select(Plan.id).where(ACTIVE_PLANS, Plan.next_open_at <= now, not_(is_quarantined("plan", Plan.id)))


def _has_due(session: Session, now: datetime) -> bool:
    return session.execute(_due(now).limit(1)).first() is not None


def _load(session: Session, only: uuid.UUID | None, now: datetime, limit: int) -> list[DuePlan]:
    query: Select[*tuple[Any, ...]] = (
        _due(now)
        .join(Patient, Patient.id == Plan.patient_id)
        .outerjoin(Window, (Window.patient_id == Plan.patient_id) & (Window.local_date == Plan.next_date))
        .with_only_columns(
            Plan.id,
            Plan.clinic_id,
            Plan.patient_id,
            Plan.weekdays,
            Plan.opens,
            Plan.due,
            Plan.closes,
            Plan.wants_reading,
            Plan.wants_checkin,
            Plan.steps,
            Plan.silent_days,
            Plan.next_date,
            Patient.zone,
            Patient.state,
            Patient.enrolled_at,
            windows.left_hospital(Plan.patient_id, Plan.next_date),
            Window.id,
            windows.first_reading(Plan.patient_id, Plan.next_date),
            windows.first_checkin(Plan.patient_id, Plan.next_date),
            windows.is_paused(Plan.patient_id, Plan.next_date),
        )
        .order_by(Plan.next_open_at)
        .limit(limit)
        .with_for_update(of=Plan, skip_locked=True, key_share=True)
    )
    if only is not None:
        query = query.where(Plan.id == only)
    return [DuePlan(*row) for row in session.connection().execute(query)]


def _open(session: Session, plans: Sequence[DuePlan], now: datetime) -> Written:
    clinics = _clinics(session, {due.clinic_id for due in plans})
    records = _records(session, plans)
    batch = Batch()
    written = Written()
    for due in plans:
        try:
            work_out(due, clinics[due.clinic_id], records.get(due.patient_id, Record()), batch, now)
        except Exception as error:
            written.failed.append((due.id, error))
    _write(session, batch, now)
    written.done = len(batch.windows)
    written.passed = len(batch.moves) - len(batch.windows)
    return written


def _clinics(session: Session, ids: set[uuid.UUID]) -> dict[uuid.UUID, ClinicFacts]:
    rows = session.execute(
        select(Clinic.id, Clinic.steps, Clinic.silent_days, Clinic.quiet_from, Clinic.quiet_until).where(
            Clinic.id.in_(ids)
        )
    )
    return {row[0]: ClinicFacts(steps.from_json(row[1]), row[2], quiet_length(row[3], row[4])) for row in rows}


def _records(session: Session, plans: Sequence[DuePlan]) -> dict[uuid.UUID, Record]:
    first = min(due.day for due in plans) - pace.LOOKED_AT
    missed = Window.state == WindowState.MISSED
    answered = func.sum(case((Window.state == WindowState.ANSWERED, 1), else_=0))
    rows = session.connection().execute(
        select(
            Window.patient_id,
            answered,
            answered + func.sum(case((missed, 1), else_=0)),
            func.max(case((missed, Window.local_date))),
        )
        .where(
            Window.patient_id.in_([due.patient_id for due in plans if due.steps is None]),
            Window.local_date >= first,
            Window.wants_reading,
        )
        .group_by(Window.patient_id)
    )
    return {row[0]: Record(*row[1:]) for row in rows}


def _write(session: Session, batch: Batch, now: datetime) -> None:
    outcome = decide_all(session, batch.due, now)
    at = {row["id"]: place for place, row in enumerate(batch.steps)}
    for step, decision in outcome.decided:
        row = batch.steps[at[step.id]]
        row.update(state=settled(decision), reason=decision.reason.value, settled_at=now)
        if decision.moves_up_next:
            following = batch.steps[at[step.id] + 1]
            following["due_at"] = steps.moved_up_to(following["kind"], step.closes_at, now)
    if batch.windows:
        # In this order: steps point at windows, and messages at both.
        insert_rows(session, Window.__table__, batch.windows)
        insert_rows(session, Step.__table__, batch.steps)
        carry_out(session, outcome, now)
        for clinic_id, count in Counter(row["clinic_id"] for row in batch.windows).items():
            write_line(
                session,
                SYSTEM,
                "windows.open",
                ("clinic", clinic_id),
                now,
                clinic_id=clinic_id,
                detail={"windows": count},
            )
    if batch.moves:
        session.connection().execute(MOVE_ON, batch.moves)
