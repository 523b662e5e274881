"""A text gateway on loopback, as the HTTP contract has it, that writes down every call and can withhold its answers."""

from __future__ import annotations

import json
import threading
import time
import uuid
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from http.server import ThreadingHTTPServer
from typing import Any

from tests.answering import Lasting, running
from tests.waiting import PATIENCE_SECONDS


@dataclass(frozen=True)
class Call:
    """One hand-over: by which worker (its bearer token), under which key, to whom."""

    worker: str
    key: uuid.UUID
    to: str


class Gateway:
    """See the module. Thread-safe; `seconds` is how long an answer takes."""

    def __init__(self, seconds: float = 0.0) -> None:
        self._seconds = seconds
        self._calls: list[Call] = []
        self._answered: dict[str, int] = {}  # how many calls of a worker are answered, where not all are
        self._came = threading.Condition()
        gateway = self

        class Answers(Lasting):
            disable_nagle_algorithm = True

            def answers(self) -> None:
                said = json.loads(self.heard())
                worker = self.headers["Authorization"].removeprefix("Bearer ")
                gateway._take(Call(worker, uuid.UUID(self.headers["Idempotency-Key"]), said["to"]))
                self.say(201, json.dumps({"reference": f"ref-{said['id']}"}).encode())

        self._server = _Server(("127.0.0.1", 0), Answers)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}/texts"

    def _take(self, call: Call) -> None:
        with self._came:
            self._calls.append(call)
            own = sum(one.worker == call.worker for one in self._calls)
            self._came.notify_all()
            self._came.wait_for(lambda: own <= self._answered.get(call.worker, own), PATIENCE_SECONDS)
        time.sleep(self._seconds)

    def withhold(self, *workers: str, after: int = 0) -> None:
        """Take these workers' calls, and after so many more of each give no answer."""
        with self._came:
            for worker in workers:
                self._answered[worker] = after + sum(one.worker == worker for one in self._calls)

    def answer(self, *workers: str) -> None:
        """Answer these workers from now on, and what they wait for; without any, all of them."""
        with self._came:
            for worker in workers or tuple(self._answered):
                self._answered.pop(worker, None)
            self._came.notify_all()

    def waiting(self, worker: str) -> int:
        """How many calls of this worker wait for an answer that is withheld."""
        with self._came:
            came = sum(one.worker == worker for one in self._calls)
            return came - self._answered.get(worker, came)

    def calls(self) -> list[Call]:
        with self._came:
            return list(self._calls)

    def times(self) -> Counter[uuid.UUID]:
        """How often each key came."""
        return Counter(one.key for one in self.calls())

    def by(self, worker: str) -> set[uuid.UUID]:
        """The keys that came from one worker."""
        return {one.key for one in self.calls() if one.worker == worker}

    @contextmanager
    def serving(self) -> Iterator[Gateway]:
        with running(self._server):
            try:
                yield self
            finally:
                self.answer()


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False
    request_queue_size = 256

    def handle_error(self, *_: Any) -> None:
        """A caller that was killed does not wait for its answer."""
