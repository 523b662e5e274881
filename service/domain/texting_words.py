"""The words people use in a text message, English and Spanish side by side.

All in the form `texting.plain` gives them: lower case, no accents, no apostrophes.
Stems match the beginning of a word. Our own lists; no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from service.domain.vocabulary import CaregiverAnswer, SafetySign, Swelling


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


# --- alone in a message -----------------------------------------------------------

# STOP, STOPALL, UNSUBSCRIBE, CANCEL, END, QUIT, START and HELP are what carriers expect. 47 CFR 64.1200(a)(10)
# takes "stop", "quit", "end", "revoke", "opt out", "cancel" and "unsubscribe" for a withdrawal, and any other words
# that a reasonable person would understand so: the phrases are ours, and so is the Spanish.
STOP = _words("stop stopall end cancel unsubscribe quit revoke optout parar baja cancelar detener revocar")
STOP_PHRASES = frozenset(
    (
        "remove me", "take me off", "no more messages", "no more texts", "do not text me",
        "dont text me", "do not message me", "dont message me", "no mas mensajes", "no me escriban", "no me escriba",
        "darme de baja", "dar de baja", "quiero parar",
    )
)  # fmt: skip
START = frozenset({"start", "unstop", "empezar", "alta"})
HELP = frozenset({"help", "info", "ayuda"})
COURTESY = _words("please thanks thank you por favor gracias")
POLITE = COURTESY | _words(
    "all the these those it this now texts text messages message texting messaging sending to me los estos mensajes "
    "mensaje de ahora"
)
YES = frozenset({"yes", "y", "yep", "yeah", "si", "s"})
NO = frozenset({"no", "n", "nope", "none", "nothing", "nada", "ninguno", "ninguna", "ningun", "zero", "cero"})
SKIP = frozenset({"skip", "pass", "next", "saltar", "paso", "siguiente", "unsure", "dont know", "no se"})
DONE = frozenset({"done", "finished", "thats all", "thats it", "fin", "listo", "lista", "ya esta", "eso es todo"})

# --- numbers and words beside them -------------------------------------------------

NUMBERS: Mapping[str, int] = {
    word: number
    for number, words in enumerate(
        (
            "zero cero", "one uno una", "two dos", "three tres", "four cuatro", "five cinco", "six seis",
            "seven siete", "eight ocho", "nine nueve", "ten diez",
        )
    )
    for word in words.split()
}  # fmt: skip
NOT = _words(
    "no not never none without nor neither dont didnt doesnt havent hasnt hadnt wasnt isnt arent aint sin nunca "
    "ni ningun ninguna ninguno nada tampoco"
)
# May stand between a "not" and what it denies.
BETWEEN = _words(
    "any new more really a an the my at all been had have has having got get feel feeling felt am is i do did up "
    "he me se ha tengo tiene tenido estoy esta siento mas el la los las de un una muy"
)
CARRIES_ON = frozenset({"or", "nor", "ni", "o", "u"})
VAGUE = _words("too very so much as usually muy tan demasiado tanto")
USUAL = _words("usual same normal always igual siempre mismas mismo")
MORE = frozenset(["extra", "more", "additional", "mas", "adicional", "adicionales"])
FEWER = _words("fewer less menos")
WELL = frozenset(["well", "fine", "ok", "okay", "good", "bien"])
MISSED = ("miss", "forg", "skipped", "olvid", "salt")
TAKEN = ("took", "taken", "take", "tome", "tomad")

TOPICS: Mapping[str, tuple[str, ...]] = {
    "weight": ("weigh", "peso"),
    "breathlessness": ("breath", "puff", "aire", "respir", "ahog", "disnea"),
    "extra_pillows": ("pillow", "almohad", "cojin"),
    "woke_breathless": ("woke", "wake", "waking", "despert"),
    "swelling": (
        "swell", "swoll", "leg", "ankle", "shin", "knee", "feet", "foot", "hinch", "pierna", "tobillo", "espinilla",
        "rodilla", "pies",
    ),
    "light_headed": ("dizz", "lightheaded", "light-headed", "faint", "mareo", "maread"),
    "tiredness": ("tired", "fatigue", "weary", "exhaust", "cansa", "fatiga", "agotad"),
    "missed_medicines": ("medic", "meds", "pill", "tablet", "pastilla", *MISSED),
}  # fmt: skip
SWELLS = ("swell", "swoll", "hinch", "leg", "pierna")
LEVELS: Mapping[str, Swelling] = {
    "ankle": Swelling.ANKLE, "feet": Swelling.ANKLE, "foot": Swelling.ANKLE, "tobillo": Swelling.ANKLE,
    "pies": Swelling.ANKLE, "shin": Swelling.SHIN, "calf": Swelling.SHIN, "calves": Swelling.SHIN,
    "espinilla": Swelling.SHIN, "knee": Swelling.KNEE, "thigh": Swelling.KNEE, "rodilla": Swelling.KNEE,
}  # fmt: skip
BEYOND = _words("above below over under past beyond encima arriba debajo")
CODES: Mapping[str, str] = {
    "w": "weight", "b": "breathlessness", "p": "extra_pillows", "n": "woke_breathless", "s": "swelling",
    "d": "light_headed", "t": "tiredness", "m": "missed_medicines",
}  # fmt: skip
UNITS = {
    "kg": "kg", "kgs": "kg", "kilo": "kg", "kilos": "kg", "lb": "[lb_av]", "lbs": "[lb_av]", "pound": "[lb_av]",
    "pounds": "[lb_av]", "libra": "[lb_av]", "libras": "[lb_av]",
}  # fmt: skip
# Words that say nothing by themselves, so that they are not taken for something we failed to understand.
EMPTY = _words(
    "hi hello hey good morning evening afternoon ok okay fine thanks thank you great sure hola buenos dias "
    "buenas tardes noches gracias vale bueno i im my me it is was were are the a an and at to of in on for this "
    "that today yesterday last night since day el la los las un una mi me es esta hoy ayer anoche noche y o de "
    "en con que kg lb with have had has been bit little legs leg up short falta"
)

# --- signs of an emergency ----------------------------------------------------------

SIGNS: tuple[tuple[SafetySign, re.Pattern[str]], ...] = tuple(
    (sign, re.compile(rf"\b(?:{pattern})"))
    for sign, pattern in (
        (
            SafetySign.BREATHLESS_AT_REST,
            r"(?:cant|cannot|can not|couldnt|unable to|struggl\w+ to|hard to|fighting to) (?:even |hardly )?breath"
            r"|(?:breathless\w*|(?:short|out) of breath)[a-z ]{0,16}\b(?:rest|resting|sitting|lying|doing nothing)\b"
            r"|gasping|no (?:puedo|puede) (?:casi )?respirar|no (?:me )?llega el aire|me (?:estoy )?ahog"
            r"|(?:sin|falta de|me falta el) aire[a-z ]{0,16}\b(?:reposo|sentad|quiet|acostad)",
        ),
        (
            SafetySign.CHEST_PAIN,
            r"chest[a-z ]{0,8} (?:pain|pressure|tight|hurt|ach)|(?:pain|pressure|tightness|ache)s? (?:in|on|across) "
            r"(?:my |the |his |her )?chest|tight chest|(?:dolor|presion|opresion)[a-z ]{0,8} (?:de|en) (?:el )?pecho"
            r"|duele (?:mucho )?el pecho",
        ),
        (
            SafetySign.FAINTING,
            r"fainted|fainting|pass(?:ed|ing) out|black(?:ed|ing) out|collapsed|lost consciousness"
            r"|(?:going to|gonna|about to|might|may|nearly|almost) faint|desmay|perdi(?:o)? el conocimiento",
        ),
        (
            SafetySign.PINK_SPUTUM,
            r"(?:pink|foamy|frothy|bloody)(?: [a-z]+)? (?:sputum|phlegm|spit|foam|froth|mucus)"
            r"|cough\w* (?:up )?(?:pink|foam|froth|blood)|(?:esputo|flema|espuma)s? (?:rosad|espumos|con sangre)",
        ),
        (SafetySign.NEW_CONFUSION, r"confus|disorient|desorient"),
    )
)
ALARM = re.compile(
    r"\b(?:emergenc|ambulanc|heart attack|infarto|help me|need help|please help|ayudeme|ayudenme|necesito ayuda|dying"
    r"|me muero|urgent|urgencia|call(?:ed|ing)? (?:911|112|999)|llam\w+ al (?:911|112|999))"
)

# --- a caregiver's answers ----------------------------------------------------------

CAREGIVER: tuple[tuple[CaregiverAnswer, tuple[str, ...]], ...] = (
    (CaregiverAnswer.IN_HOSPITAL, ("hospital", "clinic", "ward", "ingresad")),
    (CaregiverAnswer.EQUIPMENT, ("equip", "broke", "device", "sensor", "machine", "internet", "wifi", "aparato")),
    (CaregiverAnswer.AWAY, ("away", "travel", "trip", "holiday", "vacation", "viaj", "fuera", "vacacion")),
    (CaregiverAnswer.SPOKE, ("spoke", "spoken", "talk", "called", "saw", "habl", "llam", "vi", "visto")),
)
