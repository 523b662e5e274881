"""The words people use in a text message, of all languages there are, read from their folders.

Texts are understood in all of them at once: people do not always write in the language we know of, and
STOP, or a sign of an emergency, counts in any.
"""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from service.domain.texting.parsing import Parser
from service.domain.texting.vocabulary import join_words
from service.words import language


def read_words(code: str) -> dict[str, Any]:
    """What a language's `texting.toml` holds; `domain.texting.vocabulary` says what that is."""
    with (language.FOLDER / code / "texting.toml").open("rb") as file:
        return tomllib.load(file)


def load_parser() -> Parser:
    """The parser for text messages, loaded once."""
    return _parser(language.FOLDER, language.codes())


@cache
def _parser(folder: Path, codes: tuple[str, ...]) -> Parser:
    return Parser(join_words([read_words(code) for code in codes]))
