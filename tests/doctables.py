"""DEVELOPERS.md's tables of commands and routes, as the code has them.

`python -m tests.doctables` writes them into the page; `test_docs` compares.
"""

from __future__ import annotations

import inspect
import re
import tempfile
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import click
from flask import Flask

from service.app import create_app
from service.cli import cli
from service.clock import FixedClock
from service.config import Settings
from service.store.session import open_engine

PAGE = Path(__file__).resolve().parent.parent / "DEVELOPERS.md"
PARAMETER = re.compile(r"<(?:[a-z]+:)?([a-z_]+)>")
METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE")
UNSAID = {  # views too plain for a docstring
    "GET /": "To the demo's front page, or to the clinic's",
    "GET /clinic/": "To the weekly review",
    "GET /openapi.json": "The OpenAPI 3.1 document of the API",
}


def commands(group: click.Command = cli, so_far: str = "neaptide") -> Iterator[tuple[str, click.Command]]:
    """Every command with its full name; groups are walked through."""
    if isinstance(group, click.Group):
        for name in group.list_commands(click.Context(group)):
            found = group.get_command(click.Context(group), name)
            assert found is not None, name
            yield from commands(found, f"{so_far} {name}")
    else:
        yield so_far, group


def demo_app(folder: Path) -> Flask:
    """The application with every blueprint there is; its database is never opened."""
    settings = Settings.from_env({"NEAPTIDE_DATA": str(folder), "NEAPTIDE_DEMO": "yes"})
    return create_app(settings, open_engine(settings.database_url), FixedClock(datetime(2026, 11, 25, tzinfo=UTC)), {})


def routes(app: Flask) -> Iterator[tuple[str, str]]:
    """(``GET /path/{parameter}``, the view's first line) of every route but files from our own folder."""
    found = []
    for rule in app.url_map.iter_rules():
        if rule.endpoint == "static" or rule.endpoint.endswith(".static"):
            continue
        for method in (rule.methods or set()) & set(METHODS):
            view = app.view_functions[rule.endpoint]
            view = getattr(getattr(view, "view_class", None), method.lower(), view)
            path = PARAMETER.sub(lambda name: f"{{{name[1]}}}", rule.rule)
            says = (inspect.getdoc(view) or "").split("\n")[0].rstrip(".")
            found.append((path, METHODS.index(method), f"{method} {path}", says))
    for _, _, name, says in sorted(found):
        yield name, UNSAID.get(name, says)


def commands_table() -> str:
    rows = []
    for name, command in sorted(commands(), key=lambda pair: pair[0]):
        takes = [one.make_metavar(click.Context(command)) for one in command.params if isinstance(one, click.Argument)]
        rows.append((" ".join([name, *takes]), command.get_short_help_str(400).rstrip(".")))
    return _table("command", rows)


def routes_table() -> str:
    with tempfile.TemporaryDirectory() as folder:
        return _table("route", routes(demo_app(Path(folder))))


def filled(page: str) -> str:
    """The page with both tables as they should be."""
    for mark, table in (("commands", commands_table()), ("routes", routes_table())):
        page, count = re.subn(
            rf"(<!-- {mark} -->\n).*?(<!-- /{mark} -->)", lambda found, t=table: f"{found[1]}{t}\n{found[2]}", page,
            flags=re.DOTALL,
        )  # fmt: skip
        assert count == 1, f"DEVELOPERS.md has no place for the {mark}"
    return page


def _table(title: str, rows: Iterable[tuple[str, str]]) -> str:
    lines = [f"| {title} | what it does |", "|---|---|"]
    lines += [f"| `{name}` | {says} |" for name, says in rows]
    return "\n".join(lines)


if __name__ == "__main__":
    PAGE.write_text(filled(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
