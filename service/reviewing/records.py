"""The two records for paper: one patient's thirty days, and a clinic's signed week.

The first tells the period as it is known now; its instant is the period's end.
The second is made of what was signed, added and frozen, so later data cannot change it;
its instant is the last of those. So asking twice gives the same bytes.
"""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care import recorded
from service.domain import localtime, review, summary
from service.domain.days import Day
from service.domain.summary import Summary
from service.domain.vocabulary import Outcome
from service.reports import charts, strip
from service.reviewing.panel import clinic_of
from service.reviewing.patient import (
    AddedReview,
    AdjustmentShown,
    PatientReview,
    SignedReview,
    additions_of,
    build_patient,
)
from service.store import panel, signatures
from service.store.tables import Clinic, ReviewAddition, SignOff, Staff
from service.words.labels import label
from service.words.labels import title as titled
from service.words.language import Language
from service.words.sentences import diary, record, signals, standing
from service.words.sentences import review as words

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
    clinic = clinic_of(session, clinic_id)
    seen = build_patient(session, clinic_id, patient_id, now, days=summary.STRIP_DAYS, until=until)
    first, last = seen.days[0].day, seen.days[-1].day
    title = say.gettext(
        "%(name)s: %(first)s to %(last)s", name=seen.patient.name, first=say.day(first), last=say.full_day(last)
    )
    signed = sum(first <= past.signed_on <= last for past in seen.reviews)
    reviewed = [line for past in reversed(seen.reviews) for on, line in _reviewed(past, say) if first <= on <= last]
    adjustments = [made for made in reversed(seen.adjustments) if first <= made.made_on <= last]
    subtitle = say.gettext("Thirty days of readings, diary, reviews and adjustments.")
    facts = _shared(say, title, clinic) | {
        "subtitle": f"{clinic.name}. {subtitle}",
        "labels": _patient_labels(say) | _record_labels(say),
        "facts": _patient_facts(seen, signed, say),
        "reviews": reviewed,
        "adjustments": [_adjusted(made, say, is_over=seen.recorded.death is not None) for made in adjustments],
        "response": _response(seen, say),
        "record": _record(seen, clinic, say),
        "gaps": _gaps(seen, say),
        "days": {"head": _day_head(say), "rows": [_day(day, say) for day in seen.days]},
    }
    return Record(title, facts, datetime.combine(last, time(0), UTC)), seen


def weekly_record(session: Session, clinic_id: uuid.UUID, week: date, say: Language) -> Record:
    """The clinic's review of the week that begins on `week`. Raises LookupError when there is no such week."""
    clinic = clinic_of(session, clinic_id)
    if week != review.week_of(week, clinic.review_weekday):
        raise LookupError(f"no review week {week}")
    of_week = (SignOff.clinic_id == clinic_id, SignOff.week == week, signatures.COUNTS)
    signed = session.execute(
        select(SignOff, Staff.name).join(Staff, Staff.id == SignOff.signed_by).where(*of_week)
    ).all()
    there = {signed_off.patient_id for signed_off, _ in signed}
    zone = localtime.zone(clinic.zone)
    end = localtime.first_instant(week + timedelta(days=7), time(0), zone)
    missing = [
        row for row in panel.carried(session, clinic_id) if row.patient_id not in there and row.enrolled_at < end
    ]
    added = additions_of(session, clinic, ReviewAddition.sign_off_id.in_(select(SignOff.id).where(*of_week)))
    instants = [signed_off.signed_at for signed_off, _ in signed] + [one.at for made in added.values() for one in made]
    written = max(instants, default=datetime.combine(week, time(0), UTC))
    ordered = sorted(signed, key=lambda pair: (pair[0].frozen["name"].casefold(), str(pair[0].id)))
    by_lane = [(lane, [pair for pair in ordered if pair[0].frozen["lane"] == lane]) for lane in review.LANES]
    day = say.full_day(week)
    title = say.gettext("Weekly review, %(day)s", day=day)
    subtitle = say.gettext("The week from %(day)s.", day=day)
    outcomes = _counted([signed_off.outcome for signed_off, _ in signed], say)
    answers = _counted([one.outcome for made in added.values() for one in made], say)
    of_all = say.gettext("%(signed)d of %(patients)d patients", signed=len(signed), patients=len(signed) + len(missing))
    facts = _shared(say, title, clinic) | {
        "subtitle": f"{clinic.name}. {subtitle}",
        "labels": _weekly_labels(say),
        "facts": [
            [say.gettext("Signed"), of_all],
            [say.gettext("Outcomes"), outcomes or say.pgettext("outcomes", "none")],
            *([[say.gettext("Added since signed"), answers]] if answers else []),
        ],
        "lanes": [
            {
                "name": label(say, lane),
                "patients": [_signed_patient(one, by, added.get(one.id, ()), clinic, say) for one, by in found],
            }
            for lane, found in by_lane
            if found
        ],
        "unsigned": [[row.name, row.clinic_ref] for row in missing],
    }
    return Record(title, facts, written)


def _counted(outcomes: Sequence[Outcome], say: Language) -> str:
    counts = Counter(outcomes)
    return ", ".join(f"{label(say, outcome)} {counts[outcome]}" for outcome in Outcome if outcome in counts)


# --- what both share -----------------------------------------------------------------------------


def _shared(say: Language, title: str, clinic: Clinic) -> dict[str, Any]:
    return {
        "title": title,
        "clinic": clinic.name,
        "language": say.code,
        "pages": say.gettext("{page} of {pages}"),
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
        "since": say.gettext("Since signed"),
        "added_by": say.gettext("Added by"),
        "unsigned": say.gettext("Not signed in this week"),
        "unsigned_head": [say.gettext("Patient"), say.gettext("Number")],
    }


# --- one patient's thirty days ---------------------------------------------------------------------


def _patient_facts(seen: PatientReview, reviews: int, say: Language) -> Facts:
    first, last = seen.days[0].day, seen.days[-1].day
    counted = summary.adherence(summary.recent(seen.days))
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
    told = [
        [say.gettext("Level"), words.level(say, seen.entry.summary)],
        [say.gettext("Trend"), signals.picture(say, picture) if picture else ""],
    ]
    return [
        [say.gettext("Patient"), f"{seen.patient.name}, {seen.patient.clinic_ref}"],
        [say.gettext("Period"), period],
        [
            say.gettext("Days with a reading"),
            say.gettext("%(days)d of %(all)d", days=with_reading, all=summary.STRIP_DAYS),
        ],
        [say.gettext("Readings expected"), received],
        [say.gettext("Weekly reviews"), say.ngettext("%(num)d review signed", "%(num)d reviews signed", reviews)],
        *([] if seen.recorded.death else told),
    ]


def _reviewed(past: SignedReview, say: Language) -> Iterator[tuple[date, list[str]]]:
    """The signature's line, and one for each addition, each with its date."""
    frozen = past.frozen
    yield (
        past.signed_on,
        [
            say.short_day(past.week),
            " ".join([frozen["why"], *frozen["also"]]),
            label(say, past.outcome),
            past.note or "–",
            f"{past.by}, {say.short_day(past.signed_on)}",
        ],
    )
    for added in past.additions:
        why = " ".join(added.frozen["since"] or [added.frozen["why"]])
        by = f"{added.by}, {say.short_day(added.added_on)}"
        yield added.added_on, [say.gettext("added"), why, label(say, added.outcome), added.note or "–", by]


def _adjusted(made: AdjustmentShown, say: Language, *, is_over: bool) -> list[str]:
    """A line of the table; `is_over`: nothing is still to be done."""
    follow_up = "–"
    if made.follow_up_on is not None:
        what = made.follow_up_what or say.gettext("Follow-up")
        if is_over and not made.followed_up_at:
            follow_up = say.gettext("%(what)s on %(day)s", what=what, day=say.short_day(made.follow_up_on))
        elif made.followed_up_at:
            follow_up = say.gettext("%(what)s, %(day)s (done)", what=what, day=say.short_day(made.follow_up_on))
        else:
            follow_up = say.gettext("%(what)s, %(day)s (not yet done)", what=what, day=say.short_day(made.follow_up_on))
    return [say.short_day(made.made_on), f"{label(say, made.kind)}: {made.what}", follow_up, made.by]


def _response(seen: PatientReview, say: Language) -> str:
    newest = seen.entry.adjustment
    if newest is None or newest.response is None or seen.recorded.death is not None:
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
    pressures, rate, weight, breathless = charts.figures(day, say)
    remarks = "; ".join(words.remarks(say, day))
    shown = (pressures, rate, weight and f"{weight} kg", breathless, remarks)
    return [say.short_day(day.day), *(value or "–" for value in shown)]


# --- the record beside the pressures -----------------------------------------------------------------


def _record_labels(say: Language) -> dict[str, Any]:
    """The template's own words."""
    return {
        "next": say.gettext("In touch next"),
        "now": say.gettext("Now"),
        "now_head": [
            say.gettext("What"),
            say.gettext("Value"),
            say.pgettext("date", "On"),
            say.gettext("Beside it"),
        ],
        "events": say.gettext("Events"),
        "no_event": say.gettext("None entered. That is not the same as none."),
        "medicines": say.gettext("Medicines"),
        "results": say.gettext("Results of these days"),
        "no_result": say.gettext("None was recorded."),
        "person": say.gettext("The person"),
    }


def _record(seen: PatientReview, clinic: Clinic, say: Language) -> dict[str, Any]:
    """What the record holds on the last of these days: what counts then, and the courses and results of these days."""
    first, last = seen.days[0].day, seen.days[-1].day
    known, death = seen.recorded, seen.recorded.death
    told = recorded.told_on(known, clinic, seen.patient.zone, last)
    weight, weighed_on = seen.weighed or (None, None)
    table = standing.table(say, told.facts, standing.Body(weight, weighed_on, seen.patient.dry_weight_kg), told.where)
    contact = told.facts.contact
    is_past = last < localtime.local_date(seen.as_of, seen.patient.zone)  # nobody knows who was named then
    in_touch = say.gettext("nobody is named") if contact is None else record.contacting(say, contact, last)
    taken = [one for one in known.courses if one.to_date is None or one.to_date >= first]
    results = sorted((one for series in (known.results or {}).values() for one in series), key=lambda one: one.at)
    return {
        "died": "" if death is None else record.died(say, seen.patient.name, death),
        "next": "" if death or is_past else in_touch,
        "news": record.today(say, told.facts, last, told.where),
        "now": [[line.what, line.value or say.gettext("not known"), line.on, "; ".join(line.notes)] for line in table],
        "events": [standing.event(say, one, None) for one in reversed(known.events)],
        "medicines": [record.course(say, one) for one in taken],
        "results": [
            record.result(say, one, told.where)
            for one in results
            if first <= localtime.local_date(one.at, told.where) <= last
        ],
        "person": [list(pair) for pair in standing.person(say, known)],
    }


# --- a signed week ---------------------------------------------------------------------------------


def _signed_patient(
    signed: SignOff, by: str, additions: Sequence[AddedReview], clinic: Clinic, say: Language
) -> dict[str, Any]:
    frozen = signed.frozen
    known = review.from_json(frozen["facts"]).known
    return {
        "name": frozen["name"],
        "ref": frozen["clinic_ref"],
        "why": frozen["why"],
        "also": frozen["also"],
        "strip": {
            "svg": strip.svg(say, known.strip, strip.lines_of(known), alone=True),
            "alt": words.strip(say, known.strip),
        },
        "facts": _signed_facts(signed, known, say),
        "signed": _moment(by, signed.signed_at, clinic, say),
        "fingerprint": signed.frozen_hash[:16],
        "additions": [
            {
                "why": added.frozen["since"] or [added.frozen["why"]],
                "facts": _outcome(added.outcome, added.note, say),
                "added": _moment(added.by, added.at, clinic, say),
                "fingerprint": added.frozen_hash[:16],
            }
            for added in additions
        ],
    }


def _moment(by: str, instant: datetime, clinic: Clinic, say: Language) -> str:
    at = instant.astimezone(localtime.zone(clinic.zone))
    return say.gettext("%(by)s, %(day)s at %(time)s", by=by, day=say.full_day(at.date()), time=f"{at:%H:%M}")


def _outcome(outcome: Outcome, note: str, say: Language) -> Facts:
    return [[say.gettext("Outcome"), label(say, outcome)], *([[say.gettext("Note"), note]] if note else [])]


def _signed_facts(signed: SignOff, known: Summary, say: Language) -> Facts:
    received = say.gettext(
        "%(received)d received of %(expected)d expected in %(days)d days",
        received=known.adherence.received,
        expected=known.adherence.expected,
        days=summary.STRIP_DAYS,
    )
    facts = _outcome(signed.outcome, signed.note, say)
    if signed.next_look:
        facts.append([say.gettext("Look again on"), say.full_day(signed.next_look)])
    facts.append([say.gettext("Readings"), received])
    facts.append([say.gettext("Level"), words.level(say, known)])
    facts.append([say.gettext("Weight"), diary.weight_week(say, known.trend.diary)])
    facts.append([say.gettext("Diary"), diary.diary_week(say, known.trend.picture)])
    if signed.frozen["adjustments"]:
        newest = signed.frozen["adjustments"][0]
        made_on = say.day(date.fromisoformat(newest["made_on"]))
        facts.append([say.gettext("Last change"), f"{newest['what']}, {made_on}"])
    if signed.frozen["response"]:
        facts.append([say.gettext("Response"), signed.frozen["response"]])
    return facts
