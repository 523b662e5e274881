"""What a text message says: an order, answers of the diary, signs of an emergency, a last day.

Codes ("82.4 b3 p1 s0") and plain words, in all languages there are, in any order. Where a
sign of an emergency may be meant, it is taken as meant: a needless call does less harm
than one not made. Never guesses: a number without a subject and a word that could mean
two things are handed back as such. Does not know what was asked, and diagnoses nothing.

STOP is taken in every word that carriers expect and 47 CFR 64.1200(a)(10) names, in every language,
case and courtesy, and in a few phrases that a reasonable person would understand so. Inside a
sentence it is no order: "my cough won't stop". "No more" alone is none either: it answers a question.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from service.domain import diary
from service.domain.diary import QUESTIONS, WEIGHT_RANGES, AnswerKind
from service.domain.texting.days import DayReader
from service.domain.texting.vocabulary import TextingWords, plain
from service.domain.vocabulary import HEIGHTS, CaregiverAnswer, SafetySign, Swelling

SCALES = frozenset(one.key for one in QUESTIONS if one.kind in {AnswerKind.SCALE, AnswerKind.CHANGE})
YES_NO = frozenset(one.key for one in QUESTIONS if one.kind is AnswerKind.YES_NO)
CODES: Mapping[str, str] = {
    "w": "weight", "b": "breathlessness", "p": "extra_pillows", "n": "woke_breathless", "s": "swelling",
    "d": "light_headed", "t": "tiredness", "m": "missed_medicines", "c": "slept_in_chair", "f": "full_belly",
}  # fmt: skip

_LIGHTEST = min(least for least, _, _ in WEIGHT_RANGES.values())
_VALUE = r"([+-]?\d{1,3}(?:\.\d+)?)(?:\s?/\s?10)?"
_ENDS = r"(?![a-z0-9]|\.\d)"


class Keyword(StrEnum):
    """A message that is an order rather than an answer."""

    STOP = "stop"
    START = "start"
    HELP = "help"
    SKIP = "skip"
    DONE = "done"
    AGREED = "agreed"  # a promise to do it, which answers no question


@dataclass
class Heard:
    """What was understood. `answers` are by question key; a weight is in `weight_unit` (None: the person's own)."""

    answers: dict[str, Any] = field(default_factory=dict)
    weight_unit: str | None = None
    out_of_range: list[str] = field(default_factory=list)  # questions whose answer cannot be
    signs: tuple[SafetySign, ...] = ()
    alarm: bool = False  # an emergency, in words that name no sign
    numbers: list[float] = field(default_factory=list)  # nobody's
    among: list[float] = field(default_factory=list)  # of these, who stood among words that told us nothing
    yes: bool | None = None  # the whole message is a yes or a no
    bare: bool = False  # it is that one word, and nothing around it
    unknown: list[str] = field(default_factory=list)  # words that told us nothing

    @property
    def alarms(self) -> bool:
        """Whether it may be an emergency."""
        return bool(self.signs) or self.alarm


def fit(key: str, value: float, unit: str = "kg") -> Any:
    """A number as the answer to a question, or None when it cannot be one: the diary's reader says."""
    if key == "swelling":
        return HEIGHTS[int(value)] if value in range(len(HEIGHTS)) else None
    answers, _ = diary.read_answers({key: f"{value:g}", "weight_unit": unit})
    return getattr(answers, key, None)


class Parser:
    """Reads text messages in the words given. Holds no state of any talk."""

    def __init__(self, words: TextingWords) -> None:
        self.words = words
        self.days = DayReader(words.dates, words.numbers)
        either = "|".join(sorted(words.joiners | words.turns))
        self._piece = re.compile(rf"[;\n!?()]|,|\.(?!\d)|\b(?:{either})\b")
        self._by_number = re.compile(rf"(?:[0-{len(SafetySign)}](?:[\s,.;&+/]|{'|'.join(sorted(words.joiners))})*)+")
        said = "|".join(sorted(words.yes_after_code | words.no_after_code))
        self._code = re.compile(rf"(?<![a-z0-9.])([{''.join(CODES)}])\s?[:=]?\s?(?:{_VALUE}|({said})){_ENDS}")
        self._weight = re.compile(rf"(?<![a-z0-9.])(\d{{2,3}}(?:\.\d+)?)\s?({'|'.join(words.units)})\b")
        self._alarm = re.compile(rf"\b(?:{'|'.join(words.alarm)})")
        self._signs = [(sign, re.compile(rf"\b(?:{'|'.join(ways)})")) for sign, ways in words.signs.items()]
        self._stop_in_words = re.compile(rf"\b(?:{'|'.join(sorted(words.stop_in_words))})\b")
        self._list = re.compile(rf"[\s.!]*(?:0|\?+|{'|'.join(sorted(words.what_list))})[\s.!?]*")
        # The letters of the languages there are, as `plain` leaves them.
        letter = f"[a-z{''.join(sorted(_letters(words)))}]"
        self._word = re.compile(rf"{letter}+")
        self._word_or_number = re.compile(rf"{letter}+|\d+")
        self._token = re.compile(rf"{_VALUE}{_ENDS}|{letter}(?:{letter}|-)*")
        self._next = re.compile(rf"{letter}*[\s:=-]*({letter}+|\d+)")
        self._known: tuple[Collection[str], ...] = (
            words.empty, words.denials, words.between, words.yes, words.no, words.more, words.fewer, words.usual,
            words.well, words.vague, words.numbers, words.units, words.carries_on, words.beyond,
        )  # fmt: skip
        self._known_stems = (*words.levels, *words.taken_stems)

    # --- the whole message ---

    def keyword(self, text: str) -> Keyword | None:
        """The order that the whole message is, if it is one. Politeness around it does not matter."""
        words = self.words
        said = plain(text)
        if re.search(r"\d", said):
            return None
        bare = self._stop_in_words.sub(min(words.stop), " ".join(self._word.findall(said)))
        alone = ((Keyword.SKIP, words.skip), (Keyword.DONE, words.done), (Keyword.HELP, words.help))
        for order, known in alone:
            if bare in known:
                return order
        polite = words.polite | words.courtesy
        left = [word for word in bare.split() if word not in polite]
        for order, known in ((Keyword.STOP, words.stop), (Keyword.START, words.start)):
            if left and all(word in known for word in left):  # "stop", "Stop. STOP!", "cancel, stop all"
                return order
        phrase = " ".join(word for word in bare.split() if word not in words.courtesy)
        if phrase in words.stop_phrases:
            return Keyword.STOP
        promise = " ".join(word for word in phrase.split() if word not in words.yes | words.assents)
        return Keyword.AGREED if promise in words.promises else None

    def hear(self, text: str) -> Heard:
        """Everything a message says, whatever was asked."""
        said = plain(text)
        heard = Heard(yes=self._yes_or_no(said), bare=len(self._word_or_number.findall(said)) == 1)
        signs: set[SafetySign] = set()
        for piece in self._piece.split(said):
            alarm = self._alarm.search(piece)
            heard.alarm |= alarm is not None and not self._is_denied_there(piece, alarm)
            if alarm is not None and any(sign.isdigit() for sign in alarm[0]):
                piece = _without(piece, alarm)  # the number to call is no answer
            for sign, pattern in self._signs:
                match = pattern.search(piece)
                while match is not None:
                    if not self._is_denied_there(piece, match):
                        signs.add(sign)
                    piece = _without(piece, match)
                    match = pattern.search(piece)
            self._hear_answers(piece, heard)
        heard.signs = tuple(sign for sign in SafetySign if sign in signs)
        return heard

    def unit_alone(self, text: str) -> str | None:
        """The one unit of weight (UCUM) that a message without a figure names."""
        said = plain(text)
        if re.search(r"\d", said):
            return None
        named = {self.words.units[word] for word in self._word.findall(said) if word in self.words.units}
        return named.pop() if len(named) == 1 else None

    def signs_by_number(self, text: str) -> tuple[SafetySign, ...] | None:
        """The signs a message names by their numbers, 1 to 8; () for 0; None when it is no such message."""
        said = plain(text)
        if not self._by_number.fullmatch(said):
            return None
        if any(int(run) >= _LIGHTEST and set(run) & set("678") for run in re.findall(r"\d{2,}", said)):
            return None  # "72" is how most people's weight is written
        numbers = {int(digit) for digit in re.findall(r"\d", said)}
        if 0 in numbers and len(numbers) > 1:
            return None
        return tuple(sign for number, sign in enumerate(SafetySign, start=1) if number in numbers)

    def caregiver_answer(self, text: str) -> CaregiverAnswer | None:
        """Which of the four answers a caregiver gives: 1 to 4, or words. None when it could be two."""
        said = plain(text)
        number = re.match(r"([1-4])(?![0-9/:]|\.\d)", said)
        if number is not None and not self.days.begins_with_a_span(said):  # "3 days" is no 3
            return tuple(CaregiverAnswer)[int(number[1]) - 1]
        tokens = self._word.findall(said)
        meant = [
            answer for answer, stems in self.words.caregiver.items() if any(token.startswith(stems) for token in tokens)
        ]
        if len(meant) == 2 and CaregiverAnswer.SPOKE in meant:
            meant.remove(CaregiverAnswer.SPOKE)  # "spoke to her, she is away": the news is where she is
        return meant[0] if len(meant) == 1 else None

    def asks_for_the_list(self, text: str) -> bool:
        """Whether a caregiver wants to be told what 1 to 4 mean: a 0 or a question mark alone."""
        return self._list.fullmatch(plain(text)) is not None

    def _yes_or_no(self, said: str) -> bool | None:
        tokens = [token for token in self._word_or_number.findall(said) if token not in self.words.empty]
        if len(tokens) != 1:
            return None
        return True if tokens[0] in self.words.yes else False if tokens[0] in self.words.no else None

    def _is_denied_there(self, piece: str, match: re.Match[str]) -> bool:
        """Whether a "no" governs what was found: just before it, or alone just after it."""
        words = self.words
        following = self._next.match(piece[match.end() :])
        if following is not None and (following[1] in words.no or following[1] == "0"):
            return True
        before = self._word.findall(piece[: match.start()])
        if before and before[-1] in words.carries_on:
            return any(word in words.denials for word in before)
        while before and before[-1] in words.between:
            before.pop()
        return bool(before) and before[-1] in words.denials

    # --- answers of the diary, a piece at a time ---

    def _hear_answers(self, segment: str, heard: Heard) -> None:
        words = self.words
        for match in self._weight.finditer(segment):
            heard.weight_unit = words.units[match[2]]
            _take_number(heard, "weight", float(match[1]))
            segment = _without(segment, match)
        for match in self._code.finditer(segment):
            value = float(match[2]) if match[2] else float(match[3] not in words.no_after_code)
            _take_number(heard, CODES[match[1]], value)
            segment = _without(segment, match)
        tokens = [match[0] for match in self._token.finditer(segment)]
        for topic, part in self._parts(tokens):
            numbers = [number for token in part if (number := self._number(token)) is not None]
            if topic is None:
                # "una" is a number only where it stands alone: "tengo una duda" answers nothing.
                telling = [token for token in part if token not in words.empty or token in words.numbers]
                figures = [number for token in part if token[-1].isdigit() for number in [self._number(token) or 0.0]]
                heard.numbers += numbers if len(telling) == 1 else figures
                heard.among += figures if any(self._is_unknown(token) for token in part) else []
            else:
                self._hear_topic(topic, part, numbers, heard)
            heard.unknown += [token for token in part if self._is_unknown(token)]

    def _parts(self, tokens: Sequence[str]) -> list[tuple[str | None, list[str]]]:
        """The words of a piece by what they are about; None where they are about nothing."""
        topics = [self._topic(token) for token in tokens]
        about = list(dict.fromkeys(topic for topic in topics if topic is not None))
        if "woke_breathless" in about and "breathlessness" in about:
            about.remove("breathlessness")  # "woke up short of breath" is one thing
        if len(about) < 2:
            return [(about[0] if about else None, list(tokens))]
        leads = topics[0] is not None  # "breath 3 pillows 1", or else "3 breath 1 pillows"
        parts: dict[str, list[str]] = {topic: [] for topic in about}
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

    def _hear_topic(self, topic: str, tokens: Sequence[str], numbers: Sequence[float], heard: Heard) -> None:
        answer: Any = None
        if topic == "extra_pillows":
            answer = self._pillows(tokens, numbers, heard)
        elif topic == "missed_medicines":
            answer = self._missed(tokens)
        elif topic in YES_NO:
            answer = not self._denials(tokens) and numbers != [0]
        elif len(numbers) == 1:
            _take_number(heard, topic, numbers[0])
            return
        elif topic == "swelling" and not numbers:
            answer = self._swelling(tokens)
        elif topic in SCALES and not numbers and self._is_denied(tokens):
            answer = 0
        if answer is not None:
            heard.answers[topic] = answer
        elif topic not in heard.answers:
            heard.unknown.append(topic)

    def _swelling(self, tokens: Sequence[str]) -> Swelling | None:
        words = self.words
        if _has(tokens, words.beyond):
            return None
        is_named = any(token.startswith(words.swells_stems) for token in tokens)
        if not is_named and any(self._is_unknown(token) for token in tokens):
            return None  # "my knees hurt"
        if _has(tokens, words.denials):
            return Swelling.NONE
        levels = {level for token in tokens for stem, level in words.levels.items() if token.startswith(stem)}
        return max(levels, key=HEIGHTS.index) if levels else None

    def _pillows(self, tokens: Sequence[str], numbers: Sequence[float], heard: Heard) -> int | None:
        words = self.words
        if not numbers:
            is_usual = _has(tokens, words.usual) or (_has(tokens, words.denials) and _has(tokens, words.more))
            return 0 if is_usual else None
        is_signed = any(token[0] in "+-" for token in tokens)
        is_change = numbers[0] == 0 or is_signed or _has(tokens, words.more | words.fewer)
        if len(numbers) > 1 or not is_change:
            heard.numbers += numbers  # pillows in all, or more than usual? Not ours to guess.
            return None
        value = fit("extra_pillows", -numbers[0] if _has(tokens, words.fewer) else numbers[0])
        if value is None:
            heard.out_of_range.append("extra_pillows")
        return None if value is None else int(value)

    def _missed(self, tokens: Sequence[str]) -> bool | None:
        words = self.words
        denied = _has(tokens, words.denials)
        if any(token.startswith(words.missed_stems) for token in tokens):
            return not denied
        is_taken = any(token.startswith(words.taken_stems) for token in tokens) or _has(tokens, words.well)
        return False if is_taken and not denied else None

    def _is_denied(self, tokens: Sequence[str]) -> bool:
        # "not too breathless" is some number, and not ours to choose
        return bool(self._denials(tokens)) and not _has(tokens, self.words.vague)

    def _denials(self, tokens: Sequence[str]) -> set[str]:
        denials = {token for token in tokens if token in self.words.denials}
        for one in self.words.no_denials:
            if one.of in tokens and one.unless not in tokens:
                denials.discard(one.denial)
        return denials

    def _topic(self, token: str) -> str | None:
        return next((topic for topic, stems in self.words.topics.items() if token.startswith(stems)), None)

    def _number(self, token: str) -> float | None:
        if token in self.words.numbers:
            return float(self.words.numbers[token])
        digits = re.match(r"[+-]?\d+(?:\.\d+)?", token)
        return float(digits[0]) if digits else None

    def _is_unknown(self, token: str) -> bool:
        if len(token) < 3 or self._number(token) is not None or any(token in known for known in self._known):
            return False
        return self._topic(token) is None and not token.startswith(self._known_stems)


def _take_number(heard: Heard, key: str, value: float) -> None:
    # Without a unit it is the person's own, which is not known here: what neither unit allows cannot be.
    units = [heard.weight_unit] if heard.weight_unit else list(WEIGHT_RANGES)
    fits = [answer for unit in units if (answer := fit(key, value, unit)) is not None]
    if fits:
        heard.answers[key] = fits[0]
    elif key not in heard.out_of_range:
        heard.out_of_range.append(key)


def _without(segment: str, match: re.Match[str]) -> str:
    """The segment with what was found blanked out, everything else where it was."""
    return segment[: match.start()] + " " * (match.end() - match.start()) + segment[match.end() :]


def _has(tokens: Sequence[str], known: Collection[str]) -> bool:
    return any(token in known for token in tokens)


def _letters(words: TextingWords) -> set[str]:
    lists: Iterable[Collection[str]] = (
        words.stop, words.start, words.help, words.yes, words.no, words.empty, words.denials, words.numbers,
        words.units, words.levels, *words.topics.values(), *words.caregiver.values(),
    )  # fmt: skip
    return {sign for known in lists for word in known for sign in word if sign.isalpha()} - set(
        "abcdefghijklmnopqrstuvwxyz"
    )
