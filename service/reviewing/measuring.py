"""How the clinic is doing over the last weeks, from what was recorded anyway.

Two views: the measures, and why readings stop (who was silent and for which cause, and
what asking brought). Reads only; nothing is asked of staff for the sake of a measure,
and days before a plan began and excused days are nobody's failure. What a patient brought
along from another clinic is not counted here (`covering.Here`).
"""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import ColumnElement, String, and_, case, cast, func, or_, select
from sqlalchemy.orm import Session

from service.domain import days, localtime, measures
from service.domain.localtime import local_date
from service.domain.measures import Figures, Share, Span
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
from service.reviewing.covering import Here, looked_after
from service.reviewing.panel import Panel, build_panel, clinic_of
from service.reviewing.placing import current_week
from service.store import signatures
from service.store.adjustments import COUNTS
from service.store.identity import none_made_before
from service.store.session import columns_of
from service.store.tables import (
    Adjustment,
    Clinic,
    Patient,
    Pause,
    Reading,
    ReviewAddition,
    Signal,
    SignOff,
    Silence,
    Step,
    Window,
)

WEEKS = 26
QUARTER = 13  # weeks that are told together, and the weeks before to which they are compared
SPOKE = {Outcome.CALLED, Outcome.ADJUSTED, Outcome.VISIT_ARRANGED, Outcome.EMERGENCY_CARE}
BREAKS = {SignalKind.RISING, SignalKind.FALLING}
SIX = timedelta(days=6)
SAME_EPISODE_DAYS = 60  # a contact or an end later than this answers something else


@dataclass(frozen=True, slots=True)
class Week:
    """One review week; `running`: it is not over, and counts in no figure of several weeks."""

    first: date
    running: bool
    figures: Figures


@dataclass(frozen=True, slots=True)
class Measures:
    """Weeks from the first with a patient on, at most `WEEKS` whole ones and the running one, the newest last.

    `lately`: the newest `QUARTER` whole weeks; `before`: as many before them as there are, None for none.
    """

    weeks: tuple[Week, ...]
    lately: Figures
    before: Figures | None


def measure(session: Session, clinic_id: uuid.UUID, now: datetime, weeks: int = WEEKS) -> Measures:
    """The clinic's measures as of `now`, in a constant number of queries. Raises LookupError for no such clinic."""
    clinic = clinic_of(session, clinic_id)
    today, newest = local_date(now, clinic.zone), current_week(clinic, now)
    found = _counted_since(session, clinic, newest - timedelta(weeks=weeks), today)
    begun = min((span.first for span in found.watched), default=today)
    every = [newest - timedelta(weeks=back) for back in range(weeks, -1, -1)]
    starts = [start for start in every if start + SIX >= begun]
    whole = [start for start in starts if start != newest]
    lately, before = whole[-QUARTER:], whole[-2 * QUARTER : -QUARTER]
    return Measures(
        tuple(Week(start, start == newest, found.over([start])) for start in starts),
        found.over(lately),
        found.over(before) if before else None,
    )


@dataclass(frozen=True, slots=True)
class _Counted:
    """Everything the figures are counted from, as of `today`."""

    today: date
    watched: Sequence[Span]
    readings: Sequence[tuple[date, int, int]]
    signals: Sequence[date]
    episodes: Sequence[date]
    contacts: Sequence[tuple[date, int | None]]  # of each break in pressure
    settled: Sequence[tuple[date, int | None]]  # of each change of treatment
    stays: Sequence[Span]
    signed: Mapping[date, int]  # of each week
    reviewed_since: date  # the first week that anybody ever signed in

    def over(self, starts: Sequence[date]) -> Figures:
        """The figures of these weeks, which follow one another."""
        if not starts:
            return Figures(0, Share(0, 0), Share(0, 0), measures.waiting(()), measures.waiting(()), 0, 0, 0, 0)
        first, last = starts[0], min(starts[-1] + SIX, self.today)
        signed, enrolled = 0, 0
        for start in starts:
            if start >= self.reviewed_since:
                end = start + SIX
                there = sum(span.first <= end and (span.last or end) >= start for span in self.watched)
                signed, enrolled = signed + min(self.signed.get(start, 0), there), enrolled + there
        return Figures(
            weeks=len(starts),
            readings=measures.share(self.readings, first, last),
            reviews=Share(signed, enrolled),
            first_contact=measures.waiting(days for day, days in self.contacts if first <= day <= last),
            to_settled=measures.waiting(days for day, days in self.settled if first <= day <= last),
            signals=sum(first <= day <= last for day in self.signals),
            episodes=sum(first <= day <= last for day in self.episodes),
            patient_days=measures.days_inside(self.watched, first, last),
            nights=measures.nights_inside(self.stays, first, min(last + timedelta(days=1), self.today)),
        )


def _counted_since(session: Session, clinic: Clinic, first: date, today: date) -> _Counted:
    watched = looked_after(session, clinic)
    here = Here(watched)
    signals = [one for one in _signals(session, clinic.id, first) if here.on(one[0], one[2])]
    adjusted = [one for one in _adjusted(session, clinic.id, first) if here.on(one[0], one[1])]
    signed = _signed(session, clinic.id, first)
    spoken = [(who, at, outcome) for who, _, at, outcome in signed] + _added(session, clinic.id, first)
    breaks = [(who, raised) for who, kind, raised, _ in signals if kind in BREAKS]
    contacts = [(who, day) for who, day, _ in adjusted]
    contacts += [(who, local_date(at, clinic.zone)) for who, at, outcome in spoken if outcome in SPOKE]
    changes = [(who, day) for who, day, kind in adjusted if kind not in {AdjustmentKind.CALL, AdjustmentKind.VISIT}]
    ended = [(who, end) for who, kind, _, end in signals if kind in BREAKS and end is not None]
    of_week = Counter(week for _, week, _, _ in signed)
    since = session.scalar(select(func.min(SignOff.week)).where(SignOff.clinic_id == clinic.id, signatures.COUNTS))
    return _Counted(
        today,
        watched,
        _by_date(session, _expected(clinic.id, first, today, here)),
        [raised for _, _, raised, _ in signals],
        measures.episodes((who, raised) for who, _, raised, _ in signals),
        measures.waits(breaks, contacts, at_most=SAME_EPISODE_DAYS),
        measures.waits(changes, ended, at_most=SAME_EPISODE_DAYS),
        [part for stay in _stays(session, clinic.id, first) for part in here.part(stay)],
        of_week,
        since or date.max,
    )


DAYS = 30
FEWEST_ASKED = 20  # of fewer no share is told; our own, no source
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
class PastSilence:
    """One silence; `missed` readings in it."""

    patient_id: uuid.UUID
    patient: str
    first_day: date
    last_day: date
    missed: int
    cause: SilenceCause
    ended: bool


@dataclass(frozen=True, slots=True)
class Brought:
    """Of the expected readings for which this step was done before they had come, those that came before the next.

    What came after a step need not have come because of it: nobody knows what would have come without.
    """

    step: StepKind | None  # None: before anything was sent, of all that were expected
    came: Share

    @property
    def is_enough(self) -> bool:
        """Whether the share tells anything yet."""
        return self.came.whole >= FEWEST_ASKED


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
    here = Here(looked_after(session, clinic_of(session, clinic_id)))
    of_all = _silences(session, clinic_id, first)
    silences = [one for one in of_all if here.part(Span(one.patient_id, one.first_day, one.last_day))]
    windows = _expected(clinic_id, first, panel.today, here)
    of_each = _by_patient(session, windows)
    received, expected = (sum(share.part for share in of_each.values()), sum(share.whole for share in of_each.values()))
    current = (Reading.clinic_id == clinic_id, Reading.superseded_at.is_(None), Reading.local_date >= first)
    taken = session.execute(select(Reading.patient_id, Reading.local_date, Reading.taken_at).where(*current))
    zones = {entry.patient_id: localtime.zone(entry.zone) for entry in panel.entries}
    local = [(who, at.astimezone(zones[who])) for who, day, at in taken if who in zones and here.on(who, day)]
    hours = Counter(at.hour for _, at in local)
    return Stopping(
        dates=dates,
        calendar=_calendar(panel, dates, here, of_each, local),
        causes={cause: tuple(row for row in silences if row.cause is cause) for cause in SilenceCause},
        brought=_brought(*_taken(session, windows), expected),
        expected=expected,
        received=received,
        hours=tuple(hours[hour] for hour in range(24)),
    )


def _calendar(
    panel: Panel,
    dates: tuple[date, ...],
    here: Here,
    of_each: Mapping[uuid.UUID, Share],
    local: list[tuple[uuid.UUID, datetime]],
) -> tuple[CalendarRow, ...]:
    minutes: dict[uuid.UUID, list[int]] = {}
    for patient_id, at in local:
        minutes.setdefault(patient_id, []).append(at.hour * 60 + at.minute)
    rows = []
    for entry in panel.entries:
        strip = entry.summary.strip
        marks = dict(zip(days.dates(strip.first_day, entry.summary.today), strip.marks, strict=True))
        share = of_each.get(entry.patient_id, Share(0, 0))
        rows.append(
            CalendarRow(
                entry.patient_id,
                entry.name,
                # Where a patient's own date is behind the clinic's, their newest day has not begun.
                "".join(marks.get(day, " ") if here.on(entry.patient_id, day) else " " for day in dates),
                share.part,
                share.whole,
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
    asked = {None: expected} | dict(done)
    return tuple(Brought(step, Share(came.get(step, 0), asked.get(step, 0))) for step in ASKING)


# --- what they are counted from: a constant number of queries, and no row where a count would do ---


def _expected(clinic_id: uuid.UUID, first: date, last: date, here: Here) -> ColumnElement[bool]:
    """The windows in which a reading was expected; excused days are not among them."""
    return and_(
        Window.clinic_id == clinic_id,
        here.windows(first),
        Window.local_date.between(first, last),
        Window.wants_reading,
        Window.state.in_((WindowState.ANSWERED, WindowState.MISSED)),
    )


def _by_date(session: Session, expected: ColumnElement[bool]) -> Sequence[tuple[date, int, int]]:
    """(local date, received, expected) for each date with anything expected."""
    query = select(Window.local_date, func.count(Window.reading_at), func.count()).where(expected)
    return session.execute(query.group_by(Window.local_date).order_by(Window.local_date)).all()


def _by_patient(session: Session, expected: ColumnElement[bool]) -> Mapping[uuid.UUID, Share]:
    """How many came of those expected of each patient of whom anything was."""
    query = select(Window.patient_id, func.count(Window.reading_at), func.count()).where(expected)
    rows = session.execute(query.group_by(Window.patient_id))
    return {who: Share(received, whole) for who, received, whole in rows}


def _taken(
    session: Session, expected: ColumnElement[bool]
) -> tuple[Mapping[StepKind | None, int], Mapping[StepKind, int]]:
    """How many expected readings came after which step, and how many expected windows had each step done.

    The step is the last one done before the reading came; None counts those that came before anything was sent.

    Both are asked for window by window, as one number: as a join, PostgreSQL reads the steps of all clinics.
    """
    kinds = list(StepKind)
    place = case({kind.value: number for number, kind in enumerate(kinds, 1)}, value=Step.kind)
    flag = case({kind.value: 1 << number for number, kind in enumerate(kinds)}, value=Step.kind)
    last = func.max(case((Step.settled_at <= Window.reading_at, place), else_=0))
    # Not the first in the order of ids: PostgreSQL would look for it among all windows in that order.
    oldest = session.scalar(select(func.min(cast(Window.id, String))).where(expected))
    since = none_made_before([uuid.UUID(oldest)] if oldest else [])
    its = (Step.window_id == Window.id, Step.id >= since, Step.state == StepState.DONE)
    both = select(last * (1 << len(kinds)) + func.sum(flag.distinct())).where(*its).correlate(Window).scalar_subquery()
    of_each = select(both.label("steps"), Window.reading_at.is_not(None).label("came")).where(expected).subquery()
    counted = select(of_each.c.steps, of_each.c.came, func.count()).group_by(of_each.c.steps, of_each.c.came)
    came, done = Counter[StepKind | None](), Counter[StepKind]()
    for steps, has_come, number in session.execute(counted):
        before, flags = divmod(steps or 0, 1 << len(kinds))
        if has_come:
            came[kinds[before - 1] if before else None] += number
        done.update({kind: number for place, kind in enumerate(kinds) if flags >> place & 1})
    return came, done


def _silences(session: Session, clinic_id: uuid.UUID, first: date) -> list[PastSilence]:
    """Silences that touch `first` or later, the longest first."""
    ended = or_(Silence.ended_at.is_not(None), Patient.state == PatientState.ENDED)  # who is not asked is not silent
    named = {"patient": Patient.name, "first_day": Silence.first_date, "last_day": Silence.last_date, "ended": ended}
    query = (
        select(*columns_of(PastSilence, Silence, **named))
        .join(Patient, Patient.id == Silence.patient_id)
        .where(Silence.clinic_id == clinic_id, Patient.clinic_id == clinic_id, Silence.last_date >= first)
        .order_by(ended, Silence.missed.desc(), Patient.name)
    )
    return [PastSilence(*row) for row in session.execute(query)]


def _signals(
    session: Session, clinic_id: uuid.UUID, first: date
) -> Sequence[tuple[uuid.UUID, SignalKind, date, date | None]]:
    """(patient, kind, raised on, ended on) of every signal raised since `first`."""
    query = select(Signal.patient_id, Signal.kind, Signal.raised_on, Signal.ended_on)
    return session.execute(query.where(Signal.clinic_id == clinic_id, Signal.raised_on >= first)).all()


def _adjusted(session: Session, clinic_id: uuid.UUID, first: date) -> Sequence[tuple[uuid.UUID, date, AdjustmentKind]]:
    """(patient, day, kind) of every current adjustment since `first`, calls and visits among them."""
    query = select(Adjustment.patient_id, Adjustment.made_on, Adjustment.kind)
    return session.execute(query.where(Adjustment.clinic_id == clinic_id, COUNTS, Adjustment.made_on >= first)).all()


def _signed(
    session: Session, clinic_id: uuid.UUID, first: date
) -> Sequence[tuple[uuid.UUID, date, datetime, Outcome | None]]:
    """(patient, week, instant, outcome) of every signature for weeks since `first`."""
    query = select(SignOff.patient_id, SignOff.week, SignOff.signed_at, SignOff.outcome)
    return session.execute(query.where(SignOff.clinic_id == clinic_id, signatures.COUNTS, SignOff.week >= first)).all()


def _added(session: Session, clinic_id: uuid.UUID, first: date) -> list[tuple[uuid.UUID, datetime, Outcome | None]]:
    """(patient, instant, outcome) of every addition to a signature for weeks since `first`."""
    query = (
        select(ReviewAddition.patient_id, ReviewAddition.added_at, ReviewAddition.outcome)
        .join(SignOff, SignOff.id == ReviewAddition.sign_off_id)
        .where(ReviewAddition.clinic_id == clinic_id, SignOff.week >= first)
    )
    return [(who, at, outcome) for who, at, outcome in session.execute(query)]


def _stays(session: Session, clinic_id: uuid.UUID, first: date) -> list[Span]:
    """Every pause in hospital that touches `first` or later."""
    query = select(Pause.patient_id, Pause.from_date, Pause.to_date).where(
        Pause.clinic_id == clinic_id,
        Pause.cause == PauseCause.IN_HOSPITAL,
        Pause.cancelled_at.is_(None),
        (Pause.to_date.is_(None)) | (Pause.to_date >= first),
    )
    return [Span(*row) for row in session.execute(query)]
