"""A check-in by text message, question by question: what was given, what to ask next.

Promises one kind re-ask for an answer that cannot be or is not understood, and none
after that; that a sign of an emergency ends the asking; and that whatever was given
counts, finished or not. Words that answer nothing are kept as a note for staff.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from service.domain.texting.parsing import SCALES, SWELLING, YES_NO, Heard, Keyword, Parser, fit
from service.domain.vocabulary import SafetySign

# What matters most comes first: people stop answering.
ORDER = (
    "safety_signs", "weight", "breathlessness", "extra_pillows", "woke_breathless", "swelling", "light_headed",
    "tiredness", "missed_medicines",
)  # fmt: skip


class Say(StrEnum):
    """What to answer."""

    SAFETY = "safety"  # call the emergency number now
    ASK = "ask"
    ASK_AGAIN = "ask_again"
    THANKS = "thanks"


@dataclass(frozen=True)
class Exchange:
    """Where it stands. `answered` are the questions with an answer that day, however it came."""

    answered: frozenset[str] = frozenset()
    asking: str | None = None
    asked_again: frozenset[str] = frozenset()
    passed: frozenset[str] = frozenset()
    over: bool = False  # nothing more is asked; what comes is still taken


@dataclass(frozen=True)
class Move:
    """What one message came to. `answers` are by question key; `weight_unit` is None for the person's own."""

    exchange: Exchange
    say: Say
    about: str | None = None  # the question, for ASK and ASK_AGAIN
    answers: Mapping[str, Any] = field(default_factory=dict)
    weight_unit: str | None = None
    alarm: bool = False  # an emergency, in words that name no sign
    note: str = ""


def take(parser: Parser, exchange: Exchange, text: str, unit: str) -> Move:
    """What a patient's message comes to. `unit` is their own unit of weight (UCUM)."""
    word = parser.keyword(text)
    if word is Keyword.DONE:
        return _on(replace(exchange, over=True), {}, None, "")
    if word is Keyword.SKIP and exchange.asking is not None:
        return _on(_pass(exchange, exchange.asking), {}, None, "")
    heard = parser.hear(text)
    signs = parser.signs_by_number(text)
    answers = _answers(exchange, heard, signs, unit)
    # The name of a question that is answered in the same message is no word left over.
    note = " ".join(text.split()) if any(word not in answers for word in heard.unknown) else ""
    return _decide(exchange, heard, answers, note)


def begin(exchange: Exchange) -> Move:
    """The first question, for a message that only says hello."""
    return _on(exchange, {}, None, "")


def _decide(exchange: Exchange, heard: Heard, answers: dict[str, Any], note: str) -> Move:
    given = replace(exchange, answered=exchange.answered | frozenset(answers))
    if heard.signs or answers.get("safety_signs") or heard.alarm:
        # Nobody in danger is asked about pillows.
        over = replace(given, asking=None, over=True)
        return Move(over, Say.SAFETY, None, answers, heard.weight_unit, heard.alarm, note)
    unclear = _unclear(exchange, heard, answers, note)
    if unclear != exchange.asking:
        given = _once_more(given)
    if unclear is None:
        return _on(given, answers, heard.weight_unit, note)
    if unclear in given.asked_again:
        return _on(_pass(given, unclear), answers, heard.weight_unit, note)
    again = replace(given, asking=unclear, asked_again=given.asked_again | {unclear})
    return Move(again, Say.ASK_AGAIN, unclear, answers, heard.weight_unit, note=note)


def _on(exchange: Exchange, answers: Mapping[str, Any], unit: str | None, note: str) -> Move:
    left = [key for key in ORDER if key not in exchange.answered and key not in exchange.passed]
    if exchange.over or not left:
        return Move(replace(exchange, asking=None, over=True), Say.THANKS, None, answers, unit, note=note)
    return Move(replace(exchange, asking=left[0]), Say.ASK, left[0], answers, unit, note=note)


def _pass(exchange: Exchange, key: str) -> Exchange:
    return replace(exchange, passed=exchange.passed | {key})


def _once_more(exchange: Exchange) -> Exchange:
    """Who answers something else is asked the same once more, and then no longer."""
    asking = exchange.asking
    if asking is None or asking in exchange.answered:
        return exchange
    if asking in exchange.asked_again:
        return _pass(exchange, asking)
    return replace(exchange, asked_again=exchange.asked_again | {asking})


def _unclear(exchange: Exchange, heard: Heard, answers: Mapping[str, Any], note: str) -> str | None:
    """The question to ask again, if the message tried to answer one and did not."""
    wrong = [key for key in heard.out_of_range if key not in answers]
    if wrong:
        return wrong[0]
    asking = exchange.asking
    if asking is None or asking in answers:
        return None
    tried = bool(note) or bool(heard.numbers) or heard.yes is not None or not answers
    return asking if tried else None


def _answers(exchange: Exchange, heard: Heard, by_number: tuple[SafetySign, ...] | None, unit: str) -> dict[str, Any]:
    answers = dict(heard.answers)
    if "weight" in answers and fit("weight", answers["weight"], heard.weight_unit or unit) is None:
        heard.out_of_range.append("weight")
        del answers["weight"]
    if heard.signs:
        answers["safety_signs"] = heard.signs
    elif exchange.asking == "safety_signs":
        _answer_safety(heard, by_number, answers)
    elif exchange.asking is not None and exchange.asking not in answers:
        _answer_asked(exchange.asking, heard, answers, unit)
    _claim_weight(heard, answers, unit)
    return answers


def _answer_safety(heard: Heard, by_number: tuple[SafetySign, ...] | None, answers: dict[str, Any]) -> None:
    if by_number is not None:
        answers["safety_signs"] = by_number
        heard.numbers.clear()
    elif heard.yes is False:
        answers["safety_signs"] = ()
    elif heard.yes:
        heard.alarm = True  # one of them, and no saying which: that is enough


def _answer_asked(asking: str, heard: Heard, answers: dict[str, Any], unit: str) -> None:
    numbers = heard.numbers
    if heard.yes is not None and asking in YES_NO:
        answers[asking] = heard.yes
    elif heard.yes is False and asking == "swelling":
        answers[asking] = SWELLING[0]
    elif heard.yes is False and asking in SCALES:
        answers[asking] = 0
    elif len(numbers) == 1:
        value = fit(asking, numbers[0], unit)
        if value is not None:
            answers[asking] = value
            numbers.clear()
        elif fit("weight", numbers[0], unit) is None:
            heard.out_of_range.append(asking)


def _claim_weight(heard: Heard, answers: dict[str, Any], unit: str) -> None:
    """A number that nobody claims and that can only be a weight is one."""
    if "weight" in answers or "weight" in heard.out_of_range:
        return
    weights = [number for number in heard.numbers if fit("weight", number, unit) is not None]
    if len(weights) == 1:
        answers["weight"] = weights[0]
        heard.numbers.remove(weights[0])
