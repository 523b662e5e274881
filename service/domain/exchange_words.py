"""What we write back in a check-in by text message.

Every line goes to somebody who has just written to us, repeats nothing they said,
and names no person, value, diagnosis or specialty. In the 7-bit alphabet of text
messages (Spanish without the accents it lacks), and short enough for one segment
behind the longest name a clinic may sign with.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from service.domain import spoken

FALLBACK = "en"
THANKS = "thanks"
NOTED = "noted"
CAREGIVER_ASK = "caregiver_ask"
CAREGIVER_THANKS = "caregiver_thanks"
NOTHING_ASKED = "nothing_asked"

LINES: Mapping[str, Mapping[str, str]] = {
    "en": {
        "safety_signs": "Right now: 1 breathless at rest 2 chest pain 3 fainted 4 pink spit 5 new confusion? "
        "Send the number, or 0 for none.",
        "weight": "Your weight this morning? The number is enough.",
        "breathlessness": "Your breath at its worst since yesterday: 0 easy to 10 worst?",
        "extra_pillows": "How many more pillows than usual last night? 0 is as usual.",
        "woke_breathless": "Did shortness of breath wake you last night? Yes or no.",
        "swelling": "Swollen legs: 0 none, 1 ankle, 2 shin, 3 knee or higher?",
        "light_headed": "Light-headed since yesterday? Yes or no.",
        "tiredness": "How tired since yesterday: 0 not at all to 10 worst?",
        "missed_medicines": "Missed any of your medicines since yesterday? Yes or no.",
        "again": "Sorry, that was not clear to us. ",
        THANKS: "Thank you, that is all for today. If you feel worse, do not wait for a message: call.",
        NOTED: "Thank you, we have kept that.",
        CAREGIVER_ASK: "Please send 1 spoke to them, 2 in hospital, 3 away, 4 equipment trouble.",
        CAREGIVER_THANKS: "Thank you, the clinic sees your answer.",
        NOTHING_ASKED: "Thank you. Nothing is asked just now; for anything else, please call.",
    },
    "es": {
        "safety_signs": "Ahora: 1 sin aire en reposo 2 dolor de pecho 3 desmayo 4 esputo rosado 5 se siente confuso? "
        "Mande la cifra; 0 = nada.",
        "weight": "¿Su peso esta mañana? Basta la cifra.",
        "breathlessness": "Su falta de aire, lo peor desde ayer: ¿de 0 nada a 10 lo peor?",
        "extra_pillows": "¿Almohadas de diferencia esta noche? 0 = como siempre.",
        "woke_breathless": "¿Le ha despertado la falta de aire esta noche? Si o no.",
        "swelling": "Piernas hinchadas: ¿0 nada, 1 tobillo, 2 espinilla, 3 rodilla?",
        "light_headed": "¿Mareos desde ayer? Si o no.",
        "tiredness": "Cansancio desde ayer: ¿de 0 nada a 10 lo peor?",
        "missed_medicines": "¿Se ha saltado alguna medicina desde ayer? Si o no.",
        "again": "Perdone, no lo hemos entendido. ",
        THANKS: "Gracias, es todo por hoy. Si se siente peor, no espere otro mensaje: llame.",
        NOTED: "Gracias, lo hemos guardado.",
        CAREGIVER_ASK: "Mande 1 he hablado, 2 en el hospital, 3 fuera, 4 fallo del aparato.",
        CAREGIVER_THANKS: "Gracias, en la consulta ven su respuesta.",
        NOTHING_ASKED: "Gracias. Ahora no se pregunta nada; para otra cosa, llame.",
    },
}


# What a caregiver's answer came to, when it excuses days: to which, or open-ended.
UNTIL: Mapping[str, tuple[str, str]] = {
    "en": (
        "Thank you, noted up to {day}. If the last day is another, just send it.",
        "Thank you, noted until we hear otherwise. If you know the last day, just send it.",
    ),
    "es": (
        "Gracias, anotado hasta el {day}. Si cambia, mande otra fecha.",
        "Gracias, anotado hasta nuevo aviso. Si conoce la fecha final, puede mandarla.",
    ),
}
_MONTHS_ES = (
    "enero", "febrero", "marzo", "abril", "mayo", "junio", "julio", "agosto", "septiembre", "octubre", "noviembre",
    "diciembre",
)  # fmt: skip


def until(language: str, last: date | None) -> str:
    """The line that thanks a caregiver and says to which day their answer holds; None is open-ended."""
    dated, open_ended = UNTIL.get(language, UNTIL[FALLBACK])
    if last is None:
        return open_ended
    spanish = f"{last.day} de {_MONTHS_ES[last.month - 1]}"
    return dated.format(day=spanish if language == "es" else spoken.day(last))


def line(language: str, key: str, *, again: bool = False) -> str:
    """The line for a question or an answer of ours; English where a language has none."""
    lines = LINES.get(language, LINES[FALLBACK])
    if again and key == "safety_signs":
        return lines[key]  # long enough; it is asked in the same words
    return (lines["again"] if again else "") + lines[key]
