"""Take the follow-up steps that are due."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Engine, Select, and_, bindparam, exists, func, not_, select, update
from sqlalchemy.orm import Session, aliased

from service.care import windows
from service.domain import pace, steps
from service.domain.steps import Act, Decision
from service.domain.tally import Tally
from service.domain.vocabulary import PatientState, StepKind, StepState, WindowState
from service.domain.windows import WindowFacts
from service.prompting.acting import carry_out, decide_all
from service.prompting.facts import DueStep, quiet_length
from service.store.agenda import OPEN_WINDOWS, PENDING_STEPS
from service.store.guarded import Work, Written, work_off
from service.store.quarantine import is_quarantined
from service.store.tables import Clinic, Patient, Plan, Step, Window

SETTLE = (
    update(Step.__table__)  # type: ignore[arg-type]
    .where(Step.id == bindparam("step"))
    .values(state=bindparam("new_state"), reason=bindparam("why"), settled_at=bindparam("at"))
)


def take_steps(engine: Engine, now: datetime, limit: int = 1000) -> Tally:
    """Take every follow-up step due at `now` (UTC), `limit` to a transaction.

    1. Choose pending steps that are due, locked against other workers. A window
       that should have closed by now is closed first (watching), because what
       follows depends on whether it was missed: its steps wait.
    2. Decide each from facts, with a named reason.
    3. Write messages, tasks and the steps' ends in the same transaction. After an
       empty step the next one is due at once, and is taken in the next batch.
    """
    work = Work(
        "step", lambda s: _has_due(s, now), lambda s, only: _load(s, only, now, limit), lambda s, d: _take(s, d, now)
    )
    return work_off(engine, work, now)


def settled(decision: Decision) -> StepState:
    """The state in which a decided step ends."""
    return StepState.PASSED if decision.act is Act.PASS else StepState.DONE


def _due(now: datetime) -> Select[uuid.UUID]:
    closing_first = and_(OPEN_WINDOWS, Window.closes_at <= now)
    return (
        select(Step.id)
        .join(Window, Window.id == Step.window_id)
        .where(PENDING_STEPS, Step.due_at <= now, not_(closing_first), not_(is_quarantined("step", Step.id)))
    )


def _has_due(session: Session, now: datetime) -> bool:
    return session.execute(_due(now).limit(1)).first() is not None


def _load(session: Session, only: uuid.UUID | None, now: datetime, limit: int) -> list[DueStep]:
    later = aliased(Step)
    kinds = [StepKind.PROMPT, StepKind.REMINDER]
    later_is_due = exists().where(
        later.window_id == Step.window_id,
        later.position > Step.position,
        later.state == StepState.PENDING,
        later.due_at <= now,
        Step.kind.in_(kinds) == later.kind.in_(kinds),
        later.kind != StepKind.TASK,
    )
    query: Select[*tuple[Any, ...]] = (
        _due(now)
        .outerjoin(Plan, Plan.patient_id == Step.patient_id)
        .join(Clinic, Clinic.id == Step.clinic_id)
        .join(Patient, Patient.id == Step.patient_id)
        .with_only_columns(
            Step.id,
            Step.kind,
            Step.position,
            Step.due_at,
            Step.clinic_id,
            Step.patient_id,
            Step.window_id,
            Window.local_date,
            Window.closes_at,
            Window.wants_reading,
            Window.wants_checkin,
            Window.state,
            func.coalesce(Window.reading_at, windows.first_reading(Window.patient_id, Window.local_date)),
            func.coalesce(Window.checkin_at, windows.first_checkin(Window.patient_id, Window.local_date)),
            later_is_due,
            Clinic.silent_days,
            Clinic.quiet_from,
            Clinic.quiet_until,
            Patient.state,
            Window.pace,
            Plan.silent_days,
        )
        .order_by(Step.due_at, Step.window_id, Step.position)
        .limit(limit)
        .with_for_update(of=Step, skip_locked=True, key_share=True)
    )
    if only is not None:
        query = query.where(Step.id == only)
    return [_due_step(row) for row in session.execute(query)]


def _due_step(row: Any) -> DueStep:
    # Nothing more is asked of, or about, a patient whose care here has ended.
    nothing_expected = row[11] is WindowState.EXCUSED or row[18] is PatientState.ENDED
    return DueStep(
        id=row[0],
        kind=row[1],
        position=row[2],
        due_at=row[3],
        clinic_id=row[4],
        patient_id=row[5],
        window_id=row[6],
        local_date=row[7],
        closes_at=row[8],
        window=WindowFacts(row[9], row[10], row[12], row[13], paused=nothing_expected),
        later_is_due=row[14],
        silent_days=row[20] or pace.silent_days(row[15], row[19]),  # set for one patient, it is the last word
        quiet=quiet_length(row[16], row[17]),
    )


def _take(session: Session, due: Sequence[DueStep], now: datetime) -> Written:
    outcome = decide_all(session, due, now)
    carry_out(session, outcome, now)
    if outcome.decided:
        session.connection().execute(
            SETTLE,
            [
                {"step": step.id, "new_state": settled(decision), "why": decision.reason.value, "at": now}
                for step, decision in outcome.decided
            ],
        )
    for step, decision in outcome.decided:
        if decision.moves_up_next:
            _move_up_next(session, step, now)
    passed = sum(decision.act is Act.PASS for _, decision in outcome.decided)
    return Written(len(outcome.decided) - passed, passed, outcome.failed)


def _move_up_next(session: Session, step: DueStep, now: datetime) -> None:
    following = session.execute(
        select(Step.id, Step.kind, Step.due_at)
        .where(Step.window_id == step.window_id, Step.position > step.position, Step.state == StepState.PENDING)
        .order_by(Step.position)
        .limit(1)
    ).first()
    if following is None:
        return
    due_at = steps.moved_up_to(following.kind, step.closes_at, now)
    if due_at < following.due_at:
        session.execute(
            update(Step)
            .where(Step.id == following.id)
            .values(due_at=due_at)
            .execution_options(synchronize_session=False)
        )
