"""The two records for paper: one patient's thirty days, and a clinic's signed week.

Both are set on the clinic's paper, and tell times on the clinic's clocks, whose zone stands beside each.
The first tells the period as it is known now; its instant is the period's end.
The second is made of what was signed, added and frozen, so later data cannot change it;
its instant is the last of those. So asking twice gives the same bytes.
"""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care import recorded
from service.domain import localtime, review, summary
from service.domain.days import Day
from service.domain.seals import Seal
from service.domain.summary import Summary
from service.domain.validation import NotHere
from service.domain.vocabulary import Lane, Outcome, Paper
from service.reports import charts, strip
from service.reviewing import desk
from service.reviewing.covering import in_week, looked_after
from service.reviewing.panel import clinic_of
from service.reviewing.patient import (
    UNSAID,
    AddedReview,
    AdjustmentShown,
    PatientReview,
    SignedReview,
    additions_of,
    build_patient,
)
from service.store import legible, signatures
from service.store.tables import Clinic, Patient, ReviewAddition, SignOff
from service.words.labels import label
from service.words.labels import title as titled
from service.words.language import Language
from service.words.sentences import diary, record, signals, standing
from service.words.sentences import review as words
from service.words.sentences import seals as sealing

Facts = list[list[str]]


@dataclass(frozen=True, slots=True)
class Record:
    """Plain JSON for a template, and the instant the record is written at."""

    title: str
    facts: dict[str, Any]
    written: datetime


def patient_record(
    session: Session,
    clinic_id: uuid.UUID,
    patient_id: uuid.UUID,
    until: date | None,
    now: datetime,
    say: Language,
    days: int = summary.STRIP_DAYS,
) -> tuple[Record, PatientReview]:
    """The `days` of one patient up to `until` (their own today when None), and what it was made from.

    The drawing of the time line is left to the caller, who may draw: `facts["timeline"]`
    is to be filled in. Raises NotHere for a patient that is not this clinic's or
    a day that has not come.
    """
    clinic = clinic_of(session, clinic_id)
    seen = build_patient(session, clinic_id, patient_id, now, days=days, until=until)
    first, last = seen.days[0].day, seen.days[-1].day
    period = say.gettext("%(first)s to %(last)s", first=say.dated(first), last=say.dated(last))
    title = f"{seen.patient.name}, {period}"
    signed = sum(first <= past.signed_on <= last for past in seen.reviews)
    reviewed = [told for past in seen.reviews for on, told in _reviewed(past, clinic, say) if first <= on <= last]
    adjustments = [made for made in reversed(seen.adjustments) if first <= made.made_on <= last]
    subtitle = say.gettext("Readings, diary, reviews and adjustments.")
    if days == summary.STRIP_DAYS:
        subtitle = say.gettext("Thirty days of readings, diary, reviews and adjustments.")
    entered = _record(seen, clinic, say)
    facts = on_paper(say, title, clinic) | {
        "name": seen.patient.name,
        "whose": _whose(seen.patient.clinic_ref, seen.recorded.born_on, say),
        "subtitle": f"{clinic.name}, {period}. {subtitle}",
        "labels": _patient_labels(say) | _record_labels(say),
        "facts": _patient_facts(seen, signed, say),
        "told": _patient_told(seen, entered["next"], say),
        "reviews": reviewed,
        "adjustments": [_adjusted(made, say, is_over=seen.recorded.death is not None) for made in adjustments],
        "response": _response(seen, say),
        "record": entered,
        "gaps": _gaps(seen, say),
        "days": {"head": _day_head(say), "rows": [_day(day, say) for day in seen.days]},
    }
    return Record(title, facts, datetime.combine(last, time(0), UTC)), seen


def weekly_record(session: Session, clinic_id: uuid.UUID, week: date, say: Language) -> Record:
    """The clinic's review of the week that begins on `week`. Raises NotHere when there is no such week."""
    clinic = clinic_of(session, clinic_id)
    if week != review.week_of(week, clinic.review_weekday):
        raise NotHere(f"no review week {week}")
    of_week = (SignOff.clinic_id == clinic_id, SignOff.week == week, signatures.COUNTS)
    every = [(one, *legible.page(session, one)) for one in session.scalars(select(SignOff).where(*of_week))]
    signed, altered = [(one, seal) for one, page, seal in every if page], [one for one, page, _ in every if not page]
    there = {one.patient_id for one, _, _ in every}
    missing = [one for one in in_week(looked_after(session, clinic), week) if one.who not in there]
    born = desk.beside(session, clinic_id, week) if missing else {}
    added = additions_of(session, clinic, ReviewAddition.sign_off_id.in_(select(SignOff.id).where(*of_week)))
    instants = [one.signed_at for one, _, _ in every] + [one.at for made in added.values() for one in made]
    written = max(instants, default=datetime.combine(week, time(0), UTC))
    ordered = sorted(signed, key=lambda pair: (pair[0].frozen["name"].casefold(), str(pair[0].id)))
    by_lane = [(lane, [pair for pair in ordered if pair[0].frozen["lane"] == lane]) for lane in review.LANES]
    unreadable = [_altered(session, one, added.get(one.id, ()), clinic, say) for one in altered]
    day = say.full_day(week)
    title = say.gettext("Weekly review, %(day)s", day=day)
    subtitle = say.gettext("The week from %(day)s.", day=day)
    outcomes = _counted([signed_off.outcome for signed_off, _ in signed], say)
    answers = _counted([one.outcome for made in added.values() for one in made], say)
    of_all = say.gettext("%(signed)d of %(patients)d patients", signed=len(signed), patients=len(every) + len(missing))
    facts = on_paper(say, title, clinic) | {
        "whose": "",
        "subtitle": f"{clinic.name}. {subtitle}",
        "labels": _weekly_labels(say),
        "facts": [
            [say.gettext("Signed"), of_all],
            [say.gettext("Outcomes"), outcomes or say.pgettext("outcomes", "none")],
            *([[say.gettext("Added since signed"), answers]] if answers else []),
            *_seals([seal for _, _, seal in every] + [one.seal for made in added.values() for one in made], say),
        ],
        "lanes": [
            {
                "name": label(say, lane),
                "patients": [_signed_patient(one, seal, added.get(one.id, ()), clinic, say) for one, seal in found],
            }
            for lane, found in by_lane
            if found
        ]
        + ([{"name": say.gettext("Altered"), "patients": [one for one, _ in unreadable]}] if unreadable else []),
        "everybody": [
            *(_line(one, seal, added.get(one.id, ()), clinic, say) for _, found in by_lane for one, seal in found),
            *(line for _, line in unreadable),
            *(
                [
                    f"{one.name}, {one.clinic_ref}",
                    _born(born.get(one.who, desk.AtHand()).born_on, say),
                    *("–", "–", say.gettext("not signed"), "–"),
                ]
                for one in missing
            ),
        ],
    }
    return Record(title, facts, written)


def _counted(outcomes: Sequence[Outcome | None], say: Language) -> str:
    counts = Counter(outcomes)
    return ", ".join(f"{label(say, outcome)} {counts[outcome]}" for outcome in Outcome if outcome in counts)


def _seals(found: Sequence[Seal], say: Language) -> Facts:
    """How many of the week's records are as they were signed."""
    hold = sum(seal is Seal.INTACT for seal in found)
    of_all = say.gettext("%(part)d of %(whole)d checked: as they were signed", part=hold, whole=len(found))
    return [[say.gettext("Seals"), of_all]] if found else []


# --- what both share -----------------------------------------------------------------------------


def on_paper(say: Language, title: str, clinic: Clinic) -> dict[str, Any]:
    """What every record on paper begins with: `record.typ`'s own words."""
    return {
        "title": title,
        "clinic": clinic.name,
        "language": say.code,
        "paper": {Paper.A4: "a4", Paper.LETTER: "us-letter"}[clinic.paper],
        "pages": say.gettext("{page} of {pages}"),
        "clocks": say.gettext("Times: %(zone)s.", zone=clinic.zone.replace("_", " ")),
        "caution": say.gettext("A record of what staff saw and signed. Not a diagnosis."),
    }


def _born(born_on: date | None, say: Language) -> str:
    return say.gettext("not known") if born_on is None else say.dated(born_on)


def _whose(clinic_ref: str, born_on: date | None, say: Language) -> str:
    """`FM-101, born 1 Jan 1936`."""
    return say.gettext("%(number)s, born %(day)s", number=clinic_ref, day=_born(born_on, say))


def _patient_labels(say: Language) -> dict[str, Any]:
    """The template's own words."""
    return {
        "timeline": say.gettext("Time line"),
        "reviews": say.gettext("Weekly reviews and interpretation"),
        "no_review": say.gettext("No weekly review was signed in this period."),
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
        "everybody": say.gettext("Everybody"),
        "everybody_head": [
            say.gettext("Patient"),
            say.gettext("Born on"),
            say.gettext("Lane"),
            say.gettext("Reason"),
            say.gettext("Outcome"),
            say.gettext("Signed by"),
        ],
    }


# --- one patient's thirty days ---------------------------------------------------------------------


def _patient_facts(seen: PatientReview, reviews: int, say: Language) -> Facts:
    counted = summary.adherence(summary.recent(seen.days))
    with_reading = sum(day.readings > 0 for day in seen.days)
    received = say.gettext(
        "%(received)d received of %(expected)d; %(excused)d excused",
        received=counted.received,
        expected=counted.expected,
        excused=counted.excused,
    )
    return [
        [say.gettext("Born on"), _born(seen.recorded.born_on, say)],
        [say.gettext("Number"), seen.patient.clinic_ref],
        [say.gettext("Their own clock"), seen.patient.zone.replace("_", " ")],
        [
            say.gettext("Days with a reading"),
            say.gettext("%(days)d of %(all)d", days=with_reading, all=len(seen.days)),
        ],
        [say.gettext("Readings expected"), received],
        [say.gettext("Weekly reviews"), say.ngettext("%(num)d review signed", "%(num)d reviews signed", reviews)],
    ]


def _patient_told(seen: PatientReview, in_touch: str, say: Language) -> Facts:
    """What takes a line of its own; only what is so of somebody who lives."""
    picture = seen.entry.summary.trend.picture
    told = [
        [say.gettext("Level"), words.level(say, seen.entry.summary)],
        [say.gettext("Trend"), signals.picture(say, picture) if picture else ""],
        [say.gettext("Goal"), record.between(say, seen.goal.lower, seen.goal.upper) if seen.goal else ""],
        [say.gettext("In touch next"), in_touch],
    ]
    return [] if seen.recorded.death else [pair for pair in told if pair[1]]


def _reviewed(past: SignedReview, clinic: Clinic, say: Language) -> Iterator[tuple[date, dict[str, str]]]:
    """The signature, and each addition to it, each with its date."""
    seen = " ".join([past.frozen["why"], *past.frozen["also"]]) if past.frozen else ""
    head = say.gettext("Week from %(day)s: %(outcome)s", day=say.dated(past.week), outcome=label(say, past.outcome))
    head = _warned(head, [past.seal], say)
    yield (
        past.signed_on,
        {"head": head, "seen": seen, "note": past.note, "by": _moment(past.by, past.at, clinic, say)},
    )
    for added in past.additions:
        seen = " ".join(_since(added))
        head = say.gettext("Added: %(outcome)s", outcome=label(say, added.outcome))
        head = _warned(head, [added.seal], say)
        by = _moment(added.by, added.at, clinic, say)
        yield added.added_on, {"head": head, "seen": seen, "note": added.note, "by": by}


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
    what = _warned(f"{label(say, made.kind)}: {made.what}", [made.seal], say)
    return [say.short_day(made.made_on), what, follow_up, made.by]


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
    results = [
        *((one.at, record.result(say, one, told.where)) for series in (known.results or {}).values() for one in series),
        *((at, record.rhythm(say, heard, at, told.where)) for at, heard in known.rhythms),
    ]
    return {
        "died": "" if death is None else record.died(say, seen.patient.name, death),
        "next": "" if death or is_past else in_touch,
        "news": record.today(say, told.facts, last, told.where),
        "now": [[line.what, line.value or say.gettext("not known"), line.on, "; ".join(line.notes)] for line in table],
        "events": [standing.event(say, one, None) for one in reversed(known.events)],
        "medicines": [record.course(say, one) for one in taken],
        "results": [text for at, text in sorted(results) if first <= localtime.local_date(at, told.where) <= last],
        "person": [list(pair) for pair in standing.person(say, known)],
    }


# --- a signed week ---------------------------------------------------------------------------------


def _signed_patient(
    signed: SignOff, seal: Seal, additions: Sequence[AddedReview], clinic: Clinic, say: Language
) -> dict[str, Any]:
    frozen = signed.frozen
    known = review.from_json(frozen["facts"]).known
    head, colon, rest = frozen["why"].partition(": ")
    return {
        "name": frozen["name"],
        "ref": frozen["clinic_ref"],
        "born": say.gettext("born %(day)s", day=_born(_frozen_birth(frozen), say)),
        "head": f"{head}{colon.rstrip()}" if rest else "",
        "why": rest or head,
        "also": frozen["also"],
        "strip": {
            "svg": strip.svg(say, known.strip, strip.lines_of(known), alone=True),
            "alt": words.strip(say, known.strip),
        },
        "facts": _signed_facts(signed, known, say),
        "signed": _moment(frozen["by"], signed.signed_at, clinic, say),
        "fingerprint": signed.frozen_hash[:16],
        "seal": sealing.checked(say, seal),
        "holds": seal is Seal.INTACT,
        "additions": [_added(one, clinic, say) for one in additions],
    }


def _added(added: AddedReview, clinic: Clinic, say: Language) -> dict[str, Any]:
    return {
        "why": _since(added),
        "facts": _outcome(added.outcome, added.note, say),
        "added": _moment(added.by, added.at, clinic, say),
        "fingerprint": added.frozen_hash[:16],
        "seal": sealing.checked(say, added.seal),
        "holds": added.seal is Seal.INTACT,
    }


def _since(added: AddedReview) -> list[str]:
    """What the addition answers; nothing of one that was altered until nobody can read it."""
    why: list[str] = (added.frozen["since"] or [added.frozen["why"]]) if added.frozen else []
    return why


def _altered(
    session: Session, signed: SignOff, additions: Sequence[AddedReview], clinic: Clinic, say: Language
) -> tuple[dict[str, Any], list[str]]:
    """In place of a signature that nobody can read, among the lanes and in the table: whose it is, by their own row."""
    whose = session.get_one(Patient, signed.patient_id)
    # Another clinic looks after whoever left since: what they are called there is not this clinic's to read.
    name, ref = (whose.name, whose.clinic_ref) if whose.clinic_id == signed.clinic_id else (UNSAID, UNSAID)
    warning = sealing.warning(say, Seal.ALTERED)
    outcomes = [f"+ {label(say, added.outcome)}" for added in additions]
    found = dict.fromkeys([Seal.ALTERED, *(added.seal for added in additions)])
    signature = _moment(UNSAID, signed.signed_at, clinic, say)
    told: dict[str, Any] = {
        "name": name,
        "ref": ref,
        "born": say.gettext("born %(day)s", day=_born(None, say)),
        "head": "",
        "why": "",
        "also": [],
        "strip": None,
        "facts": _outcome(None, "", say),
        "signed": signature,
        "fingerprint": signed.frozen_hash[:16],
        "seal": warning,
        "holds": False,
        "additions": [_added(one, clinic, say) for one in additions],
    }
    line = [f"{name}, {ref}", _born(None, say), UNSAID, UNSAID, _warned(" ".join(outcomes), found, say), signature]
    return told, line


def _frozen_birth(frozen: dict[str, Any]) -> date | None:
    return date.fromisoformat(frozen["born_on"]) if frozen["born_on"] else None


def _line(signed: SignOff, seal: Seal, additions: Sequence[AddedReview], clinic: Clinic, say: Language) -> list[str]:
    """One patient's row of the table of everybody; what was added stands beside the signature, and what is wrong."""
    frozen = signed.frozen
    outcomes = [label(say, signed.outcome), *(f"+ {label(say, added.outcome)}" for added in additions)]
    found = dict.fromkeys([seal, *(added.seal for added in additions)])
    return [
        f"{frozen['name']}, {frozen['clinic_ref']}",
        _born(_frozen_birth(frozen), say),
        label(say, Lane(frozen["lane"])),
        frozen["brief"],
        _warned(" ".join(outcomes), found, say),
        _moment(frozen["by"], signed.signed_at, clinic, say),
    ]


def _warned(told: str, found: Iterable[Seal], say: Language) -> str:
    """What is told, and after its full stop what is wrong with the seals found beside it, each once."""
    warnings = " ".join(filter(None, (sealing.warning(say, one) for one in found)))
    return f"{told.rstrip('.')}. {warnings}" if told and warnings else told or warnings


def _moment(by: str, instant: datetime, clinic: Clinic, say: Language) -> str:
    """`Imogen Vale, 25 Nov 2026, 14:05 EST`: on the clinic's clocks."""
    at = instant.astimezone(localtime.zone(clinic.zone))
    return f"{by}, {say.dated(at.date())}, {at:%H:%M %Z}"


def _outcome(outcome: Outcome | None, note: str, say: Language) -> Facts:
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
