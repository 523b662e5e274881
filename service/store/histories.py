"""What happened to some patients of one clinic, read in a constant number of queries.

Promises the same number of queries for one patient as for three hundred, plain
rows of the domain's own types, and never a row of another clinic.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, CompoundSelect, Date, Select, bindparam, func, or_, select, union_all
from sqlalchemy.orm import Session, aliased

from service.domain import asking, days, localtime
from service.domain.days import Day, Paused, Planned, Taken
from service.domain.plan import PlanRule, phases_from_json
from service.domain.record import rules as record_rules
from service.domain.signals import heart
from service.domain.signals.facts import AfterStay, ContextTag, EpisodeClosed
from service.domain.summary import SilenceNow
from service.domain.vocabulary import CaregiverAnswer, EventKind, ResultKind, Rhythm, SilenceCause
from service.store import adjustments
from service.store.ids import Ids, among_those
from service.store.session import columns_of
from service.store.session import rows as connection_of
from service.store.tables import (
    Adjustment,
    Caregiver,
    CaregiverReply,
    Checkin,
    Clinic,
    ContextTagRow,
    EpisodeClosing,
    EventRow,
    GoalRow,
    Limits,
    Patient,
    Pause,
    Plan,
    Reading,
    Reference,
    ResultRow,
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
    sd: float | None  # of the fortnight's mean; None where figures were typed
    set_at: datetime


@dataclass(frozen=True, slots=True)
class LimitsSet:
    """The limits in force on PA diastolic, mmHg."""

    upper: float | None
    lower: float | None
    set_at: datetime


@dataclass(frozen=True, slots=True)
class GoalSet:
    """The goal that was set last and has not been ended, mmHg of PA diastolic."""

    lower: float | None
    upper: float | None
    why: str
    until: date
    set_at: datetime


@dataclass(frozen=True, slots=True)
class TagSet:
    """A tag, and when it became known."""

    tag: ContextTag
    recorded_at: datetime


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
    rule: PlanRule | None = None  # of the plan, while it is active
    asks: Mapping[str, Any] = field(default_factory=dict)  # how often each question is asked
    enrolled_on: date | None = None  # on the patient's calendar
    silent_days: int | None = None  # the patient's own, when set, else the clinic's
    dry_weight_kg: float | None = None
    goal: GoalSet | None = None
    tags: list[TagSet] = field(default_factory=list)  # of all time, and by the rhythms in the record
    adjustments: list[tuple[date, str]] = field(default_factory=list)  # (made on, what), oldest first
    zone: str = "UTC"
    closed: list[EpisodeClosed] = field(default_factory=list)  # episodes of the diary that staff closed, oldest first
    stays: list[AfterStay] = field(default_factory=list)  # by the clinic's setting, oldest first

    def asked_a_week(self, today: date) -> tuple[int, int]:
        """Readings and diaries planned a week, by what is in force on `today`; without a plan 7 and 0."""
        if self.rule is None:
            return 7, 0
        planned = self.rule.weekdays_on(today).bit_count()
        diaries = asking.diaries_a_week(self.asks, planned) if self.rule.wants_checkin else 0
        return planned if self.rule.wants_reading else 0, diaries

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

    def pause_on(self, today: date) -> Paused | None:
        """The pause that covers `today`."""
        return next((pause for pause in self.pauses if pause.covers(today)), None)

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
    """Everything the review joins, per patient, for local dates from `first` on. Fourteen queries.

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
    rows = _reader(session, clinic_id, found, since)
    people = rows(_PATIENTS)
    rules = record_rules.from_json(people[0].record_rules if people else None)  # all are of one clinic
    for row in people:
        history = found[row.id]
        history.zone, history.dry_weight_kg, history.silent_days = row.zone, row.dry_weight_kg, row.silent_days
        history.asks = row.asks
        history.enrolled_on = localtime.local_date(row.enrolled_at, row.zone)
    for row in rows(_PAUSES):
        found[row.patient_id].pauses.append(Paused(row.cause, row.from_date, row.to_date))
    for row in rows(_SILENCES):
        found[row.patient_id].silences.append(SilencePast(*row[1:]))
    for row in rows(_REFERENCES):
        found[row.patient_id].reference = ReferenceSet(*row[1:])
    for row in rows(_LIMITS):
        found[row.patient_id].limits = LimitsSet(*row[1:])
    for row in rows(_PLANS):
        history = found[row.patient_id]
        history.has_plan = True
        history.silent_days = row.silent_days or history.silent_days
        history.rule = PlanRule(
            row.weekdays, row.opens, row.due, row.closes, row.wants_reading, row.wants_checkin,
            phases_from_json(row.phases),
        )  # fmt: skip
    for row in rows(_CLOSINGS):
        found[row.patient_id].closed.append(EpisodeClosed(row.kind, row.closed_on, row.known_to, row.new_usual))
    for row in rows(_GOALS):
        found[row.patient_id].goal = GoalSet(*row[1:])
    for row in rows(_TAGS):
        tag = ContextTag(row.kind, row.from_date, row.to_date, row.offset_mmhg)
        found[row.patient_id].tags.append(TagSet(tag, row.recorded_at))
    rhythms: dict[uuid.UUID, list[Any]] = defaultdict(list)
    for row in rows(_RHYTHMS):
        rhythms[row.patient_id].append(row)
    for patient_id, some in rhythms.items():
        where = localtime.zone(found[patient_id].zone)
        heard = [(localtime.local_date(row.taken_at, where), Rhythm(row.value)) for row in some]
        found[patient_id].tags += [TagSet(tag, some[-1].entered_at) for tag in heart.unheard_by_rhythm(heard)]
    for row in rows(_DISCHARGES):
        found[row.patient_id].stays.append(rules.aftercare.after(row.to_date))
    for row in rows(_ADJUSTMENTS):
        found[row.patient_id].adjustments.append((row.made_on, row.what))
    return found


def lasting(silences: Select[*tuple[Any, ...]], since: Any) -> CompoundSelect[Any]:
    """Those of the silences asked for that have not ended, or touch `since` or later.

    Each half has an index: by one condition with OR in it every silence that these patients ever had would be read.
    """
    ever = silences.where(Silence.missed > 0)
    return union_all(
        ever.where(Silence.ended_at.is_(None)), ever.where(Silence.ended_at.is_not(None), Silence.last_date >= since)
    )


def add_days(
    session: Session,
    clinic_id: uuid.UUID,
    histories: Mapping[uuid.UUID, History],
    first: date,
    *,
    readings_from: date | None = None,
) -> None:
    """The readings, check-ins and windows of local dates from `first` on, put into `histories`. Three queries.

    Readings from `readings_from`, where that is another date.
    """
    zones = {history.zone: localtime.zone(history.zone) for history in histories.values()}
    rows = _reader(session, clinic_id, histories, first)
    for row in rows(_READINGS, since=readings_from or first):
        history = histories[row.patient_id]
        history.readings.append(_reading(row, zones[history.zone]))
    for row in rows(_CHECKINS):
        histories[row.patient_id].diary.append(Day.of_columns(row))
    for row in rows(_WINDOWS):
        histories[row.patient_id].windows.append(Planned(row.local_date, row.state, row.wants_reading, row.got_reading))


def _reader(
    session: Session, clinic_id: uuid.UUID, ids: Collection[uuid.UUID], since: date
) -> Callable[..., Sequence[Any]]:
    """What runs one of the statements below, each of which is made once, for these patients."""
    connection, given = connection_of(session), {"clinic": clinic_id, "patients": Ids(ids), "since": since}
    return lambda statement, **other: connection.execute(statement, given | other).all()


def replies(session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, since: datetime) -> list[Reply]:
    """What this patient's caregivers said since then, newest first."""
    query = (
        select(*columns_of(Reply, CaregiverReply, name=Caregiver.name))
        .join(Caregiver, Caregiver.id == CaregiverReply.caregiver_id)
        .where(
            CaregiverReply.clinic_id == clinic_id,
            CaregiverReply.patient_id == patient_id,
            CaregiverReply.at >= since,
        )
        .order_by(CaregiverReply.at.desc())
    )
    return [Reply(*row) for row in session.execute(query)]


def _of(table: Any, *columns: Any) -> Select[Any]:
    # The clinic is asked for in a way that no index answers: each of these tables has one that begins with the
    # patient, and SQLite would else read a whole clinic's days to find one person's.
    of_clinic = func.coalesce(table.clinic_id, table.patient_id) == bindparam("clinic")
    return select(table.patient_id, *columns).where(of_clinic, among_those(table.patient_id, "patients"))


def _newest(table: Any) -> ColumnElement[bool]:
    """The row of each patient that was set last."""
    other = aliased(table)
    newest = select(func.max(other.set_at)).where(other.patient_id == table.patient_id).scalar_subquery()
    condition: ColumnElement[bool] = table.set_at == newest
    return condition


def _recent_or_newest() -> ColumnElement[bool]:
    """The adjustments since then, and the newest before it."""
    other = aliased(Adjustment)
    newest = (
        select(func.max(other.made_on))
        .where(other.patient_id == Adjustment.patient_id, other.superseded_at.is_(None), other.made_on < _SINCE)
        .scalar_subquery()
    )
    return or_(Adjustment.made_on >= _SINCE, Adjustment.made_on == newest)


_SINCE = bindparam("since", type_=Date())
_PATIENTS = (
    select(
        Patient.id,
        Patient.zone,
        Patient.dry_weight_kg,
        Patient.enrolled_at,
        Clinic.silent_days,
        Clinic.asks,
        Clinic.record_rules,
    )
    .join(Clinic, Clinic.id == Patient.clinic_id)
    .where(Patient.clinic_id == bindparam("clinic"), among_those(Patient.id, "patients"))
)
_READINGS = (
    _of(
        Reading,
        Reading.local_date,
        Reading.taken_at,
        Reading.posture,
        Reading.pa_systolic,
        Reading.pa_diastolic,
        Reading.pa_mean,
        Reading.heart_rate,
        Reading.remarks,
    )
    .where(Reading.superseded_at.is_(None), Reading.local_date >= _SINCE)
    .order_by(Reading.taken_at)
)
_CHECKINS = (
    _of(
        Checkin,
        Checkin.local_date,
        Checkin.weight_unit,
        Checkin.weight_doubt,
        Checkin.safety_signs,
        *(getattr(Checkin, name) for name in days.ALIKE),
    )
    .where(Checkin.superseded_at.is_(None), Checkin.local_date >= _SINCE)
    .order_by(Checkin.local_date)
)
_WINDOWS = (
    _of(
        Window,
        Window.local_date,
        Window.state,
        Window.wants_reading,
        Window.reading_at.is_not(None).label("got_reading"),
    )
    .where(Window.local_date >= _SINCE)
    .order_by(Window.local_date)
)
_PLANS = _of(
    Plan,
    Plan.silent_days,
    Plan.weekdays,
    Plan.opens,
    Plan.due,
    Plan.closes,
    Plan.wants_reading,
    Plan.wants_checkin,
    Plan.phases,
).where(Plan.active.is_(True))
_CLOSED = (EpisodeClosing.kind, EpisodeClosing.closed_on, EpisodeClosing.known_to, EpisodeClosing.new_usual)
_CLOSINGS = _of(EpisodeClosing, *_CLOSED).order_by(EpisodeClosing.closed_at)
_PAUSES = (
    _of(Pause, Pause.cause, Pause.from_date, Pause.to_date)
    .where(Pause.cancelled_at.is_(None), or_(Pause.to_date.is_(None), Pause.to_date >= _SINCE))
    .order_by(Pause.from_date)
)
_SILENCES = lasting(
    _of(Silence, *columns_of(SilencePast, Silence, first_day=Silence.first_date, last_day=Silence.last_date)), _SINCE
).order_by("first_day")
_REFERENCES = _of(Reference, *columns_of(ReferenceSet, Reference)).where(_newest(Reference)).order_by(Reference.set_at)
_GOALS = (
    _of(GoalRow, *columns_of(GoalSet, GoalRow))
    .where(_newest(GoalRow), GoalRow.ended_at.is_(None))
    .order_by(GoalRow.set_at)
)
_TAGS = (
    _of(
        ContextTagRow,
        ContextTagRow.kind,
        ContextTagRow.from_date,
        ContextTagRow.to_date,
        ContextTagRow.offset_mmhg,
        ContextTagRow.recorded_at,
    )
    .where(ContextTagRow.cancelled_at.is_(None))
    .order_by(ContextTagRow.from_date, ContextTagRow.id)
)
_DISCHARGES = (
    _of(EventRow, EventRow.to_date)
    .where(
        EventRow.kind == EventKind.ADMISSION,
        EventRow.to_date.is_not(None),
        EventRow.superseded_at.is_(None),
        EventRow.withdrawn.is_(False),
    )
    .order_by(EventRow.to_date, EventRow.id)
)
_RHYTHMS = (
    _of(ResultRow, ResultRow.taken_at, ResultRow.value, ResultRow.entered_at)
    .where(ResultRow.kind == ResultKind.RHYTHM, ResultRow.superseded_at.is_(None), ResultRow.withdrawn.is_(False))
    .order_by(ResultRow.taken_at, ResultRow.entered_at, ResultRow.id)
)
_LIMITS = _of(Limits, *columns_of(LimitsSet, Limits)).where(_newest(Limits)).order_by(Limits.set_at)
_ADJUSTMENTS = (
    _of(Adjustment, Adjustment.made_on, Adjustment.what)
    .where(adjustments.COUNTS, _recent_or_newest())
    .order_by(*adjustments.OLDEST_FIRST)
)


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


def _before(first: date, days_before: int) -> date:
    return date.fromordinal(max(first.toordinal() - days_before, 1))
