"""What messages say: built-in wordings, a clinic's own, and how long they are.

Promises that no wording names a person, a value, a diagnosis or a specialty: any
of them may light up on a locked screen beside a stranger. A clinic's wording may
use only the placeholders its kind has. Does not send, and does not make links.
"""

from __future__ import annotations

import math
import string
from collections.abc import Mapping
from dataclasses import dataclass

from service.domain.refused import Refused
from service.domain.words import MessageKind

K = MessageKind
LONGEST = 459  # three segments: more than that and a telephone shows a wall of text

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
    K.STAFF_TASK: frozenset({"sender", "link", "count"}),
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


@dataclass(frozen=True)
class Length:
    """How a text travels: alphabet (GSM-7 or UCS-2), units in it, and segments."""

    alphabet: str
    units: int
    segments: int


def render(body: str, kind: MessageKind, values: Mapping[str, str]) -> str:
    """Fill a wording in. Raises Refused for a placeholder this kind does not have."""
    checked_wording(body, kind)
    return body.format_map(values)


def wording(language: str, kind: MessageKind) -> str:
    """The built-in wording; English where a language has none."""
    return BUILT_IN.get(language, BUILT_IN[FALLBACK])[kind]


def checked_wording(body: str, kind: MessageKind) -> str:
    """`body` itself. Raises Refused for unknown placeholders, missing ones, or too great a length."""
    used = _placeholders(body)
    allowed = PLACEHOLDERS[kind]
    accepted = "placeholders " + ", ".join("{" + name + "}" for name in sorted(allowed))
    for name in used:
        if name not in allowed:
            raise Refused("body", "{" + name + "}", accepted)
    for name in REQUIRED.get(kind, frozenset()):
        if name not in used:
            raise Refused("body", body, "a wording with {" + name + "} in it")
    if not body.strip() or len(body) > LONGEST or any(ord(sign) < 32 and sign != "\n" for sign in body):
        raise Refused("body", body, f"text of 1 to {LONGEST} characters")
    return body


def length(text: str) -> Length:
    """Segments by 3GPP TS 23.038 and 23.040: 160/153 septets, or 70/67 UCS-2 units, single/joined."""
    if all(sign in _GSM_BASIC or sign in _GSM_EXTENDED for sign in text):
        units = sum(2 if sign in _GSM_EXTENDED else 1 for sign in text)
        return Length("GSM-7", units, 1 if units <= 160 else math.ceil(units / 153))
    units = len(text.encode("utf-16-be")) // 2
    return Length("UCS-2", units, 1 if units <= 70 else math.ceil(units / 67))


def _placeholders(body: str) -> list[str]:
    try:
        parts = list(string.Formatter().parse(body))
    except ValueError:
        raise Refused("body", body, "placeholders in single braces, such as {link}") from None
    for _, name, spec, conversion in parts:
        if name is not None and (spec or conversion or not name.isidentifier()):
            raise Refused("body", "{" + name + "}", "plain placeholders such as {link}")
    return [name for _, name, _, _ in parts if name is not None]
