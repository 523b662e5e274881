"""Take in pressure readings, one or many.

Promises that a reading is written once however often it is sent, in the window of
its own day however late it comes, and that what follows from it (audit line, window,
silence, review row, a task when it is beyond a typed limit) is written in the same
transaction. A correction supersedes; nothing is overwritten.

One reading is a batch of one. A batch is one transaction, because that is what makes
a long file quick; when something unforeseen stops it, each reading is tried in a
transaction of its own, and the one to blame is quarantined and reported.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import structlog
from sqlalchemy import ColumnElement, Engine, select, update
from sqlalchemy.orm import Session

from service.care.tasks import raise_task
from service.care.windows import readings_arrived, resettle
from service.domain import readings
from service.domain.localtime import local_date
from service.domain.readings import CheckedReading, NewReading
from service.domain.tasks import LimitPassed
from service.domain.validation import Clashes, Refused
from service.domain.vocabulary import IntakeOutcome, TaskKind, TaskState
from service.intake import patients
from service.intake.patients import FoundPatient
from service.store import panel
from service.store.audit import Act, Actor
from service.store.guarded import guarded, guarded_each, set_aside
from service.store.identity import new_id
from service.store.ids import among_pairs, among_those, slices
from service.store.prepared import Prepared
from service.store.session import Where, changes_one, objects, read_session, rows
from service.store.tables import Limits, Patient, Reading, Task
from service.store.upsert import CURRENT, insert_new

log = structlog.get_logger(__name__)

KEY = ("patient_id", "taken_at")
# A pressure beyond a limit longer ago than this belongs to the weekly review, not to somebody's evening.
NEWS = timedelta(days=2)
Key = tuple[uuid.UUID, datetime]  # of a current reading: its patient and its instant


@dataclass(frozen=True, slots=True)
class RecordedReading:
    """The row that holds what was sent, and whether it was written now."""

    id: uuid.UUID
    outcome: IntakeOutcome


@dataclass(slots=True)
class _Placed:
    """A reading that can be true and whose patient was found, as the row to write."""

    at: int  # its place in the batch
    new: NewReading
    checked: CheckedReading
    row: dict[str, Any]

    @property
    def key(self) -> Key:
        return self.row["patient_id"], self.row["taken_at"]


Result = RecordedReading | Refused


def record_reading(act: Act, new: NewReading, its_id: uuid.UUID | None = None) -> RecordedReading:
    """Take in one pressure reading and everything that follows from it, in the caller's transaction.

    Raises Refused, and writes nothing, when the reading cannot be true, or when
    other values are there for its instant and it does not say which it corrects.
    """
    results: list[Result | None] = [None]
    placed = _place(act.where, act.clinic_id, [new], results, act.now, [its_id] if its_id else None)
    if placed and new.supersedes is not None:
        return _correct(act, placed[0])
    _take(act, placed, results, one_by_one=True)
    (result,) = results
    if isinstance(result, RecordedReading):
        return result
    raise result or LookupError("a reading without a result")


def record_readings(
    engine: Engine,
    clinic_id: uuid.UUID,
    new: Sequence[NewReading],
    actor: Actor,
    now: datetime,
    ids: Sequence[uuid.UUID] | None = None,
) -> list[Result]:
    """Take in a batch, and say of each reading what became of it, in the order given.

    The audit trail gets one line for each patient in the batch. `ids` are what the rows will be called.
    """
    results: list[Result | None] = [None] * len(new)

    def whole(session: Session) -> None:
        results[:] = record_together(Act(session, actor, clinic_id, now), new, ids)

    def alone(session: Session, at: int) -> None:
        try:
            with session.begin_nested():
                results[at] = record_reading(Act(session, actor, clinic_id, now), new[at], ids[at] if ids else None)
        except Refused as refusal:
            results[at] = refusal

    failed = guarded(engine, range(len(new)), kind="new_reading", whole=whole, alone=alone).failed
    # A correction names the reading it corrects: each is written by itself, after the rest.
    blamed = {at for at, _ in failed}
    corrections = [at for at, one in enumerate(results) if one is None and at not in blamed and new[at].supersedes]
    failed += guarded_each(engine, corrections, alone).failed
    for at, error in failed:
        results[at] = set_aside(engine, "reading", error, now)
    return [result for result in results if result is not None]


def record_together(act: Act, new: Sequence[NewReading], ids: Sequence[uuid.UUID] | None = None) -> list[Result | None]:
    """Take in a batch in the caller's transaction; what corrects another reading is left, and None in the answer."""
    results: list[Result | None] = [None] * len(new)
    placed = _place(act.where, act.clinic_id, new, results, act.now, ids)
    _take(act, [one for one in placed if one.new.supersedes is None], results)
    return results


def try_readings(engine: Engine, clinic_id: uuid.UUID, new: Sequence[NewReading], now: datetime) -> list[Result]:
    """What `record_readings` would answer, without writing anything. The ids are not of any row.

    For files, which hold no corrections; raises ValueError for one.
    """
    if any(one.supersedes is not None for one in new):
        raise ValueError("a correction cannot be tried, only made")
    results: list[Result | None] = [None] * len(new)
    with read_session(engine) as session:
        placed = _place(session, clinic_id, new, results, now)
        current = _current_at(session, [one.key for one in placed])
        for one in placed:
            there = current.setdefault(one.key, (one.row["id"], one.checked))
            results[one.at] = _resolve(one, *there)
    return [result for result in results if result is not None]


# --- one batch in one transaction --------------------------------------------------


def _place(
    where: Where,
    clinic_id: uuid.UUID,
    new: Sequence[NewReading],
    results: list[Result | None],
    now: datetime,
    ids: Sequence[uuid.UUID] | None = None,
) -> list[_Placed]:
    """Those that can be true and whose patient is there; a refusal goes into `results`."""
    people = patients.find_patients(where, clinic_id, {one.patient for one in new})
    placed = []
    for at, one in enumerate(new):
        try:
            checked = readings.checked(one, now)
            who = people.get(one.patient)
            if who is None:
                patients.refuse_patient(one.patient)
            placed.append(
                _Placed(at, one, checked, row_of(clinic_id, who, one, checked, now, ids[at] if ids else None))
            )
        except Refused as refusal:
            results[at] = refusal
    return placed


def row_of(
    clinic_id: uuid.UUID,
    who: FoundPatient,
    new: NewReading,
    checked: CheckedReading,
    now: datetime,
    its_id: uuid.UUID | None = None,
) -> dict[str, Any]:
    """The row to write."""
    return {
        "id": its_id or new_id(),
        "clinic_id": clinic_id,
        "patient_id": who.id,
        "taken_at": checked.taken_at,
        "received_at": now,
        "local_date": who.date_of(checked.taken_at),
        "pa_systolic": checked.pa_systolic,
        "pa_diastolic": checked.pa_diastolic,
        "pa_mean": checked.pa_mean,
        "mean_is_derived": checked.mean_is_derived,
        "heart_rate": checked.heart_rate,
        "posture": new.posture,
        "source": new.source,
        "source_ref": new.source_ref,
        "unit_given": new.unit,
        "remarks": checked.remarks,
        "supersedes_id": None,
        "superseded_at": None,
    }


def _take(act: Act, placed: Sequence[_Placed], results: list[Result | None], *, one_by_one: bool = False) -> None:
    """Write those that are new, with what follows, and fill in `results`."""
    where, now = act.where, act.now
    firsts: dict[Key, _Placed] = {}
    for one in placed:
        firsts.setdefault(one.key, one)
    # In one order, so that two batches that share readings wait for each other instead of both giving up.
    written, there = _insert(where, sorted(firsts.values(), key=lambda one: one.key))
    there |= {one.key: (one.row["id"], one.checked) for one in written}
    for one in placed:
        results[one.at] = _resolve(one, *there[one.key]) if one.key in there else _being_corrected()
    if not written:
        return
    days: dict[uuid.UUID, set[date]] = defaultdict(set)
    counts: dict[uuid.UUID, int] = defaultdict(int)
    for one in written:
        days[one.row["patient_id"]].add(one.row["local_date"])
        counts[one.row["patient_id"]] += 1
    if one_by_one:
        for one in written:
            act.note("reading.record", ("reading", one.row["id"]))
    else:
        lines = [("patient", patient_id, {"readings": count}) for patient_id, count in counts.items()]
        act.note_each("readings.record", lines)
    readings_arrived(where, days, now)
    _watch_limits(where, act.clinic_id, [one.row for one in written], now)
    panel.mark_days(where, days, now)


def _insert(where: Where, placed: list[_Placed]) -> tuple[list[_Placed], dict[Key, tuple[uuid.UUID, CheckedReading]]]:
    """Those written now, and what was there already for the others.

    Whoever sends the same reading at the same moment waits here and then finds it written.
    """
    if not placed:
        return [], {}
    # Column-wise and without the ORM: this is what a long file's time is spent on.
    if insert_new(where, Reading.__table__, [one.row for one in placed], KEY, among=CURRENT) == len(placed):
        return placed, {}
    there = _current_at(where, [one.key for one in placed])
    return [one for one in placed if one.key in there and there[one.key][0] == one.row["id"]], there


def _resolve(one: _Placed, current_id: uuid.UUID, current: CheckedReading) -> Result:
    if current_id == one.row["id"]:
        return RecordedReading(current_id, IntakeOutcome.RECORDED)
    try:
        return _repeated(one, current_id, current)
    except Refused as refusal:
        return refusal


def _repeated(one: _Placed, current_id: uuid.UUID, current: CheckedReading) -> RecordedReading:
    """What to answer when a reading of this instant is there. Raises Refused when it says otherwise."""
    if readings.says_nothing_new(one.checked, current):
        return RecordedReading(current_id, IntakeOutcome.DUPLICATE)
    raise Refused(
        "taken_at",
        one.new.taken_at.isoformat(),
        "an instant without other values; to correct reading %(reading)s, name it in supersedes",
        reading=current_id,
    )


def _being_corrected() -> Refused:
    return Refused("taken_at", None, "an instant whose reading is not being corrected at this moment")


# --- a correction ------------------------------------------------------------------


def _correct(act: Act, one: _Placed) -> RecordedReading:
    """Write a reading that supersedes another of the same patient. Raises Refused."""
    where, now = act.where, act.now
    new, patient_id = one.new, one.row["patient_id"]
    wrong = _first(where, Reading.id == new.supersedes, Reading.patient_id == patient_id)
    if wrong is None:
        raise Refused("supersedes", str(new.supersedes), "the id of a reading of this patient")
    there = _first(
        where,
        Reading.patient_id == patient_id,
        Reading.taken_at == one.row["taken_at"],
        Reading.superseded_at.is_(None),
    )
    if wrong.superseded_at is not None:
        # Sent again: the correction it asked for has been made.
        made = there is not None and there.supersedes_id == wrong.id
        if there is not None and made and there.pa_diastolic == one.checked.pa_diastolic:
            return _repeated(one, there.id, _checked(there))
        raise Clashes("supersedes", str(wrong.id), "a reading that has not been corrected already")
    if there is not None and there.id != wrong.id:
        at = new.taken_at.isoformat()
        raise Clashes(
            "taken_at", at, "an instant without another reading; reading %(reading)s is there", reading=there.id
        )
    row = one.row | {"supersedes_id": wrong.id}
    still = (Reading.id == wrong.id) & Reading.superseded_at.is_(None)
    is_ours = changes_one(where, update(Reading).where(still).values(superseded_at=now))
    if not is_ours or insert_new(where, Reading.__table__, [row], KEY, among=CURRENT) != 1:
        raise Refused("supersedes", str(wrong.id), "a reading that nobody else is correcting at this moment")
    act.note("reading.correct", ("reading", row["id"]), supersedes=wrong.id)
    with objects(where) as session:
        resettle(session, patient_id, now)  # it may have moved to another day
    _watch_limits(where, act.clinic_id, [row], now)
    panel.mark_stale(where, [patient_id], now, min(wrong.local_date, row["local_date"]))
    return RecordedReading(row["id"], IntakeOutcome.RECORDED)


# --- what is on record -------------------------------------------------------------

_COLUMNS = (
    Reading.id,
    Reading.local_date,
    Reading.superseded_at,
    Reading.supersedes_id,
    Reading.patient_id,
    Reading.taken_at,
    Reading.pa_systolic,
    Reading.pa_diastolic,
    Reading.pa_mean,
    Reading.mean_is_derived,
    Reading.heart_rate,
)


def _current_at(where: Where, keys: Sequence[Key]) -> dict[Key, tuple[uuid.UUID, CheckedReading]]:
    """The current readings of these patients at these instants."""
    found: dict[Key, tuple[uuid.UUID, CheckedReading]] = {}
    for some in slices(keys):
        for row in rows(where).execute(
            select(*_COLUMNS).where(
                among_pairs(Reading.patient_id, Reading.taken_at, some), Reading.superseded_at.is_(None)
            )
        ):
            found[row.patient_id, row.taken_at] = (row.id, _checked(row))
    return found


def _first(where: Where, *holds: ColumnElement[bool]) -> Any:
    """The row of `_COLUMNS` for which this holds, if there is one."""
    return rows(where).execute(select(*_COLUMNS).where(*holds)).first()


def _checked(row: Any) -> CheckedReading:
    """A row of `_COLUMNS` as the reading it holds."""
    return CheckedReading(
        row.taken_at, row.pa_systolic, row.pa_diastolic, row.pa_mean, row.mean_is_derived, row.heart_rate, remarks=[]
    )


# --- limits ------------------------------------------------------------------------


def _watch_limits(where: Where, clinic_id: uuid.UUID, new: Sequence[dict[str, Any]], now: datetime) -> None:
    """One task for each patient and day on which one of these rows is beyond a limit, until somebody closes it.

    Knows no limit of its own: a patient without limits raises nothing.
    """
    recent = [row for row in new if row["taken_at"] >= now - NEWS]
    if not recent:
        return
    limits = _limits_in_force(where, list({row["patient_id"] for row in recent}))
    waiting = _tasks_waiting(where, list(limits)) if limits else set()
    for row in recent:
        if (typed := limits.get(row["patient_id"])) is None:
            continue
        beyond = (
            (TaskKind.ABOVE_LIMIT, typed.upper, typed.upper is not None and row["pa_diastolic"] > typed.upper),
            (TaskKind.BELOW_LIMIT, typed.lower, typed.lower is not None and row["pa_diastolic"] < typed.lower),
        )
        for kind, limit, is_beyond in beyond:
            if not is_beyond or (typed.patient_id, kind) in waiting:
                continue
            day, up = row["local_date"], kind is TaskKind.ABOVE_LIMIT
            facts = LimitPassed(row["id"], day, row["pa_diastolic"], up, limit, local_date(typed.set_at, typed.zone))
            # The key of a signal's task, so that the same day's crossing is told once whoever sees it first.
            key = f"{kind.value}:{typed.patient_id}:{day.isoformat()}"
            with objects(where) as session:
                raise_task(session, clinic_id, typed.patient_id, facts, key, now)


def _tasks_waiting(where: Where, patient_ids: Sequence[uuid.UUID]) -> set[tuple[uuid.UUID | None, TaskKind]]:
    """(patient, kind) of tasks that nobody has closed: a second beside one of them would only be noise."""
    found = rows(where).execute(
        select(Task.patient_id, Task.kind).where(
            Task.patient_id.in_(patient_ids),
            Task.kind.in_([TaskKind.ABOVE_LIMIT, TaskKind.BELOW_LIMIT]),
            Task.state != TaskState.CLOSED,
        )
    )
    return {(row.patient_id, row.kind) for row in found}


def _limits_in_force(where: Where, patient_ids: Sequence[uuid.UUID]) -> dict[uuid.UUID, Any]:
    """The newest row of limits of each patient that has one, with the limits it sets."""
    found = _LIMITS.all(where, {"patients": patient_ids})
    return {row.patient_id: row for row in found}  # the newest is last, and counts


_LIMITS = Prepared(
    select(Limits.patient_id, Limits.upper, Limits.lower, Limits.set_at, Patient.zone)
    .join(Patient, Patient.id == Limits.patient_id)
    .where(among_those(Limits.patient_id, "patients"))
    .order_by(Limits.set_at)
)
