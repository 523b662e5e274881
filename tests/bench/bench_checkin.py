"""What a check-in over the API costs, as a ratio taken in one run.

`checkin_vs_bare`: check-ins a second through POST /api/v1/checkins (bearer key,
schema, patient, window, audit line, review's mark) ÷ a bare Flask route doing one
INSERT through sqlite3 on the same kind of file. Same server, settings and load: gunicorn,
2 workers, 16 connections kept alive. Rounds alternate. Beside it: the tail, p99 ÷ p50
of our requests, and `checkin_cpu_vs_bare`, the same ratio by the processor time that
the servers spent, which a busy machine disturbs less.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from datetime import time as wall
from pathlib import Path

from sqlalchemy import insert

from service.accounts import keys
from service.domain import asking
from service.domain.vocabulary import Scope, WindowState
from service.store import migrate
from service.store.audit import OPERATOR, Act
from service.store.session import open_engine, write_session
from service.store.tables import Clinic, PanelRow, Patient, Window

ROUNDS = 9
REQUESTS = 500  # a round and side
CONNECTIONS = 16
PEOPLE = 1_000
STARTS_WITHIN = 20.0  # seconds
LONGEST_ROUND = 40.0
HERE = Path(__file__).resolve().parents[2]


def main() -> None:
    """Print the ratio and the tail."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        people, secret = _clinic(folder)
        _bare_file(folder / "bare.sqlite3")
        environment = os.environ | {
            "NEAPTIDE_DATA": name,
            "NEAPTIDE_DATABASE_URL": f"sqlite:///{folder / 'neaptide.sqlite3'}",
            "NEAPTIDE_DEMO": "no",
            "NEAPTIDE_LOG_LEVEL": "error",
            "BARE_DATABASE": str(folder / "bare.sqlite3"),
        }
        with (
            _serving("service.commands.serve:wsgi()", environment) as ours,
            _serving("tests.bench.bare:app", environment) as bare,
        ):
            day = datetime.now(UTC).date() - timedelta(days=1)
            send_ours = lambda ago: _requests("/api/v1/checkins", people, day - timedelta(days=ago), secret)  # noqa: E731
            send_bare = lambda ago: _requests("/checkins", people, day - timedelta(days=ago), None)  # noqa: E731
            _round(ours.port, send_ours(ROUNDS)[:200])
            _round(bare.port, send_bare(ROUNDS)[:200])
            before = ours.processor_time(), bare.processor_time()
            ratios, rates, waits = _alternate(ours.port, bare.port, send_ours, send_bare)
            spent = ours.processor_time() - before[0], bare.processor_time() - before[1]
    waits.sort()
    middle, late = waits[len(waits) // 2], waits[int(len(waits) * 0.99)]
    print(
        f"checkin_vs_bare ratio={statistics.median(ratios):.2f} min={min(ratios):.2f} max={max(ratios):.2f}"
        f" ({statistics.median(rates):,.0f} check-ins a second)"
    )
    print(
        f"checkin_cpu_vs_bare ratio={spent[1] / spent[0]:.2f}"
        f" ({1000 * spent[0] / ROUNDS / REQUESTS:.2f} ms a check-in, {1000 * spent[1] / ROUNDS / REQUESTS:.2f} ms bare)"
    )
    print(f"checkin_tail ratio={late / middle:.1f} (p50 {1000 * middle:.1f} ms, p99 {1000 * late:.1f} ms)")


def _alternate(
    ours: int, bare: int, send_ours: Callable[[int], list[bytes]], send_bare: Callable[[int], list[bytes]]
) -> tuple[list[float], list[float], list[float]]:
    ratios, rates, waits = [], [], []
    for ago in range(ROUNDS):
        mine, spent = _round(ours, send_ours(ago))
        theirs, _ = _round(bare, send_bare(ago))
        ratios.append(mine / theirs)
        rates.append(mine)
        waits += spent
    return ratios, rates, waits


def _round(port: int, requests: list[bytes]) -> tuple[float, list[float]]:
    """Requests a second, and how long each took."""
    began = time.perf_counter()
    waits = asyncio.run(asyncio.wait_for(_load(port, requests), LONGEST_ROUND))
    return len(requests) / (time.perf_counter() - began), waits


async def _load(port: int, requests: list[bytes]) -> list[float]:
    left = iter(requests)
    shares = await asyncio.gather(*(_connection(port, left) for _ in range(CONNECTIONS)))
    return [wait for share in shares for wait in share]


async def _connection(port: int, left: Iterator[bytes]) -> list[float]:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    waits = []
    for request in left:
        began = time.perf_counter()
        writer.write(request)
        head = await reader.readuntil(b"\r\n\r\n")
        length = int(head.lower().split(b"content-length:")[1].split(b"\r\n")[0])
        body = await reader.readexactly(length)
        waits.append(time.perf_counter() - began)
        if not head.startswith(b"HTTP/1.1 201"):
            raise SystemExit(f"a check-in was not taken: {head[:60]!r} {body[:300]!r}")
        if b"connection: close" in head.lower():
            writer.close()
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.close()
    return waits


def _requests(path: str, people: Sequence[uuid.UUID], day: date, secret: str | None) -> list[bytes]:
    key = f"Authorization: Bearer {secret}\r\n" if secret else ""
    found = []
    for number, person in enumerate(people[:REQUESTS]):
        answers = {
            "patient": str(person), "local_date": day.isoformat(), "weight": 80 + number % 9, "breathlessness": 2,
            "extra_pillows": 0, "safety_signs": [],
        }  # fmt: skip
        if secret is None:
            del answers["safety_signs"]
        body = json.dumps(answers).encode()
        head = (
            f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n{key}Content-Type: application/json\r\n"
            f"Content-Length: {len(body)}\r\n\r\n"
        )
        found.append(head.encode() + body)
    return found


@dataclass(frozen=True)
class _Server:
    port: int
    pid: int

    def processor_time(self) -> float:
        """Seconds that the worker processes have spent, user and system."""
        workers = Path(f"/proc/{self.pid}/task/{self.pid}/children").read_text(encoding="ascii").split()
        ticks = 0
        for worker in workers:
            fields = Path(f"/proc/{worker}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
            ticks += int(fields[11]) + int(fields[12])
        return ticks / os.sysconf("SC_CLK_TCK")


@contextmanager
def _serving(application: str, environment: dict[str, str]) -> Iterator[_Server]:
    with closing(socket.socket()) as free:
        free.bind(("127.0.0.1", 0))
        port: int = free.getsockname()[1]
    command = [
        sys.executable, "-m", "gunicorn", "--no-control-socket", "--bind", f"127.0.0.1:{port}", "--workers", "2",
        "--threads", "4", "--keep-alive", "30", "--worker-tmp-dir", "/dev/shm",  # noqa: S108
        "--log-level", "error", application,
    ]  # fmt: skip
    server = subprocess.Popen(command, cwd=HERE, env=environment | {"NEAPTIDE_PORT": str(port)})
    try:
        _wait_for(port, server)
        yield _Server(port, server.pid)
    finally:
        server.terminate()
        try:
            server.wait(timeout=20)
        except subprocess.TimeoutExpired:
            server.kill()


def _wait_for(port: int, server: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + STARTS_WITHIN
    while time.monotonic() < until and server.poll() is None:
        with closing(socket.socket()) as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.1)
    raise SystemExit(f"the server on port {port} did not start")


def _bare_file(path: Path) -> None:
    with closing(sqlite3.connect(path)) as database:
        database.execute("PRAGMA journal_mode=WAL")
        database.execute(
            "CREATE TABLE checkins (id TEXT PRIMARY KEY, patient TEXT, local_date TEXT, weight REAL,"
            " breathlessness INTEGER, extra_pillows INTEGER)"
        )
        database.commit()


def _clinic(folder: Path) -> tuple[list[uuid.UUID], str]:
    """An invented clinic whose patients each have a window a day, and a machine's key."""
    engine = open_engine(f"sqlite:///{folder / 'neaptide.sqlite3'}")
    migrate.upgrade(engine)
    now = datetime.now(UTC)
    clinic_id, people = uuid.uuid4(), [uuid.uuid4() for _ in range(PEOPLE)]
    with write_session(engine) as session:
        session.execute(
            insert(Clinic).values(
                id=clinic_id, name="Fernmoor Clinic (invented)", zone="Europe/London", language="en", review_weekday=0,
                emergency_number="112", contact_line="+441632960000", sender_name="Fernmoor", quiet_from=wall(21),
                quiet_until=wall(8), steps=[], asks=asking.START, silent_days=3, silent_again_days=3,
                asks_again_in_doubt=False, created_at=now,
            )
        )  # fmt: skip
        session.execute(
            insert(Patient),
            [
                {"id": one, "clinic_id": clinic_id, "clinic_ref": one.hex[:12], "name": "Invented", "enrolled_at": now,
                 "zone": "Europe/London", "language": "en", "weight_unit": "kg"}
                for one in people
            ],
        )  # fmt: skip
        session.execute(
            insert(PanelRow),
            [
                {"clinic_id": clinic_id, "patient_id": one, "as_of": now.date(), "facts": {}, "updated_at": now,
                 "outdated_at": now, "touched": 0}
                for one in people
            ],
        )  # fmt: skip
        for ago in range(ROUNDS + 1):
            session.execute(insert(Window), [_window(clinic_id, one, now - timedelta(days=ago + 1)) for one in people])
        _, secret = keys.issue_key(Act(session, OPERATOR, clinic_id, now), "bench", [Scope.CHECKINS])
    engine.dispose()
    return people, secret


def _window(clinic_id: uuid.UUID, patient_id: uuid.UUID, at: datetime) -> dict[str, object]:
    return {
        "clinic_id": clinic_id, "patient_id": patient_id, "local_date": at.date(), "zone": "Europe/London",
        "opens_at": at, "due_at": at, "closes_at": at + timedelta(hours=3), "wants_reading": True,
        "wants_checkin": True, "state": WindowState.OPEN,
    }  # fmt: skip
