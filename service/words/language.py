"""A language: its catalogue, and how it writes days, months, counts and numbers.

Promises that whatever a language lacks is said in English, the language of the code. Languages are the
folders beside this module; none is named in the code. Needs neither a web application nor a database.

In code, words are marked by the ordinary names (`gettext`, `ngettext`, `pgettext`, `npgettext`), called
on a `Language`; `deploy/translate` finds them. Placeholders are `%(name)s`, filled in from keywords.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, Literal

from babel import Locale
from babel.dates import format_date, get_day_names, get_month_names
from babel.numbers import get_decimal_symbol
from babel.support import NullTranslations, Translations

from service.domain.texting.parsing import Parser
from service.domain.texting.vocabulary import join_words
from service.domain.validation import Refused

FALLBACK = "en"
FOLDER = Path(__file__).parent
CATALOGUES = ("messages", "clinic")  # what patients, caregivers and whoever signs in read; what staff read
MINUS = "\N{MINUS SIGN}"
_DECIMALS = re.compile(r"\d,\d")


class Language:
    """One language, loaded from its folder. Use `load_language`, which loads each once."""

    def __init__(self, code: str, folder: Path) -> None:
        self.code = code
        self.locale = Locale.parse(code)
        self.translations = _translations(folder)
        with (folder / "language.toml").open("rb") as file:
            settings = tomllib.load(file)
        self.day_first: bool = settings["day_first"]  # 5/12 is the fifth of December, and nothing else
        self.gives_away: tuple[str, ...] = tuple(settings["gives_away"])
        self._patterns: dict[str, str] = settings["dates"]
        self.point = get_decimal_symbol(self.locale)
        # "format", not "stand-alone": Babel 2.18 hands the latter of one language to another that has none of its own.
        self.months: tuple[str, ...] = tuple(get_month_names("wide", "format", self.locale).values())
        self.short_months: tuple[str, ...] = tuple(get_month_names("abbreviated", "format", self.locale).values())
        self.weekdays = self._weekdays("wide")  # Monday first
        self.short_weekdays = self._weekdays("abbreviated")

    def _weekdays(self, width: Literal["wide", "abbreviated"]) -> tuple[str, ...]:
        names = get_day_names(width, "format", self.locale)
        return tuple(names[number] for number in range(7))

    def __repr__(self) -> str:
        return f"Language({self.code!r})"

    def gettext(self, message: str, /, **values: object) -> str:
        """The message in this language, with `%(name)s` filled in."""
        return _fill(self.translations.gettext(message), values)

    def ngettext(self, singular: str, plural: str, number: int, /, **values: object) -> str:
        """The form for `number`, which also fills in `%(num)s`."""
        return _fill(self.translations.ngettext(singular, plural, number), {"num": number, **values})

    def pgettext(self, context: str, message: str, /, **values: object) -> str:
        """Like `gettext`, for words whose translation depends on where they stand."""
        return _fill(str(self.translations.pgettext(context, message)), values)

    def npgettext(self, context: str, singular: str, plural: str, number: int, /, **values: object) -> str:
        """Like `ngettext`, for words whose translation depends on where they stand."""
        return _fill(self.translations.npgettext(context, singular, plural, number), {"num": number, **values})

    def day(self, when: date) -> str:
        """`25 November`: the year is left out, since a review looks back weeks."""
        return _format(when, self._patterns["day"], self.locale)

    def short_day(self, when: date) -> str:
        """`25 Nov`, where room is short."""
        return _format(when, self._patterns["short_day"], self.locale)

    def weekday_day(self, when: date) -> str:
        """`Wednesday 25 November`."""
        return _format(when, self._patterns["weekday_day"], self.locale)

    def full_day(self, when: date) -> str:
        """`Wednesday 25 November 2026`, for records."""
        return _format(when, self._patterns["full_day"], self.locale)

    def dated(self, when: date) -> str:
        """`25 Nov 2026`: of what may be years ago."""
        return _format(when, self._patterns["dated"], self.locale)

    def as_given(self, value: Decimal) -> str:
        """`4.0`: every digit that was given, with this language's point."""
        return f"{value:f}".replace(".", self.point)

    def figure(self, value: float, places: int = 1) -> str:
        """`18.4`; `18` when there is nothing after the point; never `-0`."""
        rounded = round(value, places) + 0.0
        text = f"{rounded:.{places}f}"
        return text.rstrip("0").rstrip(".").replace(".", self.point) if places else text

    def percent(self, value: float) -> str:
        """`18 %`; what is only near none or near all is neither: `< 1 %`, `> 99 %`."""
        if 0 < value < 1:
            return "< 1 %"
        return "> 99 %" if 99 < value < 100 else f"{self.figure(value, 0)} %"

    def change(self, value: float, places: int = 1) -> str:
        """`+1.4`, `−0.8`, `0`: with a true minus sign."""
        text = self.figure(abs(value), places)
        if text == "0":
            return text
        return f"{'+' if value > 0 else MINUS}{text}"

    def listed(self, things: Sequence[str]) -> str:
        """`a`, `a and b`, `a, b and c`; with semicolons where a comma parts decimals: `25,1; 25,4 y 25,3`."""
        if len(things) < 2:
            return "".join(things)
        has_decimals = self.point == "," and any(_DECIMALS.search(thing) for thing in things)
        most = ("; " if has_decimals else ", ").join(things[:-1])
        return self.pgettext("list", "%(most)s and %(last)s", most=most, last=things[-1])

    @property
    def own_name(self) -> str:
        """What this language calls itself: `español`."""
        return self.name_in(self)

    def name_in(self, reader: Language) -> str:
        """What `reader` calls this language: `Spanish`."""
        return self.locale.get_display_name(reader.locale) or self.code


@cache
def codes() -> tuple[str, ...]:
    """The languages there are (ISO 639), English first."""
    found = sorted(file.parent.name for file in FOLDER.glob("*/language.toml"))
    return tuple(sorted(found, key=lambda code: code != FALLBACK))


@cache
def staff_codes() -> tuple[str, ...]:
    """The languages that staff can work in, English first: those whose catalogue for staff says something."""
    return tuple(code for code in codes() if code == FALLBACK or _says(FOLDER / code / "LC_MESSAGES" / "clinic.mo"))


def spoken_by_staff() -> list[tuple[str, str]]:
    """The languages that staff can work in, each with what it calls itself."""
    return [(code, load_language(code).own_name) for code in staff_codes()]


def load_language(code: str) -> Language:
    """The language of this code; English where there is no such folder."""
    return _load(code if code in codes() else FALLBACK)


def checked_language(field: str, value: object) -> str:
    """The code of a language there is. Raises Refused."""
    if value not in codes():
        raise Refused(field, value, "one of %(words)s", words=tuple(codes()))
    return str(value)


def sentence(text: str) -> str:
    """With a capital letter and a full stop."""
    text = text.strip()
    if not text:
        return text
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")


@cache
def _load(code: str) -> Language:
    return Language(code, FOLDER / code)


def _says(path: Path) -> bool:
    if not path.exists():
        return False
    with path.open("rb") as file:
        # Its header has an empty name, and plural forms without a translation are compiled as they are.
        return any(isinstance(key, str) and key for key in Translations(file, domain=path.stem)._catalog)


def _translations(folder: Path) -> NullTranslations:
    """The catalogues of a language, one behind the other; nothing where it has none."""
    loaded = NullTranslations()
    for name in reversed(CATALOGUES):
        path = folder / "LC_MESSAGES" / f"{name}.mo"
        if path.exists():
            with path.open("rb") as file:
                catalogue = Translations(file, domain=name)
            catalogue.add_fallback(loaded)
            loaded = catalogue
    return loaded


@lru_cache(maxsize=20_000)
def _format(when: date, pattern: str, locale: Locale) -> str:
    return str(format_date(when, pattern, locale=locale))


def _fill(text: str, values: dict[str, object]) -> str:
    return text % values if values else text


# --- the words people use in a text message, of all languages there are --------------


def read_words(code: str) -> dict[str, Any]:
    """What a language's `texting.toml` holds; `domain.texting.vocabulary` says what that is."""
    with (FOLDER / code / "texting.toml").open("rb") as file:
        return tomllib.load(file)


def load_parser() -> Parser:
    """The parser for text messages, loaded once."""
    return _parser(FOLDER, codes())


@cache
def _parser(folder: Path, codes: tuple[str, ...]) -> Parser:
    return Parser(join_words([read_words(code) for code in codes]))


def may_be_emergency(words: str) -> bool:
    """Whether somebody's words, in any language there is, may be an emergency."""
    return bool(words) and load_parser().hear(words).alarms
