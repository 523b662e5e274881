"""How a wording would arrive: filled in with invented values, counted, and with whatever gives pause.

Promises a text as long as the real one: the clinic's own name and numbers, and links
as long as real links. What no rule can judge is not refused: it is said, and the
clinic decides. Keeps nothing and sends nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, time
from functools import cache

from service.domain.vocabulary import MessageKind
from service.words import messages
from service.words.language import Language, load_parser
from service.words.messages import Length, length, outside_gsm, sign_name

K = MessageKind
TO_STAFF = frozenset({K.STAFF_TASK, K.DIGEST})
ASKED = ("reading", "checkin")
LONG_DAY = date(2026, 9, 30)  # a Wednesday in September: no day is longer in words, in the languages there are
HOURS = (time(8), time(15), time(20))  # one for each greeting
FEW, MANY = "3", "9999"  # tasks in a digest: on a usual morning, and the most we measure with

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


def preview(own: str | None, kind: MessageKind, language: Language, signs: Signs, reader: Language) -> Preview:
    """A clinic's own wording, or the built-in one (None), as a person would get it by text message.

    `reader` is the language in which whoever writes the wording is told of doubts. Raises
    Refused for a wording that cannot be used.
    """
    values = list(_values(kind, language, signs))
    if own is None:
        texts = [messages.written(language, kind, one, hears_replies=True, asks=ASKED) for one in values]
    else:
        texts = [messages.render(own, kind, one) for one in values]
    longest = max(texts, key=_measure)
    doubts = [*_of_length(longest, own or "", reader)]
    if own is not None:
        doubts += _of_words(own, kind, language, reader)
    return Preview(texts[0], length(texts[0]), longest, length(longest), tuple(doubts))


def built_in(kind: MessageKind, language: Language) -> str:
    """The built-in wording in full, as a clinic would begin to change it."""
    return messages.by_text(language, kind, ASKED)[0]


def doubts(phrase: str, language: Language, signs: Signs, reader: Language) -> tuple[Doubt, ...]:
    """What to look at again in a wording for messages by hand. Raises Refused for one that cannot be used."""
    messages.checked_phrase(phrase)
    said = phrase.format_map({"number": signs.number, "phone": signs.phone})
    sent = messages.render("{sender}: {text}", K.FROM_CLINIC, {"sender": signs.sender, "text": said})
    of_words = [one for one in _of_words(phrase, K.FROM_CLINIC, language, reader) if one.name != "unsigned"]
    return (*_of_length(sent, phrase, reader), *of_words)


def _values(kind: MessageKind, language: Language, signs: Signs) -> Iterator[dict[str, str]]:
    """The values of an ordinary message first; then whatever else may stand there."""
    link = signs.staff_link if kind in TO_STAFF else signs.caregiver_link if kind is K.NUDGE else signs.patient_link
    fixed = {"sender": signs.sender, "number": signs.number, "phone": signs.phone, "link": link}
    answers = [messages.line(language, messages.THANKS)]
    counts = [FEW]
    if kind is K.FROM_CLINIC:
        answers = [messages.first_phrases(language)[0]]
    if kind is K.REPLY:
        keys = messages.lines(language)
        answers += [messages.line(language, key, again=again) for key in keys for again in (False, True)]
        answers += [messages.line_until(language, last) for last in (None, LONG_DAY)]
    if kind is K.DIGEST:
        counts.append(MANY)
    days = [messages.of_the_day(language, asked, wall) for asked in (ASKED, *zip(ASKED)) for wall in HOURS]
    for count in counts:
        for answer in answers:
            for day in days if "asked" in messages.PLACEHOLDERS[kind] else days[:1]:
                yield {**fixed, **day, "count": count, "text": answer}


def _measure(text: str) -> tuple[int, int]:
    measured = length(text)
    return measured.segments, measured.units


def _of_length(longest: str, body: str, reader: Language) -> Iterator[Doubt]:
    measured = length(longest)
    if costly := outside_gsm(longest):
        shown = ", ".join(f"“{sign}” ({sign_name(sign)})" for sign in costly[:5])
        if len(costly) > 5:
            shown = reader.gettext("%(shown)s and %(number)s more", shown=shown, number=len(costly) - 5)
        sentence = reader.gettext(
            "Not in the plain alphabet of text messages: %(shown)s. With it a message holds 70 characters instead of "
            "160, and 67 instead of 153 where several are joined.",
            shown=shown,
        )
        if not any(sign in body for sign in costly):
            sentence += " " + reader.gettext("It comes with what is filled in, not with this text.")
        yield Doubt("outside_gsm", sentence)
    if measured.segments > 1:
        yield Doubt(
            "segments",
            reader.gettext(
                "It goes as up to %(segments)s text messages (%(units)s characters as networks count them): "
                "each is charged, and telephones may show them apart.",
                segments=measured.segments,
                units=measured.units,
            ),
        )


def _of_words(body: str, kind: MessageKind, language: Language, reader: Language) -> Iterator[Doubt]:
    if "sender" not in messages.placeholders(body):
        yield Doubt("unsigned", reader.gettext("It does not say who writes: {sender} is how the clinic signs."))
    said, literal = messages.said(body), messages.literal(body, " ")
    telling = [word for word in dict.fromkeys(said) if word.startswith(language.gives_away)]
    if telling:
        yield Doubt(
            "telling",
            reader.gettext(
                "It may light up on a locked screen beside a stranger: %(words)s may tell them too much.",
                words=", ".join(telling),
            ),
        )
    if measured := _measured().search(literal):
        yield Doubt(
            "measured",
            reader.gettext("“%(text)s” looks like a measured value or a dose, on a locked screen.", text=measured[0]),
        )
    elif number := _NUMBER.search(literal):
        yield Doubt(
            "number",
            reader.gettext(
                "“%(text)s” is typed in by hand: {number} and {phone} follow the clinic's settings.",
                text=number[0],
            ),
        )
    if _LINK_TOUCHED.search(body):
        yield Doubt(
            "link",
            reader.gettext("Leave a space on both sides of {link}, or telephones may open another address."),
        )
    if kind is K.PROMPT and not load_parser().words.stop & set(said):
        yield Doubt("no_stop", reader.gettext("It does not say that STOP ends these messages; carriers expect that."))


@cache
def _measured() -> re.Pattern[str]:
    """A number with a unit, in any of the languages' words for it."""
    units = sorted({r"mm\s?hg", "kpa", "bpm", "mg", *load_parser().words.units}, key=lambda unit: -len(unit))
    return re.compile(rf"\d[\d.,/]*\s*(?:(?:{'|'.join(units)})\b|%)", re.IGNORECASE)
