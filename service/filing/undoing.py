"""A file that was taken in, taken back.

Promises that nothing is deleted: what the file brought is superseded, or withdrawn with the reason, and what is made
of it (windows, silences, the review's row) is made anew in the same transaction; that nothing is taken back on which
somebody has built since, and that each line which stays is told with why; and that doing it again takes back what
was left and harms nothing. One audit line for it all, beside those of the entries.
"""

from __future__ import annotations

import json
import uuid
from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Engine, or_, select, update
from sqlalchemy.orm import Session

from service.care import dues, ending, entries
from service.care.tasks import close_tasks
from service.care.windows import resettle
from service.domain import validation
from service.domain.validation import Refused
from service.domain.vocabulary import Keeps, TaskSettled, TaskState
from service.recording.events import withdraw_event
from service.store import panel, signatures
from service.store.arrivals import values_of
from service.store.audit import Act, Actor
from service.store.guarded import guarded_each, set_aside
from service.store.ids import among, slices
from service.store.session import read_session, write_session
from service.store.tables import (
    Adjustment,
    AuditLine,
    Checkin,
    EventRow,
    GoalRow,
    Import,
    Limits,
    MedicineRow,
    Message,
    Patient,
    Reading,
    Reference,
    ResultRow,
    ReviewAddition,
    SignOff,
    Task,
)

WITHIN = timedelta(days=30)  # later it is a matter of single corrections; our own number, no source
LONGEST_WHY = 400
TABLES: dict[str, Any] = {
    "roster": Patient,
    "readings": Reading,
    "checkins": Checkin,
    "results": ResultRow,
    "events": EventRow,
}


@dataclass(frozen=True)
class LineKept:
    line: int
    why: Keeps


@dataclass
class Undone:
    """What became, or would become, of the rows that a file brought."""

    rows: int = 0
    taken_back: int = 0  # or would be
    before: int = 0  # were taken back already
    kept: list[LineKept] = field(default_factory=list)


@dataclass(frozen=True)
class _Brought:
    """A row of the file, as it is now. `kept` is why it stays; `is_gone` that it was taken back already."""

    line: int
    row: Any
    patient_id: uuid.UUID
    is_gone: bool = False
    kept: Keeps | None = None
    tasks: tuple[uuid.UUID, ...] = ()  # that it raised, and nobody has seen


def look(engine: Engine, clinic_id: uuid.UUID, import_id: uuid.UUID) -> tuple[Import, Undone]:
    """An import, and what would become of its rows. Raises LookupError for none of this clinic."""
    with read_session(engine) as session:
        run = _import(session, clinic_id, import_id)
        return run, _told(one for some in _brought(session, run).values() for one in some)


def undo(engine: Engine, clinic_id: uuid.UUID, import_id: uuid.UUID, actor: Actor, now: datetime, why: str) -> Undone:
    """Take back what the file brought, patient by patient. Raises Refused, and LookupError for none of this clinic."""
    reason = validation.text("why", why, longest=LONGEST_WHY)
    with read_session(engine) as session:
        run = _import(session, clinic_id, import_id)
        if now - run.at > WITHIN:
            raise Refused("import", run.at.date().isoformat(), "a file of the last %(days)s days", days=WITHIN.days)
        found = _brought(session, run)
    theirs = dict.fromkeys(
        patient_id for patient_id, some in found.items() if any(not one.kept and not one.is_gone for one in some)
    )

    def alone(session: Session, patient_id: uuid.UUID) -> Undone:
        act = Act(session, actor, clinic_id, now)
        # Of two at once the second finds it done; and whoever takes the patient over has done so, or waits.
        its = select(Patient.id).where(Patient.id == patient_id)
        session.execute(its.with_for_update(key_share=True))
        some = _brought(session, run, {one.line for one in found[patient_id]})[patient_id]
        _take_back(act, run, patient_id, [one for one in some if not one.kept and not one.is_gone], reason)
        return _told(some)

    done = guarded_each(engine, theirs, alone)
    told = _told(one for patient_id, some in found.items() if patient_id not in theirs for one in some)
    for part in done.done:
        told.taken_back += part.taken_back
        told.before += part.before
        told.kept += part.kept
    told.rows = sum(map(len, found.values()))
    told.kept.sort(key=lambda one: one.line)
    with write_session(engine) as session:
        session.execute(
            update(Import)
            .where(Import.id == run.id)
            .values(undone_at=now, undone_by=str(actor), undone=told.before + told.taken_back, undone_why=reason)
        )
        act = Act(session, actor, clinic_id, now)
        act.note("import.undo", ("import", run.id), kind=run.kind, rows=told.taken_back, kept=len(told.kept))
    for _, error in done.failed:
        raise set_aside(engine, "undo", error, now)
    return told


def _import(session: Session, clinic_id: uuid.UUID, import_id: uuid.UUID) -> Import:
    run = session.get(Import, import_id)
    if run is None or run.clinic_id != clinic_id:
        raise LookupError(import_id)
    session.expunge(run)
    return run


def _told(some: Iterator[_Brought] | Sequence[_Brought]) -> Undone:
    told = Undone()
    for one in some:
        told.rows += 1
        if one.is_gone:
            told.before += 1
        elif one.kept is not None:
            told.kept.append(LineKept(one.line, one.kept))
        else:
            told.taken_back += 1
    told.kept.sort(key=lambda one: one.line)
    return told


# --- what the file brought, and what was built on it ---------------------------------


def _brought(session: Session, run: Import, lines: Collection[int] | None = None) -> dict[uuid.UUID, list[_Brought]]:
    """The rows of these lines, or of all, by patient."""
    table = TABLES[run.kind]
    by_id = {run.row_id(line): line for line in lines or range(1, run.last_line + 1)}
    rows = [row for some in slices(list(by_id)) for row in session.scalars(select(table).where(table.id.in_(some)))]
    owner = "id" if run.kind == "roster" else "patient_id"
    whose: dict[uuid.UUID, list[Any]] = defaultdict(list)
    for row in rows:
        whose[getattr(row, owner)].append(row)
    since = _Since(session, run, list(whose))
    newer = _newer(session, table, rows) if run.kind != "roster" else {}
    return {
        patient_id: [since.seen(by_id[row.id], row, patient_id, newer.get(row.id)) for row in some]
        for patient_id, some in whose.items()
    }


def _newer(session: Session, table: Any, rows: Sequence[Any]) -> dict[uuid.UUID, Any]:
    """By row, the one that supersedes it."""
    old = {row.id: row.patient_id for row in rows if row.superseded_at is not None}
    newer = select(table).where(among(table.patient_id, set(old.values())), table.supersedes_id.is_not(None))
    return {row.supersedes_id: row for row in session.scalars(newer) if row.supersedes_id in old} if old else {}


class _Since:
    """What has happened to these patients since a file was taken in. A fixed number of queries."""

    def __init__(self, session: Session, run: Import, patients: Sequence[uuid.UUID]) -> None:
        self._run = run
        at = run.at

        def since(column: Any, *where: Any) -> set[uuid.UUID]:
            query = select(column).where(among(column, patients), *where)
            return set(session.scalars(query.distinct()))

        self.signed = since(SignOff.patient_id, SignOff.signed_at >= at, signatures.COUNTS)
        self.signed |= since(ReviewAddition.patient_id, ReviewAddition.added_at >= at)
        self.here = since(Patient.id, Patient.clinic_id == run.clinic_id)
        self.references = (
            session.scalars(
                select(Reference).where(
                    among(Reference.patient_id, patients), Reference.set_at >= at, Reference.from_date.is_not(None)
                )
            ).all()
            if run.kind == "readings"
            else []
        )
        tasks = session.scalars(select(Task).where(among(Task.patient_id, patients), Task.raised_at >= at)).all()
        told = (Message.task_id.in_([task.id for task in tasks]), Message.handed_over_at.is_not(None))
        self._told = set(session.scalars(select(Message.task_id).where(*told))) if tasks else set()
        self._tasks = [(task, f"{task.dedupe_key} {json.dumps(task.facts)}") for task in tasks]
        self.in_use = self._in_use(since) if run.kind == "roster" else set()

    def _in_use(self, since: Callable[..., set[uuid.UUID]]) -> set[uuid.UUID]:
        """Patients of whom more is known than the file said."""
        at, used = self._run.at, set[uuid.UUID]()
        for table in (Reading, Checkin, ResultRow, EventRow, MedicineRow, Adjustment, Limits, GoalRow, Reference):
            used |= since(table.patient_id)
        used |= since(AuditLine.subject_id, AuditLine.subject_kind == "patient", AuditLine.at > at)
        used |= since(Message.patient_id, or_(Message.handed_over_at.is_not(None), Message.attempts > 0))
        return used

    def seen(self, line: int, row: Any, patient_id: uuid.UUID, newer: Any) -> _Brought:
        """The row with why it stays, or with what goes with it."""
        if self._run.kind == "roster":
            is_gone = row.withdrawn
        else:
            is_gone = row.superseded_at is not None and (
                newer is None or getattr(newer, "withdrawn", False) or newer.id == _restored(row.id)
            )
        if is_gone:
            return _Brought(line, row, patient_id, is_gone=True)
        mine = [task for task, text in self._tasks if str(row.id) in text]
        kept = None
        if patient_id not in self.here:
            kept = Keeps.MOVED
        elif self._run.kind != "roster" and row.superseded_at is not None:
            kept = Keeps.CORRECTED
        elif patient_id in self.signed:
            kept = Keeps.SIGNED
        elif any(task.taken_by or task.closed_by for task in mine):
            kept = Keeps.ACTED
        elif any(task.id in self._told for task in mine):
            kept = Keeps.TOLD
        elif any(one.patient_id == patient_id and one.from_date <= row.local_date <= one.to_date
                 for one in self.references):  # fmt: skip
            kept = Keeps.REFERENCE
        elif patient_id in self.in_use:
            kept = Keeps.IN_USE
        return _Brought(line, row, patient_id, kept=kept, tasks=tuple(task.id for task in mine))


# --- taken back ------------------------------------------------------------------------


def _restored(row_id: uuid.UUID) -> uuid.UUID:
    """The id of the check-in that counts again where one that corrected it is taken back."""
    return uuid.uuid5(row_id, "before")


def _take_back(act: Act, run: Import, patient_id: uuid.UUID, some: Sequence[_Brought], why: str) -> None:
    """Everything that may go of one patient, in the caller's transaction."""
    if not some:
        return
    session, patient = act.session, act.session.get_one(Patient, patient_id)
    rows = [one.row for one in some]
    match run.kind:
        case "roster":
            _unenrol(act, patient)
        case "readings" | "checkins":
            table = TABLES[run.kind]
            which = table.id.in_([row.id for row in rows])
            session.execute(update(table).where(which, table.superseded_at.is_(None)).values(superseded_at=act.now))
            if run.kind == "checkins":
                _count_again(act, rows)
            resettle(session, patient_id, act.now)
            panel.mark_stale(session, [patient_id], act.now, min(row.local_date for row in rows))
            act.note(f"{run.kind}.withdraw", ("patient", patient_id), rows=len(rows), of=run.id)
        case "results":
            for row in rows:
                entries.withdraw(act, patient, row, why, settles=False)
            dues.settle(session, [patient_id], act.now)
        case "events":
            for row in rows:
                withdraw_event(act, patient, row, why)
    tasks = [task_id for one in some for task_id in one.tasks]
    open_still = Task.state == TaskState.OPEN
    close_tasks(session, Task.id.in_(tasks) & open_still, TaskSettled.IMPORT_UNDONE, act.now)


def _count_again(act: Act, rows: Sequence[Checkin]) -> None:
    """What a diary's row had corrected counts again, as a newer row of the same answers."""
    earlier = [row.supersedes_id for row in rows if row.supersedes_id is not None]
    by_id = {row.supersedes_id: row.id for row in rows}
    for old in act.session.scalars(select(Checkin).where(Checkin.id.in_(earlier))):
        newer = by_id[old.id]
        act.add(Checkin(**values_of(old) | {"id": _restored(newer), "supersedes_id": newer, "superseded_at": None}))


def _unenrol(act: Act, patient: Patient) -> None:
    """Care that never was: nothing more is expected or sent, and the clinic's number for them is free again."""
    ending.end_patient(act, patient)
    patient.withdrawn = True
    patient.clinic_ref = f"{patient.clinic_ref[:24]} (x {patient.id.hex[:8]})"
    act.session.flush()
    act.note("patient.withdraw", patient)
