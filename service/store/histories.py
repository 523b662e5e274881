"""What happened to some patients of one clinic, read in a constant number of queries.

Promises the same number of queries for one patient as for three hundred, plain
rows of the domain's own types, and never a row of another clinic.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, Select, func, or_, select
from sqlalchemy.orm import Session, aliased

from service.domain import days, localtime
from service.domain.days import Day, Paused, Planned, Taken
from service.domain.readings import POUNDS
from service.domain.review import PauseNow, SilenceNow
from service.domain.vocabulary import CaregiverAnswer, SafetySign, SilenceCause
from service.store.slices import slices
from service.store.tables import (
    Adjustment,
    Caregiver,
    CaregiverReply,
    Checkin,
    Clinic,
    Limits,
    Patient,
    Pause,
    Plan,
    Reading,
    Reference,
    Silence,
    Window,
)

# Days of readings before those asked for: after them it makes next to no difference what the usual hour was before.
HOUR_DAYS = 60


@dataclass(frozen=True, slots=True)
class ReferenceSet:
    """The reference in force, mmHg."""

    pa_diastolic: float
    pa_mean: float | None
    pa_systolic: float | None
    from_date: date | None
    to_date: date | None
    set_at: datetime


@dataclass(frozen=True, slots=True)
class LimitsSet:
    """The limits in force on PA diastolic, mmHg."""

    upper: float | None
    lower: float | None
    set_at: datetime


@dataclass(frozen=True, slots=True)
class SilencePast:
    """One silence, ended or not."""

    first_day: date
    last_day: date
    missed: int
    cause: SilenceCause
    ended_at: datetime | None
    ended_because: str | None


@dataclass(frozen=True, slots=True)
class Reply:
    """What a caregiver said."""

    at: datetime
    name: str
    answer: CaregiverAnswer
    until: date | None
    note: str


@dataclass(slots=True)
class History:
    """One patient's rows, from `first` on."""

    readings: list[Taken] = field(default_factory=list)
    diary: list[Day] = field(default_factory=list)
    windows: list[Planned] = field(default_factory=list)
    pauses: list[Paused] = field(default_factory=list)
    silences: list[SilencePast] = field(default_factory=list)
    reference: ReferenceSet | None = None
    limits: LimitsSet | None = None
    has_plan: bool = False
    silent_days: int | None = None  # the patient's own, when set, else the clinic's
    dry_weight_kg: float | None = None
    adjustments: list[tuple[date, str]] = field(default_factory=list)  # (made on, what), oldest first
    zone: str = "UTC"

    def joined(self, first: date, last: date, usual_hour: float | None = None) -> tuple[Day, ...]:
        """The joined days from `first` to `last`, inclusive.

        Where the usual hour before `first` is known, nothing earlier is looked at; else
        the earlier readings there are say what it was.
        """
        readings = self.readings
        if usual_hour is not None:
            readings = [taken for taken in readings if taken.day >= first]
        return days.join(
            first,
            last,
            readings=readings,
            diary=self.diary,
            windows=self.windows,
            pauses=self.pauses,
            usual_hour=usual_hour,
        )

    def pause_on(self, today: date) -> PauseNow | None:
        """The pause that covers `today`."""
        for pause in self.pauses:
            if pause.covers(today):
                return PauseNow(pause.cause, pause.from_day, pause.to_day)
        return None

    def silence_on(self, today: date) -> SilenceNow | None:
        """The silence that holds on `today`: one that has not ended, or had not by then."""
        for past in reversed(self.silences):
            if past.first_day <= today and (past.ended_at is None or past.last_day >= today):
                last = min(past.last_day, today)
                missed = min(past.missed, (last - past.first_day).days + 1)
                return SilenceNow(past.first_day, last, missed, past.cause)
        return None


def load(
    session: Session,
    clinic_id: uuid.UUID,
    patient_ids: Collection[uuid.UUID],
    first: date = date.min,
) -> dict[uuid.UUID, History]:
    """Everything the review joins, per patient, for local dates from `first` on. Ten queries per 500 patients.

    Readings begin earlier, by the days that make out a patient's usual hour.
    """
    found = load_settings(session, clinic_id, patient_ids, first)
    add_days(session, clinic_id, found, first, readings_from=_before(first, HOUR_DAYS))
    return found


def load_settings(
    session: Session, clinic_id: uuid.UUID, patient_ids: Collection[uuid.UUID], since: date
) -> dict[uuid.UUID, History]:
    """What was set for each patient, and the pauses and silences not over before `since`; no days yet."""
    found: dict[uuid.UUID, History] = {patient_id: History() for patient_id in patient_ids}
    for ids in slices(list(found)):
        _load_settings(session, clinic_id, ids, since, found)
    return found


def _load_settings(
    session: Session, clinic_id: uuid.UUID, ids: Sequence[uuid.UUID], since: date, found: dict[uuid.UUID, History]
) -> None:
    def rows(table: Any, columns: Sequence[Any], *where: ColumnElement[bool], order: Any) -> Any:
        return session.execute(_of(table, columns, clinic_id, ids, *where).order_by(order))

    patients = (
        select(Patient.id, Patient.zone, Patient.dry_weight_kg, Clinic.silent_days)
        .join(Clinic, Clinic.id == Patient.clinic_id)
        .where(Patient.clinic_id == clinic_id, Patient.id.in_(ids))
    )
    for row in session.execute(patients):
        history = found[row.id]
        history.zone, history.dry_weight_kg, history.silent_days = row.zone, row.dry_weight_kg, row.silent_days
    not_over = or_(Pause.to_date.is_(None), Pause.to_date >= since)
    for row in rows(Pause, _PAUSE, Pause.cancelled_at.is_(None), not_over, order=Pause.from_date):
        found[row.patient_id].pauses.append(Paused(row.cause, row.from_date, row.to_date))
    lasting = or_(Silence.ended_at.is_(None), Silence.last_date >= since)
    for row in rows(Silence, _SILENCE, Silence.missed > 0, lasting, order=Silence.first_date):
        found[row.patient_id].silences.append(
            SilencePast(row.first_date, row.last_date, row.missed, row.cause, row.ended_at, row.ended_because)
        )
    for row in rows(Reference, _REFERENCE, _newest(Reference), order=Reference.set_at):
        found[row.patient_id].reference = ReferenceSet(
            row.pa_diastolic, row.pa_mean, row.pa_systolic, row.from_date, row.to_date, row.set_at
        )
    for row in rows(Limits, _LIMITS, _newest(Limits), order=Limits.set_at):
        found[row.patient_id].limits = LimitsSet(row.upper, row.lower, row.set_at)
    for row in rows(Plan, (Plan.silent_days,), Plan.active.is_(True), order=Plan.patient_id):
        found[row.patient_id].has_plan = True
        found[row.patient_id].silent_days = row.silent_days or found[row.patient_id].silent_days
    still_counts = (Adjustment.superseded_at.is_(None), _recent_or_newest(since))
    for row in rows(Adjustment, (Adjustment.made_on, Adjustment.what), *still_counts, order=Adjustment.made_on):
        found[row.patient_id].adjustments.append((row.made_on, row.what))


def add_days(
    session: Session,
    clinic_id: uuid.UUID,
    histories: Mapping[uuid.UUID, History],
    first: date,
    *,
    readings_from: date | None = None,
) -> None:
    """The readings, check-ins and windows of local dates from `first` on, put into `histories`. Three queries per 500.

    Readings from `readings_from`, where that is another date.
    """

    zones = {history.zone: localtime.zone(history.zone) for history in histories.values()}
    current_readings = (Reading.superseded_at.is_(None), Reading.local_date >= (readings_from or first))
    current_checkins = (Checkin.superseded_at.is_(None), Checkin.local_date >= first)
    for ids in slices(list(histories)):
        readings = _of(Reading, _READING, clinic_id, ids, *current_readings).order_by(Reading.taken_at)
        for row in session.execute(readings):
            history = histories[row.patient_id]
            history.readings.append(_reading(row, zones[history.zone]))
        checkins = _of(Checkin, _CHECKIN, clinic_id, ids, *current_checkins).order_by(Checkin.local_date)
        for row in session.execute(checkins):
            histories[row.patient_id].diary.append(_diary(row))
        windows = _of(Window, _WINDOW, clinic_id, ids, Window.local_date >= first).order_by(Window.local_date)
        for row in session.execute(windows):
            planned = Planned(row.local_date, row.state, row.wants_reading, row.reading_at is not None)
            histories[row.patient_id].windows.append(planned)


def _of(
    table: Any, columns: Sequence[Any], clinic_id: uuid.UUID, ids: Sequence[uuid.UUID], *where: ColumnElement[bool]
) -> Select[Any]:
    # The clinic is asked for in a way that no index answers: each of these tables has one that begins with the
    # patient, and SQLite would else read a whole clinic's days to find one person's.
    of_clinic = func.coalesce(table.clinic_id, table.patient_id) == clinic_id
    return select(table.patient_id, *columns).where(of_clinic, table.patient_id.in_(ids), *where)


def _newest(table: Any) -> ColumnElement[bool]:
    """The row of each patient that was set last."""
    other = aliased(table)
    newest = select(func.max(other.set_at)).where(other.patient_id == table.patient_id).scalar_subquery()
    condition: ColumnElement[bool] = table.set_at == newest
    return condition


def _recent_or_newest(since: date) -> ColumnElement[bool]:
    """The adjustments from `since` on, and the newest before it."""
    other = aliased(Adjustment)
    newest = (
        select(func.max(other.made_on))
        .where(other.patient_id == Adjustment.patient_id, other.superseded_at.is_(None), other.made_on < since)
        .scalar_subquery()
    )
    return or_(Adjustment.made_on >= since, Adjustment.made_on == newest)


def replies(session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, since: datetime) -> list[Reply]:
    """What this patient's caregivers said since then, newest first."""
    query = (
        select(CaregiverReply.at, Caregiver.name, CaregiverReply.answer, CaregiverReply.until, CaregiverReply.note)
        .join(Caregiver, Caregiver.id == CaregiverReply.caregiver_id)
        .where(
            CaregiverReply.clinic_id == clinic_id,
            CaregiverReply.patient_id == patient_id,
            CaregiverReply.at >= since,
        )
        .order_by(CaregiverReply.at.desc())
    )
    return [Reply(*row) for row in session.execute(query)]


_READING = (
    Reading.local_date,
    Reading.taken_at,
    Reading.posture,
    Reading.pa_systolic,
    Reading.pa_diastolic,
    Reading.pa_mean,
    Reading.heart_rate,
    Reading.remarks,
)
_CHECKIN = (
    Checkin.local_date,
    Checkin.breathlessness,
    Checkin.extra_pillows,
    Checkin.woke_breathless,
    Checkin.swelling,
    Checkin.weight_kg,
    Checkin.weight_unit,
    Checkin.light_headed,
    Checkin.tiredness,
    Checkin.missed_medicines,
    Checkin.safety_signs,
    Checkin.note,
)
_WINDOW = (Window.local_date, Window.state, Window.wants_reading, Window.reading_at)
_PAUSE = (Pause.cause, Pause.from_date, Pause.to_date)
_SILENCE = (
    Silence.first_date,
    Silence.last_date,
    Silence.missed,
    Silence.cause,
    Silence.ended_at,
    Silence.ended_because,
)
_REFERENCE = (
    Reference.pa_diastolic,
    Reference.pa_mean,
    Reference.pa_systolic,
    Reference.from_date,
    Reference.to_date,
    Reference.set_at,
)
_LIMITS = (Limits.upper, Limits.lower, Limits.set_at)


def _reading(row: Any, where: ZoneInfo) -> Taken:
    at = row.taken_at.astimezone(where)
    return Taken(
        row.local_date,
        row.pa_systolic,
        row.pa_diastolic,
        row.pa_mean,
        row.heart_rate,
        tuple(row.remarks or ()),
        hour=at.hour + at.minute / 60.0,
        posture=row.posture,
    )


def _diary(row: Any) -> Day:
    return Day(
        row.local_date,
        checkin=True,
        breathlessness=row.breathlessness,
        extra_pillows=row.extra_pillows,
        woke_breathless=row.woke_breathless,
        swelling=row.swelling,
        weight_kg=row.weight_kg,
        weighed_in_pounds=row.weight_unit == POUNDS,
        light_headed=row.light_headed,
        tiredness=row.tiredness,
        missed_medicines=row.missed_medicines,
        safety_signs=tuple(SafetySign(sign) for sign in row.safety_signs or ()),
        note=row.note,
    )


def _before(first: date, days_before: int) -> date:
    return date.fromordinal(max(first.toordinal() - days_before, 1))
