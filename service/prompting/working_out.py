"""From a due plan to its window, frozen steps and next date. Pure: rows go in, rows come out."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from typing import Any

from service.domain import localtime, pace, plan, steps, windows
from service.domain.pace import PaceFacts
from service.domain.plan import PlanRule
from service.domain.steps import Reason, StepRule
from service.domain.vocabulary import Pace, PatientState, StepKind, StepState, WindowState
from service.domain.windows import WindowFacts, WindowTimes
from service.prompting.facts import TO_PATIENT, DueStep


@dataclass(frozen=True)
class DuePlan:
    """A plan whose next window is due, with what is known of its patient and of that date."""

    id: uuid.UUID
    clinic_id: uuid.UUID
    patient_id: uuid.UUID
    weekdays: int
    opens: time
    due: time
    closes: time
    wants_reading: bool
    wants_checkin: bool
    steps: list[Any] | None
    silent_days: int | None
    day: date
    zone: str
    patient_state: PatientState
    enrolled_at: datetime
    left_hospital_on: date | None  # last day of the newest stay that is over
    window_id: uuid.UUID | None  # when that date was opened before, in another zone
    reading_at: datetime | None
    checkin_at: datetime | None
    paused: bool


@dataclass(frozen=True)
class Record:
    """How a patient has answered lately: reading windows of the last `pace.LOOKED_AT`."""

    answered: int = 0
    expected: int = 0
    last_missed: date | None = None


@dataclass(frozen=True)
class ClinicFacts:
    steps: tuple[StepRule, ...]
    silent_days: int
    quiet: timedelta


@dataclass(frozen=True)
class _Day:
    """A window's times and steps, and the plan's next date: the same for all who share rule, zone and date."""

    times: WindowTimes
    steps: tuple[tuple[int, StepKind, datetime], ...]
    next_date: date
    next_open_at: datetime


@dataclass
class Batch:
    """Rows to write: windows, their steps, the plans' next dates; and the steps that are due at once."""

    windows: list[dict[str, Any]] = field(default_factory=list)
    steps: list[dict[str, Any]] = field(default_factory=list)
    moves: list[dict[str, Any]] = field(default_factory=list)
    due: list[DueStep] = field(default_factory=list)
    days: dict[object, _Day] = field(default_factory=dict)


def work_out(due: DuePlan, clinic: ClinicFacts, record: Record, batch: Batch, now: datetime) -> None:
    """Add to `batch` what opening this plan's window comes to. Raises Refused for a plan that cannot be read."""
    rules = clinic.steps if due.steps is None else steps.from_json(due.steps)
    followed = _pace(due, record)
    key = (due.zone, due.day, due.weekdays, due.opens, due.due, due.closes, rules, followed)
    day = batch.days.get(key)
    if day is None:
        day = batch.days[key] = _day(due, rules, followed)
    goes_on = due.patient_state is PatientState.ACTIVE
    if goes_on and due.window_id is None:
        window_id = uuid.uuid4()
        rows, ready = _steps(due, clinic, day, window_id, now)
        batch.windows.append(_window(due, day.times, followed, window_id, now))
        batch.steps.extend(rows)
        batch.due.extend(ready)
    batch.moves.append({"plan": due.id, "day": day.next_date, "at": day.next_open_at, "goes_on": goes_on})


def _pace(due: DuePlan, record: Record) -> Pace | None:
    if due.steps is not None:
        return None  # staff have set this patient's steps by hand: theirs is the last word
    return pace.choose(
        PaceFacts(
            due.day,
            localtime.local_date(due.enrolled_at, localtime.zone(due.zone)),
            due.left_hospital_on,
            record.answered,
            record.expected,
            record.last_missed,
        )
    )


def _day(due: DuePlan, rules: tuple[StepRule, ...], followed: Pace | None) -> _Day:
    rule = PlanRule(due.weekdays, due.opens, due.due, due.closes, due.wants_reading, due.wants_checkin)
    zone = localtime.zone(due.zone)
    times = windows.times(rule, due.day, zone)
    following = plan.next_date(rule, due.day, zone)
    return _Day(
        times,
        pace.adjusted(steps.freeze(rules, times), times, followed),
        following,
        localtime.first_instant(following, due.opens, zone),
    )


def _facts(due: DuePlan) -> WindowFacts:
    return WindowFacts(due.wants_reading, due.wants_checkin, due.reading_at, due.checkin_at, due.paused)


def _window(
    due: DuePlan, times: WindowTimes, followed: Pace | None, window_id: uuid.UUID, now: datetime
) -> dict[str, Any]:
    state = windows.state_while_open(_facts(due))
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


def _steps(
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
        step_id = uuid.uuid4()
        row = {**shared, "id": step_id, "position": position, "kind": kind, "due_at": due_at}
        if is_over and kind is not StepKind.TASK:
            # Nobody was asked while it was open, so nobody is reminded or alarmed about it now;
            # but the clinic's own step stays, because a silence that began unseen must still be told.
            row.update(state=StepState.PASSED, reason=Reason.STALE.value, settled_at=now)
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
                    window=_facts(due),
                    later_is_due=False,
                    silent_days=due.silent_days or clinic.silent_days,
                    quiet=clinic.quiet,
                )
            )
    # Those before the last one to the patient have been overtaken.
    ready[:-1] = [replace(step, later_is_due=True) for step in ready[:-1]]
    return rows, ready
