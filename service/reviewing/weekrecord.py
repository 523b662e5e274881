"""The record of a clinic's signed week, as facts for paper.

Made of what was signed and frozen, so later data cannot change it; its instant
is the last signature's, so asking twice gives the same bytes.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain import localtime, review, spoken, summary_json
from service.domain.vocabulary import Lane, Outcome
from service.reports import strip
from service.reviewing.recordwords import CAUTION, LANES, Facts, Record, levels, outcome_word
from service.store import panel
from service.store.tables import Clinic, SignOff, Staff


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
    known = summary_json.from_json(frozen["summary"])
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
