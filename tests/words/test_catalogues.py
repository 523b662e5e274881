"""The catalogues say everything that the code says, in every language, as compiled."""

from __future__ import annotations

import ast
import gettext
import importlib
import io
import re
from functools import cache
from typing import Any

import pytest
from babel.messages.catalog import Catalog
from babel.messages.extract import DEFAULT_KEYWORDS, extract_from_dir
from babel.messages.frontend import parse_mapping_cfg
from babel.messages.pofile import read_po

from service.words.language import CATALOGUES, FOLDER, codes

OTHERS = [language for language in codes() if language != "en"]
# What makes a refusal, and which of its arguments, from 1, says what is accepted.
REFUSES = {"Refused": 3, "Clashes": 3, "WholeFile": 3, "Unreadable": 2}
# What a page has put into the reader's language already.
SAID = {"gettext", "_accepted"}
TO_SCRIPTS = {"web/pages/push.py"}  # refuses a script of ours, which nobody reads
PLACEHOLDER = re.compile(r"%\(\w+\)[ds]|\{\w+\}")

Key = tuple[str | None, str]  # context and first form


def found_in_code(name: str) -> set[Key]:
    """Every word that people read, as deploy/translate finds them."""
    return {(context, _first(message)) for _, _, message, _, context in _extracted(name)}


@cache
def _extracted(name: str) -> tuple[Any, ...]:
    with (FOLDER / f"{name}.cfg").open(encoding="utf-8") as mapping:
        methods, options = parse_mapping_cfg(mapping)
    keywords = {**DEFAULT_KEYWORDS, "Question": (3,), **{maker: (place,) for maker, place in REFUSES.items()}}
    return tuple(extract_from_dir(FOLDER.parent, method_map=methods, options_map=options, keywords=keywords))


def catalogue(language: str, name: str) -> Catalog:
    text = (FOLDER / language / "LC_MESSAGES" / f"{name}.po").read_bytes()
    return read_po(io.BytesIO(text), locale=language, abort_invalid=True)


def compiled(language: str, name: str) -> gettext.GNUTranslations:
    with (FOLDER / language / "LC_MESSAGES" / f"{name}.mo").open("rb") as file:
        return gettext.GNUTranslations(file)


def lacking(language: str, name: str) -> list[Key]:
    """What a language has no words for yet."""
    said = {
        (message.context, _first(message.id))
        for message in catalogue(language, name)
        if message.id and not message.fuzzy and all(form.strip() for form in _forms(message.string))
    }
    return sorted(found_in_code(name) - said, key=str)


def _first(message: str | tuple[str, ...] | list[str]) -> str:
    return message if isinstance(message, str) else message[0]


def _forms(message: str | tuple[str, ...] | list[str]) -> tuple[str, ...]:
    return (message,) if isinstance(message, str) else tuple(message)


def test_the_extraction_finds_pages_questions_and_code() -> None:
    """Were the mapping wrong, every other test here would pass on nothing."""
    found = {text for _, text in found_in_code("messages")}
    for known in ("Your check-in", "What did you weigh this morning?", "This link is not complete", "Sign in"):
        assert known in found
    assert ("list", "%(most)s and %(last)s") in found_in_code("messages")


@pytest.mark.parametrize("name", CATALOGUES)
def test_what_a_refusal_accepts_is_gathered_wherever_it_is_said(name: str) -> None:
    """In one piece, with its numbers in `bounds`: what is put together beforehand is in no catalogue."""
    words, wrong, seen = {text for _, text in found_in_code(name)}, [], 0
    for path in sorted({path for path, *_ in _extracted(name) if path.endswith(".py")} - TO_SCRIPTS):
        module = importlib.import_module(f"service.{path.removesuffix('.py').replace('/', '.')}")
        for call in ast.walk(ast.parse((FOLDER.parent / path).read_text(encoding="utf-8"))):
            place = REFUSES.get(getattr(call.func, "id", "")) if isinstance(call, ast.Call) else None
            if not isinstance(call, ast.Call) or place is None or len(call.args) < place:
                continue
            seen += 1
            match call.args[place - 1]:
                case ast.Constant(value=str()) | ast.Attribute(attr="message"):
                    continue
                case ast.Name(id=constant) if getattr(module, constant, None) in words:
                    continue
                case ast.Call(func=ast.Name(id=maker)) if maker in SAID:
                    continue
            wrong.append(f"{path}:{call.lineno}")
    assert wrong == []
    assert seen > 5


@pytest.mark.parametrize("language", OTHERS)
@pytest.mark.parametrize("name", CATALOGUES)
def test_a_language_lacks_nothing_that_people_read(name: str, language: str) -> None:
    assert lacking(language, name) == [], "run deploy/translate and translate these"


@pytest.mark.parametrize("name", CATALOGUES)
@pytest.mark.parametrize("language", OTHERS)
def test_a_catalogue_holds_what_the_code_says_and_nothing_left_over(language: str, name: str) -> None:
    held = {(message.context, _first(message.id)) for message in catalogue(language, name) if message.id}
    in_code = found_in_code(name)
    assert in_code - held == set(), "run deploy/translate"
    assert held - in_code == set(), "run deploy/translate: nothing says these any more"


@pytest.mark.parametrize("name", CATALOGUES)
@pytest.mark.parametrize("language", OTHERS)
def test_a_translation_has_the_placeholders_of_its_message(language: str, name: str) -> None:
    for message in catalogue(language, name):
        if not message.id or not any(_forms(message.string)):
            continue
        assert not message.fuzzy, message.id
        ids = _forms(message.id)  # of one thing, of several
        for number, form in enumerate(_forms(message.string)):
            english = ids[min(number, len(ids) - 1)]
            assert set(PLACEHOLDER.findall(form)) == set(PLACEHOLDER.findall(english)), message.id


@pytest.mark.parametrize("name", CATALOGUES)
@pytest.mark.parametrize("language", OTHERS)
def test_what_is_compiled_is_what_is_written(language: str, name: str) -> None:
    loaded = compiled(language, name)
    for message in catalogue(language, name):
        if not message.id or not any(_forms(message.string)):
            continue
        if isinstance(message.id, tuple):
            ids = message.id
            said = tuple(
                loaded.ngettext(*ids, number)
                if message.context is None
                else loaded.npgettext(message.context, *ids, number)
                for number in (1, 2)
            )
        elif message.context is not None:
            said = loaded.pgettext(message.context, message.id)
        else:
            said = loaded.gettext(message.id)
        assert said == message.string, f"{message.id!r}: run deploy/translate"


# What is the same in both.
ALIKE = {
    "messages": {"No", "no", "No ", "{sender}: {text}"},
    "clinic": {"BNP", "NT-proBNP", "Plan", "no", "urea", "%(metres)d m", "%(size)s kg", "%(one)s, %(other)s"}
    | {"%(sign)s, %(day)s", ", "},
}


@pytest.mark.parametrize("name", CATALOGUES)
@pytest.mark.parametrize("language", OTHERS)
def test_no_translation_is_the_english_left_standing(language: str, name: str) -> None:
    alike = {message.id for message in catalogue(language, name) if message.id and message.id == message.string}
    assert alike <= ALIKE[name]


def test_a_refusal_that_staff_read_fills_its_numbers_into_words_of_the_catalogue() -> None:
    """An f-string is in no catalogue, and is read in English by everybody."""
    with (FOLDER / "clinic.cfg").open(encoding="utf-8") as mapping:
        rooms = [pattern for pattern in parse_mapping_cfg(mapping)[0] if pattern[0].endswith(".py")]
    files = {path for pattern in rooms for path in FOLDER.parent.glob(pattern[0].replace("**.py", "**/*.py"))}
    made = [
        (path.name, call.args[2])
        for path in sorted(files)
        for call in ast.walk(ast.parse(path.read_text()))
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "Refused"
        if len(call.args) > 2
    ]
    assert len(made) > 100
    assert [name for name, words in made if isinstance(words, ast.JoinedStr)] == []
