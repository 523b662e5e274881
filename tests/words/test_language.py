"""A language: what it lacks is said in English, days and numbers as its readers write them."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import fields
from datetime import date
from subprocess import run
from typing import Any

import pytest

from service.domain.texting.vocabulary import TABLES, TextingWords, join_words
from service.domain.validation import Refused
from service.domain.vocabulary import TaskSettled
from service.words.language import checked_language, codes, load_language, read_words
from service.words.sentences.tasks import close_reason

WHEN = date(2026, 11, 25)  # a Wednesday


def test_english_comes_first_and_an_unknown_language_is_english() -> None:
    assert codes() == ("en", "es")
    assert load_language("fr") is load_language("en")
    assert load_language("es") is load_language("es")
    assert load_language("es").gettext("nobody says this") == "nobody says this"
    with pytest.raises(Refused) as refused:
        checked_language("language", "fr")
    assert (refused.value.field, refused.value.accepted) == ("language", "one of en, es")


def test_days_are_written_as_the_language_writes_them() -> None:
    # Unicode CLDR, as babel holds it, for the names; the order in English is our own choice.
    english, spanish = load_language("en"), load_language("es")
    assert (english.day(WHEN), english.short_day(WHEN)) == ("25 November", "25 Nov")
    assert english.full_day(WHEN) == "Wednesday 25 November 2026"
    assert spanish.day(WHEN) == "25 de noviembre"
    assert spanish.weekday_day(WHEN) == "miércoles, 25 de noviembre"
    assert (english.weekdays[0], spanish.weekdays[6]) == ("Monday", "domingo")
    assert (english.months[0], spanish.months[11]) == ("January", "diciembre")


def test_figures_changes_and_lists() -> None:
    english, spanish = load_language("en"), load_language("es")
    assert [english.figure(value) for value in (18.4, 18.0, -0.04)] == ["18.4", "18", "0"]
    assert (spanish.figure(18.4), spanish.change(1.44), spanish.change(-0.8)) == ("18,4", "+1,4", "−0,8")
    assert english.listed(["a", "b", "c"]) == "a, b and c"
    assert spanish.listed(["a", "b"]) == "a y b"
    # A list whose parts hold commas is parted by semicolons (RAE, Ortografía 2010, from memory).
    assert spanish.listed(["25,1", "25,4", "25"]) == "25,1; 25,4 y 25"
    assert (english.figure(17.6, 0), english.listed([])) == ("18", "")
    # 3 of 835 are not none, and 834 of 835 are not all.
    assert [english.percent(100 * some / 835) for some in (0, 3, 150, 834, 835)] == [
        "0 %", "< 1 %", "18 %", "> 99 %", "100 %",
    ]  # fmt: skip
    assert spanish.name_in(english) == "Spanish"


def test_words_load_without_a_web_application() -> None:
    code = "import sys, service.words.language as l; l.load_language('es').gettext('Sign in'); print(*sys.modules)"
    loaded = run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert "babel" in loaded
    assert not {"flask", "flask_babel", "sqlalchemy"} & set(loaded)


_LENGTHS = {"numbers": 11, "months": 12}  # nought to ten; January to December


def lacking_words(language: Mapping[str, Any]) -> list[str]:
    """The entries that a language's file does not have, and those it has that nothing reads."""
    lacks = list({field.name for field in fields(TextingWords)} ^ set(language))
    for name, keys in TABLES.items():
        lacks += [f"{name}.{key}" for key in set(keys) ^ set(language.get(name, {}))]
    for table, name in ((language, "numbers"), (language.get("dates", {}), "months")):
        if len(table.get(name, ())) != _LENGTHS[name]:
            lacks.append(f"{name}: {_LENGTHS[name]} of them")
    return sorted(lacks)


@pytest.mark.parametrize("code", codes())
def test_a_language_lacks_no_words_of_text_messages(code: str) -> None:
    assert lacking_words(read_words(code)) == []


def test_what_a_language_lacks_is_named() -> None:
    words = read_words("es")
    del words["stop"], words["signs"]["fainting"], words["numbers"][10]
    assert lacking_words({**words, "stopp": []}) == ["numbers: 11 of them", "signs.fainting", "stop", "stopp"]


def test_a_word_that_is_two_numbers_in_two_languages_is_refused() -> None:
    french = {"numbers": [["zéro"], ["un"], ["deux"], ["trois"], ["quatre"], ["cinq"], ["six"], ["one"]]}
    with pytest.raises(ValueError, match="'one' is both 1 and 7"):
        join_words([read_words("en"), french])


def test_why_a_task_was_closed_is_said_in_the_readers_language_or_as_it_was_typed() -> None:
    english = load_language("en")
    for reason in TaskSettled:
        assert close_reason(english, reason.value).endswith(".")
    assert close_reason(english, "Rang; battery was flat.") == "Rang; battery was flat."
    assert close_reason(english, None) is None
