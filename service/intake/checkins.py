"""Take in check-ins: the diary of one local date.

Promises that a safety answer is a task for staff in the same transaction that
keeps it, and that a second check-in of the same date corrects the first, which
stays on record. Few statements, none through the ORM: this is the busiest write.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Engine, Row, and_, bindparam, select, update
from sqlalchemy.orm import Session, aliased

from service.care import windows
from service.care.tasks import raise_task
from service.domain import diary
from service.domain.diary import Answers, NewCheckin
from service.domain.localtime import local_date, zone
from service.domain.tasks import SafetyAnswered
from service.domain.validation import Refused
from service.domain.vocabulary import IntakeOutcome, PatientState, SafetySign, Source
from service.intake import patients
from service.store import panel
from service.store.audit import Act, Actor
from service.store.guarded import guarded
from service.store.quarantine import quarantine
from service.store.session import Where, objects, read_session, rows, write_session
from service.store.tables import Checkin, Clinic, Patient, Window
from service.store.upsert import CURRENT, insert_new

TRIES = 3  # somebody else may be writing the same day's check-in at this moment


@dataclass(frozen=True, slots=True)
class RecordedCheckin:
    """The row that holds a check-in, and what whoever sent it must be told."""

    id: uuid.UUID
    outcome: IntakeOutcome
    patient_id: uuid.UUID
    local_date: date
    safety: bool  # a sign of an emergency is in it: say at once to call the number
    emergency_number: str
    corrects: uuid.UUID | None  # the earlier check-in of that date
    remarks: tuple[str, ...]


def record_checkin(act: Act, new: NewCheckin, *, may_correct: bool = True) -> RecordedCheckin:
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
            return _recorded(patient, IntakeOutcome.DUPLICATE, earlier.id, day, answers, tuple(earlier.remarks))
        odd = columns["weight_kg"] is not None and diary.is_odd_weight(columns["weight_kg"], patient.last_weight)
        remarks = (diary.ODD_WEIGHT,) if odd else ()
        row = {
            "id": uuid.uuid4(),
            "clinic_id": act.clinic_id,
            "patient_id": patient.id,
            "window_id": patient.window_id,
            "local_date": day,
            "answered_at": now,
            "source": new.source,
            "remarks": list(remarks),
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
    if added := diary.new_signs(answers, () if earlier is None else earlier.safety_signs):
        signs = NewSigns(row["id"], act.clinic_id, patient.id, day, new.source, added)
        with objects(where) as session:
            raise_task_for(session, signs, patient.emergency_number, now)
    return _recorded(patient, IntakeOutcome.RECORDED, row["id"], day, answers, remarks)


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


def is_repeated(earlier: Row[Any], day: date, columns: dict[str, Any], *, may_correct: bool) -> bool:
    """Whether that day's check-in says the same already. Raises Refused for other answers that may not be corrected."""
    if all(getattr(earlier, name) == columns[name] for name in _ANSWERS):
        return True
    if not may_correct:
        accepted = f"a day without other answers; check-in {earlier.id} is there"
        raise Refused("local_date", day.isoformat(), accepted)
    return False


_ANSWERS = tuple(diary.as_columns(Answers()))
_SUPERSEDE = (
    update(Checkin.__table__)  # type: ignore[arg-type]
    .where(Checkin.id == bindparam("which"), Checkin.superseded_at.is_(None))
    .values(superseded_at=bindparam("at"))
)
_BEFORE = aliased(Checkin)
_EARLIER = select(Checkin.id, Checkin.remarks, *(getattr(Checkin, name) for name in _ANSWERS)).where(
    Checkin.id == bindparam("which")
)
# The patient, the clinic's emergency number, that day's window, whether that day has a check-in,
# and the last weight before it: one query.
_PATIENT_ON = (
    select(
        Patient.id,
        Patient.zone,
        Clinic.emergency_number,
        Window.id.label("window_id"),
        Window.checkin_at,
        Checkin.id.label("checkin_id"),
        select(_BEFORE.weight_kg)
        .where(
            _BEFORE.patient_id == Patient.id,
            _BEFORE.local_date < bindparam("day"),
            _BEFORE.superseded_at.is_(None),
            _BEFORE.weight_kg.is_not(None),
        )
        .order_by(_BEFORE.local_date.desc())
        .limit(1)
        .scalar_subquery()
        .label("last_weight"),
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
_BY_ID = _PATIENT_ON.where(Patient.id == bindparam("patient"))
_BY_REF = _PATIENT_ON.where(Patient.clinic_ref == bindparam("patient"))


def _patient_on(where: Where, clinic_id: uuid.UUID, new: NewCheckin, now: datetime) -> tuple[Row[Any], date]:
    day = new.local_date
    if day is None:
        day = local_date(now, zone(patients.find_patient(where, clinic_id, new.patient).zone))
    known = patients.id_of(new.patient)
    asked = {"clinic": clinic_id, "day": day, "patient": known or new.patient}
    found = rows(where).execute(_BY_REF if known is None else _BY_ID, asked).first()
    if found is None:
        patients.refuse_patient(new.patient)
    return found, diary.checked_day(day, local_date(now, zone(found.zone)))


def _earlier(where: Where, patient: Row[Any]) -> Row[Any] | None:
    """That day's check-in so far."""
    if patient.checkin_id is None:
        return None
    return rows(where).execute(_EARLIER, {"which": patient.checkin_id}).one()


def _write(connection: Connection, row: dict[str, Any], now: datetime) -> bool:
    earlier = row["supersedes_id"]
    if earlier is not None and connection.execute(_SUPERSEDE, {"which": earlier, "at": now}).rowcount != 1:
        return False
    return insert_new(connection, Checkin.__table__, [row], ["patient_id", "local_date"], among=CURRENT) == 1


def _recorded(
    patient: Row[Any],
    outcome: IntakeOutcome,
    checkin_id: uuid.UUID,
    day: date,
    answers: Answers,
    remarks: tuple[str, ...],
) -> RecordedCheckin:
    return RecordedCheckin(
        id=checkin_id,
        outcome=outcome,
        patient_id=patient.id,
        local_date=day,
        safety=bool(answers.safety_signs),
        emergency_number=patient.emergency_number,
        corrects=patient.checkin_id if outcome is IntakeOutcome.RECORDED else None,
        remarks=remarks,
    )


def record_checkins(
    engine: Engine,
    clinic_id: uuid.UUID,
    new: Sequence[NewCheckin],
    actor: Actor,
    now: datetime,
    *,
    may_correct: bool,
) -> list[IntakeOutcome | Refused]:
    """Take in a batch, and say of each check-in what became of it, in the order given."""

    def take(session: Session, one: NewCheckin) -> IntakeOutcome:
        return record_checkin(Act(session, actor, clinic_id, now), one, may_correct=may_correct).outcome

    outcome = guarded(
        engine,
        range(len(new)),
        whole=lambda session: [(at, _or_refused(session, one, take)) for at, one in enumerate(new)],
        alone=lambda session, at: [(at, _or_refused(session, new[at], take))],
    )
    results = dict(pair for part in outcome.done for pair in part)
    for at, error in outcome.failed:
        subject = ("new_checkin", uuid.uuid4())
        with write_session(engine) as session:
            quarantine(session, subject, error, now)
        ours = f"one that the service can write; this is a fault of ours, noted as {subject[1]}"
        results[at] = Refused("checkin", None, ours)
    return [results[at] for at in range(len(new))]


def try_checkins(
    engine: Engine, clinic_id: uuid.UUID, new: Sequence[NewCheckin], now: datetime, *, may_correct: bool
) -> list[IntakeOutcome | Refused]:
    """What `record_checkins` would answer of each by itself, without writing anything."""

    def take(session: Session, one: NewCheckin) -> IntakeOutcome:
        return try_checkin(session, clinic_id, one, now, may_correct=may_correct)

    with read_session(engine) as session:
        return [_or_refused(session, one, take) for one in new]


def _or_refused(
    session: Session, one: NewCheckin, take: Callable[[Session, NewCheckin], IntakeOutcome]
) -> IntakeOutcome | Refused:
    try:
        with session.begin_nested():
            return take(session, one)
    except Refused as refusal:
        return refusal


ANSWERED_BY_US = (Source.PAGE, Source.TEXT)  # the person themselves saw our answer
COPIED = (Source.API, Source.FILE)  # may tell of days long past
NEWS = timedelta(days=2)


@dataclass(frozen=True, slots=True)
class NewSigns:
    """A check-in with signs that the day's earlier one did not have."""

    checkin_id: uuid.UUID
    clinic_id: uuid.UUID
    patient_id: uuid.UUID
    day: date
    source: Source
    signs: tuple[SafetySign, ...]


def raise_task_for(session: Session, signs: NewSigns, emergency_number: str, now: datetime) -> None:
    """Raise the task. A sign copied from an old notebook is for the review, not for somebody's evening."""
    if signs.source in COPIED and signs.day < now.date() - NEWS:
        return
    told_to_call = emergency_number if signs.source in ANSWERED_BY_US else ""
    raise_task(
        session,
        signs.clinic_id,
        signs.patient_id,
        SafetyAnswered(signs.checkin_id, signs.day, signs.signs, told_to_call),
        f"safety:{signs.checkin_id}",
        now,
    )
