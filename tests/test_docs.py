"""README and DEVELOPERS say what the code does: every name in them exists, and everything that has a name is in them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from flask import Flask
from sqlalchemy import Engine

from service.cli import cli

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
CONFIG = (ROOT / "service" / "config.py").read_text(encoding="utf-8")
SETTING = re.compile(r"\bNEAPTIDE_[A-Z][A-Z_]*[A-Z]\b")
# Read by scripts and tests, never by the service.
OUTSIDE_THE_SERVICE = {
    "NEAPTIDE_TEST_DATABASE_URL": ["tests/conftest.py", "deploy/test", ".ci/run"],
    "NEAPTIDE_REQUIRE_POSTGRES": ["deploy/test", ".ci/run"],
    "NEAPTIDE_REQUIRE_BROWSER": ["deploy/test", ".ci/run"],
    "NEAPTIDE_TEST_PROCESSES": ["deploy/test"],
    "NEAPTIDE_DATABASE_PASSWORD": ["deploy/compose.yaml", "deploy/compose.env.example"],
}
SHIPPED = [
    *(ROOT / "deploy").glob("*"),
    *(ROOT / "deploy" / "systemd").glob("*"),
    ROOT / ".ci" / "run",
]


def settings_read() -> set[str]:
    return set(SETTING.findall(CONFIG))


def section(title: str) -> str:
    found = re.search(rf"^## {re.escape(title)}\n(.*?)(?=^## |\Z)", DEVELOPERS, re.MULTILINE | re.DOTALL)
    assert found, f"DEVELOPERS.md has no section {title!r}"
    return found[1]


def rows(text: str) -> Iterator[str]:
    """The first cell of each row of the tables in `text`, without its code marks."""
    for found in re.finditer(r"^\| `([^`]+)` \|", text, re.MULTILINE):
        yield found[1]


# --- settings ----------------------------------------------------------------------


def test_the_settings_table_is_the_settings() -> None:
    assert set(rows(section("Settings"))) == settings_read()


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_every_setting_that_is_named_exists(name: str) -> None:
    named = set(SETTING.findall((ROOT / name).read_text(encoding="utf-8")))
    assert named <= settings_read() | OUTSIDE_THE_SERVICE.keys()


def test_every_setting_that_is_shipped_exists() -> None:
    for path in SHIPPED:
        if path.is_file() and path.suffix != ".txt":
            named = set(SETTING.findall(path.read_text(encoding="utf-8")))
            assert named <= settings_read() | OUTSIDE_THE_SERVICE.keys(), path.name


def test_settings_of_scripts_and_tests_are_read_where_they_say() -> None:
    for name, readers in OUTSIDE_THE_SERVICE.items():
        for reader in readers:
            assert name in (ROOT / reader).read_text(encoding="utf-8"), f"{reader} does not read {name}"


# --- commands -----------------------------------------------------------------------


def commands(group: click.Command, so_far: str = "neaptide") -> Iterator[str]:
    if isinstance(group, click.Group):
        for name in group.list_commands(click.Context(group)):
            yield from commands(child(group, name), f"{so_far} {name}")
    else:
        yield so_far


def child(group: click.Group, name: str) -> click.Command:
    found = group.get_command(click.Context(group), name)
    assert found is not None, name
    return found


def test_the_commands_table_is_the_commands() -> None:
    listed = {
        " ".join(word for word in row.split() if not re.match(r"[A-Z\[-]", word)) for row in rows(section("Commands"))
    }
    assert listed == set(commands(cli))


def test_every_command_that_is_named_exists() -> None:
    known = set(commands(cli))
    named = {
        match[1].strip()
        for text in (README, DEVELOPERS, *(path.read_text(encoding="utf-8") for path in SHIPPED if path.is_file()))
        for match in re.finditer(r"(?<![\w/.-])(neaptide(?: [a-z][a-z-]+)+)", "\n".join(code_in(text)))
    }
    for name in named:
        words = name.split()
        assert any(
            known_one.split()[: len(words)] == words or words[: len(known_one.split())] == known_one.split()
            for known_one in known
        ), name


def test_every_command_option_that_is_named_exists() -> None:
    options = {
        name: {opt for param in command.params if isinstance(param, click.Option) for opt in param.opts}
        for name, command in ((name, command_called(name)) for name in commands(cli))
    }
    for code in code_in(README + DEVELOPERS):
        for name, known in options.items():
            for found in re.finditer(rf"{re.escape(name)}\b([^\n|]*)", code):
                named = set(re.findall(r"(?<!\S)\[?(--[a-z][a-z-]+)", found[1]))
                assert named <= known | {"--help"}, f"{name}: {named - known}"


def command_called(name: str) -> click.Command:
    command: click.Command = cli
    for word in name.split()[1:]:
        assert isinstance(command, click.Group)
        command = child(command, word)
    return command


def code_in(text: str) -> list[str]:
    """What stands between code marks, and whole files that have none."""
    return (
        re.findall(r"```[a-z]*\n(.*?)```|`([^`\n]+)`", text, re.DOTALL)
        and [one or other for one, other in re.findall(r"```[a-z]*\n(.*?)```|`([^`\n]+)`", text, re.DOTALL)]
    ) or [text]


# --- routes ---------------------------------------------------------------------------


PARAMETER = re.compile(r"<(?:[a-z]+:)?([a-z_]+)>")


def _in_braces(found: re.Match[str]) -> str:
    return f"{{{found[1]}}}"


@pytest.fixture
def app(engine: Engine, tmp_path: Path) -> Flask:
    from tests.webapp import make_app

    return make_app(engine, tmp_path)


def test_the_routes_table_is_the_routes(app: Flask) -> None:
    served = {
        f"{method} {PARAMETER.sub(_in_braces, rule.rule)}"
        for rule in app.url_map.iter_rules()
        if rule.endpoint != "static" and not rule.endpoint.endswith(".static")
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }
    assert set(rows(section("Routes"))) == served


# --- files ----------------------------------------------------------------------------


def test_every_file_that_is_named_exists() -> None:
    named = {
        name
        for code in code_in(README + DEVELOPERS)
        for name in re.findall(r"(?<![\w/.{<-])((?:deploy|service|tests|fixtures|\.ci)/[\w./-]*[\w])", code)
    }
    named |= set(re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README))
    assert len(named) > 10
    made = {"deploy/compose.env"}  # by whoever follows the instructions
    assert {
        name for name in named - made if not (ROOT / name).exists() and not list(ROOT.glob(f"service/{name}"))
    } == set()


def test_the_readmes_pictures_are_three_and_small() -> None:
    pictures = [ROOT / name for name in re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)]
    assert len(pictures) == 3
    for picture in pictures:
        assert picture.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
        assert picture.stat().st_size <= 60_000, picture.name


def test_the_readme_begins_with_the_job_and_gives_two_commands() -> None:
    assert re.match(r"# Neaptide\n\n\S[^\n]{400,}\n", README)
    found = re.search(r"## Two commands.*?```\n(.*?)```", README, re.DOTALL)
    assert found
    assert found[1].split() == ["deploy/demo", "deploy/test"]


def test_every_link_inside_the_documents_leads_somewhere() -> None:
    for text in (README, DEVELOPERS):
        for target in re.findall(r"(?<!!)\[[^\]]+\]\(([^)]+)\)", text):
            if target.startswith("#"):
                titles = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
                slugs = {re.sub(r"[^\w -]", "", title.lower()).replace(" ", "-") for title in titles}
                assert target[1:] in slugs, target
            elif not target.startswith("http"):
                assert (ROOT / target).exists(), target
