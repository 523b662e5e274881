"""Everything the patient page shows of one patient, on one time axis.

Reads only. The first part is the same entry as on the panel, so that the two
pages never tell different stories.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import partial
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care import recorded
from service.domain import factjson
from service.domain.days import Day, Paused
from service.domain.localtime import local_date, zone
from service.domain.record.goals import SPANS, InRange, in_range
from service.domain.record.medicines import Course
from service.domain.record.now import Aim, Recorded
from service.domain.record.results import TimedResult
from service.domain.seals import Seal
from service.domain.signals.facts import EIGHTY, ContextTag, scale_shift
from service.domain.signals.rules import STILL_NEWS
from service.domain.since import LaterDay, later_days
from service.domain.summary import Summary, TrendSummary
from service.domain.validation import NotHere
from service.domain.vocabulary import AdjustmentKind, Channel, EventKind, MessageKind, MessageState, Outcome
from service.reports.tracks import Ahead, Mark, MarkRow, Timeline
from service.reviewing.panel import PanelEntry, gather
from service.store import histories, legible, panel, seals, signatures
from service.store.adjustments import COUNTS, NEWEST_FIRST
from service.store.histories import GoalSet, LimitsSet, ReferenceSet, Reply, SilencePast
from service.store.identity import none_made_within
from service.store.ids import among
from service.store.names import staff_name
from service.store.tables import (
    Adjustment,
    Clinic,
    Contact,
    GoalRow,
    Message,
    Patient,
    ReviewAddition,
    SignOff,
    SignOffWithdrawal,
)
from service.words.labels import label, title
from service.words.language import Language
from service.words.sentences import record
from service.words.sentences import review as words

RANGES = (90, 30, 365)  # days; the first is shown first
ALL = 3660  # days, at most: the whole record
AHEAD_DAYS = 14
UNSAID = "–"  # whose name was altered


@dataclass(frozen=True, slots=True)
class AdjustmentShown:
    """One adjustment, current or superseded."""

    id: uuid.UUID
    kind: AdjustmentKind
    what: str
    made_on: date
    by: str
    recorded_at: datetime
    follow_up_on: date | None
    follow_up_what: str
    followed_up_at: datetime | None
    medicine_id: uuid.UUID | None
    person_id: uuid.UUID | None
    superseded_at: datetime | None
    seal: Seal


@dataclass(frozen=True, slots=True)
class AddedReview:
    """One addition to a signed review."""

    id: uuid.UUID
    number: int
    by: str
    at: datetime
    added_on: date  # on the clinic's calendar
    outcome: Outcome | None  # None: altered until nobody can read it, as `frozen` is empty then
    note: str
    frozen: dict[str, Any]
    frozen_hash: str
    seal: Seal


@dataclass(frozen=True, slots=True)
class SignedReview:
    """One signed review, with what was added to it since, the earliest first."""

    id: uuid.UUID
    week: date
    by: str
    at: datetime
    signed_on: date  # on the clinic's calendar
    additions: tuple[AddedReview, ...]
    outcome: Outcome | None  # None: altered until nobody can read it, as `frozen` is empty then
    note: str
    next_look: date | None
    frozen: dict[str, Any]
    frozen_hash: str
    seal: Seal
    taken_back_at: datetime | None


@dataclass(frozen=True, slots=True)
class SentMessage:
    """One message of ours to the patient, as a mark on the axis."""

    day: date
    kind: MessageKind
    channel: Channel
    state: MessageState
    reason: str | None
    text: str = ""  # of one that was sent by hand


@dataclass(frozen=True, slots=True)
class GoalSpan:
    """A goal and the local dates on which it was in force, both ends included."""

    lower: float | None
    upper: float | None
    why: str
    first: date
    last: date


@dataclass(frozen=True, slots=True)
class PatientReview:
    """One patient over `days`; the last of them is the patient's own today."""

    entry: PanelEntry
    patient: Patient
    contacts: tuple[Contact, ...]
    days: tuple[Day, ...]
    reference: ReferenceSet | None
    limits: LimitsSet | None
    goal: GoalSet | None  # in force
    in_range: tuple[InRange, ...]  # of the newest goal, in force or over
    goals: tuple[GoalSpan, ...]  # that were in force on these days, the earliest first
    tags: tuple[ContextTag, ...]  # of these days, the earliest first
    silences: tuple[SilencePast, ...]
    pauses: tuple[Paused, ...]
    replies: tuple[Reply, ...]
    adjustments: tuple[AdjustmentShown, ...]  # newest first, of the whole record
    reviews: tuple[SignedReview, ...]  # newest first, of the whole record
    messages: tuple[SentMessage, ...]
    ahead: tuple[Ahead, ...]  # the forecast
    recorded: Recorded
    as_of: datetime

    @property
    def placed(self) -> PanelEntry | None:
        """Where the review puts the patient; nowhere who has died."""
        return None if self.recorded.death else self.entry

    @property
    def weighed(self) -> tuple[float, date] | None:
        """The newest weight of these days that may be compared, kg."""
        known = ((day.sure_weight_kg, day.day) for day in reversed(self.days))
        return next(((weight, on) for weight, on in known if weight is not None), None)


def build_patient(
    session: Session,
    clinic_id: uuid.UUID,
    patient_id: uuid.UUID,
    now: datetime,
    days: int = 30,
    until: date | None = None,
) -> PatientReview:
    """The page's facts for the `days` up to the patient's own today, or up to `until`.

    Raises NotHere for a patient that is not this clinic's, or a last day that has not come.
    """
    clinic = session.get(Clinic, clinic_id)
    patient = session.get(Patient, patient_id)
    if clinic is None or patient is None or patient.clinic_id != clinic_id:
        raise NotHere(f"no patient {patient_id}")
    today = until or local_date(now, patient.zone)
    if today > local_date(now, patient.zone):
        raise NotHere(f"{today} has not come")
    entry = gather(session, clinic, now, patient_id, as_of=until)[0]
    first = today - timedelta(days=days - 1)
    known = recorded.load_one(session, patient_id, today)
    if until is not None:
        known = known.until(until, zone(patient.zone))
    earliest = min(first, today - timedelta(days=max(SPANS)))
    history = histories.load(session, clinic_id, [patient_id], earliest)[patient_id]
    return PatientReview(
        entry=entry,
        patient=patient,
        contacts=tuple(
            session.scalars(select(Contact).where(Contact.patient_id == patient_id).order_by(Contact.position))
        ),
        days=history.joined(first, today),
        reference=history.reference,
        limits=history.limits,
        goal=None if known.death else _in_force(history.goal, today),
        in_range=() if known.death else _in_range(known.aim, history, today),
        goals=tuple(
            goal
            for goal in goals_of(session, {patient_id: patient.zone}).get(patient_id, ())
            if goal.first <= today and goal.last >= first
        ),
        tags=tuple(one.tag for one in history.tags if one.tag.from_day <= today and (one.tag.to_day or today) >= first),
        silences=tuple(past for past in history.silences if past.last_day >= first),
        pauses=tuple(pause for pause in history.pauses if pause.from_day <= today and (pause.to_day or today) >= first),
        replies=tuple(histories.replies(session, clinic_id, patient_id, now - timedelta(days=days))),
        adjustments=adjustments_of(session, clinic_id, patient_id),
        reviews=reviews_of(session, clinic, patient_id),
        messages=_messages(session, clinic_id, patient, timedelta(days=days), now),
        ahead=() if known.death or not _is_current(entry.summary, today) else ahead_of(entry.summary.trend, today),
        recorded=known,
        as_of=now,
    )


def _in_force(goal: GoalSet | None, today: date) -> GoalSet | None:
    return goal if goal is not None and today <= goal.until else None


def _in_range(aim: Aim | None, history: histories.History, today: date) -> tuple[InRange, ...]:
    """The spans of the newest goal, each day's value on the scale that the sensor has today."""
    if aim is None:
        return ()
    tags = [one.tag for one in history.tags if one.tag.from_day <= today]
    read = history.joined(today - timedelta(days=max(SPANS) - 1), today)
    values = [
        (one.day, None if one.pa_diastolic is None else one.pa_diastolic + scale_shift(tags, one.day)) for one in read
    ]
    return tuple(in_range(aim.goal, values, today, days) for days in SPANS)


def goals_of(session: Session, zones: Mapping[uuid.UUID, str]) -> dict[uuid.UUID, list[GoalSpan]]:
    """Every goal of these patients, the earliest first; each ends with its date, its end, or when the next was set."""
    query = select(GoalRow).where(among(GoalRow.patient_id, zones)).order_by(GoalRow.set_at, GoalRow.id)
    found: dict[uuid.UUID, list[GoalSpan]] = {}
    for row in session.scalars(query):
        zone, spans = zones[row.patient_id], found.setdefault(row.patient_id, [])
        first = local_date(row.set_at, zone)
        last = row.until if row.ended_at is None else min(row.until, local_date(row.ended_at, zone))
        if spans and spans[-1].last >= first:
            spans[-1] = replace(spans[-1], last=first - timedelta(days=1))
        spans.append(GoalSpan(row.lower, row.upper, row.why, first, last))
    return {patient_id: [one for one in spans if one.first <= one.last] for patient_id, spans in found.items()}


def _is_current(known: Summary, today: date) -> bool:
    """Whether readings are new enough for a forecast to be one."""
    return known.last_reading_on is not None and (today - known.last_reading_on).days <= STILL_NEWS


def adjustments_of(
    session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, only: Sequence[uuid.UUID] | None = None
) -> tuple[AdjustmentShown, ...]:
    """The patient's current adjustments, newest first; or those named, current or not."""
    query = (
        select(Adjustment, staff_name(Adjustment.made_by))
        .where(Adjustment.clinic_id == clinic_id, Adjustment.patient_id == patient_id)
        .where(COUNTS if only is None else Adjustment.id.in_(only))
        .order_by(*NEWEST_FIRST)
    )
    return tuple(
        AdjustmentShown(
            made.id, made.kind, made.what, made.made_on, by, made.recorded_at, made.follow_up_on, made.follow_up_what,
            made.followed_up_at, made.medicine_id, made.person_id, made.superseded_at, seals.judge(session, made),
        )
        for made, by in session.execute(query)
    )  # fmt: skip


def reviews_of(
    session: Session, clinic: Clinic, patient_id: uuid.UUID, only: Sequence[uuid.UUID] | None = None
) -> tuple[SignedReview, ...]:
    """The patient's signed reviews, newest first; by whom, with the clinic's name where it was another.

    Those that count, or those named, whether taken back or not.
    """
    query = (
        select(SignOff, Clinic.name, SignOffWithdrawal.withdrawn_at)
        .join(Clinic, Clinic.id == SignOff.clinic_id)
        .outerjoin(SignOffWithdrawal, SignOffWithdrawal.sign_off_id == SignOff.id)
        .where(SignOff.patient_id == patient_id, signatures.COUNTS if only is None else SignOff.id.in_(only))
        .order_by(SignOff.signed_at.desc())
    )
    added = additions_of(session, clinic, ReviewAddition.patient_id == patient_id)
    found = []
    for one, there, taken_back_at in session.execute(query):
        page, seal = legible.page(session, one)
        by = page["by"] if page else UNSAID
        said = (one.outcome, one.note, one.next_look) if page else (None, "", None)
        shown = SignedReview(
            one.id, one.week, by if one.clinic_id == clinic.id else f"{by}, {there}", one.signed_at,
            local_date(one.signed_at, clinic.zone), added.get(one.id, ()), *said, page, one.frozen_hash, seal,
            taken_back_at,
        )  # fmt: skip
        found.append(shown)
    return tuple(found)


def additions_of(session: Session, clinic: Clinic, which: Any) -> dict[uuid.UUID, tuple[AddedReview, ...]]:
    """The additions that fit, by the signature they were made to, the earliest first."""
    query = select(ReviewAddition).where(which).order_by(ReviewAddition.number)
    found: dict[uuid.UUID, tuple[AddedReview, ...]] = {}
    for one in session.scalars(query):
        page, seal = legible.page(session, one)
        by, said = (page["by"], (one.outcome, one.note)) if page else (UNSAID, (None, ""))
        day = local_date(one.added_at, clinic.zone)
        shown = AddedReview(one.id, one.number, by, one.added_at, day, *said, page, one.frozen_hash, seal)
        found[one.sign_off_id] = (*found.get(one.sign_off_id, ()), shown)
    return found


def _messages(
    session: Session, clinic_id: uuid.UUID, patient: Patient, age: timedelta, now: datetime
) -> tuple[SentMessage, ...]:
    lately = (Message.created_at >= now - age, Message.id >= none_made_within(age))
    theirs = (Message.clinic_id == clinic_id, Message.patient_id == patient.id, *lately)
    query = select(Message.created_at, Message.kind, Message.channel, Message.state, Message.reason, Message.params)
    rows = session.execute(query.where(*theirs).order_by(Message.created_at))
    by_hand = MessageKind.FROM_CLINIC
    return tuple(
        SentMessage(local_date(at, patient.zone), kind, channel, state, why, params["text"] if kind is by_hand else "")
        for at, kind, channel, state, why, params in rows
    )


# What a message did, when it did not simply arrive.
_TROUBLE = {MessageState.FAILED, MessageState.CANCELLED, MessageState.EXPIRED, MessageState.UNCERTAIN}


def timeline_of(seen: PatientReview, say: Language) -> Timeline:
    """Everything on one axis: the joined days, the reference and limits, the forecast, and what happened."""
    judged = seen.entry.summary.trend
    return Timeline(
        days=seen.days,
        reference=judged.reference,
        reference_is_set=judged.reference_is_set,
        upper=seen.limits.upper if seen.limits else None,
        lower=seen.limits.lower if seen.limits else None,
        goal_upper=seen.goal.upper if seen.goal else None,
        goal_lower=seen.goal.lower if seen.goal else None,
        dry_weight_kg=seen.patient.dry_weight_kg,
        ahead=seen.ahead,
        marks=tuple(_marks(seen, say)),
    )


def _marks(seen: PatientReview, say: Language) -> list[Mark]:
    first, lasting = seen.days[0].day, partial(_lasting, seen.days[0].day, seen.days[-1].day)
    marks = [
        Mark(MarkRow.ADJUSTMENTS, made.made_on, made.made_on, made.what, made.what)
        for made in seen.adjustments
        if made.made_on >= first
    ]
    marks += [
        lasting(MarkRow.PAUSES, pause.from_day, pause.to_day, name, name)
        for pause in seen.pauses
        if (name := title(say, pause.cause))
    ]
    for silence in seen.silences:
        missed = words.missed(say, silence.missed, silence.cause)
        marks.append(lasting(MarkRow.SILENCES, silence.first_day, silence.last_day, missed, missed))
    marks += [
        lasting(MarkRow.CONTEXT, tag.from_day, tag.to_day, name, name) for tag in seen.tags if (name := _tag(say, tag))
    ]
    for goal in seen.goals:
        reach = record.between(say, goal.lower, goal.upper)
        marks.append(lasting(MarkRow.GOALS, goal.first, goal.last, f"{reach}: {goal.why}", reach))
    marks += [
        Mark(MarkRow.REVIEWS, signed, signed, f"{label(say, past.outcome)}, {past.by}", label(say, past.outcome))
        for past in seen.reviews
        if (signed := past.signed_on) >= first
    ]
    marks += [
        Mark(MarkRow.REVIEWS, added.added_on, added.added_on, f"{label(say, added.outcome)}, {added.by}")
        for past in seen.reviews
        for added in past.additions
        if added.added_on >= first
    ]
    sent: dict[date, list[str]] = {}
    for message in seen.messages:
        if first <= message.day <= seen.days[-1].day:
            sent.setdefault(message.day, []).append(_message(say, message.kind, message.state))
    marks += _of_record(seen, say)
    marks += [Mark(MarkRow.MESSAGES, day, day, ", ".join(names)) for day, names in sent.items()]
    return marks


def _lasting(first: date, last: date, row: MarkRow, from_day: date, to_day: date | None, told: str, short: str) -> Mark:
    """The mark of what lasts, so far as it falls on the days from `first` to `last`."""
    return Mark(row, max(from_day, first), min(to_day or last, last), told, short, from_day < first)


def _of_record(seen: PatientReview, say: Language) -> Iterator[Mark]:
    """Events, courses and results of these days."""
    first, last, where = seen.days[0].day, seen.days[-1].day, zone(seen.patient.zone)
    for event in seen.recorded.events:
        until = event.to_date or (last if event.kind is EventKind.ADMISSION else event.from_date)
        if event.from_date <= last and until >= first:
            told = record.happened(say, event)
            yield _lasting(first, last, MarkRow.EVENTS, event.from_date, until, told, title(say, event.kind))
    courses: defaultdict[date, list[tuple[Course, bool]]] = defaultdict(list)
    for course in seen.recorded.courses:
        for day, is_begun in zip(changes_of(course), (True, False), strict=False):
            courses[day].append((course, is_begun))
    for day, some in courses.items():
        if first <= day <= last:
            text = "; ".join(record.course(say, one) for one, _ in some)
            yield Mark(MarkRow.MEDICINES, day, day, text, _changed(say, some))
    results: defaultdict[date, list[TimedResult]] = defaultdict(list)
    for series in (seen.recorded.results or {}).values():
        for one in series:
            results[local_date(one.at, seen.patient.zone)].append(one)
    for day, found in results.items():
        if first <= day <= last:
            short = ", ".join(f"{label(say, one.result.kind)} {say.as_given(one.result.value)}" for one in found)
            text = "; ".join(record.result(say, one, where) for one in found)
            yield Mark(MarkRow.RESULTS, day, day, text, short[:1].upper() + short[1:])


def _changed(say: Language, some: Sequence[tuple[Course, bool]]) -> str:
    """`Furosemide 80 mg, 1 a day`, of one that was changed or begun; `Furosemide ended`."""
    begun = {one.name: record.taken_as(say, one).rpartition(",")[0] for one, is_begun in some if is_begun}
    over = dict.fromkeys(one.name for one, is_begun in some if not is_begun and one.name not in begun)
    ended = [say.gettext("%(name)s ended", name=name) for name in over]
    return ", ".join([*begun.values(), *ended])


# What of the axis stands in the table of days too, on the day on which it began.
IN_TABLE = frozenset({MarkRow.EVENTS, MarkRow.MEDICINES, MarkRow.RESULTS, MarkRow.GOALS, MarkRow.CONTEXT})


def entered_of(facts: Timeline) -> dict[date, list[str]]:
    """What was entered of each day beside readings and diary, in words."""
    found: defaultdict[date, list[str]] = defaultdict(list)
    for mark in facts.marks:
        if mark.row in IN_TABLE and not mark.began_before:
            found[mark.first].append(mark.label)
    return found


def changes_of(course: Course) -> list[date]:
    """The days on which a course begins, and is over."""
    return [course.from_date, *([] if course.to_date is None else [course.to_date + timedelta(days=1)])]


def _tag(say: Language, tag: ContextTag) -> str:
    if tag.offset is None:
        return label(say, tag.kind)
    return say.gettext("%(what)s: reads %(offset)s mmHg", what=label(say, tag.kind), offset=say.change(tag.offset))


def _message(say: Language, kind: MessageKind, state: MessageState) -> str:
    return f"{label(say, kind)} ({label(say, state)})" if state in _TROUBLE else label(say, kind)


def later_values(
    session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, reviews: Sequence[SignedReview], now: datetime
) -> dict[uuid.UUID, list[LaterDay]]:
    """What reads differently now of the days of each of these signed reviews; one read, whatever their number.

    Raises NotHere for another clinic's patient.
    """
    # Of an altered page nothing is compared; an erased one may have no days left.
    seen = {one.id: [factjson.unpack(Day, day) for day in one.frozen["days"]] if one.frozen else [] for one in reviews}
    first = min((was[0].day for was in seen.values() if was), default=None)
    if first is None:
        return {review_id: [] for review_id in seen}
    found = panel.carried(session, clinic_id, patient_id)
    if not found:
        raise NotHere(f"no patient {patient_id}")
    history = histories.load(session, clinic_id, [patient_id], first)[patient_id]
    known = history.joined(first, local_date(now, found[0].zone))
    return {review_id: later_days(was, known) for review_id, was in seen.items()}


def ahead_of(judged: TrendSummary, today: date) -> tuple[Ahead, ...]:
    """Where the pressure is likely to be if it goes on as it does: the middle 80 %, by day, mmHg.

    Only while there is a break: without one a slope is within its own noise and
    points nowhere. Leaves out the noise of a single reading.
    """
    known = judged.pressure
    level, sd, pace, pace_sd = known.level, known.level_sd, known.pace, known.pace_sd
    if level is None or sd is None or pace is None or pace_sd is None:
        return ()
    steps = []
    for day in range(1, AHEAD_DAYS + 1):
        middle, spread = level + pace * day, EIGHTY * (sd**2 + (pace_sd * day) ** 2) ** 0.5
        steps.append(Ahead(today + timedelta(days=day), middle - spread, middle, middle + spread))
    return tuple(steps)
