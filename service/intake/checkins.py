"""Take in check-ins: the diary of one local date.

Promises that a safety answer, or a note that may be an emergency, is a task for staff in
the same transaction that keeps it, and that a second check-in of the same date corrects the
first, which stays on record. Few statements, none through the ORM: this is the busiest write.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, and_, bindparam, func, select, update
from sqlalchemy.orm import Session, aliased

from service.care import windows
from service.care.tasks import close_tasks, raise_task
from service.domain import asking, diary
from service.domain.diary import Answers, NewCheckin
from service.domain.localtime import local_date
from service.domain.tasks import LONGEST_QUOTE, AlarmWritten, SafetyAnswered, WeightDoubted
from service.domain.validation import Refused
from service.domain.vocabulary import IntakeOutcome, PatientState, Source, TaskSettled, Urgency, WeightDoubt
from service.intake import patients
from service.store import panel
from service.store.audit import Act, Actor
from service.store.guarded import guarded, set_aside
from service.store.identity import new_id
from service.store.prepared import Prepared
from service.store.session import Where, objects, read_session, rows
from service.store.tables import Adjustment, Checkin, Clinic, Patient, Task, Window
from service.store.types import begins
from service.store.upsert import CURRENT, insert_new
from service.words.language import may_be_emergency

ANSWERED_BY_US = (Source.PAGE, Source.TEXT)  # the person themselves saw our answer
HEARD_ALREADY = (Source.TEXT, Source.STAFF)  # whose words were heard when they came, or are no cry for help
TRIES = 3  # somebody else may be writing the same day's check-in at this moment


@dataclass(frozen=True, slots=True)
class RecordedCheckin:
    """The row that holds a check-in, and what whoever sent it must be told."""

    id: uuid.UUID
    outcome: IntakeOutcome
    patient_id: uuid.UUID
    local_date: date
    safety: bool  # a sign of an emergency is in it: say at once to call the number
    urgency: Urgency | None  # same_day: say at once to call the clinic today
    emergency_number: str
    contact_line: str
    corrects: uuid.UUID | None  # the earlier check-in of that date
    weight_doubt: WeightDoubt | None  # the weight is to be asked about, and compared with nothing until then


def record_checkin(
    act: Act, new: NewCheckin, *, may_correct: bool = True, its_id: uuid.UUID | None = None
) -> RecordedCheckin:
    """Take in one day's answers and everything that follows from them.

    One transaction: the check-in, its audit line, the window it belongs to, what
    it makes pointless, the mark on the review row, and for a sign of an emergency
    that was not there before, a task for staff. The same answers sent again are
    recognised and write nothing.
    Raises Refused, and writes nothing, for an answer that cannot be taken, and
    unless it `may_correct`, for a date that has other answers.
    """
    where, now = act.where, act.now
    answers = diary.checked(new.answers)
    columns = diary.as_columns(answers)
    for _ in range(TRIES):
        patient, day = _patient_on(where, act.clinic_id, new, now)
        earlier = _earlier(where, patient)
        if earlier is not None and is_repeated(earlier, day, columns, may_correct=may_correct):
            return _recorded(
                patient, IntakeOutcome.DUPLICATE, earlier.id, day, new.source, answers, earlier.weight_doubt
            )
        columns["weight_confirmed"] |= _has_confirmed(earlier, columns)
        doubt = _weight_doubt(where, patient, day, answers, confirmed=columns["weight_confirmed"])
        row = {
            "id": its_id or new_id(),
            "clinic_id": act.clinic_id,
            "patient_id": patient.id,
            "window_id": patient.window_id,
            "local_date": day,
            "answered_at": now,
            "source": new.source,
            "weight_doubt": doubt,
            "supersedes_id": patient.checkin_id,
            **columns,
        }
        if _write(rows(where), row, now):
            break
    else:
        raise Refused("local_date", day.isoformat(), "a day whose check-in nobody else is changing at this moment")
    if earlier is None:
        act.note("checkin.record", ("checkin", row["id"]))
    else:
        act.note("checkin.correct", ("checkin", row["id"]), supersedes=earlier.id)
    window_id = patient.window_id if patient.checkin_at is None else None
    if window_id is not None and not windows.note_checkin(where, window_id, now):
        with objects(where) as session:
            windows.checkin_arrived(session, patient.id, day, now)
    panel.mark_stale(where, [patient.id], now, day)
    if not diary.is_old_copy(new.source, day, now.date()):
        _tell_of_signs(act, patient, row, earlier, answers)
        if (earlier is None or earlier.note != columns["note"]) and note_alarms(new.source, answers):
            _tell_of_note(act, patient, row)
    if doubt is not None or (earlier is not None and earlier.weight_doubt is not None):
        _tell_of_weight(act, patient, row, earlier, answers)
    return _recorded(patient, IntakeOutcome.RECORDED, row["id"], day, new.source, answers, doubt)


def note_alarms(source: Source, answers: Answers) -> bool:
    """Whether what they wrote beside their answers may be an emergency: it is heard as a text is."""
    return source not in HEARD_ALREADY and may_be_emergency(answers.note)


def _tell_of_signs(act: Act, patient: Any, row: dict[str, Any], earlier: Any | None, answers: Answers) -> None:
    added = diary.new_signs(answers, () if earlier is None else earlier.safety_signs)
    if not added:
        return
    urgency = diary.urgency(answers.safety_signs) or Urgency.EMERGENCY
    number = patient.emergency_number if urgency is Urgency.EMERGENCY else patient.contact_line
    told = number if row["source"] in ANSWERED_BY_US else ""
    facts = SafetyAnswered(row["id"], row["local_date"], added, told, urgency)
    with objects(act.where) as session:
        raise_task(session, act.clinic_id, patient.id, facts, f"safety:{row['id']}", act.now)


def _tell_of_note(act: Act, patient: Any, row: dict[str, Any]) -> None:
    told = patient.emergency_number if row["source"] in ANSWERED_BY_US else ""
    facts = AlarmWritten(str(row["id"]), " ".join(row["note"].split())[:LONGEST_QUOTE], told)
    with objects(act.where) as session:
        raise_task(session, act.clinic_id, patient.id, facts, f"alarm_note:{row['id']}", act.now)


def urgency_of(source: Source, answers: Answers) -> Urgency | None:
    """What somebody who answers so is told to do."""
    return Urgency.EMERGENCY if note_alarms(source, answers) else diary.urgency(answers.safety_signs)


def try_checkin(
    session: Session, clinic_id: uuid.UUID, new: NewCheckin, now: datetime, *, may_correct: bool
) -> IntakeOutcome:
    """What `record_checkin` would answer, without writing anything. Raises Refused as it would."""
    columns = diary.as_columns(diary.checked(new.answers))
    patient, day = _patient_on(session, clinic_id, new, now)
    earlier = _earlier(session, patient)
    if earlier is not None and is_repeated(earlier, day, columns, may_correct=may_correct):
        return IntakeOutcome.DUPLICATE
    return IntakeOutcome.RECORDED


def _has_confirmed(earlier: Any | None, columns: dict[str, Any]) -> bool:
    """Whether they have said of this very weight that it is right."""
    return earlier is not None and earlier.weight_confirmed and earlier.weight_kg == columns["weight_kg"]


def _weight_doubt(where: Where, patient: Any, day: date, answers: Answers, *, confirmed: bool) -> WeightDoubt | None:
    if confirmed is not answers.weight_confirmed:
        answers = replace(answers, weight_confirmed=confirmed)
    doubt = diary.weight_doubt(answers, patient.sure_weight, None)
    if doubt is not WeightDoubt.FAR:
        return doubt
    newest = _NEWEST_WEIGHT.first(where, {"patient": patient.id, "day": day})
    return diary.weight_doubt(answers, patient.sure_weight, None if newest is None else newest.weight_kg)


def _tell_of_weight(act: Act, patient: Any, row: dict[str, Any], earlier: Any | None, answers: Answers) -> None:
    """One task while one weight of a day is in doubt, closed as soon as it is no longer."""
    day, doubt = row["local_date"], row["weight_doubt"]
    if doubt is not None and earlier is not None and earlier.weight_doubt and earlier.weight_kg == row["weight_kg"]:
        return  # told already
    of_day = f"weight:{patient.id}:{day}:"
    with objects(act.where) as session:
        if earlier is not None and earlier.weight_doubt is not None:
            which = (Task.patient_id == patient.id) & begins(Task.dedupe_key, of_day)
            close_tasks(session, which, TaskSettled.WEIGHT_KNOWN, act.now)
        given, other_kg = answers.weight, diary.in_other_unit(answers).weight_kg
        if doubt is None or given is None or other_kg is None:
            return
        if diary.is_old_copy(row["source"], day, act.now.date()):
            return
        facts = WeightDoubted(row["id"], day, given, answers.weight_unit, doubt, patient.sure_weight, other_kg)
        raise_task(session, act.clinic_id, patient.id, facts, f"{of_day}{row['id']}", act.now)


def is_repeated(earlier: Any, day: date, columns: dict[str, Any], *, may_correct: bool) -> bool:
    """Whether that day's check-in says the same already. Raises Refused for other answers that may not be corrected."""
    said = columns | {"weight_confirmed": columns["weight_confirmed"] or _has_confirmed(earlier, columns)}
    if all(getattr(earlier, name) == said[name] for name in _ANSWERS):
        return True
    if not may_correct:
        there = earlier.id
        raise Refused(
            "local_date", day.isoformat(), "a day without other answers; check-in %(checkin)s is there", checkin=there
        )
    return False


_ANSWERS = tuple(diary.as_columns(Answers()))
_SUPERSEDE = (
    update(Checkin.__table__)  # type: ignore[arg-type]
    .where(Checkin.id == bindparam("which"), Checkin.superseded_at.is_(None))
    .values(superseded_at=bindparam("at"))
)
_BEFORE = aliased(Checkin)
_EARLIER = Prepared(
    select(Checkin.id, Checkin.weight_doubt, *(getattr(Checkin, name) for name in _ANSWERS)).where(
        Checkin.id == bindparam("which")
    )
)
# The patient, the clinic's emergency number, that day's window, whether that day has a check-in,
# and the last weight before it that nobody doubts: one query.
_PATIENT_ON = (
    select(
        Patient.id,
        Patient.zone,
        Clinic.emergency_number,
        Clinic.contact_line,
        Window.id.label("window_id"),
        Window.checkin_at,
        Checkin.id.label("checkin_id"),
        select(_BEFORE.weight_kg)
        .where(
            _BEFORE.patient_id == Patient.id,
            _BEFORE.local_date < bindparam("day"),
            _BEFORE.superseded_at.is_(None),
            _BEFORE.weight_kg.is_not(None),
            _BEFORE.weight_doubt.is_(None),
        )
        .order_by(_BEFORE.local_date.desc())
        .limit(1)
        .scalar_subquery()
        .label("sure_weight"),
    )
    .join(Clinic, Clinic.id == Patient.clinic_id)
    .outerjoin(Window, and_(Window.patient_id == Patient.id, Window.local_date == bindparam("day")))
    .outerjoin(
        Checkin,
        and_(
            Checkin.patient_id == Patient.id,
            Checkin.local_date == bindparam("day"),
            Checkin.superseded_at.is_(None),
        ),
    )
    .where(Patient.clinic_id == bindparam("clinic"), Patient.state == PatientState.ACTIVE)
)
_NEWEST_WEIGHT = Prepared(
    select(Checkin.weight_kg)
    .where(
        Checkin.patient_id == bindparam("patient"),
        Checkin.local_date < bindparam("day"),
        Checkin.superseded_at.is_(None),
        Checkin.weight_kg.is_not(None),
    )
    .order_by(Checkin.local_date.desc())
    .limit(1)
)
_BY_ID = Prepared(_PATIENT_ON.where(Patient.id == bindparam("patient")))
_BY_REF = Prepared(_PATIENT_ON.where(Patient.clinic_ref == bindparam("patient")))


def _patient_on(where: Where, clinic_id: uuid.UUID, new: NewCheckin, now: datetime) -> tuple[Any, date]:
    day = new.local_date
    if day is None:
        day = patients.find_patient(where, clinic_id, new.patient).date_of(now)
    known = patients.id_of(new.patient)
    asked = {"clinic": clinic_id, "day": day, "patient": known or new.patient}
    found = (_BY_REF if known is None else _BY_ID).first(where, asked)
    if found is None:
        patients.refuse_patient(new.patient)
    today = local_date(now, found.zone)
    if day > today:  # a window of the place they have left may be a day ahead of the calendar where they are
        today = max(today, patients.find_patient(where, clinic_id, new.patient).date_of(now))
    return found, diary.checked_day(day, today)


def _earlier(where: Where, patient: Any) -> Any | None:
    """That day's check-in so far."""
    if patient.checkin_id is None:
        return None
    return _EARLIER.first(where, {"which": patient.checkin_id})


def _write(connection: Connection, row: dict[str, Any], now: datetime) -> bool:
    earlier = row["supersedes_id"]
    if earlier is not None and connection.execute(_SUPERSEDE, {"which": earlier, "at": now}).rowcount != 1:
        return False
    return insert_new(connection, Checkin.__table__, [row], ["patient_id", "local_date"], among=CURRENT) == 1


def _recorded(
    patient: Any,
    outcome: IntakeOutcome,
    checkin_id: uuid.UUID,
    day: date,
    source: Source,
    answers: Answers,
    weight_doubt: WeightDoubt | None,
) -> RecordedCheckin:
    return RecordedCheckin(
        id=checkin_id,
        outcome=outcome,
        patient_id=patient.id,
        local_date=day,
        safety=(urgency := urgency_of(source, answers)) is Urgency.EMERGENCY,
        urgency=urgency,
        emergency_number=patient.emergency_number,
        contact_line=patient.contact_line,
        corrects=patient.checkin_id if outcome is IntakeOutcome.RECORDED else None,
        weight_doubt=weight_doubt,
    )


def record_checkins(
    engine: Engine,
    clinic_id: uuid.UUID,
    new: Sequence[NewCheckin],
    actor: Actor,
    now: datetime,
    *,
    may_correct: bool,
    ids: Sequence[uuid.UUID] | None = None,
) -> list[IntakeOutcome | Refused]:
    """Take in a batch, and say of each check-in what became of it, in the order given; `ids` as for readings."""

    def take(session: Session, at: int) -> IntakeOutcome:
        act = Act(session, actor, clinic_id, now)
        return record_checkin(act, new[at], may_correct=may_correct, its_id=ids[at] if ids else None).outcome

    outcome = guarded(
        engine,
        range(len(new)),
        kind="new_checkin",
        whole=lambda session: [(at, _or_refused(session, at, take)) for at in range(len(new))],
        alone=lambda session, at: [(at, _or_refused(session, at, take))],
    )
    results = dict(pair for part in outcome.done for pair in part)
    for at, error in outcome.failed:
        results[at] = set_aside(engine, "checkin", error, now)
    return [results[at] for at in range(len(new))]


def try_checkins(
    engine: Engine, clinic_id: uuid.UUID, new: Sequence[NewCheckin], now: datetime, *, may_correct: bool
) -> list[IntakeOutcome | Refused]:
    """What `record_checkins` would answer of each by itself, without writing anything."""

    def take(session: Session, one: NewCheckin) -> IntakeOutcome:
        return try_checkin(session, clinic_id, one, now, may_correct=may_correct)

    with read_session(engine) as session:
        return [_or_refused(session, one, take) for one in new]


One = TypeVar("One")


def _or_refused(session: Session, one: One, take: Callable[[Session, One], IntakeOutcome]) -> IntakeOutcome | Refused:
    try:
        with session.begin_nested():
            return take(session, one)
    except Refused as refusal:
        return refusal


# --- what is asked ---------------------------------------------------------------------------


def questions_of(where: Where, asks: asking.Asks, patient_id: uuid.UUID, day: date) -> frozenset[str]:
    """The keys of the questions that the check-in of `day` asks this patient. One query, or two."""
    of_them = {"patient": patient_id, "first": asking.looks_back_to(day), "day": day}
    said = [(row.local_date, diary.from_columns(row)) for row in _SAID_BEFORE.all(where, of_them)]
    adjusted_on = None  # looked up where a question waits for an adjustment
    if asks.get(asking.HowOften.AFTER_CHANGE):
        adjusted_on = _ADJUSTED_ON.first(where, {"patient": patient_id, "day": day}).last
    return asking.asked_on(asks, day, said, adjusted_on)


_SAID_BEFORE = Prepared(
    select(Checkin.local_date, *(getattr(Checkin, name) for name in _ANSWERS))
    .where(
        Checkin.patient_id == bindparam("patient"),
        Checkin.local_date.between(bindparam("first"), bindparam("day")),
        Checkin.superseded_at.is_(None),
    )
    .order_by(Checkin.local_date)
)
_ADJUSTED_ON = Prepared(
    select(func.max(Adjustment.made_on).label("last")).where(
        Adjustment.patient_id == bindparam("patient"), Adjustment.made_on <= bindparam("day")
    )
)
