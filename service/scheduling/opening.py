"""Open the windows whose time has come: from a due plan to its window, frozen steps and next date.

A plan that is replaced while no worker runs still opens today's window, late, under the new
hours, as long as those last. What they have left behind is not opened in the past: nobody was
asked, and nobody can be any more.
"""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from typing import Any

from sqlalchemy import Engine, Select, bindparam, case, func, not_, select, update
from sqlalchemy.orm import Session

from service.care.windows import first_checkin, first_reading, is_paused, left_hospital
from service.domain import localtime, plan, steps
from service.domain.plan import PlanRule, WindowFacts, WindowTimes, state_while_open, window_times
from service.domain.record import rules as record_rules
from service.domain.steps import PaceFacts, StepReason, StepRule
from service.domain.vocabulary import Pace, PatientState, StepKind, StepState, WindowState
from service.scheduling.steps import TO_PATIENT, DueStep, carry_out, decide_all, quiet_length, settled
from service.store.audit import SYSTEM, Act
from service.store.due import ACTIVE_PLANS
from service.store.guarded import Due, Tally, Work, Written, work_off
from service.store.identity import new_id
from service.store.quarantine import is_quarantined
from service.store.session import columns_of
from service.store.tables import Clinic, Patient, Plan, Step, Window
from service.store.upsert import insert_rows


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
    work = Work("plan", _due(now), _load, lambda s, rows: _open(s, rows, now), limit)
    return work_off(engine, work, now)


# --- what is due -----------------------------------------------------------------------------


@dataclass(frozen=True)
class DuePlan(WindowFacts):
    """A plan whose next window is due, with what is known of its patient and of that date's window."""

    id: uuid.UUID
    clinic_id: uuid.UUID
    patient_id: uuid.UUID
    weekdays: int
    opens: time
    due: time
    closes: time
    phases: list[Any] | None
    steps: list[Any] | None
    silent_days: int | None
    day: date
    zone: str
    patient_state: PatientState
    enrolled_at: datetime
    left_hospital_on: date | None  # last day of the newest stay that is over
    window_id: uuid.UUID | None  # when that date was opened before, in another zone


def _due(now: datetime) -> Due:
    return select(Plan.id).where(ACTIVE_PLANS, Plan.next_open_at <= now, not_(is_quarantined("plan", Plan.id)))


def _load(session: Session, due: Due) -> list[DuePlan]:
    query: Select[*tuple[Any, ...]] = (
        due.join(Patient, Patient.id == Plan.patient_id)
        .outerjoin(Window, (Window.patient_id == Plan.patient_id) & (Window.local_date == Plan.next_date))
        .with_only_columns(
            *columns_of(
                DuePlan,
                Plan,
                day=Plan.next_date,
                zone=Patient.zone,
                patient_state=Patient.state,
                enrolled_at=Patient.enrolled_at,
                left_hospital_on=left_hospital(Plan.patient_id, Plan.next_date),
                window_id=Window.id,
                reading_at=first_reading(Plan.patient_id, Plan.next_date),
                checkin_at=first_checkin(Plan.patient_id, Plan.next_date),
                paused=is_paused(Plan.patient_id, Plan.next_date),
            )
        )
        .order_by(Plan.next_open_at)
        .with_for_update(of=Plan, skip_locked=True, key_share=True)
    )
    return [DuePlan(**row) for row in session.connection().execute(query).mappings()]


# --- what is known beside it -----------------------------------------------------------------


@dataclass(frozen=True)
class ClinicFacts:
    steps: tuple[StepRule, ...]
    silent_days: int
    again: timedelta
    quiet: timedelta
    closer_after_stay: timedelta


@dataclass(frozen=True)
class AnswerRecord:
    """How a patient has answered lately: reading windows of the last `steps.LOOKED_AT`."""

    answered: int = 0
    expected: int = 0
    last_missed: date | None = None


def _clinics(session: Session, ids: set[uuid.UUID]) -> dict[uuid.UUID, ClinicFacts]:
    rows = session.execute(
        select(
            Clinic.id,
            Clinic.steps,
            Clinic.silent_days,
            Clinic.silent_again_days,
            Clinic.quiet_from,
            Clinic.quiet_until,
            Clinic.record_rules,
        ).where(Clinic.id.in_(ids))
    )
    return {
        row.id: ClinicFacts(
            steps.from_json(row.steps),
            row.silent_days,
            timedelta(days=row.silent_again_days),
            quiet_length(row.quiet_from, row.quiet_until),
            timedelta(days=record_rules.from_json(row.record_rules).aftercare.closer_days),
        )
        for row in rows
    }


def _records(session: Session, plans: Sequence[DuePlan]) -> dict[uuid.UUID, AnswerRecord]:
    first = min(due.day for due in plans) - steps.LOOKED_AT
    missed = Window.state == WindowState.MISSED
    answered = func.sum(case((Window.state == WindowState.ANSWERED, 1), else_=0))
    rows = session.connection().execute(
        select(
            Window.patient_id,
            answered.label("answered"),
            (answered + func.sum(case((missed, 1), else_=0))).label("expected"),
            func.max(case((missed, Window.local_date))).label("last_missed"),
        )
        .where(
            Window.patient_id.in_([due.patient_id for due in plans if due.steps is None]),
            Window.local_date >= first,
            Window.wants_reading,
        )
        .group_by(Window.patient_id)
    )
    return {row.patient_id: AnswerRecord(row.answered, row.expected, row.last_missed) for row in rows}


# --- from a due plan to its rows: pure -------------------------------------------------------


@dataclass
class Batch:
    """Rows to write: windows, their steps, the plans' next dates; and the steps that are due at once."""

    windows: list[dict[str, Any]] = field(default_factory=list)
    steps: list[dict[str, Any]] = field(default_factory=list)
    moves: list[dict[str, Any]] = field(default_factory=list)
    due: list[DueStep] = field(default_factory=list)
    days: dict[object, _Day] = field(default_factory=dict)


@dataclass(frozen=True)
class _Day:
    """A window's times and steps, and the plan's next date: the same for all who share rule, zone and date."""

    times: WindowTimes
    steps: tuple[tuple[int, StepKind, datetime], ...]
    next_date: date
    next_open_at: datetime


def _open(session: Session, plans: Sequence[DuePlan], now: datetime) -> Written:
    clinics = _clinics(session, {due.clinic_id for due in plans})
    records = _records(session, plans)
    batch = Batch()
    written = Written()
    for due in plans:
        try:
            work_out(due, clinics[due.clinic_id], records.get(due.patient_id, AnswerRecord()), batch, now)
        except Exception as error:
            written.failed.append((due.id, error))
    _write(session, batch, now)
    written.done = len(batch.windows)
    written.passed = len(batch.moves) - len(batch.windows)
    return written


def work_out(due: DuePlan, clinic: ClinicFacts, record: AnswerRecord, batch: Batch, now: datetime) -> None:
    """Add to `batch` what opening this plan's window comes to. Raises Refused for a plan that cannot be read."""
    rules = clinic.steps if due.steps is None else steps.from_json(due.steps)
    followed = _pace(due, clinic, record)
    phases = plan.phases_from_json(due.phases)
    key = (due.zone, due.day, due.weekdays, due.opens, due.due, due.closes, phases, rules, followed)
    day = batch.days.get(key)
    if day is None:
        rule = PlanRule(due.weekdays, due.opens, due.due, due.closes, due.wants_reading, due.wants_checkin, phases)
        day = batch.days[key] = _day(due, rule, rules, followed)
    goes_on = due.patient_state is PatientState.ACTIVE
    if goes_on and due.window_id is None:
        window_id = new_id()
        rows, ready = _frozen_steps(due, clinic, day, window_id, now)
        batch.windows.append(_window(due, day.times, followed, window_id, now))
        batch.steps.extend(rows)
        batch.due.extend(ready)
    batch.moves.append({"plan": due.id, "day": day.next_date, "at": day.next_open_at, "goes_on": goes_on})


def _pace(due: DuePlan, clinic: ClinicFacts, record: AnswerRecord) -> Pace | None:
    if due.steps is not None:
        return None  # staff have set this patient's steps by hand: theirs is the last word
    return steps.choose_pace(
        PaceFacts(
            due.day,
            localtime.local_date(due.enrolled_at, due.zone),
            due.left_hospital_on,
            record.answered,
            record.expected,
            record.last_missed,
            clinic.closer_after_stay,
        )
    )


def _day(due: DuePlan, rule: PlanRule, rules: tuple[StepRule, ...], followed: Pace | None) -> _Day:
    zone = localtime.zone(due.zone)
    times = window_times(rule, due.day, zone)
    following = plan.next_date(rule, due.day, zone)
    return _Day(
        times,
        steps.at_pace(steps.freeze(rules, times), times, followed),
        following,
        localtime.first_instant(following, due.opens, zone),
    )


def _window(
    due: DuePlan, times: WindowTimes, followed: Pace | None, window_id: uuid.UUID, now: datetime
) -> dict[str, Any]:
    state = state_while_open(due)
    return {
        "id": window_id,
        "clinic_id": due.clinic_id,
        "patient_id": due.patient_id,
        "local_date": due.day,
        "zone": due.zone,
        "opens_at": times.opens_at,
        "due_at": times.due_at,
        "closes_at": times.closes_at,
        "wants_reading": due.wants_reading,
        "wants_checkin": due.wants_checkin,
        "state": state,
        "reading_at": due.reading_at,
        "checkin_at": due.checkin_at,
        "settled_at": None if state is WindowState.OPEN else now,
        "pace": followed,
    }


def _frozen_steps(
    due: DuePlan, clinic: ClinicFacts, day: _Day, window_id: uuid.UUID, now: datetime
) -> tuple[list[dict[str, Any]], list[DueStep]]:
    is_over = day.times.closes_at <= now
    shared = {
        "clinic_id": due.clinic_id,
        "window_id": window_id,
        "patient_id": due.patient_id,
        "state": StepState.PENDING,
        "reason": None,
        "settled_at": None,
    }
    rows: list[dict[str, Any]] = []
    ready: list[DueStep] = []
    for position, kind, due_at in day.steps:
        step_id = new_id()
        row = {**shared, "id": step_id, "position": position, "kind": kind, "due_at": due_at}
        if is_over and kind is not StepKind.TASK:
            # Nobody was asked while it was open, so nobody is reminded or alarmed about it now;
            # but the clinic's own step stays, because a silence that began unseen must still be told.
            row.update(state=StepState.PASSED, reason=StepReason.STALE.value, settled_at=now)
        rows.append(row)
        if due_at <= now and not is_over and kind in TO_PATIENT:
            ready.append(
                DueStep(
                    id=step_id,
                    kind=kind,
                    position=position,
                    due_at=due_at,
                    clinic_id=due.clinic_id,
                    patient_id=due.patient_id,
                    window_id=window_id,
                    local_date=due.day,
                    closes_at=day.times.closes_at,
                    window=due,
                    later_is_due=False,
                    silent_days=due.silent_days or clinic.silent_days,
                    again=clinic.again,
                    quiet=clinic.quiet,
                )
            )
    # Those before the last one to the patient have been overtaken.
    ready[:-1] = [replace(step, later_is_due=True) for step in ready[:-1]]
    return rows, ready


# --- write -----------------------------------------------------------------------------------

MOVE_ON = (
    update(Plan.__table__)  # type: ignore[arg-type]
    .where(Plan.id == bindparam("plan"))
    .values(next_date=bindparam("day"), next_open_at=bindparam("at"), active=bindparam("goes_on"))
)


def _write(session: Session, batch: Batch, now: datetime) -> None:
    outcome = decide_all(session, batch.due, now)
    at = {row["id"]: index for index, row in enumerate(batch.steps)}
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
            Act(session, SYSTEM, clinic_id, now).note("windows.open", ("clinic", clinic_id), windows=count)
    if batch.moves:
        session.connection().execute(MOVE_ON, batch.moves)
