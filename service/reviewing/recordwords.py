"""What both records share: their shape, their words, and how a level and a day's remarks are told."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.domain import spoken
from service.domain.days import Day
from service.domain.review_reasons import PAUSES
from service.domain.summary import Summary
from service.domain.vocabulary import Lane, Outcome, SafetySign, Swelling

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
