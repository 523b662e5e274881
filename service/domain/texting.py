"""What a text message says: an order, answers of the diary, signs of an emergency.

Codes ("82.4 b3 p1 s0") and plain words, English and Spanish, in any order. Where a
sign of an emergency may be meant, it is taken as meant: a needless call does less
harm than one not made. Does not know what was asked, and diagnoses nothing.
"""

from __future__ import annotations

import re
import unicodedata
from enum import StrEnum

from service.domain import texting_words as words
from service.domain.texting_days import begins_with_a_span
from service.domain.texting_topics import Heard, hear_answers, without
from service.domain.vocabulary import CaregiverAnswer, SafetySign

LONGEST = 1_600  # ten joined segments; nobody answers a diary in more

_PIECE = re.compile(r"[;\n!?()]|,|\.(?!\d)|\b(?:but|pero|and|y|pues)\b")
_BY_NUMBER = re.compile(r"(?:[0-5](?:[\s,.;&+/]|and|y)*)+")


class Keyword(StrEnum):
    """A message that is an order rather than an answer."""

    STOP = "stop"
    START = "start"
    HELP = "help"
    SKIP = "skip"
    DONE = "done"


def plain(text: str) -> str:
    """Lower case, no accents, no apostrophes, decimal commas as points."""
    text = unicodedata.normalize("NFKD", text[:LONGEST]).lower()
    text = "".join(sign for sign in text if not unicodedata.combining(sign))
    text = re.sub(r"['’`´]", "", text).replace("−", "-").replace("–", "-")
    text = re.sub(r"(?<=\d),(?=\d{1,2}(?!\d|[.,]\d))", ".", text)
    return re.sub(r"[ \t\r\f\v]+", " ", text).strip()


def keyword(text: str) -> Keyword | None:
    """The order that the whole message is, if it is one. Politeness around it does not matter."""
    said = plain(text)
    bare = re.sub(r"\bopt (?:me )?out\b", "optout", " ".join(re.findall(r"[a-z]+", said)))
    if re.search(r"\d", said):
        return None
    alone = ((Keyword.SKIP, words.SKIP), (Keyword.DONE, words.DONE), (Keyword.HELP, words.HELP))
    for found, known in alone:
        if bare in known:
            return found
    left = [word for word in bare.split() if word not in words.POLITE]
    for found, known in ((Keyword.STOP, words.STOP), (Keyword.START, words.START)):
        if left and all(word in known for word in left):  # "stop", "Stop. STOP!", "cancel, stop all"
            return found
    phrase = " ".join(word for word in bare.split() if word not in words.COURTESY)
    return Keyword.STOP if phrase in words.STOP_PHRASES else None


def hear(text: str) -> Heard:
    """Everything a message says, whatever was asked."""
    said = plain(text)
    heard = Heard(yes=_yes_or_no(said))
    signs: set[SafetySign] = set()
    for piece in _PIECE.split(said):
        alarm = words.ALARM.search(piece)
        heard.alarm |= alarm is not None and not _is_denied(piece, alarm)
        for sign, pattern in words.SIGNS:
            match = pattern.search(piece)
            while match is not None:
                if not _is_denied(piece, match):
                    signs.add(sign)
                piece = without(piece, match)
                match = pattern.search(piece)
        hear_answers(piece, heard)
    heard.signs = tuple(sign for sign in SafetySign if sign in signs)
    return heard


def signs_by_number(text: str) -> tuple[SafetySign, ...] | None:
    """The signs a message names by their numbers, 1 to 5; () for 0; None when it is no such message."""
    said = plain(text)
    if not _BY_NUMBER.fullmatch(said):
        return None
    numbers = {int(digit) for digit in re.findall(r"\d", said)}
    if 0 in numbers and len(numbers) > 1:
        return None
    return tuple(sign for place, sign in enumerate(SafetySign, start=1) if place in numbers)


def caregiver_answer(text: str) -> CaregiverAnswer | None:
    """Which of the four answers a caregiver gives: 1 to 4, or words. None when it could be two."""
    said = plain(text)
    number = re.match(r"([1-4])(?![0-9/:]|\.\d)", said)
    if number is not None and not begins_with_a_span(said):  # "3 days" is no 3
        return tuple(CaregiverAnswer)[int(number[1]) - 1]
    tokens = re.findall(r"[a-z]+", said)
    found = [answer for answer, stems in words.CAREGIVER if any(token.startswith(stems) for token in tokens)]
    if len(found) == 2 and CaregiverAnswer.SPOKE in found:
        found.remove(CaregiverAnswer.SPOKE)  # "spoke to her, she is away": the news is where she is
    return found[0] if len(found) == 1 else None


def asks_for_the_list(text: str) -> bool:
    """Whether a caregiver wants to be told what 1 to 4 mean: a 0 or a question mark alone."""
    return re.fullmatch(r"[\s.!]*(?:0|\?+|list|lista)[\s.!?]*", plain(text)) is not None


def _yes_or_no(said: str) -> bool | None:
    tokens = [token for token in re.findall(r"[a-z]+|\d+", said) if token not in words.EMPTY]
    if len(tokens) != 1:
        return None
    return True if tokens[0] in words.YES else False if tokens[0] in words.NO else None


def _is_denied(piece: str, match: re.Match[str]) -> bool:
    """Whether a "no" governs what was found: just before it, or alone just after it."""
    following = re.match(r"[a-z]*[\s:=-]*([a-z]+|\d+)", piece[match.end() :])
    if following is not None and following[1] in words.NO | {"0"}:
        return True
    before = re.findall(r"[a-z]+", piece[: match.start()])
    if before and before[-1] in words.CARRIES_ON:
        return any(word in words.NOT for word in before)
    while before and before[-1] in words.BETWEEN:
        before.pop()
    return bool(before) and before[-1] in words.NOT
