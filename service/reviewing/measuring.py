"""How the clinic is doing over the last weeks, from what was recorded anyway.

Three views: the measures, who was reviewed in which week, and why readings stop
(who was silent and for which cause, and what asking brought). Reads only; nothing
is asked of staff for the sake of a measure, and days before a plan began and
excused days are nobody's failure.
"""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session, aliased

from service.domain import days, localtime, measures, review
from service.domain.measures import Share, Span, Waiting
from service.domain.vocabulary import (
    AdjustmentKind,
    Outcome,
    PatientState,
    PauseCause,
    SignalKind,
    SilenceCause,
    StepKind,
    StepState,
    WindowState,
)
from service.reviewing.panel import Panel, build_panel
from service.reviewing.placing import local_date
from service.store import panel
from service.store.tables import Adjustment, Clinic, Patient, Pause, Reading, Signal, SignOff, Silence, Step, Window

WEEKS = 12
SPOKE = {Outcome.CALLED, Outcome.ADJUSTED, Outcome.VISIT_ARRANGED, Outcome.EMERGENCY_CARE}
BREAKS = {SignalKind.RISING, SignalKind.FALLING}
SAME_EPISODE_DAYS = 60  # a contact or an end later than this answers something else


@dataclass(frozen=True, slots=True)
class Week:
    first: date
    readings: Share
    reviews: Share  # signed in their week ÷ patients enrolled then
    signals: int
    nights: int


@dataclass(frozen=True, slots=True)
class Measures:
    """Whole weeks up to and with the present one, the newest last."""

    weeks: tuple[Week, ...]
    readings: Share
    reviews: Share
    first_contact: Waiting
    to_settled: Waiting
    signals: int
    episodes: int
    signals_per_100: float | None
    patient_weeks: float
    nights: int


def measure(session: Session, clinic_id: uuid.UUID, now: datetime, weeks: int = WEEKS) -> Measures:
    """The clinic's measures as of `now`, in a constant number of queries. Raises LookupError for no such clinic."""
    clinic = session.get(Clinic, clinic_id)
    if clinic is None:
        raise LookupError(f"no clinic {clinic_id}")
    today = local_date(now, clinic.zone)
    newest = review.week_of(today, clinic.review_weekday)
    first = newest - timedelta(weeks=weeks - 1)
    starts = [first + timedelta(weeks=index) for index in range(weeks)]

    everyone = patients_enrolled(session, clinic_id)
    watched = [Span(row.patient_id, local_date(row.enrolled_at, clinic.zone), None) for row in everyone if row.active]
    signals = signals_since(session, clinic_id, first)
    adjusted = adjusted_since(session, clinic_id, first)
    signed = signed_since(session, clinic_id, first)
    stays = [Span(*row) for row in stays_since(session, clinic_id, first)]
    readings = measures.by_week(readings_expected(session, clinic_id, first, today), first, weeks)

    breaks = [(who, raised) for who, kind, raised, _ in signals if kind in BREAKS]
    contacts = [(who, day) for who, day, _ in adjusted] + [
        (who, local_date(at, clinic.zone)) for who, _, at, outcome in signed if outcome in SPOKE
    ]
    changes = [(who, day) for who, day, kind in adjusted if kind not in {AdjustmentKind.CALL, AdjustmentKind.VISIT}]
    settled = [(who, ended) for who, kind, _, ended in signals if kind in BREAKS and ended is not None]
    patient_days = measures.days_inside(watched, first, today)

    def week(start: date, share: Share) -> Week:
        end = start + timedelta(days=6)
        enrolled = sum(span.first <= end for span in watched)
        on_time = sum(row[1] == start for row in signed)
        return Week(
            start,
            share,
            Share(min(on_time, enrolled), enrolled),
            sum(start <= raised <= end for _, _, raised, _ in signals),
            measures.nights_inside(stays, start, min(end + timedelta(days=1), today)),
        )

    counted = tuple(week(start, share) for start, share in zip(starts, readings, strict=True))
    return Measures(
        weeks=counted,
        readings=Share(sum(one.readings.part for one in counted), sum(one.readings.whole for one in counted)),
        reviews=Share(sum(one.reviews.part for one in counted), sum(one.reviews.whole for one in counted)),
        first_contact=measures.wait(breaks, contacts, at_most=SAME_EPISODE_DAYS),
        to_settled=measures.wait(changes, settled, at_most=SAME_EPISODE_DAYS),
        signals=len(signals),
        episodes=measures.episodes((who, raised) for who, _, raised, _ in signals),
        signals_per_100=measures.per_100_patient_weeks(len(signals), patient_days),
        patient_weeks=patient_days / 7,
        nights=sum(one.nights for one in counted),
    )


DAYS = 30
ASKING = (None, StepKind.PROMPT, StepKind.REMINDER, StepKind.NUDGE, StepKind.TASK)


@dataclass(frozen=True, slots=True)
class CalendarRow:
    """One patient's days: a mark for every date of the calendar, as in their strip."""

    patient_id: uuid.UUID
    name: str
    marks: str
    received: int
    expected: int
    usual_hour: str  # "07:30", or "" when there is no habit to tell


@dataclass(frozen=True, slots=True)
class Brought:
    """Of `still_waiting` expected readings not there when this step was reached, `came` came before the next."""

    step: StepKind | None  # None: before anything was sent
    done: int
    came: int
    still_waiting: int

    @property
    def share(self) -> float | None:
        return self.came / self.still_waiting if self.still_waiting else None


@dataclass(frozen=True, slots=True)
class Stopping:
    """The page's facts, for the `DAYS` dates that end with the clinic's own today."""

    dates: tuple[date, ...]
    calendar: tuple[CalendarRow, ...]
    causes: Mapping[SilenceCause, tuple[PastSilence, ...]]
    brought: tuple[Brought, ...]
    expected: int
    received: int
    hours: tuple[int, ...]  # readings by local hour of day, 24 numbers


def why_readings_stop(session: Session, clinic_id: uuid.UUID, now: datetime) -> Stopping:
    """Everything the page shows. Raises LookupError when there is no such clinic."""
    panel = build_panel(session, clinic_id, now)
    first = panel.today - timedelta(days=DAYS - 1)
    dates = tuple(days.dates(first, panel.today))
    silences = silences_since(session, clinic_id, first)
    by_date = readings_expected(session, clinic_id, first, panel.today)
    received, expected = sum(row[1] for row in by_date), sum(row[2] for row in by_date)
    taken = taken_since(session, clinic_id, first)
    zones = {entry.patient_id: localtime.zone(entry.zone) for entry in panel.entries}
    local = [(patient_id, at.astimezone(zones[patient_id])) for patient_id, at in taken if patient_id in zones]
    hours = Counter(at.hour for _, at in local)
    return Stopping(
        dates=dates,
        calendar=_calendar(panel, dates, local),
        causes={cause: tuple(row for row in silences if row.cause is cause) for cause in SilenceCause},
        brought=_brought(
            answered_after(session, clinic_id, first, panel.today),
            steps_done(session, clinic_id, first, panel.today),
            expected,
        ),
        expected=expected,
        received=received,
        hours=tuple(hours[hour] for hour in range(24)),
    )


def _calendar(
    panel: Panel, dates: tuple[date, ...], local: list[tuple[uuid.UUID, datetime]]
) -> tuple[CalendarRow, ...]:
    minutes: dict[uuid.UUID, list[int]] = {}
    for patient_id, at in local:
        minutes.setdefault(patient_id, []).append(at.hour * 60 + at.minute)
    rows = []
    for entry in panel.entries:
        strip = entry.summary.strip
        marks = dict(zip(days.dates(strip.first_day, entry.summary.today), strip.marks, strict=True))
        rows.append(
            CalendarRow(
                entry.patient_id,
                entry.name,
                # Where a patient's own date is behind the clinic's, their newest day has not begun.
                "".join(marks.get(day, " ") for day in dates),
                entry.summary.adherence.received,
                entry.summary.adherence.expected,
                usual_hour(minutes.get(entry.patient_id, [])),
            )
        )
    return tuple(sorted(rows, key=lambda row: (row.received / row.expected if row.expected else 2.0, row.name)))


def usual_hour(minutes: list[int]) -> str:
    """The middle of the minutes of day, when at least half of them lie within an hour of it; else ``""``."""
    if len(minutes) < 5:
        return ""
    middle = sorted(minutes)[len(minutes) // 2]
    near = sum(abs(minute - middle) <= 60 for minute in minutes)
    return f"{middle // 60:02d}:{middle % 60:02d}" if near * 2 >= len(minutes) else ""


def _brought(came: Mapping[StepKind | None, int], done: Mapping[StepKind, int], expected: int) -> tuple[Brought, ...]:
    waiting = expected
    rows = []
    for step in ASKING:
        rows.append(Brought(step, expected if step is None else done.get(step, 0), came.get(step, 0), waiting))
        waiting -= came.get(step, 0)
    return tuple(rows)


@dataclass(frozen=True, slots=True)
class Covered:
    """One review week: how many of those enrolled then were signed, and the names of those who were not."""

    first: date
    signed: int
    enrolled: int
    unsigned: tuple[str, ...]


def coverage(session: Session, clinic_id: uuid.UUID, now: datetime, weeks: int) -> list[Covered]:
    """The newest `weeks` review weeks, the present one first; two queries. Raises LookupError for no such clinic."""
    clinic = session.get(Clinic, clinic_id)
    if clinic is None:
        raise LookupError(f"no clinic {clinic_id}")
    newest = review.week_of(local_date(now, clinic.zone), clinic.review_weekday)
    starts = [newest - timedelta(weeks=back) for back in range(weeks)]
    everyone = panel.carried(session, clinic_id)
    signed = {
        (row[0], row[1])
        for row in session.execute(
            select(SignOff.patient_id, SignOff.week).where(SignOff.clinic_id == clinic_id, SignOff.week >= starts[-1])
        )
    }
    zone = localtime.zone(clinic.zone)
    covered = []
    for start in starts:
        end = localtime.first_instant(start + timedelta(days=7), time(0), zone)
        enrolled = [row for row in everyone if row.enrolled_at < end]
        unsigned = [row.name for row in enrolled if (row.patient_id, start) not in signed]
        covered.append(Covered(start, len(enrolled) - len(unsigned), len(enrolled), tuple(unsigned)))
    return covered


# --- what they are counted from: a constant number of queries, and no row where a count would do ---

EXPECTED = (WindowState.ANSWERED, WindowState.MISSED)


@dataclass(frozen=True, slots=True)
class PastSilence:
    patient_id: uuid.UUID
    patient: str
    first_day: date
    last_day: date
    missed: int
    cause: SilenceCause
    ended: bool


def silences_since(session: Session, clinic_id: uuid.UUID, first: date) -> list[PastSilence]:
    """Silences that touch `first` or later, the longest first."""
    query = (
        select(
            Silence.patient_id,
            Patient.name.label("patient"),
            Silence.first_date.label("first_day"),
            Silence.last_date.label("last_day"),
            Silence.missed,
            Silence.cause,
            Silence.ended_at.is_not(None).label("ended"),
        )
        .join(Patient, Patient.id == Silence.patient_id)
        .where(Silence.clinic_id == clinic_id, Silence.last_date >= first)
        .order_by(Silence.ended_at.is_not(None), Silence.missed.desc(), Patient.name)
    )
    return [PastSilence(**row) for row in session.execute(query).mappings()]


def answered_after(session: Session, clinic_id: uuid.UUID, first: date, last: date) -> dict[StepKind | None, int]:
    """How many expected readings came after which step: keyed by the last step done before it came.

    None counts the readings that came before anything was sent. Windows still
    without a reading are not here: see `asked`.
    """
    before = aliased(Step)
    rank = case({kind.value: place for place, kind in enumerate(StepKind)}, value=before.kind)
    query = (
        select(Window.id, func.max(rank))
        .outerjoin(
            before,
            (before.window_id == Window.id)
            & (before.state == StepState.DONE)
            & (before.settled_at <= Window.reading_at),
        )
        .where(
            Window.clinic_id == clinic_id,
            Window.local_date.between(first, last),
            Window.wants_reading,
            Window.state.in_(EXPECTED),
            Window.reading_at.is_not(None),
        )
        .group_by(Window.id)
        .subquery()
    )
    counts = select(query.c[1], func.count()).group_by(query.c[1])
    kinds: Sequence[StepKind] = list(StepKind)
    found: dict[StepKind | None, int] = {None: 0}
    for place, number in session.execute(counts):
        found[None if place is None else kinds[place]] = number
    return found


def steps_done(session: Session, clinic_id: uuid.UUID, first: date, last: date) -> dict[StepKind, int]:
    """How many expected windows had each step done."""
    query = (
        select(Step.kind, func.count(func.distinct(Step.window_id)))
        .join(Window, Window.id == Step.window_id)
        .where(
            Window.clinic_id == clinic_id,
            Window.local_date.between(first, last),
            Window.wants_reading,
            Window.state.in_(EXPECTED),
            Step.state == StepState.DONE,
        )
        .group_by(Step.kind)
    )
    return {row[0]: row[1] for row in session.execute(query)}


def readings_expected(session: Session, clinic_id: uuid.UUID, first: date, last: date) -> list[tuple[date, int, int]]:
    """(local date, received, expected) for each date with anything expected; excused days are in neither."""
    query = (
        select(Window.local_date, func.count(Window.reading_at), func.count())
        .where(
            Window.clinic_id == clinic_id,
            Window.local_date.between(first, last),
            Window.wants_reading,
            Window.state.in_(EXPECTED),
        )
        .group_by(Window.local_date)
        .order_by(Window.local_date)
    )
    return [(row[0], row[1], row[2]) for row in session.execute(query)]


def taken_since(session: Session, clinic_id: uuid.UUID, first: date) -> list[tuple[uuid.UUID, datetime]]:
    """(patient, instant) of every current reading since `first`, for the hour of day they are usually taken."""
    query = select(Reading.patient_id, Reading.taken_at).where(
        Reading.clinic_id == clinic_id, Reading.superseded_at.is_(None), Reading.local_date >= first
    )
    return [(row[0], row[1]) for row in session.execute(query)]


@dataclass(frozen=True, slots=True)
class Enrolled:
    patient_id: uuid.UUID
    enrolled_at: datetime
    active: bool


def patients_enrolled(session: Session, clinic_id: uuid.UUID) -> list[Enrolled]:
    is_active = (Patient.state == PatientState.ACTIVE).label("active")
    query = select(Patient.id.label("patient_id"), Patient.enrolled_at, is_active).where(Patient.clinic_id == clinic_id)
    return [Enrolled(**row) for row in session.execute(query).mappings()]


def signals_since(
    session: Session, clinic_id: uuid.UUID, first: date
) -> list[tuple[uuid.UUID, SignalKind, date, date | None]]:
    """(patient, kind, raised on, ended on) of every signal raised since `first`."""
    query = (
        select(Signal.patient_id, Signal.kind, Signal.raised_on, Signal.ended_on)
        .where(Signal.clinic_id == clinic_id, Signal.raised_on >= first)
        .order_by(Signal.raised_on)
    )
    return [(row[0], row[1], row[2], row[3]) for row in session.execute(query)]


def adjusted_since(session: Session, clinic_id: uuid.UUID, first: date) -> list[tuple[uuid.UUID, date, AdjustmentKind]]:
    """(patient, day, kind) of every current adjustment since `first`, calls and visits among them."""
    query = (
        select(Adjustment.patient_id, Adjustment.made_on, Adjustment.kind)
        .where(Adjustment.clinic_id == clinic_id, Adjustment.superseded_at.is_(None), Adjustment.made_on >= first)
        .order_by(Adjustment.made_on)
    )
    return [(row[0], row[1], row[2]) for row in session.execute(query)]


def signed_since(
    session: Session, clinic_id: uuid.UUID, first: date
) -> list[tuple[uuid.UUID, date, datetime, Outcome]]:
    """(patient, week, instant, outcome) of every signature for weeks since `first`."""
    query = select(SignOff.patient_id, SignOff.week, SignOff.signed_at, SignOff.outcome).where(
        SignOff.clinic_id == clinic_id, SignOff.week >= first
    )
    return [(row[0], row[1], row[2], row[3]) for row in session.execute(query)]


def stays_since(session: Session, clinic_id: uuid.UUID, first: date) -> Iterable[tuple[uuid.UUID, date, date | None]]:
    """(patient, from, to) of every pause in hospital that touches `first` or later."""
    query = select(Pause.patient_id, Pause.from_date, Pause.to_date).where(
        Pause.clinic_id == clinic_id,
        Pause.cause == PauseCause.IN_HOSPITAL,
        Pause.cancelled_at.is_(None),
        (Pause.to_date.is_(None)) | (Pause.to_date >= first),
    )
    rows: Sequence[Any] = session.execute(query).all()
    return [(row[0], row[1], row[2]) for row in rows]
