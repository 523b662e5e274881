"""What a terminal tells a machine: one document, a problem, an exit code; and what a person is told who is wrong."""

from __future__ import annotations

import ast
import contextlib
import io
import json
import os
import re
import socket
import subprocess
import sys
import uuid
from datetime import datetime
from pathlib import Path

import click
import pytest
from sqlalchemy import Engine

from service.cli import COMMANDS, cli
from service.clock import SystemClock
from service.store import quarantine
from service.store.session import write_session
from service.terminal import MEANS, Ends, progress
from service.web.api.description import description
from tests.usecases.test_cli import AS, PATIENT, Run, clinic, done, run
from tests.usecases.test_cli_clock import NEVER, PLAN, _file, commands

pytestmark = pytest.mark.databases("sqlite")

__all__ = ["clinic", "run"]

DEPLOY = Path("deploy")
UUID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
# The commands whose rows are a schema's of the API, and the schema.
OF_THE_API = {
    "audit": "AuditOut", "audit --opened": "AccessOut", "import list": "ImportOut", "messages list": "MessageOut",
    "plan show F-1": "PlanOut", "staff list": "StaffOut",
}  # fmt: skip
LOOKS = (
    *OF_THE_API, "api --routes", "audit heads", "audit verify", "doctor", "quarantine list", "replay --list-settings",
    "review audit", "clinic list", "retention",
)  # fmt: skip


def test_what_lists_shows_or_looks_takes_json() -> None:
    takes = {name for name, command in commands() if any("--json" in option.opts for option in command.params)}
    shows = {
        name
        for name, _ in commands()
        if name.split()[-1] in {"list", "show", "audit", "verify", "doctor", "retention", "roles"}
    }
    assert shows <= takes
    assert not [name for name, command in commands() if any("--as-json" in option.opts for option in command.params)]


def test_a_document_tells_what_the_table_tells(clinic: Run, engine: Engine, tmp_path: Path) -> None:
    """Every id of the table, the same exit code, the API's own names of fields, and times that ISO 8601 knows."""
    done(clinic(*PATIENT, *AS))
    done(clinic(*PLAN, *AS))
    file = _file(tmp_path, SystemClock().now())
    with write_session(engine) as session:
        quarantine.quarantine(session, ("plan", uuid.UUID(NEVER)), ValueError(), SystemClock().now())
    done(clinic("import", "readings", file, "--unit", "mm[Hg]"))
    again = done(clinic("import", "readings", file, "--unit", "mm[Hg]", "--json")).json
    assert (again["rows"], again["taken"], again["duplicates"]) == (1, 0, 1)
    schemas = description()["components"]["schemas"]
    assert set(again) - {"stopped"} == set(schemas["FileTold"]["properties"])
    for look in LOOKS:
        table, told = clinic(*look.split()), clinic(*look.split(), "--json")
        assert (table.code, told.code) == (told.code, table.code), look
        document = json.loads(told.out)  # one document, or this fails
        assert set(UUID.findall(table.out)) <= set(UUID.findall(told.out)) or look.startswith("audit"), look
        rows = document.get("items", [document])
        assert rows or look in {"messages list", "audit heads"}, look
        for name, value in ((name, value) for row in rows for name, value in row.items()):
            assert not f"_{name}".endswith("_at") or value is None or datetime.fromisoformat(value), (look, name)
        if look in OF_THE_API:
            own = {"patient_id", "zone"} if look.startswith("plan") else set()
            assert {name for row in rows for name in row} - own <= set(schemas[OF_THE_API[look]]["properties"]), look
    (taken,) = clinic("import", "list", "--json").json["items"]
    undone = done(clinic("import", "undo", taken["id"], "--dry-run", "--json")).json
    assert set(undone) - {"dry_run"} == set(schemas["UndoneOut"]["properties"])


@pytest.mark.parametrize(
    ("words", "code", "field"),
    [
        (("messages", "show", NEVER), 1, None),
        (("messages", "list", "--limit", "none"), 2, None),
        (("staff", "list", "--clinic", "Elsewhere"), 2, "clinic"),
        (("plan", "show", "F-404"), 2, "patient"),
        (("api", "GET", "/patients", "--as", "nobody@fernmoor.example"), 2, "email"),
    ],
)
def test_what_fails_is_a_problem_with_the_same_exit_code(
    clinic: Run, words: tuple[str, ...], code: int, field: str | None
) -> None:
    """RFC 9457, section 3.1: title and detail; section 3.2: members of our own beside them."""
    plain, told = clinic(*words), clinic(*words, "--json")
    assert (plain.code, told.code, told.out) == (code, code, "")
    (line,) = told.err.splitlines()
    problem = json.loads(line)
    assert problem["title"] == MEANS[Ends(code)]
    assert problem["exit_code"] == code
    assert problem["detail"] in plain.err
    assert [one["field"] for one in problem.get("errors", [])] == ([field] if field else [])


def test_exit_codes_are_those_of_the_table() -> None:
    """The handbook's table names each code, what it means, and the commands whose module ends with it."""
    rows = re.findall(r"^\| (\d) \| (.+) \| (.+) \|$", (DEPLOY / "OPERATING.md").read_text(encoding="utf-8"), re.M)
    assert {int(code): means for code, means, _ in rows} == {int(end): means for end, means in MEANS.items()}
    assert set(MEANS) == set(Ends)
    used: dict[str, set[str]] = {}
    for file in sorted(Path("service/commands").glob("*.py")):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
            if ast.unparse(call.func) == "sys.exit":
                ends = {ast.unparse(node) for node in ast.walk(call) if isinstance(node, ast.Attribute)}
                named = {end.removeprefix("Ends.") for end in ends if end.startswith("Ends.")}
                assert named, f"{file}: {ast.unparse(call)}"
                used.setdefault(file.stem, set()).update(named)
    modules = {name: module for name, (module, *_) in COMMANDS.items()}
    for end in (Ends.SOME_REFUSED, Ends.NEEDS_ATTENTION):
        (named_by,) = [by for code, _, by in rows if int(code) == end]
        told = {modules[name.split()[0]] for name in re.findall(r"`([^`]+)`", named_by)}
        assert told == {module for module, codes in used.items() if end.name in codes}
    shown = cli.get_help(click.Context(cli))
    assert all(f"{end:d}  {means}" in shown for end, means in MEANS.items())


def test_a_port_that_is_taken_and_a_host_that_is_none_are_one_sentence(
    clinic: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.commands.serve.FREE_TRIES", 1)
    monkeypatch.setattr("os.execve", lambda *_command: pytest.fail("a server was begun"))
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = str(other.getsockname()[1])
        said = clinic("serve", "--port", port)
    assert (said.code, len(said.err.splitlines())) == (2, 1)
    assert f"port was {port}; accepted: one that is free on 127.0.0.1" in said.err
    # RFC 5737: an address for examples, which no machine has.
    said = clinic("serve", "--host", "192.0.2.1", "--port", port)
    assert (said.code, "host was '192.0.2.1'; accepted: an address of this machine" in said.err) == (2, True)


@pytest.mark.parametrize(
    ("version", "says"), [("3.9.2", "3.11 or newer is needed, Python 3.9.2 was found"), ("", "not found")]
)
def test_an_old_python_is_one_sentence_with_what_to_do(tmp_path: Path, version: str, says: str) -> None:
    python = tmp_path / "python"
    if version:
        python.write_text(f'#!/bin/sh\n[ "$1" = --version ] && echo Python {version}\n[ "$1" = --version ]\n')
        python.chmod(0o700)
    said = subprocess.run(
        [DEPLOY / "install"], env={**os.environ, "PYTHON": str(python)}, capture_output=True, text=True, check=False
    )
    assert (said.returncode, said.stdout, len(said.stderr.splitlines())) == (1, "", 1)
    assert says in said.stderr
    assert "PYTHON=" in said.stderr


def test_a_folder_where_nothing_can_be_made_is_one_sentence() -> None:
    # proc(5): nothing can be made there, whoever asks.
    words = [sys.executable, DEPLOY / "running_demo.py", "--data", "/proc/neaptide", "--port", str(_free())]
    said = subprocess.run(words, capture_output=True, text=True, check=False)
    assert (said.returncode, len(said.stderr.splitlines())) == (1, 1)
    assert "/proc/neaptide cannot be used" in said.stderr
    assert "--data" in said.stderr


def _free() -> int:
    with contextlib.closing(socket.socket()) as free:
        free.bind(("127.0.0.1", 0))
        port: int = free.getsockname()[1]
        return port


@pytest.mark.parametrize("moves", [True, False])
def test_progress_moves_on_a_terminal_and_leaves_nothing_there(monkeypatch: pytest.MonkeyPatch, moves: bool) -> None:
    heard = io.StringIO()
    monkeypatch.setattr(heard, "isatty", lambda: moves)
    monkeypatch.setattr(sys, "stderr", heard)
    with progress("Inventing …") as step:
        for done_now in range(31):
            step(done_now, 30)
    said = heard.getvalue()
    if moves:
        assert "\n" not in said
        assert "Inventing … 100 %" in said
        assert said.split("\r")[-2:] == [" " * len("Inventing … 100 %"), ""]
    else:
        assert said.splitlines() == [f"Inventing … {percent} %" for percent in (0, 26, 50, 76, 100)]
