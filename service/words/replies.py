"""What we write back in a check-in by text message.

Every line goes to somebody who has just written to us, repeats nothing they said,
and names no person, value, diagnosis or specialty. In the 7-bit alphabet of text
messages (a language goes without the accents it lacks), and short enough for one
segment behind the longest name a clinic may sign with.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from functools import cache

from service.words.language import Language

THANKS = "thanks"
NOTED = "noted"
CAREGIVER_ASK = "caregiver_ask"
CAREGIVER_THANKS = "caregiver_thanks"
NOTHING_ASKED = "nothing_asked"


def line(language: Language, key: str, *, again: bool = False) -> str:
    """The line for a question, by its key, or for an answer of ours."""
    text = lines(language)[key]
    if not again or key == "safety_signs":  # that one is long enough; it is asked in the same words
        return text
    sorry = language.pgettext("text message", "Sorry, that was not clear to us.")
    return f"{sorry} {text}"


def line_until(language: Language, last: date | None) -> str:
    """The line that thanks a caregiver and says to which day their answer holds; None is open-ended."""
    if last is None:
        return language.pgettext(
            "text message", "Thank you, noted until we hear otherwise. If you know the last day, just send it."
        )
    return language.pgettext(
        "text message",
        "Thank you, noted up to %(day)s. If the last day is another, just send it.",
        day=language.day(last),
    )


@cache
def lines(language: Language) -> Mapping[str, str]:
    """Every line, by the key of its question or its name."""
    pgettext = language.pgettext
    return {
        "safety_signs": pgettext(
            "text message",
            "Right now: 1 breathless at rest 2 chest pain 3 fainted 4 pink spit 5 new confusion? "
            "Send the number, or 0 for none.",
        ),
        "weight": pgettext("text message", "Your weight this morning? The number is enough."),
        "breathlessness": pgettext("text message", "Your breath at its worst since yesterday: 0 easy to 10 worst?"),
        "extra_pillows": pgettext("text message", "How many more pillows than usual last night? 0 is as usual."),
        "woke_breathless": pgettext("text message", "Did shortness of breath wake you last night? Yes or no."),
        "swelling": pgettext("text message", "Swollen legs: 0 none, 1 ankle, 2 shin, 3 knee or higher?"),
        "light_headed": pgettext("text message", "Light-headed since yesterday? Yes or no."),
        "tiredness": pgettext("text message", "How tired since yesterday: 0 not at all to 10 worst?"),
        "missed_medicines": pgettext("text message", "Missed any of your medicines since yesterday? Yes or no."),
        THANKS: pgettext(
            "text message", "Thank you, that is all for today. If you feel worse, do not wait for a message: call."
        ),
        NOTED: pgettext("text message", "Thank you, we have kept that."),
        CAREGIVER_ASK: pgettext(
            "text message", "Please send 1 spoke to them, 2 in hospital, 3 away, 4 equipment trouble."
        ),
        CAREGIVER_THANKS: pgettext("text message", "Thank you, the clinic sees your answer."),
        NOTHING_ASKED: pgettext(
            "text message", "Thank you. Nothing is asked just now; for anything else, please call."
        ),
    }
