"""How a wording would arrive: filled in with invented values, counted, and with whatever gives pause.

Promises a text as long as the real one: the clinic's own name and numbers, and links
as long as real links. What no rule can judge is not refused: it is said, and the
clinic decides. Keeps nothing and sends nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date

from service.domain import exchange_words, messages, texted, texting_words
from service.domain.messages import Length
from service.domain.vocabulary import MessageKind

K = MessageKind
TO_STAFF = frozenset({K.STAFF_TASK, K.DIGEST})
ASKED = ("reading", "checkin")
LONG_DAY = date(2026, 9, 30)  # a Wednesday in September: no day is longer in words
FEW, MANY = "3", "9999"  # tasks in a digest: on a usual morning, and the most we measure with

# Beginnings of words that would tell a stranger what the telephone's owner suffers from, or where they
# are looked after. In the form of `texting.plain`. Our own lists, no source.
TELLING: Mapping[str, tuple[str, ...]] = {
    "en": (
        "heart", "cardi", "pressur", "lung", "pulmon", "sensor", "implant", "weigh", "breath", "swell", "swollen",
        "symptom", "diagnos", "medic", "pill", "clinic", "hospital", "ward", "patient", "doctor", "nurse",
    ),
    "es": (
        "coraz", "cardi", "presion", "pulmon", "sensor", "implant", "peso", "respir", "ahog", "hinch",
        "sintoma", "diagnos", "medic", "pastilla", "clinic", "hospital", "paciente", "doctor", "enferm",
    ),
}  # fmt: skip
_MEASURED = re.compile(r"\d[\d.,/]*\s*(?:(?:mm\s?hg|kpa|kg|kilos?|lbs?|pounds?|libras?|bpm|mg)\b|%)", re.IGNORECASE)
_NUMBER = re.compile(r"\+?\d(?:[ -]?\d){2,}")
_LINK_TOUCHED = re.compile(r"[\w/:=&?#%.@-]\{link\}|\{link\}[\w/=&?#%-]")


@dataclass(frozen=True)
class Signs:
    """What a clinic's messages carry: its name for lock screens, its numbers, and one link of each length."""

    sender: str
    number: str
    phone: str
    patient_link: str
    caregiver_link: str
    staff_link: str


@dataclass(frozen=True)
class Doubt:
    """Something that is allowed and may be unwise: its name, and a sentence for whoever writes the wording."""

    name: str
    sentence: str


@dataclass(frozen=True)
class Preview:
    """A wording as it would arrive, the longest it can become, and what to look at again."""

    text: str
    length: Length
    longest_text: str
    longest: Length
    doubts: tuple[Doubt, ...]


def preview(own: str | None, kind: MessageKind, language: str, signs: Signs) -> Preview:
    """A clinic's own wording, or the built-in one (None), as a person would get it by text message.

    Raises Refused for a wording that cannot be used.
    """
    values = list(_values(kind, language, signs))
    if own is None:
        texts = [texted.written(language, kind, one, hears_replies=True, asks=ASKED) for one in values]
    else:
        texts = [messages.render(own, kind, one) for one in values]
    longest = max(texts, key=_measure)
    length = messages.length(longest)
    doubts = [*_of_length(longest, length, own or "")]
    if own is not None:
        doubts += _of_words(own, kind, language)
    return Preview(texts[0], messages.length(texts[0]), longest, length, tuple(doubts))


def built_in(kind: MessageKind, language: str) -> str:
    """The built-in wording in full, as a clinic would begin to change it."""
    return texted.by_text(language, kind, ASKED)[0]


def _values(kind: MessageKind, language: str, signs: Signs) -> Iterator[dict[str, str]]:
    """The values of an ordinary message first; then whatever else may stand there."""
    link = signs.staff_link if kind in TO_STAFF else signs.caregiver_link if kind is K.NUDGE else signs.patient_link
    fixed = {"sender": signs.sender, "number": signs.number, "phone": signs.phone, "link": link}
    answers = [exchange_words.line(language, exchange_words.THANKS)]
    counts = [FEW]
    if kind is K.REPLY:
        keys = exchange_words.LINES[exchange_words.FALLBACK]
        answers += [exchange_words.line(language, key, again=again) for key in keys for again in (False, True)]
        answers += [exchange_words.until(language, last) for last in (None, LONG_DAY)]
    if kind is K.DIGEST:
        counts.append(MANY)
    for count in counts:
        for answer in answers:
            yield {**fixed, "count": count, "text": answer}


def _measure(text: str) -> tuple[int, int]:
    length = messages.length(text)
    return length.segments, length.units


def _of_length(longest: str, length: Length, body: str) -> Iterator[Doubt]:
    costly = messages.outside_gsm(longest)
    if costly:
        shown = ", ".join(f"“{sign}” ({messages.name_of(sign)})" for sign in costly[:5])
        more = f" and {len(costly) - 5} more" if len(costly) > 5 else ""
        where = "" if any(sign in body for sign in costly) else " It comes with what is filled in, not with this text."
        yield Doubt(
            "outside_gsm",
            f"Outside the GSM-7 alphabet: {shown}{more}. The whole text travels as UCS-2 for it: 70 units in a "
            f"segment instead of 160, 67 instead of 153 where segments are joined.{where}",
        )
    if length.segments > 1:
        yield Doubt(
            "segments",
            f"Up to {length.segments} text-message segments ({length.units} units of {length.alphabet}): "
            "each is charged as a message, and telephones may show them apart.",
        )


def _of_words(body: str, kind: MessageKind, language: str) -> Iterator[Doubt]:
    if "sender" not in messages.placeholders(body):
        yield Doubt("unsigned", "It does not say who writes: {sender} is how the clinic signs.")
    said, literal = messages.said(body), messages.literal(body, " ")
    stems = TELLING.get(language, TELLING[messages.FALLBACK])
    telling = [word for word in dict.fromkeys(said) if word.startswith(stems)]
    if telling:
        yield Doubt(
            "telling",
            f"It may light up on a locked screen beside a stranger: {', '.join(telling)} may tell them too much.",
        )
    if measured := _MEASURED.search(literal):
        yield Doubt("measured", f"“{measured[0]}” looks like a measured value or a dose, on a locked screen.")
    elif number := _NUMBER.search(literal):
        yield Doubt(
            "number", f"“{number[0]}” is typed in by hand: {{number}} and {{phone}} follow the clinic's settings."
        )
    if _LINK_TOUCHED.search(body):
        yield Doubt("link", "Leave a space on both sides of {link}, or telephones may open another address.")
    if kind is K.PROMPT and not texting_words.STOP & set(said):
        yield Doubt("no_stop", "It does not say that STOP ends these messages; carriers expect that.")
