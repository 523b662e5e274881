"""The clinic's measures over the last weeks, from what was recorded anyway.

Reads only; nothing is asked of staff for the sake of a measure.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from service.domain import measures, review
from service.domain.measures import Share, Span, Waiting
from service.domain.vocabulary import AdjustmentKind, Outcome, SignalKind
from service.reviewing.panel import local_date
from service.store import habits
from service.store.tables import Clinic

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

    everyone = habits.enrolled(session, clinic_id)
    watched = [Span(row.patient_id, local_date(row.enrolled_at, clinic.zone), None) for row in everyone if row.active]
    signals = habits.signals_since(session, clinic_id, first)
    adjusted = habits.adjusted_since(session, clinic_id, first)
    signed = habits.signed_since(session, clinic_id, first)
    stays = [Span(*row) for row in habits.stays_since(session, clinic_id, first)]
    readings = measures.by_week(habits.expected(session, clinic_id, first, today), first, weeks)

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

    told = tuple(week(start, share) for start, share in zip(starts, readings, strict=True))
    return Measures(
        weeks=told,
        readings=Share(sum(one.readings.part for one in told), sum(one.readings.whole for one in told)),
        reviews=Share(sum(one.reviews.part for one in told), sum(one.reviews.whole for one in told)),
        first_contact=measures.wait(breaks, contacts, at_most=SAME_EPISODE_DAYS),
        to_settled=measures.wait(changes, settled, at_most=SAME_EPISODE_DAYS),
        signals=len(signals),
        episodes=measures.episodes((who, raised) for who, _, raised, _ in signals),
        signals_per_100=measures.per_100_patient_weeks(len(signals), patient_days),
        patient_weeks=patient_days / 7,
        nights=sum(one.nights for one in told),
    )
