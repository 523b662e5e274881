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

from service.domain import localtime, review, summary
from service.domain.days import Day
from service.domain.summary import Summary
from service.domain.vocabulary import Lane, Outcome
from service.reports import strip
from service.reviewing.patient import AdjustmentShown, PatientReview, SignedReview, build_patient
from service.store import panel
from service.store.tables import Clinic, SignOff, Staff
from service.words.labels import label
from service.words.labels import title as titled
from service.words.language import Language
from service.words.sentences import review as words
from service.words.sentences import signals

Facts = list[list[str]]


@dataclass(frozen=True, slots=True)
class Record:
    """Plain JSON for a template, and the instant the record is written at."""

    title: str
    facts: dict[str, Any]
    written: datetime


def patient_record(
    session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, until: date | None, now: datetime, say: Language
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
    title = say.gettext(
        "%(name)s: %(first)s to %(last)s", name=seen.patient.name, first=say.day(first), last=say.full_day(last)
    )
    reviews = [past for past in reversed(seen.reviews) if first <= past.signed_on <= last]
    adjustments = [made for made in reversed(seen.adjustments) if first <= made.made_on <= last]
    subtitle = say.gettext("Thirty days of readings, diary, reviews and adjustments.")
    facts = _shared(say, title, clinic) | {
        "subtitle": f"{clinic.name}. {subtitle}",
        "labels": _patient_labels(say),
        "facts": _patient_facts(seen, len(reviews), say),
        "reviews": [_reviewed(past, say) for past in reviews],
        "adjustments": [_adjusted(made, say) for made in adjustments],
        "response": _response(seen, say),
        "gaps": _gaps(seen, say),
        "days": {"head": _day_head(say), "rows": [_day(day, say) for day in seen.days]},
    }
    return Record(title, facts, datetime.combine(last, time(0), UTC)), seen


def weekly_record(session: Session, clinic_id: uuid.UUID, week: date, say: Language) -> Record:
    """The clinic's review of the week that begins on `week`. Raises LookupError when there is no such week."""
    clinic = session.get(Clinic, clinic_id)
    if clinic is None or week != review.week_of(week, clinic.review_weekday):
        raise LookupError(f"no review week {week}")
    signed: Sequence[tuple[SignOff, str]] = [
        (row.SignOff, row.name)
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
    day = say.full_day(week)
    title = say.gettext("Weekly review, %(day)s", day=day)
    subtitle = say.gettext("The week from %(day)s.", day=day)
    outcomes = [f"{label(say, outcome)} {number}" for outcome, number in _outcomes(signed)]
    of_all = say.gettext("%(signed)d of %(patients)d patients", signed=len(signed), patients=len(signed) + len(missing))
    facts = _shared(say, title, clinic) | {
        "subtitle": f"{clinic.name}. {subtitle}",
        "labels": _weekly_labels(say),
        "facts": [
            [say.gettext("Signed"), of_all],
            [say.gettext("Outcomes"), ", ".join(outcomes) or say.pgettext("outcomes", "none")],
        ],
        "lanes": [
            {"name": label(say, lane), "patients": [_signed_patient(one, by, clinic, say) for one, by in found]}
            for lane, found in by_lane.items()
            if found
        ],
        "unsigned": [[row.name, row.clinic_ref] for row in missing],
    }
    return Record(title, facts, written)


# --- what both share -----------------------------------------------------------------------------


def _shared(say: Language, title: str, clinic: Clinic) -> dict[str, Any]:
    return {
        "title": title,
        "clinic": clinic.name,
        "language": say.code,
        "caution": say.gettext("A record of what staff saw and signed. Not a diagnosis."),
    }


def _patient_labels(say: Language) -> dict[str, Any]:
    """The template's own words."""
    return {
        "timeline": say.gettext("Time line"),
        "reviews": say.gettext("Weekly reviews and interpretation"),
        "no_review": say.gettext("No weekly review was signed in this period."),
        "reviews_head": [
            say.gettext("Week from"),
            say.gettext("What was seen"),
            say.gettext("Outcome"),
            say.gettext("Note"),
            say.gettext("Signed"),
        ],
        "adjustments": say.gettext("Adjustments and response"),
        "no_adjustment": say.gettext("None was recorded."),
        "adjustments_head": [
            say.gettext("Day"),
            say.gettext("What changed"),
            say.gettext("Follow-up"),
            say.gettext("By"),
        ],
        "gaps": say.gettext("Silences and pauses"),
        "no_gap": say.gettext("None."),
        "gaps_head": [say.pgettext("date", "From"), say.pgettext("date", "To"), say.gettext("What")],
        "days": say.gettext("Every day"),
    }


def _weekly_labels(say: Language) -> dict[str, Any]:
    """The template's own words."""
    return {
        "signed_by": say.gettext("Signed by"),
        "fingerprint": say.gettext("Fingerprint of what was seen:"),
        "unsigned": say.gettext("Not signed in this week"),
        "unsigned_head": [say.gettext("Patient"), say.gettext("Number")],
    }


# --- one patient's thirty days ---------------------------------------------------------------------


def _patient_facts(seen: PatientReview, reviews: int, say: Language) -> Facts:
    first, last = seen.days[0].day, seen.days[-1].day
    counted = summary.adherence([summary.recent(day) for day in seen.days])
    with_reading = sum(day.readings > 0 for day in seen.days)
    period = say.gettext(
        "%(first)s to %(last)s (%(days)d days)",
        first=say.full_day(first),
        last=say.full_day(last),
        days=summary.STRIP_DAYS,
    )
    received = say.gettext(
        "%(received)d received of %(expected)d; %(excused)d excused",
        received=counted.received,
        expected=counted.expected,
        excused=counted.excused,
    )
    picture = seen.entry.summary.trend.picture
    return [
        [say.gettext("Patient"), f"{seen.patient.name}, {seen.patient.clinic_ref}"],
        [say.gettext("Period"), period],
        [
            say.gettext("Days with a reading"),
            say.gettext("%(days)d of %(all)d", days=with_reading, all=summary.STRIP_DAYS),
        ],
        [say.gettext("Readings expected"), received],
        [say.gettext("Weekly reviews"), say.ngettext("%(num)d review signed", "%(num)d reviews signed", reviews)],
        [say.gettext("Level"), words.level(say, seen.entry.summary)],
        [say.gettext("Trend"), signals.picture(say, picture) if picture else ""],
    ]


def _reviewed(past: SignedReview, say: Language) -> list[str]:
    return [
        say.short_day(past.week),
        " ".join([past.frozen["why"], *past.frozen["also"]]),
        label(say, past.outcome),
        past.note or "–",
        f"{past.by}, {say.short_day(past.signed_on)}",
    ]


def _adjusted(made: AdjustmentShown, say: Language) -> list[str]:
    follow_up = "–"
    if made.follow_up_on is not None:
        what = made.follow_up_what or say.gettext("Follow-up")
        if made.followed_up_at:
            follow_up = say.gettext("%(what)s, %(day)s (done)", what=what, day=say.short_day(made.follow_up_on))
        else:
            follow_up = say.gettext("%(what)s, %(day)s (not yet done)", what=what, day=say.short_day(made.follow_up_on))
    return [say.short_day(made.made_on), f"{label(say, made.kind)}: {made.what}", follow_up, made.by]


def _response(seen: PatientReview, say: Language) -> str:
    newest = seen.entry.adjustment
    if newest is None or newest.response is None:
        return ""
    text = signals.response(say, newest.response)
    return say.gettext("After the change of %(day)s: %(response)s", day=say.day(newest.made_on), response=text)


def _gaps(seen: PatientReview, say: Language) -> list[list[str]]:
    gaps: list[tuple[date, date | None, str]] = []
    for past in seen.silences:
        readings = say.ngettext("%(num)d reading missed", "%(num)d readings missed", past.missed)
        gaps.append((past.first_day, past.last_day, f"{readings}: {label(say, past.cause)}"))
    gaps += [(pause.from_day, pause.to_day, titled(say, pause.cause)) for pause in seen.pauses]
    return [
        [say.short_day(first), say.short_day(last) if last else say.gettext("still so"), what]
        for first, last, what in sorted(gaps, key=lambda gap: gap[0])
    ]


def _day_head(say: Language) -> list[str]:
    return [
        say.gettext("Day"),
        say.gettext("PA sys/dia (mean)"),
        say.gettext("Rate"),
        say.gettext("Weight"),
        say.gettext("Breathless"),
        say.gettext("Diary and remarks"),
    ]


def _day(day: Day, say: Language) -> list[str]:
    pressures = (day.pa_systolic, day.pa_diastolic, day.pa_mean)
    shown = [] if None in pressures else [say.figure(value or 0) for value in pressures]
    return [
        say.short_day(day.day),
        f"{shown[0]}/{shown[1]} ({shown[2]})" if shown else "–",
        say.figure(day.heart_rate, 0) if day.heart_rate is not None else "–",
        f"{say.figure(day.weight_kg)} kg" if day.weight_kg is not None else "–",
        str(day.breathlessness) if day.breathlessness is not None else "–",
        "; ".join(words.remarks(say, day)) or "–",
    ]


# --- a signed week ---------------------------------------------------------------------------------


def _signed_patient(signed: SignOff, by: str, clinic: Clinic, say: Language) -> dict[str, Any]:
    frozen = signed.frozen
    known = summary.from_json(frozen["summary"])
    at = signed.signed_at.astimezone(localtime.zone(clinic.zone))
    moment = say.gettext("%(by)s, %(day)s at %(time)s", by=by, day=say.full_day(at.date()), time=f"{at:%H:%M}")
    return {
        "name": frozen["name"],
        "ref": frozen["clinic_ref"],
        "why": frozen["why"],
        "also": frozen["also"],
        "strip": {
            "svg": strip.svg(say, known.strip, known.trend.reference, known.upper, known.lower, alone=True),
            "alt": words.strip(say, known.strip),
        },
        "facts": _signed_facts(signed, known, say),
        "signed": moment,
        "fingerprint": signed.frozen_hash[:16],
    }


def _signed_facts(signed: SignOff, known: Summary, say: Language) -> Facts:
    received = say.gettext(
        "%(received)d received of %(expected)d expected in %(days)d days",
        received=known.adherence.received,
        expected=known.adherence.expected,
        days=summary.STRIP_DAYS,
    )
    facts: Facts = [[say.gettext("Outcome"), label(say, signed.outcome)]]
    if signed.note:
        facts.append([say.gettext("Note"), signed.note])
    if signed.next_look:
        facts.append([say.gettext("Look again on"), say.full_day(signed.next_look)])
    facts.append([say.gettext("Readings"), received])
    facts.append([say.gettext("Level"), words.level(say, known)])
    if known.weight:
        change = say.gettext("%(change)s kg in a week", change=say.change(known.weight.change_kg))
        facts.append([say.gettext("Weight"), change])
    if known.symptoms:
        facts.append([say.gettext("Diary"), words.symptoms(say, known.symptoms)])
    if signed.frozen["adjustments"]:
        newest = signed.frozen["adjustments"][0]
        made_on = say.day(date.fromisoformat(newest["made_on"]))
        facts.append([say.gettext("Last change"), f"{newest['what']}, {made_on}"])
    if signed.frozen["response"]:
        facts.append([say.gettext("Response"), signed.frozen["response"]])
    return facts


def _outcomes(signed: Sequence[tuple[SignOff, str]]) -> list[tuple[Outcome, int]]:
    counts = [(outcome, sum(one.outcome is outcome for one, _ in signed)) for outcome in Outcome]
    return [(outcome, number) for outcome, number in counts if number]
