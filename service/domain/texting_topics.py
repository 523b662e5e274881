"""Answers of the diary in the words and codes of a text message, a piece at a time.

Promises never to guess: a number without a subject and a word that could mean two
things are handed back as such. Expects the form that `texting.plain` gives.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.domain import texting_words as words
from service.domain.diary import QUESTIONS, WEIGHT_RANGES
from service.domain.vocabulary import SafetySign, Swelling

SWELLING = (Swelling.NONE, Swelling.ANKLE, Swelling.SHIN, Swelling.KNEE)
RANGES = {one.key: (one.least or 0, one.most or 0) for one in QUESTIONS if one.kind in {"scale", "change"}}
YES_NO = frozenset(one.key for one in QUESTIONS if one.kind == "yes_no")

_VALUE = r"([+-]?\d{1,3}(?:\.\d+)?)(?:\s?/\s?10)?"
_ENDS = r"(?![a-z0-9]|\.\d)"
_CODE = re.compile(rf"(?<![a-z0-9.])([{''.join(words.CODES)}])\s?[:=]?\s?(?:{_VALUE}|(yes|no|si)){_ENDS}")
_WEIGHT = re.compile(rf"(?<![a-z0-9.])(\d{{2,3}}(?:\.\d+)?)\s?({'|'.join(words.UNITS)})\b")
_TOKEN = re.compile(rf"{_VALUE}{_ENDS}|[a-z][a-z-]*")


@dataclass
class Heard:
    """What was understood. `answers` are by question key; a weight is in `weight_unit` (None: the person's own)."""

    answers: dict[str, Any] = field(default_factory=dict)
    weight_unit: str | None = None
    out_of_range: list[str] = field(default_factory=list)  # questions whose answer cannot be
    signs: tuple[SafetySign, ...] = ()
    alarm: bool = False  # an emergency, in words that name no sign
    numbers: list[float] = field(default_factory=list)  # nobody's
    yes: bool | None = None  # the whole message is a yes or a no
    unknown: list[str] = field(default_factory=list)  # words that told us nothing


def hear_answers(segment: str, heard: Heard) -> None:
    """Add what one piece of a message tells to `heard`."""
    for match in _WEIGHT.finditer(segment):
        heard.weight_unit = words.UNITS[match[2]]
        _number_for(heard, "weight", float(match[1]))
        segment = without(segment, match)
    for match in _CODE.finditer(segment):
        value = float(match[2]) if match[2] else float(match[3] != "no")
        _number_for(heard, words.CODES[match[1]], value)
        segment = without(segment, match)
    tokens = [match[0] for match in _TOKEN.finditer(segment)]
    for topic, part in _parts(tokens):
        numbers = [number for token in part if (number := _number(token)) is not None]
        if topic is None:
            # "una" is a number only where it stands alone: "tengo una duda" answers nothing.
            alone = len([token for token in part if token not in words.EMPTY or token in words.NUMBERS]) == 1
            heard.numbers += [_number(token) or 0.0 for token in part if token[-1].isdigit()] if not alone else numbers
        else:
            _hear_topic(topic, part, numbers, heard)
        heard.unknown += [token for token in part if _is_unknown(token)]


def fit(key: str, value: float, unit: str = "kg") -> Any:
    """A number as the answer to a question, or None when it cannot be one."""
    if key == "weight":
        least, most, _ = WEIGHT_RANGES[unit]
        return value if least <= value <= most else None
    if value != int(value):
        return None
    number = int(value)
    if key in RANGES:
        least, most = RANGES[key]
        return number if least <= number <= most else None
    if key == "swelling":
        return SWELLING[number] if 0 <= number < len(SWELLING) else None
    return bool(number) if key in YES_NO and number in (0, 1) else None


def without(segment: str, match: re.Match[str]) -> str:
    """The segment with what was found blanked out, everything else where it was."""
    return segment[: match.start()] + " " * (match.end() - match.start()) + segment[match.end() :]


def _parts(tokens: Sequence[str]) -> list[tuple[str | None, list[str]]]:
    """The words of a piece by what they are about; None where they are about nothing."""
    topics = [_topic(token) for token in tokens]
    found = list(dict.fromkeys(topic for topic in topics if topic is not None))
    if "woke_breathless" in found and "breathlessness" in found:
        found.remove("breathlessness")  # "woke up short of breath" is one thing
    if len(found) < 2:
        return [(found[0] if found else None, list(tokens))]
    leads = topics[0] is not None  # "breath 3 pillows 1", or else "3 breath 1 pillows"
    parts: dict[str, list[str]] = {topic: [] for topic in found}
    current = ""
    waiting: list[str] = []
    for token, topic in zip(tokens, topics, strict=True):
        if topic in parts:
            current = topic
            parts[current] += [*waiting, token]
            waiting = []
        elif leads and current:
            parts[current].append(token)
        else:
            waiting.append(token)
    parts[current] += waiting
    return list(parts.items())


def _hear_topic(topic: str, tokens: Sequence[str], numbers: Sequence[float], heard: Heard) -> None:
    answer: Any = None
    if topic == "extra_pillows":
        answer = _pillows(tokens, numbers, heard)
    elif topic == "missed_medicines":
        answer = _missed(tokens)
    elif topic in YES_NO:
        answer = not _denials(tokens) and numbers != [0]
    elif len(numbers) == 1:
        _number_for(heard, topic, numbers[0])
        return
    elif topic == "swelling" and not numbers:
        answer = _swelling(tokens)
    elif topic in RANGES and not numbers and _is_denied(tokens):
        answer = 0
    if answer is not None:
        heard.answers[topic] = answer
    elif topic not in heard.answers:
        heard.unknown.append(topic)


def _number_for(heard: Heard, key: str, value: float) -> None:
    # Without a unit it is the person's own, which is not known here: what neither unit allows cannot be.
    units = [heard.weight_unit] if heard.weight_unit else list(WEIGHT_RANGES)
    fits = [answer for unit in units if (answer := fit(key, value, unit)) is not None]
    if fits:
        heard.answers[key] = fits[0]
    elif key not in heard.out_of_range:
        heard.out_of_range.append(key)


def _swelling(tokens: Sequence[str]) -> Swelling | None:
    if _has(tokens, words.BEYOND):
        return None
    is_named = any(token.startswith(words.SWELLS) for token in tokens)
    if not is_named and any(_is_unknown(token) for token in tokens):
        return None  # "my knees hurt"
    if _has(tokens, words.NOT):
        return Swelling.NONE
    levels = {level for token in tokens for stem, level in words.LEVELS.items() if token.startswith(stem)}
    return max(levels, key=SWELLING.index) if levels else None


def _pillows(tokens: Sequence[str], numbers: Sequence[float], heard: Heard) -> int | None:
    if not numbers:
        is_usual = _has(tokens, words.USUAL) or (_has(tokens, words.NOT) and _has(tokens, words.MORE))
        return 0 if is_usual else None
    is_change = numbers[0] == 0 or any(token[0] in "+-" for token in tokens) or _has(tokens, words.MORE | words.FEWER)
    if len(numbers) > 1 or not is_change:
        heard.numbers += numbers  # pillows in all, or more than usual? Not ours to guess.
        return None
    value = fit("extra_pillows", -numbers[0] if _has(tokens, words.FEWER) else numbers[0])
    if value is None:
        heard.out_of_range.append("extra_pillows")
    return None if value is None else int(value)


def _missed(tokens: Sequence[str]) -> bool | None:
    denied = _has(tokens, words.NOT)
    if any(token.startswith(words.MISSED) for token in tokens):
        return not denied
    is_taken = any(token.startswith(words.TAKEN) for token in tokens) or _has(tokens, words.WELL)
    return False if is_taken and not denied else None


def _is_denied(tokens: Sequence[str]) -> bool:
    # "not too breathless" is some number, and not ours to choose
    return bool(_denials(tokens)) and not _has(tokens, words.VAGUE)


def _denials(tokens: Sequence[str]) -> set[str]:
    denials = {token for token in tokens if token in words.NOT}
    if "aire" in tokens and "falta" not in tokens:
        denials.discard("sin")  # "sin aire" is the trouble itself
    return denials


def _topic(token: str) -> str | None:
    return next((topic for topic, stems in words.TOPICS.items() if token.startswith(stems)), None)


def _number(token: str) -> float | None:
    if token in words.NUMBERS:
        return float(words.NUMBERS[token])
    digits = re.match(r"[+-]?\d+(?:\.\d+)?", token)
    return float(digits[0]) if digits else None


def _has(tokens: Sequence[str], known: frozenset[str] | Mapping[str, Any]) -> bool:
    return any(token in known for token in tokens)


_KNOWN = (
    words.EMPTY, words.NOT, words.BETWEEN, words.YES, words.NO, words.MORE, words.FEWER, words.USUAL, words.WELL,
    words.VAGUE, words.NUMBERS, words.UNITS, words.CARRIES_ON, words.BEYOND,
)  # fmt: skip
_KNOWN_STEMS = (*words.LEVELS, *words.TAKEN)


def _is_unknown(token: str) -> bool:
    if len(token) < 3 or _number(token) is not None or any(token in known for known in _KNOWN):
        return False
    return _topic(token) is None and not token.startswith(_KNOWN_STEMS)
