"""Which questions a check-in asks: the clinic says how often, and a trouble is asked about until it is gone.

Promises that the signs of an emergency are in every check-in, that a question asked now and then
comes again on the next day while its last answer tells of trouble, and that what was answered on the
day itself stays on its page. Whatever is not asked is still taken when somebody tells it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from enum import StrEnum
from typing import Any

from service.domain.diary import QUESTIONS, AnswerKind, Answers, Question
from service.domain.validation import Refused

SIGNS = "safety_signs"
A_WEEK = timedelta(days=7)
# How long after an adjustment its effect is asked about: days to two weeks, NICE NG106 and QS9.
AFTER_AN_ADJUSTMENT = timedelta(days=14)


class HowOften(StrEnum):
    """When a question is asked."""

    DAILY = "daily"  # in every check-in
    WEEKLY = "weekly"  # once its last answer is a week old
    AFTER_CHANGE = "after_change"  # in the two weeks after an adjustment


Asks = Mapping[str, Sequence[str]]  # how often, to keys of questions: each question once

# Where a clinic has said nothing. Ours, so that a check-in stays under a minute; no source.
START: dict[str, list[str]] = {
    HowOften.DAILY.value: [one.key for one in QUESTIONS if one.key not in ("full_belly", "tiredness")],
    HowOften.WEEKLY.value: ["full_belly", "tiredness"],
    HowOften.AFTER_CHANGE.value: [],
}


def checked_asks(raw: Any) -> dict[str, list[str]]:
    """The setting as it is kept. Raises Refused unless each question is named once, the signs of an emergency daily."""

    def unlike(value: object) -> Refused:
        keys = tuple(one.key for one in QUESTIONS)
        return Refused(
            "asks", value, "%(how)s: lists of questions that name each once: %(keys)s", how=tuple(HowOften), keys=keys
        )

    if not isinstance(raw, Mapping) or not set(raw) <= set(HowOften):
        raise unlike(raw)
    kept: dict[str, list[str]] = {how.value: [] for how in HowOften}
    named: set[str] = set()
    for how, keys in raw.items():
        if not isinstance(keys, Sequence) or isinstance(keys, str):
            raise unlike(keys)
        for key in keys:
            if key in named or key not in {one.key for one in QUESTIONS}:
                raise unlike(key)
            named.add(key)
            kept[how].append(key)
    if missing := [one.key for one in QUESTIONS if one.key not in named]:
        raise unlike(f"no {missing[0]}")
    if SIGNS not in kept[HowOften.DAILY]:
        raise Refused("asks", SIGNS, "%(signs)s under daily: signs of an emergency are in every check-in", signs=SIGNS)
    return kept


def looks_back_to(day: date) -> date:
    """The first date whose answers `asked_on` needs."""
    return day - A_WEEK + timedelta(days=1)


def asked_on(asks: Asks, day: date, said: Sequence[tuple[date, Answers]], adjusted_on: date | None) -> frozenset[str]:
    """The keys of the questions that the check-in of `day` asks.

    `said` are the check-ins since `looks_back_to(day)`, oldest first, with that of the day itself;
    `adjusted_on` is the date of the newest adjustment.
    """
    how_often = {key: HowOften(how) for how, keys in asks.items() for key in keys}
    return frozenset(
        question.key
        for question in QUESTIONS
        if _is_asked(question, how_often.get(question.key, HowOften.DAILY), day, said, adjusted_on)
    )


def diaries_a_week(asks: Asks, planned: int) -> int:
    """How many diaries a week can be compared, of so many planned: as often as breathlessness is asked about."""
    return min(planned, 1) if "breathlessness" in asks.get(HowOften.WEEKLY.value, ()) else planned


def _is_asked(
    question: Question, how: HowOften, day: date, said: Sequence[tuple[date, Answers]], adjusted_on: date | None
) -> bool:
    if how is HowOften.DAILY or question.key == SIGNS:
        return True
    given = [(on, value) for on, answers in said if (value := getattr(answers, question.key)) not in (None, "")]
    before = [value for on, value in given if on < day]
    if len(given) > len(before) or (before and _is_trouble(question, before[-1])):
        return True
    if how is HowOften.WEEKLY:
        return not before
    return adjusted_on is not None and timedelta(0) <= day - adjusted_on <= AFTER_AN_ADJUSTMENT


def _is_trouble(question: Question, value: Any) -> bool:
    """Whether an answer says that something is there: of a scale or a weight, no figure by itself does."""
    match question.kind:
        case AnswerKind.YES_NO:
            return value is True
        case AnswerKind.CHANGE:
            return bool(value > 0)
        case AnswerKind.CHOICE:
            return bool(value != question.options[0])
        case _:
            return False
