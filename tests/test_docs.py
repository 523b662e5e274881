"""README, DEVELOPERS and OPERATING say what is there: every name in them exists, and every setting is told."""

from __future__ import annotations

import re
import shlex
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

import click
import pytest
from flask import Flask

from service.app import create_app
from service.clock import SystemClock
from service.config import Settings
from service.domain.rights import EMERGENCY, GRANTED, ROLES, Right
from service.domain.vocabulary import Role, Scope
from service.keyring import KeyFor
from service.store.session import open_engine
from service.web.api.description import LEAST, METHODS, description, may_be_null, operations, reached
from service.web.api.review import DayOut
from tests.usecases.test_cli import Run, run
from tests.usecases.test_cli_clock import commands

__all__ = ["run"]

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
OPERATING = (ROOT / "deploy" / "OPERATING.md").read_text(encoding="utf-8")
PAGES = {"README.md": README, "DEVELOPERS.md": DEVELOPERS, "deploy/OPERATING.md": OPERATING}
EVERYTHING = "\n".join(PAGES.values())
LONGEST_PAGE = 14_000  # bytes: what one person reads in one go
CONFIG = (ROOT / "service" / "config.py").read_text(encoding="utf-8")
SETTING = re.compile(r"\bNEAPTIDE_[A-Z][A-Z_]*[A-Z]\b")
# Read by scripts and tests, never by the service.
OUTSIDE_THE_SERVICE = {
    "NEAPTIDE_TEST_DATABASE_URL": ["tests/conftest.py", "deploy/test", ".ci/run"],
    "NEAPTIDE_REQUIRE_POSTGRES": ["deploy/test", ".ci/run"],
    "NEAPTIDE_REQUIRE_BROWSER": ["deploy/test", ".ci/run"],
    "NEAPTIDE_REQUIRE_NODE": ["deploy/test", ".ci/run"],
    "NEAPTIDE_REQUIRE_PROMTOOL": ["deploy/test", ".ci/run"],
    "NEAPTIDE_REQUIRE_POOLER": ["deploy/test", ".ci/run"],
    "NEAPTIDE_TEST_POOLER": ["tests/servers.py", "deploy/test"],
    "NEAPTIDE_KEEP_EXAMPLES": ["tests/web/test_examples.py"],
    "NEAPTIDE_TEST_PROCESSES": ["deploy/test"],
    "NEAPTIDE_DATABASE_PASSWORD": ["deploy/compose.yaml", "deploy/compose.env.example"],
    "NEAPTIDE_OWNER_PASSWORD": ["deploy/compose.yaml", "deploy/compose.env.example"],
    "NEAPTIDE_WEB_PASSWORD": ["deploy/compose.yaml", "deploy/compose.env.example"],
    "NEAPTIDE_WORKER_PASSWORD": ["deploy/compose.yaml", "deploy/compose.env.example"],
    "NEAPTIDE_BASE_IMAGE": ["deploy/compose.yaml", "deploy/compose.env.example"],
    "NEAPTIDE_DATABASE_IMAGE": ["deploy/compose.yaml", "deploy/compose.env.example"],
}
SHIPPED = [
    *(ROOT / "deploy").glob("*"),
    *(ROOT / "deploy" / "systemd").glob("*"),
    ROOT / ".ci" / "run",
]


def settings_read() -> set[str]:
    return set(SETTING.findall(CONFIG))


def section(title: str) -> str:
    found = re.search(rf"^## {re.escape(title)}\n(.*?)(?=^## |\Z)", OPERATING, re.MULTILINE | re.DOTALL)
    assert found, f"OPERATING.md has no section {title!r}"
    return found[1]


def rows(text: str) -> Iterator[str]:
    """The first cell of each row of the tables in `text`, without its code marks."""
    for found in re.finditer(r"^\| `([^`]+)` \|", text, re.MULTILINE):
        yield found[1]


# --- rights ------------------------------------------------------------------------


def test_the_table_of_rights_is_the_rights() -> None:
    told = section("Who may do what")
    head = re.search(r"^\| right \| (.*) \| emergency access \|$", told, re.MULTILINE)
    assert head is not None
    roles = [Role(name) for name in head[1].split(" | ")]
    assert set(roles) == set(Role)
    found = {}
    for name, cells in re.findall(r"^\| `(\w+)`: [^|]*\|(.*)\|$", told, re.MULTILINE):
        found[Right(name)] = [cell.strip() for cell in cells.split("|")]
    for right in Right:
        granted = [right in GRANTED and GRANTED[right] in ROLES[role] for role in roles]
        held = [right in ROLES[role] for role in roles]
        wanted = ["yes" if has else "granted" if may else "" for has, may in zip(held, granted, strict=True)]
        assert found[right] == [*wanted, "yes" if right in EMERGENCY else ""], right
    assert set(re.findall(r"^\| `(\w+)` \|", told, re.MULTILINE)) == set(Scope)


# --- settings ----------------------------------------------------------------------


def test_the_settings_table_is_the_settings() -> None:
    assert set(rows(section("Settings"))) == settings_read()


@pytest.mark.parametrize("name", PAGES)
def test_every_setting_that_is_named_exists(name: str) -> None:
    named = set(SETTING.findall(PAGES[name]))
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


def test_the_list_of_keys_has_each_purpose_and_that_of_calls_each_host() -> None:
    """OWASP ASVS 5.0, 11.1.2 and 13.1.1: an inventory that is kept."""
    told = section("Security")
    assert [one.value for one in KeyFor if f"\n| {one.value} |" not in told] == []
    calling = {
        "text_url",
        "mail_server",
        "ping_url",
        "proxy",
        "database_url",
        "sign_in_hosts",
        "outgoing_hosts",
        "push_key",
    }
    assert calling <= {one.name for one in fields(Settings)}
    assert [name for name in calling if f"NEAPTIDE_{name.upper()}" not in told] == []


# --- commands -----------------------------------------------------------------------


def test_every_call_of_the_api_says_what_it_does() -> None:
    """At /docs and in `neaptide api --routes`."""
    silent = [
        f"{method} {path}"
        for path, operations in description()["paths"].items()
        for method in METHODS
        if method in operations and not operations[method].get("summary")
    ]
    assert silent == []


def test_every_page_says_what_it_does(tmp_path: Path) -> None:
    app = demo(tmp_path)
    plain = {"home", "static", "clinic.home"}  # ways on, and a file
    views = {name: view for name, view in app.view_functions.items() if name not in plain and "static" not in name}
    assert len(views) > 60
    assert [name for name, view in views.items() if not getattr(view, "view_class", view).__doc__] == []


def demo(folder: Path) -> Flask:
    """The application with every page there is; its database is never opened."""
    settings = Settings.from_env({"NEAPTIDE_DATA": str(folder), "NEAPTIDE_DEMO": "yes"})
    return create_app(settings, open_engine(settings.database_url), SystemClock(), {})


def test_every_command_that_is_named_exists() -> None:
    known = {f"neaptide {name}" for name, _ in commands()}
    named = {
        match[1].strip()
        for text in (*PAGES.values(), *(path.read_text(encoding="utf-8") for path in SHIPPED if path.is_file()))
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
        f"neaptide {name}": {opt for param in command.params if isinstance(param, click.Option) for opt in param.opts}
        for name, command in commands()
    }
    for code in code_in(EVERYTHING):
        for name, known in options.items():
            longer = tuple(other.removeprefix(name) for other in options if other.startswith(f"{name} "))
            for found in re.finditer(rf"{re.escape(name)}\b([^\n|]*)", code):
                if found[1].startswith(longer):
                    continue
                named = set(re.findall(r"(?<!\S)\[?(--[a-z][a-z-]+)", found[1]))
                assert named <= known | {"--help"}, f"{name}: {named - known}"


def code_in(text: str) -> list[str]:
    """What stands between code marks, and whole files that have none."""
    return (
        re.findall(r"```[a-z]*\n(.*?)```|`([^`\n]+)`", text, re.DOTALL)
        and [one or other for one, other in re.findall(r"```[a-z]*\n(.*?)```|`([^`\n]+)`", text, re.DOTALL)]
    ) or [text]


@pytest.mark.databases("sqlite")  # a newcomer's own file
def test_the_first_steps_can_be_taken_as_they_are_written(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = re.search(r"\*\*First steps\.\*\*.*?```\n(.*?)```", README, re.DOTALL)
    assert found
    readings = tmp_path / "readings.csv"
    readings.write_text(
        "patient,taken_at,pa_systolic,pa_diastolic\nFM-101,2026-03-01T07:12:00-05:00,38,18\n", encoding="utf-8"
    )
    monkeypatch.setenv("NEAPTIDE_DATA", str(tmp_path / "data"))
    monkeypatch.delenv("NEAPTIDE_DATABASE_URL")  # a file of its own there, which is not there yet
    for line in found[1].splitlines():
        program, *words = shlex.split(line.replace("FILE", str(readings)))
        assert program == "neaptide"
        said = run(*words)
        # The doctor finds fault, and rightly: no worker is running.
        assert said.code == (4 if line == "neaptide doctor" else 0), f"{line}\n{said.out}{said.err}"


# --- files ----------------------------------------------------------------------------


def test_every_file_that_is_named_exists() -> None:
    named = {
        name
        for code in code_in(EVERYTHING)
        for name in re.findall(r"(?<![\w/.{<-])((?:deploy|service|tests|fixtures|\.ci)/[\w./-]*[\w])", code)
    }
    named |= set(re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README))
    assert len(named) > 10
    made = {"deploy/compose.env"}  # by whoever follows the instructions
    assert {
        name for name in named - made if not (ROOT / name).exists() and not list(ROOT.glob(f"service/{name}"))
    } == set()


def test_the_walk_goes_through_files_that_are_there() -> None:
    found = re.search(r"^## One walk.*?(?=^## )", DEVELOPERS, re.MULTILINE | re.DOTALL)
    assert found
    steps = re.findall(r"`(service/[\w./]+\.py)`", found[0])
    assert len(steps) > 12
    assert [name for name in steps if not (ROOT / name).exists()] == []


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
    for name, text in PAGES.items():
        for target in re.findall(r"(?<!!)\[[^\]]+\]\(([^)]+)\)", text):
            file, _, title = target.partition("#")
            if file.startswith("http"):
                continue
            led_to = (ROOT / name).parent / file if file else ROOT / name
            assert led_to.exists(), f"{name}: {target}"
            if title:
                titles = re.findall(r"^#+ (.+)$", led_to.read_text(encoding="utf-8"), re.MULTILINE)
                slugs = {re.sub(r"[^\w -]", "", one.lower()).replace(" ", "-") for one in titles}
                assert title in slugs, f"{name}: {target}"


def test_a_release_stands_in_the_changelog_under_its_day() -> None:
    version = tomllib.loads(Path("pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    headings = re.findall(r"^### (.+)$", Path("DEVELOPERS.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert headings[0] == "Next"
    dated = [re.fullmatch(r"(\d+\.\d+\.\d+), \d{4}-\d\d-\d\d", one) for one in headings[1:]]
    assert all(dated)
    released = [one[1] for one in dated if one]
    assert int(version.partition(".")[0]) < 1 or released[0] == version


def test_the_page_for_developers_is_one_page() -> None:
    assert len(DEVELOPERS.encode("utf-8")) <= LONGEST_PAGE


# --- the API's description -----------------------------------------------------------


def is_endless(said: Mapping[str, Any], is_taken: bool) -> bool:
    """Whether a number has no least, or what is taken no end: each number both, each text a length or a form."""
    kinds, below = said.get("type", []), [said[one] for one in ("items", "additionalProperties") if one in said]
    if {"integer", "number"} & {*([kinds] if isinstance(kinds, str) else kinds)}:
        return not {"enum"} & said.keys() and not ({"minimum", "maximum"} if is_taken else {"minimum"}) <= said.keys()
    if is_taken and "string" in kinds:
        return not {"enum", "format", "pattern", "maxLength"} & said.keys()
    return any(isinstance(one, dict) and is_endless(one, is_taken) for one in below)


def test_the_description_is_openapi_3_1_and_says_what_everything_means() -> None:
    spec = description()
    assert spec["openapi"].startswith("3.1")
    tags = {tag["name"] for tag in spec["tags"]}
    ids = []
    taken = reached([one.get("requestBody") for _, _, one, _ in operations(spec)], spec["components"]["schemas"])
    for _path, _method, operation, shared in operations(spec):
        ids.append(operation["operationId"])
        assert operation["summary"], ids[-1]
        assert set(operation["tags"]) <= tags, ids[-1]
        assert all(one["description"] for one in (*shared, *operation.get("parameters", []))), ids[-1]
        assert {"500", "503"} <= set(operation["responses"]), ids[-1]
        assert "409" not in operation["responses"] or _method != "get", ids[-1]
    assert len(ids) == len(set(ids))
    assert all(re.fullmatch(r"[a-z]+(_[a-z]+)+", one) for one in ids)
    for name, shape in spec["components"]["schemas"].items():
        dumb = [field for field, said in shape.get("properties", {}).items() if not said["description"]]
        assert dumb == [], f"service/web/api/meanings.toml says nothing of {name}'s"
        for field, said in shape.get("properties", {}).items():  # what null means, wherever there may be one
            assert ("null" in said["description"]) is may_be_null(said), f"{name}.{field}: {said['description']}"
        endless = [field for field, said in shape.get("properties", {}).items() if is_endless(said, name in taken)]
        assert set(endless) <= {field for field, least in LEAST.items() if least is None}, name
    readings = spec["paths"]["/api/v1/readings"]["post"]["responses"]
    assert {"200", "201"} <= set(readings)
    assert set(spec["components"]["schemas"]["DayOut"]["required"]) == set(DayOut().fields)
