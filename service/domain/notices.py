"""What a notice on a phone says: the words of a text message, without what only a text message needs.

Promises that no signed address lights up on a locked screen, and that nothing asks
for an answer that a notice cannot take: it is tapped, not replied to. The sender's
name is its title. As safe beside a stranger as `messages`.
"""

from __future__ import annotations

from collections.abc import Mapping

from service.domain import messages
from service.domain.vocabulary import MessageKind

K = MessageKind

BUILT_IN: Mapping[str, Mapping[MessageKind, str]] = {
    "en": {
        K.PROMPT: "Hello, your quiet minutes are due. Tap to begin.",
        K.REMINDER: "Still time for your few minutes today. Tap to begin.",
        K.NUDGE: "No news today. What happened? Tap to answer.",
        K.STAFF_TASK: "Something waits in the inbox.",
        K.DIGEST: "Waiting in the inbox: {count}.",
    },
    "es": {
        K.PROMPT: "Hola, es la hora de sus minutos de calma. Toque para empezar.",
        K.REMINDER: "Quedan unas horas para sus minutos de calma. Toque para empezar.",
        K.NUDGE: "Hoy no hay noticias. ¿Qué ha pasado? Toque para responder.",
        K.STAFF_TASK: "Hay algo en la bandeja.",
        K.DIGEST: "Pendientes en la bandeja: {count}.",
    },
}


def word(language: str, kind: MessageKind, own_wording: str | None, values: Mapping[str, str]) -> str:
    """The notice. A clinic's own wording is used with its link left out; `values` as for a text message."""
    ours = BUILT_IN.get(language, BUILT_IN[messages.FALLBACK]).get(kind)
    if own_wording is None and ours is not None:
        return ours.format_map(values)
    body = own_wording or messages.wording(language, kind)
    lines = messages.render(body, kind, {**values, "link": ""}).splitlines()
    return "\n".join(" ".join(line.split()) for line in lines).strip()
