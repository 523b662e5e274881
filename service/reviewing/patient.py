"""Everything the patient page shows of one patient, on one time axis.

Reads only. The first part is the same entry as on the panel, so that the two
pages never tell different stories.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.days import Day, Paused
from service.domain.signals.rules import STILL_NEWS
from service.domain.summary import Summary, TrendSummary
from service.domain.vocabulary import AdjustmentKind, Channel, MessageKind, MessageState, Outcome
from service.reports.charts import Ahead, Mark, MarkRow, Timeline
from service.reviewing.panel import PanelEntry, gather
from service.reviewing.placing import local_date
from service.store import histories, panel
from service.store.histories import LimitsSet, ReferenceSet, Reply, SilencePast
from service.store.tables import Adjustment, Clinic, Contact, Message, Patient, SignOff, Staff
from service.words.labels import label, title
from service.words.language import Language
from service.words.sentences import review as words

RANGES = (30, 90, 365)
AHEAD_DAYS = 14
MIDDLE_80 = 1.2816  # standard deviations either side that hold 80 % of a normal distribution


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


@dataclass(frozen=True, slots=True)
class SignedReview:
    """One signed review."""

    id: uuid.UUID
    week: date
    by: str
    at: datetime
    signed_on: date  # on the clinic's calendar
    outcome: Outcome
    note: str
    next_look: date | None
    frozen: dict[str, Any]
    frozen_hash: str


@dataclass(frozen=True, slots=True)
class SentMessage:
    """One message of ours to the patient, as a mark on the axis."""

    day: date
    kind: MessageKind
    channel: Channel
    state: MessageState
    reason: str | None


@dataclass(frozen=True, slots=True)
class PatientReview:
    """One patient over `days`; the last of them is the patient's own today."""

    entry: PanelEntry
    patient: Patient
    contacts: tuple[Contact, ...]
    days: tuple[Day, ...]
    reference: ReferenceSet | None
    limits: LimitsSet | None
    silences: tuple[SilencePast, ...]
    pauses: tuple[Paused, ...]
    replies: tuple[Reply, ...]
    adjustments: tuple[AdjustmentShown, ...]  # newest first, of the whole record
    reviews: tuple[SignedReview, ...]  # newest first, of the whole record
    messages: tuple[SentMessage, ...]
    ahead: tuple[Ahead, ...]  # the forecast
    as_of: datetime


def build_patient(
    session: Session,
    clinic_id: uuid.UUID,
    patient_id: uuid.UUID,
    now: datetime,
    days: int = 30,
    until: date | None = None,
) -> PatientReview:
    """The page's facts for the `days` up to the patient's own today, or up to `until`.

    Raises LookupError for a patient that is not this clinic's, or a last day that has not come.
    """
    clinic = session.get(Clinic, clinic_id)
    patient = session.get(Patient, patient_id)
    if clinic is None or patient is None or patient.clinic_id != clinic_id:
        raise LookupError(f"no patient {patient_id}")
    today = until or local_date(now, patient.zone)
    if today > local_date(now, patient.zone):
        raise LookupError(f"{today} has not come")
    entry = gather(session, clinic, now, patient_id, as_of=until)[0]
    first = today - timedelta(days=days - 1)
    history = histories.load(session, clinic_id, [patient_id], first)[patient_id]
    return PatientReview(
        entry=entry,
        patient=patient,
        contacts=tuple(
            session.scalars(select(Contact).where(Contact.patient_id == patient_id).order_by(Contact.position))
        ),
        days=history.joined(first, today),
        reference=history.reference,
        limits=history.limits,
        silences=tuple(past for past in history.silences if past.last_day >= first),
        pauses=tuple(pause for pause in history.pauses if pause.from_day <= today and (pause.to_day or today) >= first),
        replies=tuple(histories.replies(session, clinic_id, patient_id, now - timedelta(days=days))),
        adjustments=adjustments_of(session, clinic_id, patient_id),
        reviews=reviews_of(session, clinic, patient_id),
        messages=_messages(session, clinic_id, patient, now - timedelta(days=days)),
        ahead=ahead_of(entry.summary.trend, today) if _is_current(entry.summary, today) else (),
        as_of=now,
    )


def _is_current(known: Summary, today: date) -> bool:
    """Whether readings are new enough for a forecast to be one."""
    return known.last_reading_on is not None and (today - known.last_reading_on).days <= STILL_NEWS


def adjustments_of(session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID) -> tuple[AdjustmentShown, ...]:
    """The patient's current adjustments, newest first."""
    query = (
        select(
            Adjustment.id,
            Adjustment.kind,
            Adjustment.what,
            Adjustment.made_on,
            Staff.name,
            Adjustment.recorded_at,
            Adjustment.follow_up_on,
            Adjustment.follow_up_what,
            Adjustment.followed_up_at,
        )
        .join(Staff, Staff.id == Adjustment.made_by)
        .where(
            Adjustment.clinic_id == clinic_id,
            Adjustment.patient_id == patient_id,
            Adjustment.superseded_at.is_(None),
        )
        .order_by(Adjustment.made_on.desc(), Adjustment.recorded_at.desc())
    )
    return tuple(AdjustmentShown(*row) for row in session.execute(query))


def reviews_of(session: Session, clinic: Clinic, patient_id: uuid.UUID) -> tuple[SignedReview, ...]:
    """The patient's signed reviews, newest first."""
    query = (
        select(
            SignOff.id,
            SignOff.week,
            Staff.name,
            SignOff.signed_at,
            SignOff.outcome,
            SignOff.note,
            SignOff.next_look,
            SignOff.frozen,
            SignOff.frozen_hash,
        )
        .join(Staff, Staff.id == SignOff.signed_by)
        .where(SignOff.clinic_id == clinic.id, SignOff.patient_id == patient_id)
        .order_by(SignOff.week.desc())
    )
    return tuple(
        SignedReview(row[0], row[1], row[2], row[3], local_date(row[3], clinic.zone), *row[4:])
        for row in session.execute(query)
    )


def _messages(session: Session, clinic_id: uuid.UUID, patient: Patient, since: datetime) -> tuple[SentMessage, ...]:
    query = (
        select(Message.created_at, Message.kind, Message.channel, Message.state, Message.reason)
        .where(
            Message.clinic_id == clinic_id,
            Message.patient_id == patient.id,
            Message.created_at >= since,
        )
        .order_by(Message.created_at)
    )
    rows: Sequence[Any] = session.execute(query).all()
    return tuple(SentMessage(local_date(row[0], patient.zone), *row[1:]) for row in rows)


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
        dry_weight_kg=seen.patient.dry_weight_kg,
        ahead=seen.ahead,
        marks=tuple(_marks(seen, say)),
    )


def _marks(seen: PatientReview, say: Language) -> list[Mark]:
    first, last = seen.days[0].day, seen.days[-1].day
    marks = [
        Mark(MarkRow.ADJUSTMENTS, made.made_on, made.made_on, made.what)
        for made in seen.adjustments
        if made.made_on >= first
    ]
    marks += [
        Mark(MarkRow.PAUSES, max(pause.from_day, first), min(pause.to_day or last, last), title(say, pause.cause))
        for pause in seen.pauses
    ]
    for silence in seen.silences:
        begin, end = max(silence.first_day, first), min(silence.last_day, last)
        marks.append(Mark(MarkRow.SILENCES, begin, end, words.missed(say, silence.missed, silence.cause)))
    marks += [
        Mark(MarkRow.REVIEWS, signed, signed, f"{label(say, past.outcome)}, {past.by}")
        for past in seen.reviews
        if (signed := past.signed_on) >= first
    ]
    sent: dict[date, list[str]] = {}
    for message in seen.messages:
        if first <= message.day <= last:
            sent.setdefault(message.day, []).append(_message(say, message.kind, message.state))
    marks += [Mark(MarkRow.MESSAGES, day, day, ", ".join(names)) for day, names in sent.items()]
    return marks


def _message(say: Language, kind: MessageKind, state: MessageState) -> str:
    return f"{label(say, kind)} ({label(say, state)})" if state in _TROUBLE else label(say, kind)


def joined_days(session: Session, clinic_id: uuid.UUID, now: datetime, days: int) -> list[tuple[str, tuple[Day, ...]]]:
    """The clinic's number and the joined days of every active patient, up to each one's own today."""
    everyone = panel.carried(session, clinic_id)
    todays = {row.patient_id: local_date(now, row.zone) for row in everyone}
    if not everyone:
        return []
    found = histories.load(session, clinic_id, todays, min(todays.values()) - timedelta(days=days))
    return [
        (
            row.clinic_ref,
            found[row.patient_id].joined(todays[row.patient_id] - timedelta(days=days - 1), todays[row.patient_id]),
        )
        for row in everyone
    ]


def days_since(
    session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, first: date, now: datetime
) -> tuple[Day, ...]:
    """One patient's joined days from `first` to their own today. Raises LookupError for another clinic's patient."""
    found = panel.carried(session, clinic_id, patient_id)
    if not found:
        raise LookupError(f"no patient {patient_id}")
    history = histories.load(session, clinic_id, [patient_id], first)[patient_id]
    return history.joined(first, local_date(now, found[0].zone))


def ahead_of(judged: TrendSummary, today: date, days: int = AHEAD_DAYS) -> tuple[Ahead, ...]:
    """Where the pressure is likely to be if it goes on as it does: the middle 80 %, by day, mmHg.

    Only while there is a break: without one a slope is within its own noise and
    points nowhere. Leaves out the noise of a single reading.
    """
    known = judged.pressure
    level, sd, pace, pace_sd = known.level, known.level_sd, known.pace, known.pace_sd
    if level is None or sd is None or pace is None or pace_sd is None:
        return ()
    steps = []
    for day in range(1, days + 1):
        middle, spread = level + pace * day, MIDDLE_80 * (sd**2 + (pace_sd * day) ** 2) ** 0.5
        steps.append(Ahead(today + timedelta(days=day), middle - spread, middle, middle + spread))
    return tuple(steps)
