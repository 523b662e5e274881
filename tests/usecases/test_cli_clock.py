"""Every command goes by the demo's clock, and can be asked what it is for."""

from __future__ import annotations

import os
import re
import uuid
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

import click
import pytest
from sqlalchemy import Engine, select, update

from service.app import create_app
from service.cli import cli
from service.clock import SharedClock, SystemClock
from service.commands.opening import CLOCK_FILE
from service.config import Settings, user_name
from service.store import quarantine
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Clinic
from tests.conftest import SERVER
from tests.usecases.test_cli import ADMINISTRATOR, AS, CLINIC, PASSWORD, PATIENT, Run, clinic, done, run

pytestmark = pytest.mark.databases("sqlite")

__all__ = ["clinic", "run"]

AHEAD = timedelta(days=40)
PLAN = ("api", "PUT", "/patients/F-1/plan", "opens=07:00", "due=08:30", "closes=10:00")
NEVER = str(uuid.UUID(int=0))
HIRE = ("staff", "invite", "--email", "kim@fernmoor.example", "--name", "Kim Vale", "--role", "nurse")
# How each command is run here, and the code that it ends with; what it takes from standard input is a wording.
RUNS: dict[str, tuple[tuple[str, ...], int]] = {
    "api": (("POST", "/patients", "clinic_ref=F-9", "name=Kim", "zone=UTC", *AS), 0),
    "audit": ((), 0),
    "audit heads": ((), 0),
    "audit verify": ((), 0),
    "backup": (("BACKUP",), 0),
    "clinic add": (CLINIC[2:], 0),
    "clinic list": ((), 0),
    "doctor": ((), 4),
    "export": (("EXPORT",), 0),
    "import roster": (("ROSTER",), 0),
    "import readings": (("FILE", "--unit", "mm[Hg]"), 0),
    "import checkins": (("DIARY",), 0),
    "import results": (("RESULTS",), 0),
    "import events": (("EVENTS",), 0),
    "import list": ((), 0),
    "import undo": ((NEVER, "--why", "wrong file"), 1),
    "keys reseal": ((), 0),
    "messages list": ((), 0),
    "messages show": ((NEVER,), 1),
    "messages retry": ((NEVER,), 2),
    "messages cancel": ((NEVER, "--reason", "not wanted"), 2),
    "migrate": (("--accept-key",), 0),
    "move": (("--undo", "--yes"), 2),
    "patient erase": (("F-1", "--why", "asked"), 2),
    "patient export": (("F-1", "ZIP"), 0),
    "plan show": (("F-1",), 0),
    "plan feed": (("F-1",), 0),
    "push key": ((), 0),
    "quarantine list": ((), 0),
    "quarantine release": (("plan", NEVER), 0),
    "replay": (("FILE", "--out", "OUT"), 0),
    "restore": (("FILE", "--into", "/"), 2),
    "resume": (("--yes",), 1),
    "retention": (("--apply",), 0),
    "review audit": ((), 0),
    "review rebuild": ((), 0),
    "roles": ((), 0 if SERVER else 1),
    "seed": (("--quiet",), 0),
    "serve": ((), 0),
    "setup": (("--answers", "ANSWERS", "--dry-run"), 0),
    "staff invite": (HIRE[2:], 0),
    "staff close": (("rowan@fernmoor.example",), 0),
    "staff list": ((), 0),
    "staff unlock": ((ADMINISTRATOR,), 0),
    "worker": (("--once",), 0),
}
WRITES = {
    "api",
    "clinic add",
    "export",
    "import roster",
    "import readings",
    "import checkins",
    "import results",
    "migrate",
    "import events",
    "quarantine release",
    "review rebuild",
    "staff close",
    "staff invite",
    "staff unlock",
}
# Asked of the machine on purpose: to compare it with the database's clock, and for the doors, through which visitors
# of the demo come in real time. Neither is written as the time of an act.
BY_THE_MACHINE = {"doctor", "staff invite", "staff unlock", "worker"}


def commands(group: click.Command = cli, so_far: str = "") -> Iterator[tuple[str, click.Command]]:
    """Every command with its name; groups are walked through."""
    if isinstance(group, click.Group):
        if group.invoke_without_command and so_far:
            yield so_far, group
        for name in group.list_commands(click.Context(group)):
            found = group.get_command(click.Context(group), name)
            assert found is not None, name
            yield from commands(found, f"{so_far} {name}".strip())
    else:
        yield so_far, group


NAMES = [name for name, _ in commands()]


def test_every_command_has_its_run_here() -> None:
    assert set(NAMES) == set(RUNS)


@pytest.mark.parametrize(("name", "command"), list(commands()), ids=NAMES)
def test_every_command_says_what_it_does(name: str, command: click.Command) -> None:
    assert command.get_short_help_str(400).endswith((".", "…")), name
    for option in command.params:
        if isinstance(option, click.Option) and option.name not in {
            "help",
            "name",
            "email",
            "roles",
            "grants",
            "language",
        }:
            assert option.help or option.required or option.show_default or option.secondary_opts, f"{name}: {option}"


@pytest.mark.parametrize("name", NAMES)
def test_every_command_goes_by_the_demos_clock(
    clinic: Run, engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """The machine's own time is asked by nothing, and what is written bears the time that the demo's pages show."""
    done(clinic(*PATIENT, *AS))
    done(clinic(*PLAN, *AS))
    monkeypatch.setenv("NEAPTIDE_DEMO", "yes")
    with write_session(engine) as session:
        session.execute(update(Clinic).values(is_invented=True))  # beside any other there is no demo
    SharedClock(tmp_path / CLOCK_FILE).advance(AHEAD)
    real = SystemClock().now()
    with write_session(engine) as session:
        before = set(session.scalars(select(AuditLine.id)))
        quarantine.quarantine(session, ("plan", uuid.UUID(NEVER)), ValueError(), real)
    asked: list[str] = []
    monkeypatch.setattr(SystemClock, "now", lambda _clock: asked.append(name) or real)
    monkeypatch.setattr("service.commands.serve._need_free", lambda _host, _port: None)
    monkeypatch.setattr("os.execve", lambda *_command: None)
    monkeypatch.setattr("service.commands.seed._fixtures", lambda: _Fixtures(real))

    words, code = RUNS[name]
    files = {"FILE": _file(tmp_path, real), "DIARY": _diary(tmp_path, real), "OUT": str(tmp_path / "out.csv")}
    files["ZIP"] = str(tmp_path / "everything.zip")
    files |= {"ANSWERS": _answers(tmp_path), "RESULTS": _results(tmp_path, real), "ROSTER": _roster(tmp_path)}
    files |= {
        "EVENTS": _events(tmp_path, real),
        "BACKUP": str(tmp_path / "whole.backup"),
        "EXPORT": str(tmp_path / "export"),
    }
    said = clinic(*name.split(), *(files.get(word, word) for word in words), stdin=f"{PASSWORD}\n")
    assert said.code == code, said.err
    assert not asked or name in BY_THE_MACHINE
    with read_session(engine) as session:
        lines = [line for line in session.scalars(select(AuditLine)) if line.id not in before]
    assert all(line.at >= real + AHEAD for line in lines), name
    assert bool(lines) or name not in WRITES
    assert all(line.detail.get("login") for line in lines) or name == "worker", name  # who was at the terminal


class _Fixtures:
    """In place of the demo's clinic, which takes long to make and has its own tests."""

    def __init__(self, real: object) -> None:
        self._real = real

    def fill(self, _engine: Engine, _settings: Settings, now: object, _step: object) -> dict[str, str]:
        assert now >= self._real + AHEAD  # type: ignore[operator]
        return {}


def _file(folder: Path, real: datetime) -> str:
    file = folder / "readings.csv"
    rows = f"F-1,{real - timedelta(days=1):%Y-%m-%dT%H:%M:%S}+00:00,38,18\n"
    file.write_text(f"patient,taken_at,pa_systolic,pa_diastolic\n{rows}", encoding="utf-8")
    return str(file)


def _answers(folder: Path) -> str:
    """Of an installation of its own, beside the demo."""
    file = folder / "answers.toml"
    lines = {
        "user": user_name(os.geteuid()), "settings": str(folder / "own.env"), "NEAPTIDE_DATA": str(folder / "own"),
        "wrapper": "", "NEAPTIDE_BASE_URL": "http://127.0.0.1:8000", "clinic_name": "F", "clinic_zone": "UTC",
        "clinic_emergency_number": "911", "clinic_contact_line": "911", "clinic_sender_name": "F",
        "administrator_name": "Noa", "administrator_email": ADMINISTRATOR,
    }  # fmt: skip
    file.write_text("".join(f'{key} = "{value}"\n' for key, value in lines.items()), encoding="utf-8")
    file.chmod(0o600)
    return str(file)


def _results(folder: Path, real: datetime) -> str:
    file = folder / "results.csv"
    file.write_text(f"patient,taken_at,code,value\nF-1,{real:%Y-%m-%dT%H:%M:%S}+00:00,2823-3,4.1\n", encoding="utf-8")
    return str(file)


def _events(folder: Path, real: datetime) -> str:
    file = folder / "events.csv"
    file.write_text(f"patient,kind,from_date\nF-1,urgent_visit,{real:%Y-%m-%d}\n", encoding="utf-8")
    return str(file)


def _roster(folder: Path) -> str:
    file = folder / "roster.csv"
    file.write_text("clinic_ref,name\nF-7,Kim Invented\n", encoding="utf-8")
    return str(file)


def _diary(folder: Path, real: datetime) -> str:
    file = folder / "diary.csv"
    file.write_text(f"patient,local_date,breathlessness\nF-1,{real:%Y-%m-%d},3\n", encoding="utf-8")
    return str(file)


@pytest.mark.parametrize("words", [HIRE, ("staff", "unlock", ADMINISTRATOR)])
def test_an_account_made_in_a_demo_that_was_moved_ahead_opens_the_door_today(
    clinic: Run, engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    """Visitors of the demo sign in by the machine's clock, however far its clinic was moved."""
    monkeypatch.setenv("NEAPTIDE_DEMO", "yes")
    clock = SharedClock(tmp_path / CLOCK_FILE)
    clock.advance(AHEAD)
    link = done(clinic(*words)).value("link")
    client = create_app(Settings.from_env(), engine, clock, {}).test_client()
    page = client.get(urlsplit(link).path).get_data(as_text=True)
    token = re.search(r'name="csrf_token" value="([^"]+)"', page)
    assert token
    form = {"new": f"{PASSWORD} and one", "again": f"{PASSWORD} and one", "csrf_token": token[1]}
    assert client.post(urlsplit(link).path, data=form).status_code == 303
    assert client.get("/clinic/review").status_code == 200
