"""A language that nobody speaks, made from the messages themselves: what is not bracketed was never translated.

Made anew for each test, beside the languages there are, so that it can never be shipped.
"""

from __future__ import annotations

import io
import re
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pytest
from babel.dates import get_month_names
from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

from service.words import language

CODE = "eo"  # a code that babel knows, with one plural beside the singular; the words are not Esperanto's
MIRRORED = "ur"  # likewise, and written from right to left; the words are not Urdu's
OPEN, CLOSE = "⟦⟧"
_BACKWARDS, _AS_BEFORE = "\u202e", "\u202c"  # of Unicode's bidirectional algorithm: what stands between runs leftwards
_ACCENTS = str.maketrans("aeiouAEIOU", "àéîõûÀÉÎÕÛ")
_KEPT = re.compile(r"%\(\w+\)[ds]|%%|\{\w+\}|<[^>]*>|&\w+;|https?://\S+")
_READ_ALOUD = ("aria-label", "alt", "title", "placeholder")
_UNSEEN = {"script", "style"}


def disguised(message: str) -> str:
    """`⟦Yõûr chéck-în⟧`: placeholders and markup as they were."""
    parts, at = [], 0
    for kept in _KEPT.finditer(message):
        parts += [message[at : kept.start()].translate(_ACCENTS), kept[0]]
        at = kept.end()
    return f"{OPEN}{''.join(parts)}{message[at:].translate(_ACCENTS)}{CLOSE}"


def mirrored(message: str) -> str:
    """The same, each word running from right to left."""
    return re.sub(rf"({_KEPT.pattern})|([^\W\d_]+)", _turned, disguised(message))


def _turned(found: re.Match[str]) -> str:
    return found[1] or f"{_BACKWARDS}{found[2]}{_AS_BEFORE}"


@contextmanager
def pseudo_language(folder: Path, monkeypatch: pytest.MonkeyPatch, code: str = CODE) -> Iterator[language.Language]:
    """The languages there are, and this one, for as long as the block runs."""
    shipped = language.FOLDER
    for other in language.codes():
        shutil.copytree(shipped / other, folder / other)
    shutil.copytree(shipped / "en", folder / code)
    catalogues = folder / code / "LC_MESSAGES"
    catalogues.mkdir(exist_ok=True)
    for name in language.CATALOGUES:
        (catalogues / f"{name}.mo").write_bytes(_catalogue(shipped / "es" / "LC_MESSAGES" / f"{name}.po", code))
    with monkeypatch.context() as patch:
        patch.setattr(language, "FOLDER", folder)
        _forget_languages()
        yield language.load_language(code)
    _forget_languages()


@cache
def _catalogue(source: Path, code: str) -> bytes:
    """The messages of `source`, disguised; compiled, which takes as long as a test."""
    say = mirrored if code == MIRRORED else disguised
    made, written = Catalog(locale=code), io.BytesIO()
    for message in read_po(io.BytesIO(source.read_bytes()), locale=code):
        if message.id:
            forms = (message.id,) if isinstance(message.id, str) else tuple(message.id)
            said = tuple(say(form) for form in forms)
            made.add(message.id, said[0] if isinstance(message.id, str) else said, context=message.context)
    write_mo(written, made)
    return written.getvalue()


def _forget_languages() -> None:
    """Have the folders looked for again."""
    for kept in (language.codes, language.staff_codes, language._load):
        kept.cache_clear()


def words_left(page: str, known: Iterable[str] = ()) -> list[str]:
    """The words of a page or a text that no catalogue said: `known` are data, such as names."""
    reader = _Visible()
    reader.feed(page)
    spoken = language.load_language(CODE)
    short = get_month_names("abbreviated", "format", spoken.locale).values()
    dates = {
        word
        for name in (*spoken.months, *spoken.weekdays, *spoken.short_weekdays, *short)
        for word in re.findall(r"\w+", name)
    }
    expected = {word for text in known for word in re.findall(r"[^\W\d_]+", text)} | dates | {"la"}
    left = []
    for text in [" ".join(reader.text), *reader.attributes]:
        previous = None
        while previous != text:
            previous, text = text, re.sub(rf"{OPEN}[^{OPEN}{CLOSE}]*{CLOSE}", " ", text)
        left += [word for word in re.findall(r"[^\W\d_]{2,}", text) if word not in expected]
    return left


class _Visible(HTMLParser):
    """What a person sees, and what a screen reader says."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.text: list[str] = []
        self.attributes: list[str] = []
        self._within: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _UNSEEN:
            self._within.append(tag)
        said = dict(attrs)
        self.attributes += [value for name in _READ_ALOUD if (value := said.get(name))]
        if tag == "input" and said.get("type") in {"submit", "button"} and (value := said.get("value")):
            self.attributes.append(value)

    def handle_endtag(self, tag: str) -> None:
        if tag in _UNSEEN and self._within:
            self._within.pop()

    def handle_data(self, data: str) -> None:
        if not self._within:
            self.text.append(data)
