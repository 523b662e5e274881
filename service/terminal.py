"""What every command ends with, and how it speaks to a machine: exit codes, `--json`, problems, progress.

Promises that `--json` means the same everywhere: one document on standard output with the facts that are shown
without it, in the words of the API's schemas where it has them, times in ISO 8601; and where the command fails, a
problem (RFC 9457) on one line of standard error, with the same exit code.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import date, time
from enum import Enum, IntEnum
from itertools import takewhile
from typing import Any, NoReturn

import click

from service.domain.validation import Refused

JSON = click.option("--json", "as_json", is_flag=True, help="Tell it as one JSON document, and what fails as well.")
Step = Callable[[int, int], None]  # how many are done, of how many


class Ends(IntEnum):
    """How a command ends: its exit code."""

    DONE = 0
    NOT_DONE = 1
    CANNOT_TAKE = 2
    SOME_REFUSED = 3
    NEEDS_ATTENTION = 4


MEANS = {
    Ends.DONE: "done; of a look: nothing needs attention",
    Ends.NOT_DONE: "not done: as things stand it cannot be, and the sentence says why",
    Ends.CANNOT_TAKE: "a command, option, setting, file or database that cannot be taken",
    Ends.SOME_REFUSED: "done in part: some rows were refused, or stay; each is named",
    Ends.NEEDS_ATTENTION: "looked, and something needs attention; it is named",
}
CODES = "\b\nExit codes:\n" + "\n".join(f"  {end:d}  {means}" for end, means in MEANS.items())


def is_for_machine() -> bool:
    """Whether `--json` was typed; asked where the command line itself may be what cannot be understood."""
    return "--json" in takewhile(lambda word: word != "--", sys.argv[1:])


def tell(document: Any) -> None:
    """One JSON document on standard output."""
    click.echo(json.dumps(document, ensure_ascii=False, indent=2, default=_plain))


def tell_items(items: Iterable[Any]) -> None:
    """A list, as the API tells one."""
    tell({"items": list(items)})


def _plain(value: object) -> object:
    if isinstance(value, Enum):
        return value.value
    return value.isoformat() if isinstance(value, date | time) else str(value)


def fail(code: int, sentence: str, refusal: Refused | None = None) -> NoReturn:
    """Say why on standard error, and end with `code`."""
    if not is_for_machine():
        click.echo(f"neaptide: {sentence}", err=True)
        sys.exit(code)
    problem: dict[str, Any] = {"title": MEANS[Ends(code)], "detail": sentence, "exit_code": int(code)}
    if refusal is not None:
        from service.web.problems import as_error  # the API's own words; nothing that `--help` has to wait for

        problem["errors"] = [as_error(refusal)]
    click.echo(json.dumps(problem, ensure_ascii=False), err=True)
    sys.exit(code)


@contextmanager
def progress(label: str) -> Iterator[Step]:
    """How far something is, on standard error: a line that moves on a terminal, else a line at each quarter.

    The first is told by who works, once its work has begun. On a terminal nothing of it is left at the end.
    """
    moves = sys.stderr.isatty()
    shown = -1
    width = 0

    def step(done: int, of: int) -> None:
        nonlocal shown, width
        percent = 100 * done // of
        if moves and percent > shown:
            line = f"{label} {percent} %"
            width = max(width, len(line))
            click.echo(f"\r{line:<{width}}", err=True, nl=False)
            shown = percent
        elif not moves and percent // 25 > shown // 25:
            click.echo(f"{label} {percent} %", err=True)
            shown = percent

    try:
        yield step
    finally:
        if moves:
            click.echo(f"\r{'':<{width}}\r", err=True, nl=False)
