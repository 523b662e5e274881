"""A small fleet: real worker and web processes on one database, their clock, and invented people to write to.

The processes are the commands an operator starts, but that a worker's batch is a
quarter of what it is: so few people are as many batches as four times as many. They
share a clock that the test moves forward, as the demo's do, and the text gateway of
gateway.py: each worker calls there with a token of its own, its name.
"""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import uuid
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, func, select

from service.accounts import keys
from service.clock import SharedClock, SystemClock
from service.commands.opening import CLOCK_FILE
from service.delivery import sending
from service.domain.vocabulary import MessageState, Scope
from service.store.audit import OPERATOR, Act
from service.store.due import LEASE, LEASED_MESSAGES
from service.store.session import read_session, write_session
from service.store.tables import Heartbeat, Message
from tests.crash.gateway import Gateway
from tests.servers import SECRET
from tests.waiting import PATIENCE_SECONDS, wait_until

ROOT = Path(__file__).parents[2]
BATCH = sending.LEAST // 4


@dataclass(frozen=True)
class Answered:
    status: int
    kind: str
    body: Any


@dataclass
class Fleet:
    """See the module. `key` is a machine's bearer key."""

    engine: Engine
    folder: Path
    gateway: Gateway
    port: int
    processes: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)
    key: str = ""

    # --- time ----------------------------------------------------------------------

    @property
    def clock(self) -> SharedClock:
        return SharedClock(self.folder / CLOCK_FILE)

    def until(self, instant: datetime) -> None:
        """Move everybody's clock on."""
        self.clock.advance(max(instant - self.clock.now(), timedelta(0)))

    def leases_run_out(self) -> None:
        self.clock.advance(LEASE)

    # --- processes -----------------------------------------------------------------

    def start_workers(self, *names: str) -> None:
        """Start them, and wait for a sign of life of each."""
        before = self._beats()
        for name in names:
            self._start(name, ["worker"], NEAPTIDE_TEXT_TOKEN=name)
        wait_until(lambda: self._beats() >= before + len(names), "signs of life", self._picture)

    def _beats(self) -> int:
        with read_session(self.engine) as session:
            return session.scalar(select(func.count()).select_from(Heartbeat)) or 0

    def start_web(self) -> None:
        """Two web processes behind one address."""
        self._start("web", ["serve", "--workers", "2"], NEAPTIDE_TEXT_TOKEN="web")
        wait_until(self._answers, "the web processes do not answer")

    def _start(self, name: str, arguments: list[str], **settings: str) -> None:
        environment = {
            **{name: value for name, value in os.environ.items() if not name.startswith("NEAPTIDE_")},
            "NEAPTIDE_DATA": str(self.folder),
            "NEAPTIDE_DATABASE_URL": self.engine.url.render_as_string(hide_password=False),
            "NEAPTIDE_SECRET_KEY": SECRET,
            "NEAPTIDE_PORT": str(self.port),
            "NEAPTIDE_DEMO": "yes",
            "NEAPTIDE_TICK_SECONDS": "0.25",
            "NEAPTIDE_SENDS_AT_ONCE": "4",
            "NEAPTIDE_TEXT_URL": self.gateway.url,
            "NEAPTIDE_LOG_LEVEL": "warning",
            **settings,
        }
        run = (
            "import sys; from service.cli import main; from service.delivery import sending;"
            f" sending.LEAST = {BATCH}; sys.argv[0] = 'neaptide'; main()"
        )
        with (self.folder / f"{name}.log").open("wb") as log:
            self.processes[name] = subprocess.Popen(
                [sys.executable, "-c", run, *arguments], cwd=ROOT, env=environment, stdout=log, stderr=log
            )

    def kill(self, name: str) -> None:
        """The machine under this process loses power."""
        process = self.processes.pop(name)
        process.send_signal(signal.SIGKILL)
        process.wait(timeout=PATIENCE_SECONDS)

    def stop(self, name: str) -> int:
        """Ask a process to stop. Returns its exit code."""
        process = self.processes[name]  # which stays ours to end, should it not stop
        process.send_signal(signal.SIGTERM)
        code = process.wait(timeout=PATIENCE_SECONDS)
        del self.processes[name]
        return code

    def log(self, name: str) -> str:
        return (self.folder / f"{name}.log").read_text()

    def all_run(self) -> bool:
        return all(process.poll() is None for process in self.processes.values())

    def end(self) -> None:
        for process in self.processes.values():
            process.send_signal(signal.SIGTERM)
        for process in self.processes.values():
            try:
                process.wait(timeout=PATIENCE_SECONDS)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()

    # --- the web -------------------------------------------------------------------

    def post(self, path: str, body: Any) -> Answered:
        return self._ask("POST", f"/api/v1{path}", body)

    def get(self, path: str) -> Answered:
        return self._ask("GET", path, None)

    def _ask(self, method: str, path: str, body: Any) -> Answered:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_SECONDS)
        try:
            sent = None if body is None else json.dumps(body)
            headers = {"Authorization": f"Bearer {self.key}", "Content-Type": "application/json"}
            connection.request(method, path, sent, headers)
            answer = connection.getresponse()
            kind = answer.headers.get_content_type()
            read = answer.read()
            return Answered(answer.status, kind, json.loads(read) if kind.endswith("json") else read)
        finally:
            connection.close()

    def _answers(self) -> bool:
        try:
            return self.get("/healthz").status == 200
        except OSError:
            return False

    # --- the outbox ----------------------------------------------------------------

    def issue_key(self, clinic_id: uuid.UUID) -> None:
        with write_session(self.engine) as session:
            _, self.key = keys.issue_key(Act(session, OPERATOR, clinic_id, self.clock.now()), "machine", tuple(Scope))

    def messages(self) -> dict[uuid.UUID, Message]:
        with read_session(self.engine) as session:
            return {one.id: one for one in session.scalars(select(Message))}

    def in_hand(self) -> dict[uuid.UUID, list[uuid.UUID]]:
        """What workers hold: messages by claim."""
        held: dict[uuid.UUID, list[uuid.UUID]] = {}
        with read_session(self.engine) as session:
            for token, message_id in session.execute(select(Message.claim_token, Message.id).where(LEASED_MESSAGES)):
                held.setdefault(token, []).append(message_id)
        return held

    def wait_for_messages(self, number: int, *, held_by: int = 0) -> None:
        """Until so many are written and none waits, but for what so many claims hold that nobody works on."""

        def idle() -> bool:
            with read_session(self.engine) as session:
                # One statement, one picture: what is taken back between two of them would be in neither.
                asked = select(Message.state, Message.claim_token, func.count(), func.min(Message.next_try_at))
                groups = session.execute(asked.group_by(Message.state, Message.claim_token)).all()
            held = {token for state, token, *_ in groups if state in HELD}
            due = [state for state, _, _, at in groups if state is MessageState.QUEUED and at <= self.clock.now()]
            return sum(count for *_, count, _ in groups) >= number and not due and len(held) == held_by

        wait_until(idle, f"{number} messages", self._picture)

    def wait_until_it_waits(self, worker: str, calls: int) -> None:
        """Until so many calls of this worker wait for an answer that is withheld."""
        wait_until(lambda: self.gateway.waiting(worker) >= calls, f"{calls} calls of {worker}", self._picture)

    def _picture(self) -> str:
        with read_session(self.engine) as session:
            states = session.execute(
                select(Message.kind, Message.state, func.count()).group_by(Message.kind, Message.state)
            )
            told = [f"{kind.value} {state.value}: {count}" for kind, state, count in states]
        logs = [f"{name}: {self.log(name)[-1500:]}" for name in self.processes]
        claims = [len(held) for held in self.in_hand().values()]
        calls = Counter(call.worker for call in self.gateway.calls())
        return "\n".join([*told, f"claims: {claims}", f"calls: {calls}", *logs])


HELD = {MessageState.CLAIMED, MessageState.HANDING_OVER}
UNSETTLED = {MessageState.QUEUED, *HELD}


@contextmanager
def fleet(engine: Engine, folder: Path, gateway: Gateway) -> Iterator[Fleet]:
    """Nobody runs yet; whoever does at the end is stopped."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    told = Fleet(engine, folder, gateway, port)
    try:
        with gateway.serving():
            yield told
    finally:
        told.end()


def seven_tomorrow() -> datetime:
    """07:00 in Reykjavik, which keeps UTC all year: no clock change falls into a test."""
    tomorrow = SystemClock().now().date() + timedelta(days=1)
    return datetime(tomorrow.year, tomorrow.month, tomorrow.day, 7, tzinfo=UTC)
