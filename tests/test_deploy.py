"""What is shipped to run the service: units, container, reverse proxy, and the demo itself, started and stopped."""

from __future__ import annotations

import configparser
import json
import os
import re
import signal
import socket
import struct
import subprocess
import sys
import threading
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import yaml
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy.exc import OperationalError

from service import config
from service.app import BY_LINK
from service.cli import COMMANDS
from service.commands import installing
from service.store.session import open_engine
from tests.servers import SECRET
from tests.waiting import PATIENCE_SECONDS, wait_until

ROOT = Path(__file__).resolve().parent.parent
DEPLOY = ROOT / "deploy"
UNITS = sorted((DEPLOY / "systemd").glob("*.service"))


# --- units, container, proxy -----------------------------------------------------------


class _Repeating(dict[str, Any]):
    """Unit files may give a key twice; both count."""

    def __setitem__(self, key: str, value: Any) -> None:
        if key in self and isinstance(value, list) and isinstance(self[key], list):
            self[key].extend(value)
        else:
            super().__setitem__(key, value)


def unit(path: Path) -> configparser.RawConfigParser:
    parser = configparser.RawConfigParser(strict=False, dict_type=_Repeating)
    parser.optionxform = str  # type: ignore[assignment, method-assign]
    parser.read_string(path.read_text(encoding="utf-8"))
    return parser


@pytest.mark.parametrize("path", UNITS, ids=lambda path: path.name)
def test_a_unit_runs_a_command_that_exists_as_a_user_of_its_own(path: Path) -> None:
    service = unit(path)["Service"]
    assert service["User"] == "neaptide"
    run = re.findall(r"/\.venv/bin/neaptide (\w+)", service["ExecStart"] + "\n" + service.get("ExecStartPre", ""))
    assert len(run) == (1 if service["Type"] == "oneshot" else 2)
    assert set(run) <= set(COMMANDS)


@pytest.mark.parametrize("path", UNITS, ids=lambda path: path.name)
def test_a_unit_is_shut_in(path: Path) -> None:
    service = unit(path)["Service"]
    wanted = {
        "NoNewPrivileges": "yes",
        "ProtectSystem": "strict",
        "ProtectHome": "yes",
        "PrivateTmp": "yes",
        "UMask": "0077",
        "StateDirectory": "neaptide",
        "CapabilityBoundingSet": "",
        "RestrictNamespaces": "yes",
    }
    assert {key: service.get(key) for key in wanted} == wanted


def test_the_worker_and_the_web_are_units_apart_and_each_timer_has_its_own() -> None:
    timers = {path.with_suffix(".service").name for path in (DEPLOY / "systemd").glob("*.timer")}
    assert timers == {"neaptide-backup.service"}
    ours = {"neaptide-web.service", "neaptide-staff.service", "neaptide-worker.service"}
    assert {path.name for path in UNITS} == {*ours, *timers}
    assert ours <= set(installing.UNITS)


def compose() -> dict[str, Any]:
    read: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.yaml").read_text(encoding="utf-8"))
    return read


def test_the_containers_are_reached_from_this_machine_only() -> None:
    ports = [port for one in compose()["services"].values() for port in one.get("ports", [])]
    assert ports
    assert all(port.startswith("127.0.0.1:") for port in ports)


def test_the_containers_run_commands_that_exist() -> None:
    services = compose()["services"]
    ours = [one.get("command", ["neaptide", "serve"]) for one in services.values() if one["image"] == "neaptide"]
    assert len(ours) == 4
    assert all(command[0] == "neaptide" and command[1] in COMMANDS for command in ours)
    container = (DEPLOY / "Containerfile").read_text(encoding="utf-8")
    assert 'CMD ["neaptide", "serve"]' in container
    assert "--require-hashes" in container
    assert re.search(r"^USER neaptide$", container, re.MULTILINE)


def test_what_the_container_copies_is_there() -> None:
    container = (DEPLOY / "Containerfile").read_text(encoding="utf-8")
    copied = [name for line in re.findall(r"^COPY (.+)$", container, re.MULTILINE) for name in line.split()[:-1]]
    assert copied
    assert [name for name in copied if not (ROOT / name).exists()] == []
    # And nothing else goes to what builds it: a folder of the demo or a file of settings may lie in the checkout.
    first, *rules = (ROOT / ".dockerignore").read_text(encoding="utf-8").splitlines()[1:]
    assert first == "*"
    assert {rule.removeprefix("!") for rule in rules if rule.startswith("!")} == set(copied)


def test_no_secret_is_shipped_with_a_value() -> None:
    for path in (DEPLOY / "compose.env.example", DEPLOY / "systemd" / "neaptide.env.example"):
        values = dict(re.findall(r"^(NEAPTIDE_\w+)=(.*)$", path.read_text(encoding="utf-8"), re.MULTILINE))
        assert values["NEAPTIDE_SECRET_KEY"] == ""
    # What `compose.env.example` is copied to stays out of every commit, as it says.
    assert "deploy/compose.env" in (ROOT / ".gitignore").read_text(encoding="utf-8").splitlines()
    named = [str(value) for key, value in environment_of_compose() if "PASSWORD" in key or "SECRET" in key]
    # From whoever starts it: required, or nothing where it is not given.
    assert [value for value in named if not re.fullmatch(r"\$\{\w+:(-|\?[^}]*)\}", value)] == []
    assert named


def test_every_setting_gets_into_the_containers_and_what_is_not_given_is_as_if_it_were_not_named() -> None:
    not_passed = {
        "NEAPTIDE_DATA": "the image says it",
        "NEAPTIDE_PORT": "published by its number, and inside one like the other",
        "NEAPTIDE_DEMO": "refused where it would be published",
    }
    values = {f"{name}_FILE" for name in config.SECRETS}  # each is passed as what it is
    given = {name for name, _ in environment_of_compose() if name.startswith("NEAPTIDE_")}
    assert given == set(config.NAMES) - values - set(not_passed)
    assert "ENV NEAPTIDE_DATA=/data" in (DEPLOY / "Containerfile").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("service", "role", "asked"),
    [
        ("web", "WEB", "database_url"),
        ("worker", "WORKER", "worker_database_url"),
        ("migrate", "OWNER", "owner_database_url"),
    ],
)
def test_a_password_of_any_characters_reaches_the_database_as_it_is(
    service: str, role: str, asked: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By a server that asks for it in clear (PostgreSQL, "Message Formats") and takes down what comes."""
    password = "p@ss/w:o%rd \"quoted\" 'so' ${X} \\ #1"
    given = {
        f"NEAPTIDE_{role}_PASSWORD": password,
        "NEAPTIDE_SECRET_KEY": SECRET,
        "NEAPTIDE_BASE_URL": "https://neaptide.example",
    }
    with asking_for_a_password() as (port, came):
        there = {
            name: filled(str(value), given) for name, value in compose()["services"][service]["environment"].items()
        }
        for name, value in there.items():
            monkeypatch.setenv(name, value.replace("@database/", f"@127.0.0.1:{port}/"))
        monkeypatch.setenv("NEAPTIDE_DATA", str(tmp_path))
        settings = config.Settings.from_env()
        assert (settings.mail_security, settings.tick_seconds, settings.log_level) == ("tls", 5, "info")
        engine = open_engine(getattr(settings, asked))
        with pytest.raises(OperationalError, match="enough"):
            engine.connect()
        engine.dispose()
    assert came == [(f"neaptide_{role.lower()}", password)]


def filled(value: str, given: dict[str, str]) -> str:
    """A value of the compose file with what was given in it (Compose Specification, "Interpolation")."""
    return re.sub(r"\$\{(\w+)(?::-([^}]*)|:\?[^}]*)?\}", lambda one: given.get(one[1]) or one[2] or "", value)


@contextmanager
def asking_for_a_password() -> Iterator[tuple[int, list[tuple[str, str]]]]:
    """A server of one connection: user and password as they came, after which it has had enough."""
    came: list[tuple[str, str]] = []

    def answer() -> None:
        connection, _ = listening.accept()
        with connection, connection.makefile("rb") as read:
            begun = b""
            while not begun:
                packet = read.read(struct.unpack("!I", read.read(4))[0] - 4)
                if len(packet) == 4:  # a request for encryption; it has none
                    connection.sendall(b"N")
                else:
                    begun = packet[4:]
            words = begun.decode().split("\0")
            connection.sendall(b"R" + struct.pack("!II", 8, 3))  # AuthenticationCleartextPassword
            assert read.read(1) == b"p"
            password = read.read(struct.unpack("!I", read.read(4))[0] - 4)
            came.append((words[words.index("user") + 1], password.rstrip(b"\0").decode()))
            told = b"SFATAL\0C28P01\0Menough\0\0"
            connection.sendall(b"E" + struct.pack("!I", len(told) + 4) + told)

    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.settimeout(PATIENCE_SECONDS)
        served = threading.Thread(target=answer, daemon=True)
        served.start()
        yield listening.getsockname()[1], came
        served.join(PATIENCE_SECONDS)


def environment_of_compose() -> Iterator[tuple[str, str]]:
    for one in compose()["services"].values():
        yield from (one.get("environment") or {}).items()


def test_the_proxy_speaks_tls_and_keeps_links_out_of_its_log() -> None:
    text = (DEPLOY / "nginx.conf").read_text(encoding="utf-8")
    assert text.count("{") == text.count("}")
    assert "listen 443 ssl" in text
    assert re.findall(r"server (127\.0\.0\.1:\d+);", text) == ["127.0.0.1:8000", "127.0.0.1:8001"]
    logged = re.search(r"log_format \w+ '([^']+)'", text)
    assert logged
    assert not {"$request", "$uri", "$request_uri", "$http_referer"} & set(re.findall(r"\$\w+", logged[1]))
    assert set(re.findall(r"access_log \S+ (\w+);", text)) == {"neaptide_quiet"}
    clear, _, over_tls = text.partition("listen 443")
    assert re.search(r"location /api/ \{[^}]*return 403", clear)  # ASVS 5.0, 4.1.2: no machine is led on unseen
    braked = re.findall(r"location ~ (\S+) \{\s*limit_req zone=neaptide_doors", over_tls)
    doors = ("/signin", "/signin/code", "/password", "/confirm", "/emergency", "/invited/key", "/i/key")
    assert [path for path in doors if not any(re.match(one, path) for one in braked)] == []
    assert not any(re.match(one, "/c/key") for one in braked)  # a household's check-ins are no tries


def test_the_proxy_hands_what_staff_read_to_a_server_of_their_own() -> None:
    """nginx, "location": of those with a regular expression the first that fits; else the longest prefix, here "/"."""
    _, _, over_tls = (DEPLOY / "nginx.conf").read_text(encoding="utf-8").partition("listen 443")
    places = re.findall(r"location ~ (\S+)\s*\{[^}]*proxy_pass http://neaptide_(\w+);", over_tls)
    (rest,) = re.findall(r"location / \{ proxy_pass http://neaptide_(\w+); \}", over_tls)

    def goes_to(path: str) -> str:
        return next((pool for fits, pool in places if re.match(fits, path)), rest)

    theirs = [f"{link}key" for link in BY_LINK] + ["/static/neaptide.css", "/api/v1/readings/batch", "/api/v1/checkins"]
    assert {goes_to(path) for path in theirs} == {"patients"}
    ours = ("/", "/clinic/review", "/signin", "/invited/key", "/api/v1/review", "/api/v1/patients/1/readings", "/docs")
    assert {goes_to(path) for path in ours} == {"staff"}
    assert "serve --port 8001" in (DEPLOY / "systemd" / "neaptide-staff.service").read_text(encoding="utf-8")


# --- the demo ----------------------------------------------------------------------------


class Demo:
    """`deploy/demo`, without the installing: started on a free port, read until it says it is open."""

    def __init__(self, data: Path, port: int | None = None, *more: str) -> None:
        self.port = port or free_port()
        environment = {**os.environ, "NEAPTIDE_DATABASE_URL": "sqlite:////nonexistent/never-used.sqlite3"}
        self.process = subprocess.Popen(
            [sys.executable, DEPLOY / "running_demo.py", "--port", str(self.port), "--data", data, *more],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
            text=True,
            env=environment,
            cwd=ROOT,
        )
        self.said = ""

    def until_open(self) -> Demo:
        assert self.process.stdout is not None
        # Nothing here waits for ever: a demo that hangs is stopped, and the test fails on what it said.
        guard = threading.Timer(PATIENCE_SECONDS, self.process.kill)
        guard.start()
        for line in self.process.stdout:
            self.said += line
            if "Ctrl-C stops everything" in line:
                break
        guard.cancel()
        assert "Ctrl-C stops everything" in self.said, self.said
        return self

    def children(self) -> dict[int, str]:
        """Process id → command line of what it started itself."""
        found = {}
        for status in Path("/proc").glob("[0-9]*/stat"):
            try:
                parent = int(status.read_text().rsplit(")", 1)[1].split()[1])
                words = (status.parent / "cmdline").read_bytes().decode().split("\0")
            except (FileNotFoundError, ProcessLookupError):
                continue
            if parent == self.process.pid:
                found[int(status.parent.name)] = " ".join(words)
        return found

    def ends(self) -> int:
        rest, _ = self.process.communicate(timeout=PATIENCE_SECONDS)
        self.said += rest or ""
        return self.process.returncode

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.terminate()
            self.process.communicate(timeout=PATIENCE_SECONDS)


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo") / "data"


@pytest.fixture
def demo(data: Path) -> Iterator[Demo]:
    running = Demo(data, None, "--access-log")
    yield running
    running.close()


@pytest.mark.slow
def test_the_demo_opens_shows_what_it_printed_and_stops_everything_when_asked(demo: Demo, data: Path) -> None:
    demo.until_open()
    addresses = re.findall(r"http://localhost:\d+\S*", demo.said)
    assert len(addresses) == 4
    for address in addresses:
        with urllib.request.urlopen(address, timeout=PATIENCE_SECONDS) as answer:
            page = answer.read().decode()
        assert answer.status == 200, address
        assert "nvented" in page, address
    assert (data / "neaptide.sqlite3").exists()
    (phone,) = (one for one in addresses if one.endswith(json.loads((data / "demo.json").read_text())["patient_path"]))
    with urllib.request.urlopen(phone, timeout=PATIENCE_SECONDS) as answer:
        link = re.findall(r"/c/[A-Za-z0-9_-]{22}", answer.read().decode())[-1]
    for _ in range(12):  # each by a connection of its own, which either of the two web processes may take
        urllib.request.urlopen(f"http://localhost:{demo.port}{link}", timeout=PATIENCE_SECONDS).close()
    # A request is counted once its answer has been handed over, which whoever got it may be ahead of.
    wait_until(lambda: answered(demo.port, "/c/<token>") == 12, "twelve check-ins counted by two processes")
    children = demo.children()
    assert len(children) == 2
    demo.process.send_signal(signal.SIGTERM)
    assert demo.ends() == 0, demo.said
    assert demo.said.count('"route": "/c/<token>"') == 12
    assert link not in demo.said
    assert [pid for pid in children if Path(f"/proc/{pid}").exists()] == []
    assert not is_taken(demo.port)


def answered(port: int, route: str) -> float:
    """How many requests of this route the demo says that its processes have answered."""
    with urllib.request.urlopen(f"http://localhost:{port}/metrics", timeout=PATIENCE_SECONDS) as answer:
        families = [*text_string_to_metric_families(answer.read().decode())]
    samples = [one for family in families for one in family.samples if one.name == "neaptide_http_requests_total"]
    return sum(one.value for one in samples if one.labels["route"] == route)


@pytest.mark.slow
def test_when_one_process_dies_the_demo_says_which_and_stops_the_other(demo: Demo) -> None:
    demo.until_open()
    children = demo.children()
    worker = next(pid for pid, words in children.items() if words.rstrip().endswith("worker"))
    os.kill(worker, signal.SIGKILL)
    assert demo.ends() == 1
    assert "the worker process ended by itself" in demo.said
    assert [pid for pid in children if Path(f"/proc/{pid}").exists()] == []
    assert not is_taken(demo.port)


def test_the_demo_says_at_once_that_its_port_is_taken(tmp_path: Path) -> None:
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        port = holder.getsockname()[1]
        demo = Demo(tmp_path / "data", port)
        assert demo.ends() == 1
    assert f"port {port} on 127.0.0.1 cannot be used" in demo.said
    assert "--port" in demo.said
    assert not (tmp_path / "data").exists()


def test_the_demo_deletes_no_folder_that_it_did_not_make(tmp_path: Path) -> None:
    (tmp_path / "diary.txt").write_text("dear", encoding="utf-8")
    done = subprocess.run(
        [sys.executable, DEPLOY / "running_demo.py", "--port", str(free_port()), "--data", tmp_path, "--reset"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "holds something that the demo did not write" in done.stderr
    assert (tmp_path / "diary.txt").read_text(encoding="utf-8") == "dear"


def test_measurements_that_do_not_exist_are_refused_by_name() -> None:
    done = subprocess.run(
        [sys.executable, DEPLOY / "measuring.py", "nonsense"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "nonsense: no such measurement; there are:" in done.stderr


def test_asked_what_there_is_to_measure_it_says_so_and_measures_nothing() -> None:
    done = subprocess.run([DEPLOY / "bench", "--help"], capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0
    named = re.findall(r"^  (\w+) ", done.stdout, re.MULTILINE)
    assert named == sorted(path.stem.removeprefix("bench_") for path in (ROOT / "tests" / "bench").glob("bench_*.py"))
    assert "== " not in done.stdout


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def is_taken(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0
