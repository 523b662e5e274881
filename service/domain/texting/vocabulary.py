"""The words people use in a text message, as data, of all languages together.

What comes in is one mapping a language, as its `texting.toml` holds it: English's says what each entry is
for. Words are taken in the form that `plain` gives them, stems match the beginning of a word, patterns are
regular expressions over plain text.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

from service.domain.readings import UNITS_OF_WEIGHT
from service.domain.vocabulary import CaregiverAnswer, SafetySign, Swelling

LONGEST = 1_600  # ten joined segments; nobody answers a diary in more


@dataclass(frozen=True)
class NoDenial:
    """A denial that is the trouble itself: "sin aire", unless "falta" stands beside it."""

    denial: str
    of: str
    unless: str


@dataclass(frozen=True, eq=False)
class DateWords:
    """The words in which days are named or counted."""

    months: Mapping[str, int]
    days: frozenset[str]
    weeks: frozenset[str]
    one: frozenset[str]
    of: frozenset[str]
    ordinals: frozenset[str]
    back: frozenset[str]
    past: frozenset[str]


@dataclass(frozen=True, eq=False)
class TextingWords:
    """Each entry of a `texting.toml`, of all languages together."""

    # alone in a message
    stop: frozenset[str]
    stop_in_words: frozenset[str]
    stop_phrases: frozenset[str]
    start: frozenset[str]
    help: frozenset[str]
    courtesy: frozenset[str]
    polite: frozenset[str]
    yes: frozenset[str]
    no: frozenset[str]
    skip: frozenset[str]
    done: frozenset[str]
    assents: frozenset[str]
    promises: frozenset[str]
    what_list: frozenset[str]
    # beside an answer
    yes_after_code: frozenset[str]
    no_after_code: frozenset[str]
    denials: frozenset[str]
    between: frozenset[str]
    no_denials: tuple[NoDenial, ...]
    carries_on: frozenset[str]
    joiners: frozenset[str]
    turns: frozenset[str]
    vague: frozenset[str]
    usual: frozenset[str]
    more: frozenset[str]
    fewer: frozenset[str]
    well: frozenset[str]
    beyond: frozenset[str]
    empty: frozenset[str]
    missed_stems: tuple[str, ...]
    taken_stems: tuple[str, ...]
    swells_stems: tuple[str, ...]
    numbers: Mapping[str, int]
    units: Mapping[str, str]  # to UCUM
    topics: Mapping[str, tuple[str, ...]]  # stems by question
    levels: Mapping[str, Swelling]  # by stem
    # of danger, and of whoever looks out for somebody
    alarm: tuple[str, ...]  # patterns
    signs: Mapping[SafetySign, tuple[str, ...]]  # patterns
    caregiver: Mapping[CaregiverAnswer, tuple[str, ...]]  # stems
    dates: DateWords


TABLES: Mapping[str, Sequence[str]] = {
    "units": tuple(UNITS_OF_WEIGHT),
    "topics": (
        "weight", "breathlessness", "extra_pillows", "woke_breathless", "slept_in_chair", "swelling", "full_belly",
        "light_headed", "tiredness", "missed_medicines",
    ),
    "levels": tuple(level for level in Swelling if level is not Swelling.NONE),
    "signs": tuple(SafetySign),
    "caregiver": tuple(CaregiverAnswer),
    "dates": tuple(field.name for field in fields(DateWords)),
}  # fmt: skip


def plain(text: str) -> str:
    """Lower case, no accents, no apostrophes, decimal commas as points."""
    text = unicodedata.normalize("NFKD", text[:LONGEST]).lower()
    text = "".join(sign for sign in text if not unicodedata.combining(sign))
    text = re.sub(r"['’`´]", "", text).replace("−", "-").replace("–", "-")
    text = re.sub(r"(?<=\d),(?=\d{1,2}(?!\d|[.,]\d))", ".", text)
    return re.sub(r"[ \t\r\f\v]+", " ", text).strip()


def join_words(languages: Sequence[Mapping[str, Any]]) -> TextingWords:
    """The words of several languages as one. What a language lacks, it adds nothing to.

    Raises ValueError where one word is two numbers, months, units or levels.
    """
    tables = {name: [language.get(name, {}) for language in languages] for name in TABLES}
    stems = {name: {key: _stems(tables[name], key) for key in keys} for name, keys in TABLES.items()}
    special: dict[str, Any] = {
        "no_denials": tuple(NoDenial(**one) for one in _entries(languages, "no_denials")),
        **{name: _stems(languages, name) for name in ("missed_stems", "taken_stems", "swells_stems")},
        "numbers": _numbered(languages, "numbers", 0),
        "units": _by_word(stems["units"]),
        "topics": stems["topics"],
        "levels": _by_word({level: stems["levels"][level] for level in TABLES["levels"]}),
        "alarm": tuple(_entries(languages, "alarm")),
        "signs": {sign: tuple(_entries(tables["signs"], sign)) for sign in SafetySign},
        "caregiver": {answer: stems["caregiver"][answer] for answer in CaregiverAnswer},
        "dates": DateWords(
            months=_numbered(tables["dates"], "months", 1),
            **{name: _words(tables["dates"], name) for name in TABLES["dates"] if name != "months"},
        ),
    }
    lists = {field.name for field in fields(TextingWords)} - set(special)
    return TextingWords(**special | {name: _words(languages, name) for name in lists})


def _entries(tables: Sequence[Mapping[str, Any]], name: str) -> Iterator[Any]:
    for table in tables:
        yield from table.get(name, ())


def _stems(tables: Sequence[Mapping[str, Any]], name: str) -> tuple[str, ...]:
    return tuple(plain(word) for word in _entries(tables, name) if isinstance(word, str))


def _words(tables: Sequence[Mapping[str, Any]], name: str) -> frozenset[str]:
    return frozenset(_stems(tables, name))


def _numbered(tables: Sequence[Mapping[str, Any]], name: str, first: int) -> dict[str, int]:
    found: dict[str, int] = {}
    for table in tables:
        for number, words in enumerate(table.get(name, ()), start=first):
            for word in words:
                if found.setdefault(plain(word), number) != number:
                    raise ValueError(f"{name}: {word!r} is both {found[plain(word)]} and {number}")
    return found


def _by_word(table: Mapping[Any, Sequence[str]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for meaning, words in table.items():
        for word in words:
            if found.setdefault(word, meaning) != meaning:
                raise ValueError(f"{word!r} is both {found[word]} and {meaning}")
    return found
