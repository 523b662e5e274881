"""What messages say: built-in wordings, a clinic's own, and how long they are.

Promises that no wording names a person, a value, a diagnosis or a specialty: any
of them may light up on a locked screen beside a stranger. A clinic's wording may
use only the placeholders its kind has, and must keep what its reader cannot do
without: the link, the number to call, a way back. Does not send, and does not make links.
"""

from __future__ import annotations

import re
import string
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from service.domain import texting
from service.domain.texting_words import START
from service.domain.validation import Refused
from service.domain.vocabulary import MessageKind

K = MessageKind
LONGEST = 459  # three segments: more than that and a telephone shows a wall of text
MOST_SEGMENTS = 3

# What each kind may fill in. {sender} is how the clinic signs, {link} a signed address, {number} the
# local emergency number, {phone} the clinic's own line, {text} an answer in an exchange, {count} a number of tasks.
PLACEHOLDERS: Mapping[MessageKind, frozenset[str]] = {
    K.PROMPT: frozenset({"sender", "link"}),
    K.REMINDER: frozenset({"sender", "link"}),
    K.NUDGE: frozenset({"sender", "link"}),
    K.SAFETY: frozenset({"sender", "number", "phone"}),
    K.REPLY: frozenset({"sender", "text"}),
    K.STOPPED: frozenset({"sender", "phone"}),
    K.STARTED: frozenset({"sender", "phone"}),
    K.HELP: frozenset({"sender", "phone", "number"}),
    K.STAFF_TASK: frozenset({"sender", "link"}),
    K.DIGEST: frozenset({"sender", "link", "count"}),
}
REQUIRED: Mapping[MessageKind, frozenset[str]] = {
    K.PROMPT: frozenset({"link"}),
    K.REMINDER: frozenset({"link"}),
    K.NUDGE: frozenset({"link"}),
    K.SAFETY: frozenset({"number"}),
    K.REPLY: frozenset({"text"}),
}

BUILT_IN: Mapping[str, Mapping[MessageKind, str]] = {
    "en": {
        K.PROMPT: "{sender}: hello, your quiet minutes are due. {link} STOP ends these.",
        K.REMINDER: "{sender}: still time for your few minutes today. {link}",
        K.NUDGE: "{sender}: no news today. What happened? {link}",
        K.SAFETY: "{sender}: please call {number} now. Do not wait for an answer from us.",
        K.REPLY: "{sender}: {text}",
        K.STOPPED: "{sender}: you will get no more of these messages. START begins them again. Questions: {phone}",
        K.STARTED: "{sender}: messages are on again, one or two a day. STOP ends them. Questions: {phone}",
        K.HELP: "{sender}: one or two messages a day. STOP ends them. Questions: {phone}. Emergency: {number}.",
        K.STAFF_TASK: "{sender}: something waits in the inbox. {link}",
        K.DIGEST: "{sender}: waiting in the inbox: {count}. {link}",
    },
    "es": {
        K.PROMPT: "{sender}: hola, es la hora de sus minutos de calma. {link} STOP: terminar.",
        K.REMINDER: "{sender}: quedan unas horas para sus minutos de calma. {link}",
        K.NUDGE: "{sender}: hoy no hay noticias. ¿Qué ha pasado? {link}",
        K.SAFETY: "{sender}: llame ahora al {number}. No espere nuestra respuesta.",
        K.REPLY: "{sender}: {text}",
        K.STOPPED: "{sender}: no le enviaremos otros mensajes. START para volver. Preguntas: {phone}",
        K.STARTED: "{sender}: los mensajes vuelven, uno o dos diarios. STOP para terminar. Preguntas: {phone}",
        K.HELP: "{sender}: uno o dos mensajes diarios. STOP para terminar. Preguntas: {phone}. Urgencias: {number}.",
        K.STAFF_TASK: "{sender}: hay algo en la bandeja. {link}",
        K.DIGEST: "{sender}: pendientes en la bandeja: {count}. {link}",
    },
}
FALLBACK = "en"

# The GSM 7-bit default alphabet and its extension (3GPP TS 23.038, section 6.2.1).
_GSM_BASIC = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§"
    "¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
_GSM_EXTENDED = frozenset("^{}\\[~]|€\f")
# Joiners shape letters and emoji. Every other sign that is not seen may hide or turn round what is:
# a direction override shows a telephone number backwards.
_UNSEEN_BUT_MEANT = frozenset("\n\u200c\u200d")
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})  # general categories, Unicode Standard, table 4-4


@dataclass(frozen=True)
class Length:
    """How a text travels: alphabet (GSM-7 or UCS-2), units in it, and segments."""

    alphabet: str
    units: int
    segments: int


def render(body: str, kind: MessageKind, values: Mapping[str, str]) -> str:
    """Fill a wording in. Raises Refused for one that `checked_wording` refuses, and for a value that is not given."""
    checked_wording(body, kind)
    try:
        return body.format_map(values)
    except KeyError as missing:
        raise Refused("values", sorted(values), f"a value for {{{missing.args[0]}}}") from None


def wording(language: str, kind: MessageKind) -> str:
    """The built-in wording; English where a language has none."""
    return BUILT_IN.get(language, BUILT_IN[FALLBACK])[kind]


def checked_wording(body: str, kind: MessageKind) -> str:
    """`body` itself. Raises Refused for signs that are not seen, unknown placeholders, what is missing, and length.

    Placeholders count as nothing here: how long they become depends on the clinic, and `wordings.preview` tells that.
    """
    for sign in body:
        if unicodedata.category(sign) in _UNSEEN and sign not in _UNSEEN_BUT_MEANT:
            raise Refused("body", sign, f"text that can be seen; this is {name_of(sign)}")
    used = placeholders(body)
    allowed = PLACEHOLDERS[kind]
    for name in used:
        if name not in allowed:
            raise Refused("body", "{" + name + "}", f"placeholders {in_braces(allowed)}")
    for name in sorted(REQUIRED.get(kind, frozenset())):
        if name not in used:
            raise Refused("body", body, "a wording with {" + name + "} in it")
    if kind is K.STOPPED and "phone" not in used and not START & set(said(body)):
        raise Refused("body", body, "a wording that leaves a way back: the word START, or {phone}")
    if not body.strip() or len(body) > LONGEST:
        raise Refused("body", body, f"text of 1 to {LONGEST} characters")
    if length(literal(body)).segments > MOST_SEGMENTS:
        accepted = f"at most {MOST_SEGMENTS} segments: {LONGEST} characters of the GSM-7 alphabet, or 201 of others"
        raise Refused("body", body, accepted)
    return body


def placeholders(body: str) -> list[str]:
    """The names in braces, in order. Raises Refused where the braces cannot be read."""
    return [name for _, name in _parts(body) if name is not None]


def literal(body: str, between: str = "") -> str:
    """The wording without its placeholders. Raises Refused where the braces cannot be read."""
    return between.join(text for text, _ in _parts(body))


def said(body: str) -> list[str]:
    """The words of a wording, in small letters and without accents."""
    return re.findall(r"[a-z]+", texting.plain(literal(body, " ")))


def in_braces(names: Iterable[str]) -> str:
    return ", ".join("{" + name + "}" for name in sorted(names))


def length(text: str) -> Length:
    """How networks count and cut a text (3GPP TS 23.038, and TS 23.040 9.2.3.24.1).

    160 septets alone or 153 in each joined segment; 70 or 67 UCS-2 units where one sign
    is outside the 7-bit alphabet. A sign that takes two is never cut in the middle: the
    segment before it stays one short.
    """
    if not outside_gsm(text):
        sizes = [2 if sign in _GSM_EXTENDED else 1 for sign in text]
        return Length("GSM-7", sum(sizes), _segments(sizes, 160, 153))
    sizes = [2 if ord(sign) > 0xFFFF else 1 for sign in text]
    return Length("UCS-2", sum(sizes), _segments(sizes, 70, 67))


def outside_gsm(text: str) -> list[str]:
    """The signs of `text` that the 7-bit alphabet lacks, each once, in order."""
    return [sign for sign in dict.fromkeys(text) if sign not in _GSM_BASIC and sign not in _GSM_EXTENDED]


def name_of(sign: str) -> str:
    """`U+00E1 LATIN SMALL LETTER A WITH ACUTE`."""
    return f"U+{ord(sign):04X} {unicodedata.name(sign, '')}".rstrip()


def _segments(sizes: Iterable[int], alone: int, joined: int) -> int:
    sizes = list(sizes)
    if sum(sizes) <= alone:
        return 1
    segments, room = 1, joined
    for size in sizes:
        if size > room:
            segments, room = segments + 1, joined
        room -= size
    return segments


def _parts(body: str) -> list[tuple[str, str | None]]:
    """Literal text and the name after it, None after the last."""
    try:
        parts = list(string.Formatter().parse(body))
    except ValueError:
        raise Refused("body", body, "placeholders in single braces, such as {link}") from None
    for _, name, spec, conversion in parts:
        if name is not None and (spec or conversion or not name.isidentifier()):
            raise Refused("body", "{" + name + "}", "plain placeholders such as {link}")
    whole = "".join(
        text.replace("{", "{{").replace("}", "}}") + ("" if name is None else "{" + name + "}")
        for text, name, _, _ in parts
    )
    if whole != body:  # an empty format, as in {link:}, leaves no other trace
        raise Refused("body", body, "plain placeholders such as {link}")
    return [(text, name) for text, name, _, _ in parts]
