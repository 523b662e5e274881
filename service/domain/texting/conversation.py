"""A check-in by text message, question by question: what was given, what to ask next.

Promises one kind re-ask a day for an answer that cannot be or is not understood, and none
after that (the signs of an emergency have one of their own); that a promise to answer is no
answer; that a sign of an emergency ends the asking; and that whatever was given counts,
finished or not. Words that answer nothing are kept as a note for staff.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from service.domain.diary import urgency
from service.domain.texting.parsing import SCALES, YES_NO, Heard, Keyword, Parser, fit
from service.domain.vocabulary import SafetySign, Swelling, Urgency, WeightSaid

# What matters most comes first: people stop answering.
ORDER = (
    "safety_signs", "weight", "breathlessness", "extra_pillows", "woke_breathless", "slept_in_chair", "swelling",
    "full_belly", "light_headed", "tiredness", "missed_medicines",
)  # fmt: skip


WEIGHT_CHECK = "weight_check"  # asked after a weight in doubt, once


class Say(StrEnum):
    """What to answer."""

    SAFETY = "safety"  # call the emergency number now
    CALL_CLINIC = "call_clinic"  # call the clinic today
    ASK = "ask"
    ASK_AGAIN = "ask_again"
    CHECK_WEIGHT = "check_weight"  # is the weight right, or is it in the other unit?
    THANKS = "thanks"


@dataclass(frozen=True)
class Exchange:
    """Where it stands. `answered` are the questions with an answer that day, however it came."""

    answered: frozenset[str] = frozenset()
    asking: str | None = None
    asked_again: frozenset[str] = frozenset()
    passed: frozenset[str] = frozenset()
    over: bool = False  # nothing more is asked; what comes is still taken
    asks: frozenset[str] = frozenset(ORDER)  # the questions of this day; what else is told is taken too


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
    weight_said: WeightSaid | None = None  # which weight is right, when that was asked
    all_read: bool = True  # nothing in it was left that we could not read
    weight_confirmed: bool = False  # the weight in `answers` came with its unit, after it was asked about


def take(parser: Parser, exchange: Exchange, text: str, unit: str) -> Move:
    """What a patient's message comes to. `unit` is their own unit of weight (UCUM)."""
    word = parser.keyword(text)
    if exchange.asking == WEIGHT_CHECK:
        exchange = replace(exchange, asking=None)
        said = _weight_said(parser, text, unit)
        if word is Keyword.SKIP:
            return _on(exchange, {}, None, "")
        # Whatever else it says is heard too: a sign of an emergency may stand beside the unit.
        move = take(parser, exchange, text, unit)
        if "weight" in move.answers:
            return replace(move, weight_confirmed=move.weight_unit is not None)
        return replace(move, weight_said=said)
    if word is Keyword.DONE:
        return _on(replace(exchange, over=True), {}, None, "")
    if word is Keyword.SKIP and exchange.asking is not None:
        return _on(_pass(exchange, exchange.asking), {}, None, "")
    if word is Keyword.AGREED:
        return _decide(exchange, Heard(), {}, "")
    heard = parser.hear(text)
    signs = parser.signs_by_number(text)
    answers = _answers(exchange, heard, signs, unit)
    # The name of a question that is answered in the same message is no word left over; a figure that answers nothing
    # is, once nothing is asked any more.
    is_left = any(word not in answers for word in heard.unknown) or bool(exchange.over and heard.numbers)
    note = " ".join(text.split()) if is_left else ""
    return _decide(exchange, heard, answers, note)


def check_weight(move: Move) -> Move:
    """Ask whether the weight that `move` gave is right, before anything else is asked."""
    passed = move.exchange.passed | {WEIGHT_CHECK}
    return replace(
        move,
        exchange=replace(move.exchange, asking=WEIGHT_CHECK, passed=passed),
        say=Say.CHECK_WEIGHT,
        about=WEIGHT_CHECK,
    )


def may_check_weight(move: Move) -> bool:
    """Whether the weight may be asked about: nobody is asked twice in a day, nor in danger."""
    is_new = "weight" in move.answers and WEIGHT_CHECK not in move.exchange.passed
    return is_new and move.say not in {Say.SAFETY, Say.CALL_CLINIC}


def _weight_said(parser: Parser, text: str, unit: str) -> WeightSaid | None:
    """What a message without a figure says of a weight that was given in `unit`."""
    named = parser.unit_alone(text)
    if named is not None:
        return WeightSaid.AS_GIVEN if named == unit else WeightSaid.OTHER_UNIT
    return WeightSaid.AS_GIVEN if parser.hear(text).yes else None


def _decide(exchange: Exchange, heard: Heard, answers: dict[str, Any], note: str) -> Move:
    given = replace(exchange, answered=exchange.answered | frozenset(answers))
    found = urgency(answers.get("safety_signs"))
    if found or heard.alarm:
        # Nobody in danger is asked about pillows.
        over = replace(given, asking=None, over=True)
        say = Say.CALL_CLINIC if found is Urgency.SAME_DAY and not heard.alarm else Say.SAFETY
        return Move(over, say, None, answers, heard.weight_unit, heard.alarm, note)
    unclear = _unclear(exchange, heard, answers, note)
    if unclear != exchange.asking:
        given = _once_more(given)
    if unclear is None:
        return replace(_on(given, answers, heard.weight_unit, note), all_read=not note)
    if not _may_ask_again(given, unclear):
        return replace(_on(_pass(given, unclear), answers, heard.weight_unit, note), all_read=False)
    again = replace(given, asking=unclear, asked_again=given.asked_again | {unclear})
    # That question is asked again in the same words: what was not read is said beside it.
    all_read = unclear != "safety_signs"
    return Move(again, Say.ASK_AGAIN, unclear, answers, heard.weight_unit, note=note, all_read=all_read)


def _on(exchange: Exchange, answers: Mapping[str, Any], unit: str | None, note: str) -> Move:
    left = [
        key for key in ORDER if key in exchange.asks and key not in exchange.answered and key not in exchange.passed
    ]
    if exchange.over or not left:
        return Move(replace(exchange, asking=None, over=True), Say.THANKS, None, answers, unit, note=note)
    return Move(replace(exchange, asking=left[0]), Say.ASK, left[0], answers, unit, note=note)


def _pass(exchange: Exchange, key: str) -> Exchange:
    return replace(exchange, passed=exchange.passed | {key})


def _may_ask_again(exchange: Exchange, key: str) -> bool:
    """Whether nothing was asked again yet: one question twice a day is help, two are a test. The signs come before."""
    if key == "safety_signs":
        return key not in exchange.asked_again
    return not exchange.asked_again - {"safety_signs"}


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
        _answer_safety(exchange, heard, by_number, answers)
    elif exchange.asking is not None and exchange.asking not in answers:
        _answer_asked(exchange.asking, heard, answers, unit)
    _claim_weight(heard, answers, unit)
    return answers


def _answer_safety(
    exchange: Exchange, heard: Heard, by_number: tuple[SafetySign, ...] | None, answers: dict[str, Any]
) -> None:
    if by_number is not None:
        answers["safety_signs"] = by_number
        heard.numbers.clear()
    elif heard.yes is False:
        answers["safety_signs"] = ()
    elif heard.yes and (heard.bare or "safety_signs" in exchange.asked_again):
        # One of them, and no saying which: that is enough. "Yes, ok" may only mean that they will answer, and is
        # asked once more; said again, it is taken as a sign.
        heard.alarm = True


def _answer_asked(asking: str, heard: Heard, answers: dict[str, Any], unit: str) -> None:
    numbers = heard.numbers
    if heard.yes is not None and asking in YES_NO:
        answers[asking] = heard.yes
    elif heard.yes is False and asking == "swelling":
        answers[asking] = Swelling.NONE
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
    """A number that nobody claims and that can only be a weight is one; not among words that told us nothing."""
    if "weight" in answers or "weight" in heard.out_of_range:
        return
    alone = [number for number in heard.numbers if number not in heard.among]
    weights = [number for number in alone if fit("weight", number, unit) is not None]
    if len(weights) == 1:
        answers["weight"] = weights[0]
        heard.numbers.remove(weights[0])
