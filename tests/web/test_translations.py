"""The catalogs say everything the pages say, in every language, as compiled."""

from __future__ import annotations

import gettext
import io
import re
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from babel.messages.extract import DEFAULT_KEYWORDS, extract_from_dir
from babel.messages.frontend import parse_mapping_cfg
from babel.messages.pofile import read_po

import service
from service.domain.fields import LANGUAGES

ROOM = Path(service.__file__).parent
CATALOGS = ROOM / "translations"
OTHERS = [language for language in LANGUAGES if language != "en"]
PLACEHOLDER = re.compile(r"%\(\w+\)s")


def found_in_code() -> dict[str, str | tuple[str, ...]]:
    """Every word that people read, first form → all forms, as deploy/translate finds them."""
    with (CATALOGS / "babel.cfg").open(encoding="utf-8") as mapping:
        methods, options = parse_mapping_cfg(mapping)
    found = extract_from_dir(
        ROOM, method_map=methods, options_map=options, keywords={**DEFAULT_KEYWORDS, "Question": (3,)}
    )
    return {_first(message): message for _, _, message, _, _ in found}


def catalog(language: str) -> Catalog:
    text = (CATALOGS / language / "LC_MESSAGES" / "messages.po").read_bytes()
    return read_po(io.BytesIO(text), locale=language, abort_invalid=True)


def compiled(language: str) -> gettext.GNUTranslations:
    with (CATALOGS / language / "LC_MESSAGES" / "messages.mo").open("rb") as file:
        return gettext.GNUTranslations(file)


def _first(message: str | tuple[str, ...]) -> str:
    return message if isinstance(message, str) else message[0]


def test_the_extraction_finds_pages_questions_and_code() -> None:
    """Were the mapping wrong, every other test here would pass on nothing."""
    found = found_in_code()
    for known in ("Your check-in", "What did you weigh this morning?", "This link is not complete", "Sign in"):
        assert known in found


@pytest.mark.parametrize("language", OTHERS)
def test_nothing_is_missing_and_nothing_is_left_over(language: str) -> None:
    in_catalog = {_first(message.id) for message in catalog(language) if message.id}
    in_code = set(found_in_code())
    assert in_code - in_catalog == set(), "run deploy/translate and translate these"
    assert in_catalog - in_code == set(), "run deploy/translate: no page says these any more"


@pytest.mark.parametrize("language", OTHERS)
def test_every_word_is_translated_with_its_placeholders(language: str) -> None:
    for message in catalog(language):
        if not message.id:
            continue
        assert not message.fuzzy, message.id
        said = message.string if isinstance(message.string, tuple) else (message.string,)
        meant = message.id if isinstance(message.id, tuple) else (message.id,)
        for one in said:
            assert one.strip(), f"{message.id!r} has no {language}"
            assert set(PLACEHOLDER.findall(one)) == set(PLACEHOLDER.findall(meant[0])), message.id


@pytest.mark.parametrize("language", OTHERS)
def test_what_is_compiled_is_what_is_written(language: str) -> None:
    spoken = compiled(language)
    for message in catalog(language):
        if not message.id:
            continue
        if isinstance(message.id, tuple):
            said = tuple(spoken.ngettext(*message.id, number) for number in (1, 2))
        else:
            said = spoken.gettext(message.id)
        assert said == message.string, f"{message.id!r}: run deploy/translate"


@pytest.mark.parametrize("language", OTHERS)
def test_no_translation_is_the_english_left_standing(language: str) -> None:
    alike = {message.id for message in catalog(language) if message.id and message.id == message.string}
    assert alike <= {"No", "No "}  # words that are the same in both
