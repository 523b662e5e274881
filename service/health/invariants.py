"""The nightly check: what must hold, worked out anew from what was recorded.

Every silence past its threshold has a task raised since its first date; every check-in with signs
of an emergency has one; every window whose end has come has the end that readings, check-ins and
pauses give it; every active patient stands on the review; of every reason for which somebody stands
in *Call today* a task tells, open, taken, or closed since the reason came; what was signed, and the
audit trail, are as they were written (`service.health.unaltered`). Looks at readings,
check-ins, pauses and the hours of windows, never at what was concluded from them, so that a
conclusion that is lost or wrong is found; the lane alone is taken as the review has it. Repairs
nothing: what it finds is told to the clinic by a task, and to the operator by `neaptide doctor`.
Not looked at: emergencies written in free text.
"""

from __future__ import annotations

import uuid
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, func, select, update
from sqlalchemy.orm import Session

from service.care import windows
from service.care.tasks import NewTask, raise_tasks
from service.domain import factjson, since, steps
from service.domain.diary import is_old_copy
from service.domain.plan import WindowFacts, state_at_close
from service.domain.review import LANES, OpenTask
from service.domain.seals import fingerprint
from service.domain.since import Standing
from service.domain.tasks import CheckFound, Found, from_json
from service.domain.vocabulary import Lane, PatientState, Role, SignalKind, StepKind, TaskKind, TaskState, WindowState
from service.health import unaltered
from service.store.guarded import Tally
from service.store.identity import new_id
from service.store.session import read_session, write_session
from service.store.tables import (
    Checkin,
    Clinic,
    NightlyCheck,
    PanelRow,
    Patient,
    Plan,
    Reading,
    Signal,
    Step,
    Task,
    Window,
)
from service.store.upsert import upsert

NIGHT_BEGINS = timedelta(hours=2)  # UTC
GRACE = timedelta(hours=1)  # for a worker to do what is due
LOOKED_BACK = timedelta(days=35)  # the nights before have seen the rest
PATIENTS = 500  # to a transaction
STUCK = timedelta(hours=6)  # a check that has not ended by then was cut off
FIRST_LANE = str(LANES.index(Lane.CALL_TODAY))  # as a row's rank begins
A_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Broken:
    """One thing that is not as it must be. `key` is its occurrence."""

    found: Found
    clinic_id: uuid.UUID
    patient_id: uuid.UUID
    day: date
    key: str


def check_nightly(engine: Engine, now: datetime, make_rows: Callable[[], object], folder: Path) -> Tally | None:
    """Check, tell the clinics and keep the outcome, once a night whatever the number of workers. None: not due.

    `make_rows` makes the review's rows that wait: what still lacks one after it is no matter of time. The heads of the
    audit trail lie in the data `folder`.
    """
    night = (now - NIGHT_BEGINS).date()
    with read_session(engine) as session:
        begun = session.execute(
            select(NightlyCheck.begun_at, NightlyCheck.finished_at).where(NightlyCheck.night == night)
        ).first()
    if begun is not None and (begun.finished_at is not None or begun.begun_at > now - STUCK):
        return None
    row = {"id": new_id(), "night": night, "begun_at": now, "finished_at": None, "found": {}}
    with write_session(engine) as session:
        # Of two workers the second finds a check that has only just begun, and leaves it to the first.
        before = "nightly_checks.finished_at IS NULL AND nightly_checks.begun_at < excluded.begun_at"
        if upsert(session, NightlyCheck.__table__, [row], ["night"], only_if=before) == 0:
            return None
    make_rows()
    broken, unlike = list(look(engine, now)), list(unaltered.look(engine, folder))
    with write_session(engine) as session:
        raise_tasks(
            session,
            [
                *(NewTask(one.clinic_id, one.patient_id, CheckFound(one.found, one.day), one.key) for one in broken),
                *_altered(unlike, now),
            ],
            now,
        )
        counts = Counter([*(one.found.value for one in broken), *(one.found.value for one in unlike)])
        session.execute(
            update(NightlyCheck).where(NightlyCheck.night == night).values(finished_at=now, found=dict(counts))
        )
    return Tally(done=1)


def _altered(unlike: Sequence[unaltered.Unlike], now: datetime) -> Iterator[NewTask]:
    """One task a clinic and kind for its administrators; another once something more is found, or something else."""
    of_clinic: dict[tuple[uuid.UUID, Found], list[str]] = defaultdict(list)
    for one in unlike:
        if one.clinic_id is not None:  # else it is the operator's, who is told of everything
            of_clinic[one.clinic_id, one.found].append(one.sentence)
    for (clinic_id, found), sentences in of_clinic.items():
        key = f"found:{found.value}:{clinic_id}:{fingerprint(sorted(sentences))[:16]}"
        yield NewTask(clinic_id, None, CheckFound(found, now.date()), key, role=Role.ADMINISTRATOR)


def look(engine: Engine, now: datetime) -> Iterator[Broken]:
    """Everything that is not as it must be at `now` (UTC), a few hundred patients to a transaction."""
    after: uuid.UUID | None = None
    while True:
        with read_session(engine) as session:
            page = (
                select(
                    Patient.id,
                    Patient.clinic_id,
                    Patient.enrolled_at,
                    Clinic.silent_days,
                    Plan.silent_days.label("own"),
                )
                .join(Clinic, Clinic.id == Patient.clinic_id)
                .outerjoin(Plan, Plan.patient_id == Patient.id)
                .where(Patient.state == PatientState.ACTIVE)
                .order_by(Patient.id)
                .limit(PATIENTS)
            )
            patients = session.execute(page if after is None else page.where(Patient.id > after)).all()
            if not patients:
                return
            by_id = {row.id: row for row in patients}
            lived = _windows(session, list(by_id), now)
            yield from _silences(session, by_id, lived, now)
            yield from _ends(by_id, lived)
            safety = list(_safety(session, by_id, now))
            yield from safety
            yield from _review(session, by_id, now)
            yield from _calls(session, by_id, {one.patient_id for one in safety}, now)
        after = patients[-1].id


@dataclass(frozen=True, slots=True)
class _Lived:
    """A window whose end has come, with the state that it has and the one it must have."""

    id: uuid.UUID
    day: date
    opens_at: datetime
    told_at: datetime  # when the clinic's step was due
    wants_reading: bool
    pace: Any
    state: WindowState
    must_be: WindowState


def _windows(session: Session, patients: Sequence[uuid.UUID], now: datetime) -> dict[uuid.UUID, list[_Lived]]:
    date_of = Window.patient_id, Window.local_date
    last_read = (
        select(func.max(Reading.local_date))
        .where(Reading.patient_id == Window.patient_id, Reading.superseded_at.is_(None))
        .correlate(Window)
        .scalar_subquery()
    )
    task_due = (
        select(func.max(Step.due_at))
        .where(Step.window_id == Window.id, Step.kind == StepKind.TASK)
        .correlate(Window)
        .scalar_subquery()
    )
    # Those of the last weeks, and however far back a silence that has not ended goes.
    recent = Window.local_date >= (now - LOOKED_BACK).date()
    rows = session.execute(
        select(
            Window,
            windows.first_reading(*date_of).label("reading_at"),
            windows.first_checkin(*date_of).label("checkin_at"),
            windows.is_paused(*date_of).label("paused"),
            func.coalesce(task_due, Window.closes_at).label("told_at"),
        )
        .where(
            Window.patient_id.in_(patients),
            Window.closes_at <= now - GRACE,
            recent | (Window.local_date > func.coalesce(last_read, date.min)),
        )
        .order_by(Window.local_date)
    )
    found: dict[uuid.UUID, list[_Lived]] = defaultdict(list)
    for window, reading_at, checkin_at, paused, told_at in rows:
        facts = WindowFacts(window.wants_reading, window.wants_checkin, reading_at, checkin_at, paused)
        found[window.patient_id].append(
            _Lived(
                window.id,
                window.local_date,
                window.opens_at,
                told_at,
                window.wants_reading,
                window.pace,
                window.state,
                state_at_close(facts),
            )
        )
    return found


def _silences(
    session: Session, patients: Mapping[uuid.UUID, Any], lived: Mapping[uuid.UUID, Sequence[_Lived]], now: datetime
) -> Iterator[Broken]:
    raised = _of_each(session, Task, func.max(Task.raised_at), patients, Task.kind == TaskKind.SILENT)
    last_read = _of_each(session, Reading, func.max(Reading.local_date), patients, Reading.superseded_at.is_(None))
    for patient_id, days in lived.items():
        patient, since = patients[patient_id], last_read.get(patient_id, date.min)
        run = [one for one in days if one.wants_reading and one.must_be is WindowState.MISSED and one.day > since]
        overdue = any(
            number >= (patient.own or steps.silent_days(patient.silent_days, one.pace)) and one.told_at < now - GRACE
            for number, one in enumerate(run, 1)
        )
        told_at = raised.get(patient_id)
        if overdue and (told_at is None or told_at < run[0].opens_at):
            key = f"silent:{patient_id}:{run[0].day}:found"
            yield Broken(Found.SILENCE_UNTOLD, patient.clinic_id, patient_id, run[0].day, key)


def _of_each(
    session: Session, table: type[Task | Reading | Signal], asked: Any, patients: Collection[uuid.UUID], which: Any
) -> dict[uuid.UUID, Any]:
    """The newest of something, or the first, by patient."""
    query = select(table.patient_id, asked).where(table.patient_id.in_(list(patients)), which)
    return dict(session.execute(query.group_by(table.patient_id)).all())


def _ends(patients: Mapping[uuid.UUID, Any], lived: Mapping[uuid.UUID, Sequence[_Lived]]) -> Iterator[Broken]:
    for patient_id, days in lived.items():
        for one in days:
            if one.state is not one.must_be:
                key = f"found:{Found.WRONG_END.value}:{one.id}"
                yield Broken(Found.WRONG_END, patients[patient_id].clinic_id, patient_id, one.day, key)


def _safety(session: Session, patients: Mapping[uuid.UUID, Any], now: datetime) -> Iterator[Broken]:
    rows = session.execute(
        select(
            Checkin.id,
            Checkin.patient_id,
            Checkin.local_date,
            Checkin.safety_signs,
            Checkin.source,
            Checkin.answered_at,
        ).where(
            Checkin.patient_id.in_(list(patients)),
            Checkin.local_date >= (now - LOOKED_BACK).date(),
            Checkin.answered_at <= now - GRACE,
        )
    ).all()
    # A correction that adds no sign has no task of its own: one of the day's check-ins has.
    of_day: dict[tuple[uuid.UUID, date], list[uuid.UUID]] = defaultdict(list)
    alarming: set[tuple[uuid.UUID, date]] = set()
    for row in rows:
        of_day[row.patient_id, row.local_date].append(row.id)
        if row.safety_signs and not is_old_copy(row.source, row.local_date, row.answered_at.date()):
            alarming.add((row.patient_id, row.local_date))
    keys = {f"safety:{one}" for which in alarming for one in of_day[which]}
    told = set(session.scalars(select(Task.dedupe_key).where(Task.dedupe_key.in_(keys))))
    for patient_id, day in sorted(alarming):
        its_keys = [f"safety:{one}" for one in of_day[patient_id, day]]
        if told.isdisjoint(its_keys):
            yield Broken(Found.SAFETY_UNTOLD, patients[patient_id].clinic_id, patient_id, day, its_keys[0])


def _review(session: Session, patients: Mapping[uuid.UUID, Any], now: datetime) -> Iterator[Broken]:
    standing = select(PanelRow.patient_id).where(
        PanelRow.patient_id.in_(list(patients)),
        PanelRow.stale_since.is_(None) | (PanelRow.stale_since > now - GRACE),
    )
    missing = patients.keys() - set(session.scalars(standing))
    for patient_id in sorted(missing):
        patient = patients[patient_id]
        if patient.enrolled_at <= now - GRACE:
            key = f"found:{Found.NOT_ON_REVIEW.value}:{patient_id}:{now:%Y-%m-%d}"
            yield Broken(Found.NOT_ON_REVIEW, patient.clinic_id, patient_id, now.date(), key)


def _calls(
    session: Session, patients: Mapping[uuid.UUID, Any], found_safety: Collection[uuid.UUID], now: datetime
) -> Iterator[Broken]:
    rows = session.execute(
        select(PanelRow.patient_id, PanelRow.as_of, PanelRow.standing).where(
            PanelRow.patient_id.in_(list(patients)),
            PanelRow.rank.startswith(FIRST_LANE),
            PanelRow.stale_since.is_(None),  # else a task may have come or gone since
        )
    ).all()
    stand = {row.patient_id: (row.as_of, factjson.unpack(Standing, row.standing)) for row in rows if row.standing}
    told = _told(session, list(stand), now)
    for patient_id, (day, stands) in sorted(stand.items()):
        untold = since.uncalled(stands, told[patient_id])
        if patient_id in found_safety:
            untold -= {SignalKind.SAFETY_ANSWER}
        if untold:
            key = f"found:{Found.CALL_UNTOLD.value}:{patient_id}:{day}"
            yield Broken(Found.CALL_UNTOLD, patients[patient_id].clinic_id, patient_id, day, key)


def _told(session: Session, patient_ids: Sequence[uuid.UUID], now: datetime) -> dict[uuid.UUID, list[OpenTask]]:
    """The urgent tasks that nobody has closed, and those closed that were raised since what holds now was."""
    came = _of_each(session, Signal, func.min(Signal.raised_on), patient_ids, Signal.ended_on.is_(None))
    told: dict[uuid.UUID, list[OpenTask]] = defaultdict(list)
    tasks = select(Task).where(
        Task.patient_id.in_(patient_ids),
        Task.kind.in_(since.URGENT),
        (Task.state != TaskState.CLOSED) | (Task.raised_at > now - LOOKED_BACK),
    )
    for task in session.scalars(tasks):
        raised_on = task.raised_at.date()
        if task.patient_id is None:
            continue
        # Their date may be the next one already, and a task comes before the signal of the same answer.
        since_then = raised_on >= came.get(task.patient_id, raised_on) - A_DAY
        if task.state is not TaskState.CLOSED or since_then:
            told[task.patient_id].append(OpenTask(task.id, task.kind, from_json(task.facts), raised_on))
    return told


def last_check(session: Session) -> NightlyCheck | None:
    """The newest check that came to its end."""
    return session.scalars(
        select(NightlyCheck).where(NightlyCheck.finished_at.is_not(None)).order_by(NightlyCheck.night.desc()).limit(1)
    ).first()
