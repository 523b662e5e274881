"""Thirty days of one patient, as facts for paper.

Tells the period as it is known now; its instant is the period's end, so asking
twice gives the same bytes unless something of that period became known since.
"""

from __future__ import annotations

import uuid
from datetime import UTC, date, datetime, time

from sqlalchemy.orm import Session

from service.domain import spoken, summary
from service.domain.days import Day
from service.domain.review_reasons import CAUSES, PAUSES
from service.domain.vocabulary import Response
from service.reviewing.patient import Made, PatientReview, build_patient
from service.reviewing.recordwords import CAUTION, Facts, Record, levels, outcome_word, remarks
from service.store.tables import Clinic

DAY_HEAD = ["Day", "PA sys/dia (mean)", "Rate", "Weight", "Breathless", "Diary and remarks"]


def patient_record(
    session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, until: date | None, now: datetime
) -> tuple[Record, PatientReview]:
    """Thirty days of one patient up to `until` (their own today when None), and what it was made from.

    The drawing of the time line is left to the caller, who may draw: `facts["timeline"]`
    is to be filled in. Raises LookupError for a patient that is not this clinic's or
    a day that has not come.
    """
    clinic = session.get(Clinic, clinic_id)
    if clinic is None:
        raise LookupError(f"no clinic {clinic_id}")
    seen = build_patient(session, clinic_id, patient_id, now, days=summary.STRIP_DAYS, until=until)
    first, last = seen.days[0].day, seen.days[-1].day
    counted = summary.adherence(seen.days)
    with_reading = sum(day.readings > 0 for day in seen.days)
    reviews = [past for past in reversed(seen.reviews) if first <= past.signed_on <= last]
    adjustments = [made for made in reversed(seen.adjustments) if first <= made.made_on <= last]
    title = f"{seen.patient.name}: {spoken.day(first)} to {spoken.full_day(last)}"
    facts: Facts = [
        ["Patient", f"{seen.patient.name}, {seen.patient.clinic_ref}"],
        ["Period", f"{spoken.full_day(first)} to {spoken.full_day(last)} (30 days)"],
        ["Days with a reading", f"{with_reading} of 30"],
        ["Readings expected", f"{counted.received} received of {counted.expected}; {counted.excused} excused"],
        ["Weekly reviews", f"{spoken.count(len(reviews), 'review')} signed"],
        *levels(seen.entry.summary),
        ["Trend", seen.entry.summary.judged.sentence],
    ]
    return (
        Record(
            title,
            {
                "title": title,
                "clinic": clinic.name,
                "subtitle": f"{clinic.name}. Thirty days of readings, diary, reviews and adjustments.",
                "caution": CAUTION,
                "facts": facts,
                "reviews": [
                    [
                        spoken.short_day(past.week),
                        " ".join([past.frozen["why"], *past.frozen["also"]]),
                        outcome_word(past.outcome),
                        past.note or "–",
                        f"{past.by}, {spoken.short_day(past.signed_on)}",
                    ]
                    for past in reviews
                ],
                "adjustments": [_adjusted(made) for made in adjustments],
                "response": _response(seen),
                "gaps": _gaps(seen),
                "days": {"head": DAY_HEAD, "rows": [_day(day) for day in seen.days]},
            },
            datetime.combine(last, time(0), UTC),
        ),
        seen,
    )


def _adjusted(made: Made) -> list[str]:
    follow_up = "–"
    if made.follow_up_on is not None:
        done = "done" if made.followed_up_at else "not yet done"
        follow_up = f"{made.follow_up_what or 'Follow-up'}, {spoken.short_day(made.follow_up_on)} ({done})"
    return [spoken.short_day(made.made_on), f"{made.kind.value.capitalize()}: {made.what}", follow_up, made.by]


def _response(seen: PatientReview) -> str:
    newest = seen.entry.adjustment
    if newest is None or newest.response is None:
        return ""
    told = newest.response_sentence or _RESPONSES[newest.response]
    return f"After the change of {spoken.day(newest.made_on)}: {told}"


_RESPONSES = {
    Response.SETTLING: "settling",
    Response.SETTLED: "settled",
    Response.NOT_SETTLING: "not settling",
    Response.TOO_FEW_READINGS: "too few readings to tell",
}


def _gaps(seen: PatientReview) -> list[list[str]]:
    gaps = [
        (past.first_day, past.last_day, f"{spoken.count(past.missed, 'reading')} missed: {CAUSES[past.cause]}")
        for past in seen.silences
    ] + [(pause.from_day, pause.to_day, PAUSES[pause.cause]) for pause in seen.pauses]
    return [
        [spoken.short_day(first), spoken.short_day(last) if last else "still so", what]
        for first, last, what in sorted(gaps, key=lambda gap: gap[0])
    ]


def _day(day: Day) -> list[str]:
    pressures = (day.pa_systolic, day.pa_diastolic, day.pa_mean)
    told = [] if None in pressures else [spoken.figure(value or 0) for value in pressures]
    return [
        spoken.short_day(day.day),
        f"{told[0]}/{told[1]} ({told[2]})" if told else "–",
        spoken.figure(day.heart_rate, 0) if day.heart_rate is not None else "–",
        f"{spoken.figure(day.weight_kg)} kg" if day.weight_kg is not None else "–",
        str(day.breathlessness) if day.breathlessness is not None else "–",
        "; ".join(remarks(day)) or "–",
    ]
