"""Answers to what `neaptide setup` asks: from a person, who is asked again, or from a file, which is refused.

Promises that each answer was checked when it was taken, that a person keeps what stands there with
Enter, and that a secret is never shown. An address that is well formed but does not answer now is
`Unanswered`: a person may keep it all the same.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import click

from service.domain.validation import Refused

NOTHING = "-"  # what a person types to leave empty what was set
HIDDEN = "(hidden)"


class Unanswered(Refused):
    """Input that may be right, but what it names does not answer now."""


@dataclass(frozen=True)
class AskedFor:
    """`key` is the setting's own name, or a word in the file of answers. `start` is what is taken without an answer."""

    key: str
    asks: str
    start: str = ""
    needs: str = ""  # what is accepted, where nothing is no answer
    is_secret: bool = False
    goes_with: tuple[str, ...] = ()  # asked only where one of these had an answer


@dataclass
class Dialogue:
    """What was answered so far, in `values`. Without `given` a person is asked at the terminal."""

    given: Mapping[str, str] | None
    unchecked: bool
    every: Mapping[str, AskedFor]  # all that may be asked, by key
    values: dict[str, str] = field(default_factory=dict)

    def ask(self, about: str, questions: Sequence[AskedFor], check: Callable[[], Iterable[str]]) -> None:
        """Ask, and check the answers together: `check` gives lines to tell. Raises Refused for an answer of a file."""
        while True:
            click.echo(f"\n{about}")
            try:
                for question in questions:
                    self.values[question.key] = self._answer(question) if self._is_asked(question) else ""
                for line in list(check()) or ["taken"]:
                    click.echo(f"  {line}")
                return
            except Unanswered as trouble:
                if self._is_kept(trouble):
                    return
            except Refused as refusal:
                if self.given is not None:
                    raise
                click.echo(f"  {refusal}", err=True)
                earlier = self.every.get(refusal.field)
                if earlier is not None and earlier not in questions:  # two answers that do not go together
                    questions = (earlier, *questions)

    def _is_asked(self, question: AskedFor) -> bool:
        return not question.goes_with or any(self.values.get(one) for one in question.goes_with)

    def _is_kept(self, trouble: Unanswered) -> bool:
        if self.given is not None and not self.unchecked:
            raise Refused(trouble.field, trouble.value, f"{trouble.accepted}; --unchecked writes it down all the same")
        click.echo(f"  {trouble}", err=True)
        return self.unchecked or click.confirm("  Keep it all the same?", default=False)

    def _answer(self, question: AskedFor) -> str:
        start = self.values.get(question.key) or question.start
        if self.given is not None:
            answer = self.given.get(question.key, start)
        elif question.is_secret:
            keeps = f" (Enter keeps it, {NOTHING} drops it)" if start else ""
            answer = click.prompt(
                f"  {question.asks}{keeps}", default=start, hide_input=True, show_default=False,
            )  # fmt: skip
        else:
            answer = click.prompt(f"  {question.asks}", default=start, show_default=bool(start))
        answer = "" if answer.strip() == NOTHING else answer.strip()
        if not answer and question.needs:
            raise Refused(question.key, answer, question.needs)
        if not answer.isprintable():
            raise Refused(question.key, HIDDEN if question.is_secret else answer, "printable characters on one line")
        return answer


def read_answers(file: Path, known: Iterable[str]) -> dict[str, str]:
    """The answers in a file of TOML, text each or true or false. Raises Refused for a key that nothing asks for."""
    try:
        with file.open("rb") as opened:
            if os.fstat(opened.fileno()).st_mode & 0o077:
                raise Refused("answers", str(file), "a file that nobody else may read (chmod 600): it holds secrets")
            read = tomllib.load(opened)
    except OSError as error:
        raise Refused("answers", str(file), f"a file that can be read ({error.strerror})") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise Refused("answers", str(file), f"TOML in UTF-8 ({error})") from None
    accepted = sorted(known)
    for key, value in read.items():
        if key not in accepted:
            raise Refused("answers", key, f"one of {', '.join(accepted)}")
        if not isinstance(value, str | bool | int):
            raise Refused(key, HIDDEN, "text in quotes, a whole number, true or false")
    return {key: ("yes" if value else "no") if isinstance(value, bool) else str(value) for key, value in read.items()}
