"""The diary: the questions, what counts as an answer, and which answers are an emergency.

Promises one list of questions for every way of asking (page, text message, API,
file), in our own words. Does not diagnose: an answer is a person's own report.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import date, timedelta
from types import MappingProxyType
from typing import Any

from service.domain.fields import number, whole
from service.domain.readings import UNITS_OF_WEIGHT, to_kg
from service.domain.validation import Refused, is_storable
from service.domain.vocabulary import SafetySign, Source, Swelling

# The weights of adults living at home, each unit with round ends. Common practice, no source.
WEIGHT_RANGES: Mapping[str, tuple[float, float, str]] = MappingProxyType(
    {"kg": (25.0, 350.0, "kg"), "[lb_av]": (55.0, 770.0, "lb")}
)
LONGEST_NOTE = 1000
MORE_PILLOWS, FEWER_PILLOWS = 10, -5  # compared with the patient's own usual
# A weight this far from the last one is kept, with a remark: it may be another unit,
# another person on the scale, or true. Common practice, no source.
ODD_WEIGHT_CHANGE = 0.20
ODD_WEIGHT = "weight far from the last one"
DAYS_BACK = 400  # how far back a diary page may be filled in, so that a paper notebook can be copied


@dataclass(frozen=True)
class Question:
    """One question. `kind` is signs, scale, change, yes_no, choice, weight or note."""

    key: str
    kind: str
    words: str
    options: tuple[str, ...] = ()
    least: int | None = None
    most: int | None = None


QUESTIONS = (
    Question("safety_signs", "signs", "Right now, do you have any of these?", tuple(SafetySign)),
    Question("weight", "weight", "What did you weigh this morning?"),
    Question("breathlessness", "scale", "At its worst in the last 24 hours, how breathless were you?", (), 0, 10),
    Question(
        "extra_pillows",
        "change",
        "How many pillows did you sleep on, compared with your usual?",
        (),
        FEWER_PILLOWS,
        MORE_PILLOWS,
    ),
    Question("woke_breathless", "yes_no", "Did breathlessness wake you last night?"),
    Question("swelling", "choice", "How far up are your legs swollen?", tuple(Swelling)),
    Question("light_headed", "yes_no", "Have you felt light-headed since yesterday?"),
    Question("tiredness", "scale", "How tired have you been in the last 24 hours?", (), 0, 10),
    Question("missed_medicines", "yes_no", "Have you missed any of your medicines since yesterday?"),
    Question("note", "note", "Anything else you would like the clinic to know?"),
)


@dataclass(frozen=True)
class Answers:
    """One day's answers. None is "not answered"; no safety signs at all, (), is "none of these".

    `weight` is in `weight_unit` (UCUM: kg or [lb_av]).
    """

    breathlessness: int | None = None
    extra_pillows: int | None = None
    woke_breathless: bool | None = None
    swelling: Swelling | None = None
    weight: float | None = None
    weight_unit: str = "kg"
    light_headed: bool | None = None
    tiredness: int | None = None
    missed_medicines: bool | None = None
    safety_signs: tuple[SafetySign, ...] | None = None
    note: str = ""

    @property
    def weight_kg(self) -> float | None:
        """The weight in kilograms, to the gram."""
        return None if self.weight is None else round(to_kg(self.weight, self.weight_unit), 3)

    @property
    def is_empty(self) -> bool:
        """Whether nothing at all was answered."""
        return all(getattr(self, name) in (None, "") for name in _ANSWERS)


_ANSWERS = tuple(one.name for one in fields(Answers) if one.name != "weight_unit")


@dataclass(frozen=True)
class NewCheckin:
    """A check-in as it was sent, by the patient's id or the clinic's own reference for them.

    `local_date` is the day it tells of; None is today where the patient lives.
    """

    patient: uuid.UUID | str
    answers: Answers
    local_date: date | None = None
    source: Source = Source.API


def checked(answers: Answers) -> Answers:
    """`answers` themselves. Raises the first of `problems_in` them."""
    if problems := problems_in(answers):
        raise problems[0]
    return answers


def problems_in(answers: Answers) -> list[Refused]:
    """Every answer that cannot be taken, so that a person can mend them all in one go."""
    problems = []
    for key, check in _CHECKS.items():
        given = getattr(answers, key)
        if given is not None:
            try:
                check(answers, given)
            except Refused as refusal:
                problems.append(refusal)
    if not problems and answers.is_empty:
        problems.append(Refused("answers", None, "at least one answer"))
    return problems


def checked_day(day: date, today: date) -> date:
    """`day` itself: a diary page is never of tomorrow. Raises Refused."""
    if not today - timedelta(days=DAYS_BACK) <= day <= today:
        accepted = f"a date from {DAYS_BACK} days ago to today, {today.isoformat()}"
        raise Refused("local_date", day.isoformat(), accepted)
    return day


def is_odd_weight(kg: float, last_kg: float | None) -> bool:
    """Whether a weight differs so much from the last one that staff should look before trusting it."""
    return last_kg is not None and abs(kg - last_kg) > ODD_WEIGHT_CHANGE * last_kg


def new_signs(now: Answers, before: tuple[SafetySign, ...] | None) -> tuple[SafetySign, ...]:
    """The signs of an emergency that were not there before."""
    return tuple(sign for sign in now.safety_signs or () if sign not in (before or ()))


def _weight(answers: Answers, given: Any) -> None:
    if answers.weight_unit not in WEIGHT_RANGES:
        raise Refused("weight_unit", answers.weight_unit, ", ".join(UNITS_OF_WEIGHT))
    number("weight", given, *WEIGHT_RANGES[answers.weight_unit])


def _yes_no(key: str) -> Callable[[Answers, Any], None]:
    def check(_answers: Answers, given: Any) -> None:
        if not isinstance(given, bool):
            raise Refused(key, given, "yes or no")

    return check


def _range(key: str, least: int, most: int) -> Callable[[Answers, Any], None]:
    def check(_answers: Answers, given: Any) -> None:
        whole(key, given, least, most)

    return check


def _swelling(_answers: Answers, given: Any) -> None:
    if given not in tuple(Swelling):
        raise Refused("swelling", given, ", ".join(Swelling))


def _signs(_answers: Answers, given: Any) -> None:
    if not isinstance(given, tuple | list):
        raise Refused("safety_signs", given, "a list")
    for sign in given:
        if sign not in tuple(SafetySign):
            raise Refused("safety_signs", sign, ", ".join(SafetySign))


def _note(_answers: Answers, given: Any) -> None:
    if not isinstance(given, str) or len(given) > LONGEST_NOTE or not is_storable(given):
        raise Refused("note", given, f"text of at most {LONGEST_NOTE} characters")


_CHECKS: Mapping[str, Callable[[Answers, Any], None]] = {
    "safety_signs": _signs,
    "weight": _weight,
    "breathlessness": _range("breathlessness", 0, 10),
    "extra_pillows": _range("extra_pillows", FEWER_PILLOWS, MORE_PILLOWS),
    "woke_breathless": _yes_no("woke_breathless"),
    "swelling": _swelling,
    "light_headed": _yes_no("light_headed"),
    "tiredness": _range("tiredness", 0, 10),
    "missed_medicines": _yes_no("missed_medicines"),
    "note": _note,
}
