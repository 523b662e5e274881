"""Migrate, seed, start web and worker, say where to look, and stop it all together.

Promises that whatever it started is stopped by its process id when it ends: on
Ctrl-C, SIGTERM or a closed terminal, and when one of the two processes ends by
itself, which is said, with a non-zero exit. Everything it writes lies in the data
folder. It looks at no NEAPTIDE_… setting of the caller's: a demonstration never
finds its way into a real database. Called by `deploy/demo`.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import FrameType
from typing import IO, Any, NoReturn

HERE = Path(__file__).resolve().parent.parent
NEAPTIDE = Path(sys.executable).with_name("neaptide")
ADDRESS = "127.0.0.1"
NAME = "localhost"  # browsers make passkeys for a name, and for this one without https
WEB_PROCESSES = 2
START_SECONDS = 180
STOP_SECONDS = 15
MARK = "demo.json"  # the seed's own notes; a folder without them is not ours to delete
LOCK = ".in-use"


def main(arguments: Sequence[str] | None = None) -> int:
    os.umask(0o077)
    asked = _asked(arguments)
    data: Path = asked.data.resolve()
    _refuse_taken_port(asked.port)
    held = _hold(data, reset=asked.reset)  # kept open, and so locked, until this process ends
    environment = _environment(data, asked.port, access_log=asked.access_log)
    _run("migrate", environment, says=False)
    _run("seed", environment)
    children = Children(environment)
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, _stop_asked)
    try:
        children.start("web", "serve", "--workers", str(WEB_PROCESSES))
        children.start("worker", "worker")
        children.wait_until(lambda: _answers(f"http://{ADDRESS}:{asked.port}/healthz"))
        _tell(json.loads((data / MARK).read_text(encoding="utf-8")), asked.port, data)
        children.watch()
    except StopAsked:
        print("\nStopping …", flush=True)
        return 0
    finally:
        children.stop()
        held.close()


class StopAsked(Exception):
    """Somebody pressed Ctrl-C, or sent a signal."""


def _stop_asked(number: int, frame: FrameType | None) -> NoReturn:
    raise StopAsked


class Children:
    """The processes started here, each in a session of its own so that Ctrl-C reaches only us."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._environment = environment
        self._running: dict[str, subprocess.Popen[bytes]] = {}

    def start(self, name: str, *command: str) -> None:
        self._running[name] = subprocess.Popen(
            [NEAPTIDE, *command], env=self._environment, cwd=HERE, stdin=subprocess.DEVNULL, start_new_session=True
        )

    def wait_until(self, ready: Callable[[], bool]) -> None:
        deadline = time.monotonic() + START_SECONDS
        while not ready():
            self._fail_if_one_ended()
            if time.monotonic() > deadline:
                _give_up(f"the web pages did not answer within {START_SECONDS} seconds")
            time.sleep(0.1)

    def watch(self) -> NoReturn:
        while True:
            self._fail_if_one_ended()
            time.sleep(0.5)

    def stop(self) -> None:
        # A second signal while we are stopping must not leave anything behind.
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN)
        for child in self._running.values():
            if child.poll() is None:
                child.terminate()
        deadline = time.monotonic() + STOP_SECONDS
        for child in self._running.values():
            with contextlib.suppress(subprocess.TimeoutExpired):
                child.wait(max(0.1, deadline - time.monotonic()))
            # Its own session: nothing but what it started. Whatever is left there ends now.
            with contextlib.suppress(ProcessLookupError):
                os.killpg(child.pid, signal.SIGKILL)
            child.wait()

    def _fail_if_one_ended(self) -> None:
        for name, child in self._running.items():
            if child.poll() is not None:
                _give_up(f"the {name} process ended by itself with status {child.returncode}; stopping the rest")


def _asked(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="deploy/demo", description="Start Neaptide on this machine with an invented clinic in it."
    )
    parser.add_argument("--port", type=_port, default=8000, metavar="N", help="the port on 127.0.0.1 (default 8000)")
    parser.add_argument(
        "--data", type=Path, default=HERE / ".data" / "demo", metavar="DIR", help="where it keeps its data (.data/demo)"
    )
    parser.add_argument("--reset", action="store_true", help="throw the demo's data away and begin again")
    parser.add_argument("--access-log", action="store_true", help="say each request, by the pattern of its route")
    return parser.parse_args(arguments)


def _port(given: str) -> int:
    if not given.isascii() or not given.isdigit() or not 1 <= int(given) <= 65535:
        raise argparse.ArgumentTypeError(f"{given!r} is not a port; accepted: a whole number from 1 to 65535")
    return int(given)


def _refuse_taken_port(port: int) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((ADDRESS, port))
        except OSError as error:
            other = port + 10 if port < 65000 else port - 10
            _give_up(f"port {port} on {ADDRESS} cannot be used ({error.strerror}); try: deploy/demo --port {other}")


def _hold(data: Path, *, reset: bool) -> IO[str]:
    """Make the folder ours for as long as we run; empty it first when asked to."""
    try:
        return _held(data, reset=reset)
    except OSError as error:
        why = f"{error.filename or data} cannot be used ({error.strerror})"
        _give_up(f"{why}; is it somebody else's? Give the demo a folder of your own with --data")


def _held(data: Path, *, reset: bool) -> IO[str]:
    if data.exists() and not data.is_dir():
        _give_up(f"{data} is not a folder")
    if data.exists() and any(data.iterdir()) and not _is_ours(data):
        _give_up(f"{data} holds something that the demo did not write; give it a folder of its own with --data")
    data.mkdir(parents=True, exist_ok=True)
    held = (data / LOCK).open("w", encoding="ascii")
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        _give_up(f"another demo is running on {data}; stop it, or give this one a folder of its own with --data")
    if reset or not (data / MARK).exists():  # without notes, an earlier start was interrupted half-way
        for entry in data.iterdir():
            if entry.name != LOCK:
                shutil.rmtree(entry) if entry.is_dir() else entry.unlink()
    return held


def _is_ours(data: Path) -> bool:
    return (data / MARK).exists() or (data / LOCK).exists()


def _environment(data: Path, port: int, *, access_log: bool) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith("NEAPTIDE_")}
    return {
        **kept,
        "NEAPTIDE_DATA": str(data),
        "NEAPTIDE_DEMO": "yes",
        "NEAPTIDE_HOST": ADDRESS,
        "NEAPTIDE_PORT": str(port),
        "NEAPTIDE_BASE_URL": f"http://{NAME}:{port}",
        "NEAPTIDE_TICK_SECONDS": "1",
        "NEAPTIDE_LOG_LEVEL": "warning",
        "NEAPTIDE_ACCESS_LOG": "yes" if access_log else "no",
    }


def _run(command: str, environment: Mapping[str, str], *, says: bool = True) -> None:
    heard = None if says else subprocess.DEVNULL
    done = subprocess.run(
        [NEAPTIDE, command], env=environment, cwd=HERE, stdin=subprocess.DEVNULL, stdout=heard, check=False
    )
    if done.returncode:
        _give_up(f"`neaptide {command}` ended with status {done.returncode}")


def _answers(url: str) -> bool:
    try:
        with urllib.request.urlopen(url, timeout=2) as answer:
            return bool(answer.status == 200)
    except (urllib.error.URLError, OSError):
        return False


def _tell(notes: Mapping[str, Any], port: int, data: Path) -> None:
    base = f"http://{NAME}:{port}"
    print(
        f"""
{notes["clinic"]} is open. Every person and every number in it is invented.

  The clinic's weekly review      {base}{notes["clinic_path"]}
      sign in as                  {notes["staff_email"]}
      or, as administrator,       {notes.get("administrator_email", "(begin again with --reset)")}
      password                    {notes["staff_password"]}
  {notes["patient_name"] + "’s telephone":<31} {base}{notes["patient_path"]}
  {notes["caregiver_name"] + "’s telephone":<31} {base}{notes["caregiver_path"]}
  All telephones, and a clock that can be moved forward
                                  {base}{notes["phones_path"]}

The data lie in {data}; begin again with --reset. Ctrl-C stops everything.""",
        flush=True,
    )


def _give_up(why: str) -> NoReturn:
    print(f"deploy/demo: {why}", file=sys.stderr, flush=True)
    sys.exit(1)


if __name__ == "__main__":
    sys.exit(main())
