"""The rows of a replay's diary file, each checked by itself.

Promises what `rows` promises of readings; of two diaries of one date the later
line counts, as a correction does. The answers are held to the same rules as a
check-in that arrives (`domain.diary`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache

from service.domain import diary
from service.domain.diary import Answers
from service.domain.readings import EARLIEST
from service.domain.signals.diary import QUESTIONS, WEIGHT
from service.domain.validation import Refused
from service.domain.vocabulary import SafetySign, Swelling
from service.replaying.rows import LATEST_YEAR, Rejected, patient_of, rows_of

DIARY_COLUMNS = (
    "patient",
    "local_date",
    "weight",
    "weight_unit",
    "breathlessness",
    "extra_pillows",
    "woke_breathless",
    "swelling",
    "light_headed",
    "tiredness",
    "safety_signs",
)
SYMPTOM_COLUMNS = tuple([name for name in DIARY_COLUMNS[2:] if not name.startswith("weight")])
_NOTHING: tuple[tuple[float | None, ...], tuple[SafetySign, ...]] = ((None,) * WEIGHT, ())
_HEIGHT = {Swelling.NONE: 0.0, Swelling.ANKLE: 1.0, Swelling.SHIN: 2.0, Swelling.KNEE: 3.0}
_YES_NO = {"yes": True, "no": False, "true": True, "false": False, "1": True, "0": False}


@dataclass(slots=True)
class Diaries(Rejected):
    """Good diaries by patient and local date: one value a question, and the safety signs ticked."""

    days: dict[str, dict[int, tuple[list[float | None], tuple[SafetySign, ...]]]] = field(default_factory=dict)
    pounds: set[str] = field(default_factory=set)  # who weighs in lb
    rows: int = 0


def read_diary(lines: Iterable[str]) -> Diaries:
    """Every diary of a CSV file. Raises Refused where the file as a whole cannot be read."""
    found = Diaries()
    for line, row in rows_of(lines, DIARY_COLUMNS, ("patient", "local_date"), DIARY_COLUMNS[2:], found):
        try:
            patient, day = patient_of(row), _date(row["local_date"].strip())
            weight = _weight(row)
            told = tuple([row.get(name, "").strip() for name in SYMPTOM_COLUMNS])
            values, signs = _symptoms(told) if weight is None or any(told) else _NOTHING
        except Refused as refusal:
            found.refused.append(refusal.at_line(line))
            continue
        if weight is not None and row.get("weight_unit", "").strip() not in {"", "kg"}:
            found.pounds.add(patient)
        days = found.days.setdefault(patient, {})
        found.duplicates += day in days
        found.rows += 1
        days[day] = ([*values, weight], signs)
    return found


# The same dates and the same few answers come a thousand times in a file: each is checked once.
@lru_cache(maxsize=1 << 16)
def _date(text: str) -> int:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise Refused("local_date", text, "a date such as 2026-03-01") from None
    if not EARLIEST.year <= day.year < LATEST_YEAR:
        raise Refused("local_date", text, f"a year from {EARLIEST.year} to {LATEST_YEAR - 1}")
    return day.toordinal()


def _weight(row: dict[str, str]) -> float | None:
    """kg, or None where none was given."""
    given = _decimal("weight", row.get("weight", "").strip())
    if given is None:
        return None
    unit = row.get("weight_unit", "").strip() or "kg"
    return diary.checked(Answers(weight=given, weight_unit=unit)).weight_kg


@lru_cache(maxsize=1 << 16)
def _symptoms(told: tuple[str, ...]) -> tuple[tuple[float | None, ...], tuple[SafetySign, ...]]:
    """The checked answers to the questions but the weight's, in the order of QUESTIONS, and the safety signs."""
    text = dict(zip(SYMPTOM_COLUMNS, told, strict=True))
    answers = diary.checked(
        Answers(
            breathlessness=_whole("breathlessness", text["breathlessness"]),
            extra_pillows=_whole("extra_pillows", text["extra_pillows"]),
            woke_breathless=_yes_no("woke_breathless", text["woke_breathless"]),
            swelling=_word("swelling", text["swelling"]),
            light_headed=_yes_no("light_headed", text["light_headed"]),
            tiredness=_whole("tiredness", text["tiredness"]),
            safety_signs=_signs(text["safety_signs"]),
        )
    )
    return tuple([_value(answers, question) for question in QUESTIONS[:WEIGHT]]), answers.safety_signs or ()


def _value(answers: Answers, question: str) -> float | None:
    given = getattr(answers, question)
    return _HEIGHT[given] if isinstance(given, Swelling) else None if given is None else float(given)


def _whole(name: str, text: str) -> int | None:
    try:
        # A spreadsheet writes 3 as 3.0.
        return int(text.removesuffix(".0")) if text else None
    except ValueError:
        raise Refused(name, text, "a whole number") from None


def _decimal(name: str, text: str) -> float | None:
    try:
        return float(text) if text else None
    except ValueError:
        raise Refused(name, text, "a number") from None


def _yes_no(name: str, text: str) -> bool | None:
    if not text:
        return None
    if text.lower() not in _YES_NO:
        raise Refused(name, text, "yes or no")
    return _YES_NO[text.lower()]


def _word(name: str, text: str) -> Swelling | None:
    try:
        return Swelling(text) if text else None
    except ValueError:
        raise Refused(name, text, ", ".join(Swelling)) from None


def _signs(text: str) -> tuple[SafetySign, ...] | None:
    """Signs apart by semicolons; "none" is "asked, and none of these"."""
    if not text:
        return None
    try:
        return () if text == "none" else tuple(SafetySign(sign.strip()) for sign in text.split(";"))
    except ValueError:
        raise Refused("safety_signs", text, f"none, or some of: {'; '.join(SafetySign)}") from None
