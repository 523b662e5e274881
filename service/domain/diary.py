"""The diary: the questions, what counts as an answer, and which answers are an emergency.

Promises one table of questions and one reader of answers for every way of asking
(page, text message, API, file, replay), in our own words; that one answer that cannot
be taken costs none of the others; and that each refusal names the question, what was
given and what is accepted. Does not diagnose: an answer is a person's own report.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Collection, Iterable, Mapping
from dataclasses import fields, replace
from datetime import date, timedelta
from enum import StrEnum
from types import MappingProxyType
from typing import Any

from service.domain.frozen import dataclass
from service.domain.readings import KG, POUNDS, UNITS_OF_WEIGHT, to_kg
from service.domain.validation import Refused, number, whole
from service.domain.vocabulary import SafetySign, Source, Swelling, Urgency, WeightDoubt, WeightSaid

# The weights of adults living at home, each unit with round ends. Common practice, no source.
WEIGHT_RANGES: Mapping[str, tuple[float, float, str]] = MappingProxyType(
    {KG: (25.0, 350.0, "kg"), POUNDS: (55.0, 770.0, "lb")}
)
LONGEST_NOTE = 1000
MORE_PILLOWS, FEWER_PILLOWS = 10, -5  # compared with the patient's own usual
# A weight further from the last than this share of it is asked about once: it may be another unit,
# a slip, another person on the scale, or true. A convention of ours, no source.
FAR_FROM_LAST = 0.10
DAYS_BACK = 400  # how far back a diary page may be filled in, so that a paper notebook can be copied
# Alone, each of these is for the clinic today; with any other sign it is an emergency: a fast or irregular pulse,
# several US patient sheets; one shock of a defibrillator in somebody who feels well, common practice, no source.
SAME_DAY_ALONE = frozenset({SafetySign.RACING_HEART, SafetySign.ONE_SHOCK})
COPIED = frozenset({Source.API, Source.FILE})  # may bring an old notebook
NEWS = timedelta(days=2)  # our own number, no source
NONE_OF_THESE = "none"  # "asked about signs of an emergency, and none"


class AnswerKind(StrEnum):
    """What an answer is: a whole number in a range, yes or no, a word of a list, a weight, signs, free text."""

    SCALE = "scale"
    CHANGE = "change"
    YES_NO = "yes_no"
    CHOICE = "choice"
    WEIGHT = "weight"
    SIGNS = "signs"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Question:
    """One question. `least` and `most` bound a whole number; a weight's bounds are WEIGHT_RANGES, by unit."""

    key: str
    kind: AnswerKind
    words: str
    options: tuple[str, ...] = ()
    least: int = 0
    most: int = 0

    def refused(self, given: object) -> Refused:
        """What to say of an answer that is none."""
        match self.kind:
            case AnswerKind.SCALE | AnswerKind.CHANGE:
                bounds = {"least": self.least, "most": self.most}
                return Refused(self.key, given, "a whole number from %(least)s to %(most)s", **bounds)
            case AnswerKind.YES_NO:
                return Refused(self.key, given, "yes or no")
            case AnswerKind.CHOICE:
                return Refused(self.key, given, "one of %(words)s", words=self.options)
            case AnswerKind.SIGNS:
                none, some = NONE_OF_THESE, "; ".join(self.options)
                return Refused(self.key, given, "%(none)s, or some of: %(words)s", none=none, words=some)
            case AnswerKind.NOTE:
                return Refused(self.key, given, "text of at most %(most)s characters", most=LONGEST_NOTE)
            case AnswerKind.WEIGHT:
                ranges = [f"{least:g}–{most:g} {name}" for least, most, name in WEIGHT_RANGES.values()]
                return Refused(self.key, given, "a number: %(ranges)s", ranges="; ".join(ranges))


QUESTIONS = (
    Question("safety_signs", AnswerKind.SIGNS, "Right now, do you have any of these?", tuple(SafetySign)),
    Question("weight", AnswerKind.WEIGHT, "What did you weigh this morning?"),
    Question(
        "breathlessness",
        AnswerKind.SCALE,
        "From 0 to 10: how hard was your breathing since yesterday, when it was hardest?",
        least=0,
        most=10,
    ),
    Question(
        "extra_pillows",
        AnswerKind.CHANGE,
        "How many pillows did you sleep on, compared with your usual?",
        least=FEWER_PILLOWS,
        most=MORE_PILLOWS,
    ),
    Question("woke_breathless", AnswerKind.YES_NO, "Did breathlessness wake you last night?"),
    Question("slept_in_chair", AnswerKind.YES_NO, "Did you sleep in a chair or sitting up last night?"),
    Question("swelling", AnswerKind.CHOICE, "How far up are your legs swollen?", tuple(Swelling)),
    Question("full_belly", AnswerKind.YES_NO, "Is your belly swollen, or are you full after a few bites?"),
    Question("light_headed", AnswerKind.YES_NO, "Have you felt light-headed since yesterday?"),
    Question(
        "tiredness", AnswerKind.SCALE, "From 0 to 10: how worn out have you been since yesterday?", least=0, most=10
    ),
    Question("missed_medicines", AnswerKind.YES_NO, "Have you missed any of your medicines since yesterday?"),
    Question("note", AnswerKind.NOTE, "Anything else you would like the clinic to know?"),
)


@dataclass(frozen=True, slots=True)
class Answers:
    """One day's answers. None is "not answered"; no safety signs at all, (), is "none of these".

    `weight` is in `weight_unit` (UCUM: kg or [lb_av]).
    """

    breathlessness: int | None = None
    extra_pillows: int | None = None
    woke_breathless: bool | None = None
    slept_in_chair: bool | None = None
    swelling: Swelling | None = None
    full_belly: bool | None = None
    weight: float | None = None
    weight_unit: str = KG
    weight_confirmed: bool = False  # they were asked about this weight, and it is right
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


_OF_WEIGHT = ("weight_unit", "weight_confirmed")
_ANSWERS = tuple(one.name for one in fields(Answers) if one.name not in _OF_WEIGHT)


@dataclass(frozen=True, slots=True)
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
    for question in QUESTIONS:
        try:
            _check(question, getattr(answers, question.key), answers.weight_unit)
        except Refused as refusal:
            problems.append(refusal)
    if not problems and answers.is_empty:
        problems.append(_nothing_said())
    return problems


# --- the reader --------------------------------------------------------------------


def read_answers(raw: Mapping[str, Any], usual_unit: str = KG) -> tuple[Answers, list[Refused]]:
    """The answers in `raw`, by question, and every refusal in the order of the questions.

    Values are text as a form or a file holds it ("3", "3.0", "82,4 kg", "yes", "none") or
    plain JSON. Empty or missing is "not answered". A weight is in the unit written behind
    it, else in `raw["weight_unit"]`, else in `usual_unit`. A refused answer is left out
    and the others stand; nothing answered at all is refused as "answers".
    """
    unit = _unit_behind(raw.get("weight")) or raw.get("weight_unit") or usual_unit
    values: dict[str, Any] = {"weight_unit": unit if unit in WEIGHT_RANGES else usual_unit}
    refused: list[Refused] = []
    for question in QUESTIONS:
        try:
            value = _value_of(question, raw.get(question.key))
            _check(question, value, unit)
        except Refused as refusal:
            refused.append(refusal)
        else:
            if value is not None:
                values[question.key] = value
    try:
        confirmed = _value_of(_CONFIRMED, raw.get(_CONFIRMED.key))
        _check(_CONFIRMED, confirmed, unit)
        values[_CONFIRMED.key] = confirmed is True and "weight" in values
    except Refused as refusal:
        refused.append(refusal)
    answers = Answers(**values)
    if not refused and answers.is_empty:
        refused.append(_nothing_said())
    return answers, refused


_CONFIRMED = Question("weight_confirmed", AnswerKind.YES_NO, "Is this weight right?")
_WHOLE = re.compile(r"([+-]?\d{1,4})(?:\.0*)?", re.ASCII)  # a spreadsheet writes 3 as 3.0
_WEIGHED = re.compile(r"(\d{1,4})(?:[.,](\d{0,17}))?\s*(kg|lbs?)?\.?", re.ASCII | re.IGNORECASE)
_YES_NO: Mapping[str, bool] = {"yes": True, "no": False, "true": True, "false": False, "1": True, "0": False}


def _value_of(question: Question, raw: Any) -> Any:
    """What was given, as the kind of value that the question takes; None for nothing. Raises Refused."""
    if question.kind is AnswerKind.NOTE:
        return raw.replace("\r\n", "\n").strip() if isinstance(raw, str) else raw
    if isinstance(raw, list | tuple):
        return _signs(question, raw) if question.kind is AnswerKind.SIGNS else raw
    if not isinstance(raw, str):
        return raw
    text = raw.strip()
    return _from_text(question, text) if text else None


def _from_text(question: Question, text: str) -> Any:
    value: Any = None
    match question.kind:
        case AnswerKind.SCALE | AnswerKind.CHANGE:
            value = int(found[1]) if (found := _WHOLE.fullmatch(text)) else None
        case AnswerKind.WEIGHT:
            value = float(f"{found[1]}.{found[2] or 0}") if (found := _WEIGHED.fullmatch(text)) else None
        case AnswerKind.YES_NO:
            value = _YES_NO.get(text.lower())
        case AnswerKind.CHOICE:
            value = Swelling(text.lower()) if text.lower() in question.options else None
        case AnswerKind.SIGNS:
            words = [word.strip().lower() for word in text.split(";")]
            value = _signs(question, words) if set(words) <= {*question.options, NONE_OF_THESE} else None
    if value is None:
        raise question.refused(text)
    return value


def _signs(question: Question, raw: Iterable[Any]) -> tuple[SafetySign, ...]:
    """The signs ticked in a form or a list. A sign wins over whatever stands beside it: the safer of the two."""
    words = [word.strip().lower() if isinstance(word, str) else word for word in raw]
    signs = tuple(SafetySign(word) for word in words if word in question.options)
    unknown = [word for word in words if word not in (*question.options, NONE_OF_THESE)]
    if unknown and not signs:
        raise question.refused(unknown[0])
    return signs


def _unit_behind(weight: Any) -> str | None:
    """The unit written behind a weight, which then counts, whatever is chosen beside it."""
    found = _WEIGHED.fullmatch(weight.strip()) if isinstance(weight, str) else None
    if found is None or not found[3]:
        return None
    return KG if found[3].lower() == "kg" else POUNDS


def _check(question: Question, value: Any, unit: str) -> None:
    """Raises Refused for a value that is no answer to the question; None is "not answered"."""
    if value is None:
        return
    match question.kind:
        case AnswerKind.SCALE | AnswerKind.CHANGE:
            whole(question.key, value, question.least, question.most)
            return
        case AnswerKind.WEIGHT:
            if unit not in WEIGHT_RANGES:
                raise Refused("weight_unit", unit, "one of %(words)s", words=tuple(UNITS_OF_WEIGHT))
            number(question.key, value, *WEIGHT_RANGES[unit])
            return
        case AnswerKind.YES_NO:
            sound = isinstance(value, bool)
        case AnswerKind.CHOICE:
            sound = value in question.options
        case AnswerKind.SIGNS:
            sound = isinstance(value, tuple | list) and all(sign in question.options for sign in value)
        case AnswerKind.NOTE:
            sound = isinstance(value, str) and len(value) <= LONGEST_NOTE and "\x00" not in value
    if not sound:
        raise question.refused(value)


def _nothing_said() -> Refused:
    return Refused("answers", None, "at least one answer")


# --- as columns --------------------------------------------------------------------


def as_columns(answers: Answers) -> dict[str, Any]:
    """The answers as the columns that keep them: the weight in kg to the gram, with the unit it was given in."""
    columns = {name: getattr(answers, name) for name in _ANSWERS}
    del columns["weight"]
    signs = answers.safety_signs
    return columns | {
        "weight_kg": answers.weight_kg,
        "weight_unit": None if answers.weight is None else answers.weight_unit,
        "weight_confirmed": answers.weight_confirmed,
        # In one order, once each: ticking them in another order is not another answer.
        "safety_signs": None if signs is None else [sign.value for sign in SafetySign if sign in signs],
        "note": answers.note.strip(),
    }


def from_columns(row: Any) -> Answers:
    """The answers that a row with those columns keeps."""
    values = {name: getattr(row, name) for name in _ANSWERS if name not in ("weight", "safety_signs")}
    unit = row.weight_unit or KG
    # To the gram, or to a hundredth of a pound: what was typed comes back as it was typed.
    weight = None if row.weight_kg is None else round(row.weight_kg / to_kg(1.0, unit), 3 if unit == KG else 2)
    signs = None if row.safety_signs is None else tuple(SafetySign(sign) for sign in row.safety_signs)
    confirmed = row.weight_confirmed
    return Answers(**values, weight=weight, weight_unit=unit, weight_confirmed=confirmed, safety_signs=signs)


# --- what follows from a diary -----------------------------------------------------


def checked_day(day: date, today: date) -> date:
    """`day` itself: a diary page is never of tomorrow. Raises Refused."""
    if not today - timedelta(days=DAYS_BACK) <= day <= today:
        raise Refused(
            "local_date",
            day.isoformat(),
            "a date from %(days)s days ago to today, %(today)s",
            days=DAYS_BACK,
            today=today,
        )
    return day


def weight_doubt(answers: Answers, sure_kg: float | None, newest_kg: float | None) -> WeightDoubt | None:
    """Why the weight should be asked about and not compared until then; None where nothing is odd.

    `sure_kg` is the last weight that nobody doubts, `newest_kg` the last of all: a weight far from
    the one and near the other has been given twice, and is believed unless the other unit explains it.
    """
    kg = answers.weight_kg
    if kg is None or answers.weight_confirmed or sure_kg is None or _is_near(kg, sure_kg):
        return None
    other_kg = in_other_unit(answers).weight_kg
    if other_kg is not None and _is_near(other_kg, sure_kg):
        return WeightDoubt.OTHER_UNIT
    return None if newest_kg is not None and _is_near(kg, newest_kg) else WeightDoubt.FAR


def in_other_unit(answers: Answers) -> Answers:
    """The same figure, in pounds instead of kilograms or the other way round."""
    return replace(answers, weight_unit=POUNDS if answers.weight_unit == KG else KG)


def weight_said(answers: Answers, said: WeightSaid) -> Answers:
    """The answers once somebody has said which weight is right."""
    right = answers if said is WeightSaid.AS_GIVEN else in_other_unit(answers)
    return replace(right, weight_confirmed=True)


def _is_near(kg: float, last_kg: float) -> bool:
    return abs(kg - last_kg) <= FAR_FROM_LAST * last_kg


def urgency(signs: Collection[SafetySign] | None) -> Urgency | None:
    """What these signs together call for; None where there are none."""
    if not signs:
        return None
    return Urgency.SAME_DAY if len(signs) == 1 and SAME_DAY_ALONE.issuperset(signs) else Urgency.EMERGENCY


def is_old_copy(source: Source, day: date, told_on: date) -> bool:
    """Whether what is told of `day` is copied from long before: it is for the review, not for somebody's evening."""
    return source in COPIED and day < told_on - NEWS


def new_signs(now: Answers, before: tuple[SafetySign, ...] | None) -> tuple[SafetySign, ...]:
    """The signs of an emergency that were not there before."""
    return tuple(sign for sign in now.safety_signs or () if sign not in (before or ()))
