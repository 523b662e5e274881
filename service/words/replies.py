"""What a patient who has written to us is told back: what was understood of their words, and what was not.

Promises to repeat nothing that they have not just written themselves, and nothing at all where
the clinic or the patient wants no repeating; that what could not be read is never told as kept
in any other way than it is. Written in the 7-bit alphabet of networks, for the same reason as `messages`.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from service.domain.diary import WEIGHT_RANGES
from service.domain.vocabulary import Swelling
from service.words.language import Language


def understood(language: Language, answers: Mapping[str, Any], unit: str) -> str:
    """`Thank you: weight 69.9 kg, breathless 2.`; empty where nothing was. `answers` by question, weight in `unit`."""
    said = [_answer(language, key, answers[key], unit) for key in _names(language) if key in answers]
    if not said:
        return ""
    return language.pgettext("text message", "Thank you: %(said)s.", said=", ".join(said))


def not_understood(language: Language, *, after: bool, kept: bool) -> str:
    """That some of it could not be read, `after` what could, or none; `kept`: it lies with the diary as a note."""
    if after:
        told = language.pgettext("text message", "The rest we could not read.")
    else:
        told = language.pgettext("text message", "That we could not read.")
    note = language.pgettext("text message", "It is kept as a note.")
    return f"{told} {note}" if kept else told


def _answer(language: Language, key: str, value: Any, unit: str) -> str:
    name = _names(language)[key]
    if key == "weight":
        return f"{name} {language.figure(value)} {WEIGHT_RANGES[unit][2]}"
    if key == "safety_signs":
        return language.pgettext("text message", "none of the signs") if not value else name
    if key == "extra_pillows":
        usual = language.pgettext("text message", "as usual")
        return f"{name} {value:+d}" if value else f"{name} {usual}"
    if isinstance(value, Swelling):
        return f"{name}: {_heights(language)[value]}"
    if isinstance(value, bool):
        yes, no = language.pgettext("text message", "yes"), language.pgettext("text message", "no")
        return f"{name}: {yes if value else no}"
    return f"{name} {value}"


@cache
def _names(language: Language) -> Mapping[str, str]:
    """What each question is about, in a word or two."""
    pgettext = language.pgettext
    return {
        "safety_signs": pgettext("text message", "a sign of an emergency"),
        "weight": pgettext("text message", "weight"),
        "breathlessness": pgettext("text message", "breathless"),
        "extra_pillows": pgettext("text message", "pillows"),
        "woke_breathless": pgettext("text message", "woke short of breath"),
        "slept_in_chair": pgettext("text message", "slept sitting up"),
        "swelling": pgettext("text message", "swelling"),
        "full_belly": pgettext("text message", "full belly"),
        "light_headed": pgettext("text message", "light-headed"),
        "tiredness": pgettext("text message", "tired"),
        "missed_medicines": pgettext("text message", "missed medicines"),
    }


@cache
def _heights(language: Language) -> Mapping[Swelling, str]:
    pgettext = language.pgettext
    return {
        Swelling.NONE: pgettext("text message", "none"),
        Swelling.ANKLE: pgettext("text message", "ankle"),
        Swelling.SHIN: pgettext("text message", "shin"),
        Swelling.KNEE: pgettext("text message", "knee"),
    }
