"""What goes out in our own words, on a channel where people may simply write back and where they may not.

Promises, by text message, one segment of the 7-bit alphabet for the longest name a
clinic may sign with and a link below a 40-character base address: where the full
wording is too long, the brief one is used. Where a reply would not be read, nothing
is said of replying, nor of STOP; where only a reading is missing, no reply is asked for.
A nudge does not spell out what 1 to 4 mean: "in hospital" is nobody's business on a
locked screen. The list comes when it is asked for. Does not touch a clinic's own wording.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from service.domain import messages
from service.domain.vocabulary import MessageKind

K = MessageKind

# What can be read by itself, without a word on replying; everything else is in `messages`.
ALONE: Mapping[str, Mapping[MessageKind, str]] = {
    "en": {K.PROMPT: "{sender}: hello, your quiet minutes are due. {link}"},
    "es": {K.PROMPT: "{sender}: hola, es la hora de sus minutos de calma. {link}"},
}
# The 7-bit alphabet has é and ¿, but no á, í, ó or ú.
BRIEF: Mapping[str, Mapping[MessageKind, str]] = {
    "en": {
        K.PROMPT: "{sender}: quiet time. {link}",
        K.REMINDER: "{sender}: still time today. {link}",
        K.NUDGE: "{sender}: no news. {link}",
    },
    "es": {
        K.PROMPT: "{sender}: su momento. {link}",
        K.REMINDER: "{sender}: queda tiempo hoy. {link}",
        K.NUDGE: "{sender}: sin noticias. {link}",
    },
}
# Full and brief, side by side.
REPLY: Mapping[str, Mapping[MessageKind, tuple[str, str]]] = {
    "en": {
        K.PROMPT: (" Or just reply here.", " Or reply."),
        K.REMINDER: (" Or just reply here.", " Or reply."),
        K.NUDGE: (" Or reply 1-4; 0 for what they mean.", " Or reply 1-4 (0: list)."),
    },
    "es": {
        K.PROMPT: (" O conteste a este mensaje.", " O conteste."),
        K.REMINDER: (" O conteste a este mensaje.", " O conteste."),
        K.NUDGE: (" O conteste 1-4; 0 para ver la lista.", " Mande 1-4, 0=lista"),
    },
}
STOP: Mapping[str, tuple[str, str]] = {
    "en": (" STOP ends these.", " STOP ends."),
    "es": (" STOP: terminar.", " STOP:fin"),
}
# A notice to staff of a possible emergency, at whatever hour.
CANNOT_WAIT: Mapping[str, str] = {
    "en": "{sender}: please look in the inbox now, this cannot wait. {link}",
    "es": "{sender}: mire la bandeja ahora, esto no puede esperar. {link}",
}


def alone(language: str, kind: MessageKind) -> str:
    """The wording for a channel on which nobody reads a reply."""
    return ALONE.get(_spoken(language), {}).get(kind) or messages.wording(language, kind)


def by_text(language: str, kind: MessageKind, asks: Collection[str]) -> tuple[str, ...]:
    """The wordings where a reply is read, the fullest first. `asks` is what is missing: "reading", "checkin"."""
    language = _spoken(language)
    brief = BRIEF[language].get(kind)
    if brief is None:
        return (messages.wording(language, kind),)
    may_reply = kind is K.NUDGE or "checkin" in asks
    reply = REPLY[language][kind] if may_reply else ("", "")
    stop = STOP[language] if kind is K.PROMPT else ("", "")
    return (alone(language, kind) + reply[0] + stop[0], brief + reply[1] + stop[1])


def written(
    language: str,
    kind: MessageKind,
    values: Mapping[str, str],
    *,
    hears_replies: bool,
    asks: Collection[str] = (),
    cannot_wait: bool = False,
) -> str:
    """Our own wording filled in: the fullest that fits one segment, or the briefest there is."""
    if cannot_wait and kind is K.STAFF_TASK:
        return messages.render(CANNOT_WAIT[_spoken(language)], kind, values)
    if not hears_replies:
        return messages.render(alone(language, kind), kind, values)
    text = ""
    for body in by_text(language, kind, asks):
        text = messages.render(body, kind, values)
        if messages.length(text).segments == 1:
            break
    return text


def _spoken(language: str) -> str:
    return language if language in BRIEF else messages.FALLBACK
