"""The two records for paper: one patient's thirty days, and a clinic's signed week.

The first tells the period as it is known now; its instant is the period's end.
The second is made of what was signed and frozen, so later data cannot change it;
its instant is the last signature's. So asking twice gives the same bytes.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain import localtime, review, spoken, summary
from service.domain.days import Day
from service.domain.review import CAUSES, PAUSES
from service.domain.summary import Summary
from service.domain.vocabulary import Lane, Outcome, Response, SafetySign, Swelling
from service.reports import strip
from service.reviewing.patient import AdjustmentMade, PatientReview, build_patient
from service.store import panel
from service.store.tables import Clinic, SignOff, Staff

Facts = list[list[str]]
CAUTION = "A record of what staff saw and signed. Not a diagnosis."
LANES = {
    Lane.CALL_TODAY: "Call today",
    Lane.LOOK_CLOSELY: "Look closely",
    Lane.NOT_HEARD_FROM: "Not heard from",
    Lane.SETTLED: "Settled",
}


@dataclass(frozen=True, slots=True)
class Record:
    """Plain JSON for a template, and the instant the record is written at."""

    title: str
    facts: dict[str, Any]
    written: datetime


def levels(known: Summary) -> Facts:
    judged = known.judged
    if judged.level is None:
        return [["Level", "not known: too few readings"]]
    told = f"PA diastolic about {spoken.figure(judged.level)} mmHg"
    if judged.reference is not None:
        kind = "reference" if judged.reference_is_set else "mean of the first fortnight"
        told += f", {kind} {spoken.figure(judged.reference)}"
    limits = [
        f"{name} {spoken.figure(value)}"
        for name, value in (("upper", known.upper), ("lower", known.lower))
        if value is not None
    ]
    return [["Level", f"{told}; limits set: {', '.join(limits) or 'none'}"]]


def remarks(day: Day) -> list[str]:
    """What else the day holds, in words: for the record and the page's table alike."""
    told = []
    if day.extra_pillows:
        told.append(f"{spoken.change(day.extra_pillows, 0)} {'pillow' if day.extra_pillows == 1 else 'pillows'}")
    if day.woke_breathless:
        told.append("woken breathless")
    if day.swelling not in {None, Swelling.NONE}:
        told.append(f"swelling {day.swelling}")
    if day.light_headed:
        told.append("light-headed")
    if day.tiredness:
        told.append(f"tiredness {day.tiredness}")
    if day.missed_medicines:
        told.append("missed medicines")
    told += [_SIGNS[sign] for sign in day.safety_signs]
    if day.pause is not None:
        told.append(PAUSES[day.pause].lower())
    elif day.reading_missing:
        told.append("no reading" if day.checkin else "no reading, no diary")
    told += list(day.remarks)
    if day.note:
        told.append(f"“{day.note}”")
    return told


def outcome_word(outcome: Outcome) -> str:
    return {
        Outcome.EMERGENCY_CARE: "Sent to emergency care",
        Outcome.NOT_REACHED: "Could not reach",
    }.get(outcome, outcome.value.replace("_", " ").capitalize())


_SIGNS = {
    SafetySign.BREATHLESS_AT_REST: "safety answer: breathless at rest",
    SafetySign.CHEST_PAIN: "safety answer: chest pain",
    SafetySign.FAINTING: "safety answer: fainting",
    SafetySign.PINK_SPUTUM: "safety answer: pink or foamy sputum",
    SafetySign.NEW_CONFUSION: "safety answer: new confusion",
}
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


def _adjusted(made: AdjustmentMade) -> list[str]:
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


def weekly_record(session: Session, clinic_id: uuid.UUID, week: date) -> Record:
    """The clinic's review of the week that begins on `week`. Raises LookupError when there is no such week."""
    clinic = session.get(Clinic, clinic_id)
    if clinic is None or week != review.week_of(week, clinic.review_weekday):
        raise LookupError(f"no review week {week}")
    signed: Sequence[tuple[SignOff, str]] = [
        (row[0], row[1])
        for row in session.execute(
            select(SignOff, Staff.name)
            .join(Staff, Staff.id == SignOff.signed_by)
            .where(SignOff.clinic_id == clinic_id, SignOff.week == week)
        )
    ]
    there = {signed_off.patient_id for signed_off, _ in signed}
    zone = localtime.zone(clinic.zone)
    end = localtime.first_instant(week + timedelta(days=7), time(0), zone)
    missing = [
        row for row in panel.carried(session, clinic_id) if row.patient_id not in there and row.enrolled_at < end
    ]
    written = max((signed_off.signed_at for signed_off, _ in signed), default=datetime.combine(week, time(0), UTC))
    by_lane: dict[Lane, list[tuple[SignOff, str]]] = {lane: [] for lane in review.LANES}
    for signed_off, by in sorted(signed, key=lambda pair: (pair[0].frozen["name"].casefold(), str(pair[0].id))):
        by_lane[Lane(signed_off.frozen["lane"])].append((signed_off, by))
    outcomes = [f"{outcome_word(outcome)} {number}" for outcome, number in _outcomes(signed)]
    title = f"Weekly review, {spoken.full_day(week)}"
    return Record(
        title,
        {
            "title": title,
            "clinic": clinic.name,
            "subtitle": f"{clinic.name}. The week from {spoken.full_day(week)}.",
            "caution": CAUTION,
            "facts": [
                ["Signed", f"{len(signed)} of {len(signed) + len(missing)} patients"],
                ["Outcomes", ", ".join(outcomes) or "none"],
            ],
            "lanes": [
                {"name": LANES[lane], "patients": [_signed_patient(one, by, clinic) for one, by in found]}
                for lane, found in by_lane.items()
                if found
            ],
            "unsigned": [[row.name, row.clinic_ref] for row in missing],
        },
        written,
    )


def _signed_patient(signed: SignOff, by: str, clinic: Clinic) -> dict[str, Any]:
    frozen = signed.frozen
    known = summary.from_json(frozen["summary"])
    at = signed.signed_at.astimezone(localtime.zone(clinic.zone))
    facts: Facts = [
        ["Outcome", outcome_word(signed.outcome)],
        *([["Note", signed.note]] if signed.note else []),
        *([["Look again on", spoken.full_day(signed.next_look)]] if signed.next_look else []),
        ["Readings", f"{known.adherence.received} received of {known.adherence.expected} expected in 30 days"],
        *levels(known),
        *([["Weight", f"{spoken.change(known.weight.change_kg)} kg in a week"]] if known.weight else []),
        *([["Diary", known.symptoms]] if known.symptoms else []),
    ]
    if frozen["adjustments"]:
        newest = frozen["adjustments"][0]
        facts.append(["Last change", f"{newest['what']}, {spoken.day(date.fromisoformat(newest['made_on']))}"])
    if frozen["response"]:
        facts.append(["Response", frozen["response"]])
    return {
        "name": frozen["name"],
        "ref": frozen["clinic_ref"],
        "why": frozen["why"],
        "also": frozen["also"],
        "strip": {
            "svg": strip.svg(known.strip, known.judged.reference, known.upper, known.lower, alone=True),
            "alt": known.strip.sentence(),
        },
        "facts": facts,
        "signed": f"{by}, {spoken.full_day(at.date())} at {at:%H:%M}",
        "fingerprint": signed.frozen_hash[:16],
    }


def _outcomes(signed: Sequence[tuple[SignOff, str]]) -> list[tuple[Outcome, int]]:
    counts = [(outcome, sum(one.outcome is outcome for one, _ in signed)) for outcome in Outcome]
    return [(outcome, number) for outcome, number in counts if number]
