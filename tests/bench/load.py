"""Servers started for a measurement, and requests sent to them over connections that are kept alive."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from itertools import repeat
from pathlib import Path
from urllib.parse import urlencode

CONNECTIONS = 16
STARTS_WITHIN = 20.0  # seconds
LONGEST_ROUND = 240.0
PAGES_BEGIN = 0.2  # before anything else is sent
COMES_AGAIN = 5.0  # after a 503, as its Retry-After says
HERE = Path(__file__).resolve().parents[2]
GUNICORN = (
    "-m", "gunicorn", "--no-control-socket", "--workers", "2", "--threads", "8", "--keep-alive", "30",
    "--worker-tmp-dir", "/dev/shm", "--log-level", "error",  # noqa: S108
)  # fmt: skip


@dataclass(frozen=True)
class Server:
    """A server that listens, with its two processes."""

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
def serving(application: str, environment: Mapping[str, str], *, nice: int = 0) -> Iterator[Server]:
    """gunicorn with the application on a free port, as `neaptide serve` starts it."""
    with closing(socket.socket()) as free:
        free.bind(("127.0.0.1", 0))
        port: int = free.getsockname()[1]
    command = ["nice", "-n", str(nice), sys.executable, *GUNICORN, "--bind", f"127.0.0.1:{port}", application]
    server = subprocess.Popen(command, cwd=HERE, env={**environment, "NEAPTIDE_PORT": str(port)})
    try:
        _wait_for(port, server)
        yield Server(port, server.pid)
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


@dataclass(frozen=True)
class Sent:
    """One request, whole, and the answers that are right."""

    raw: bytes
    right: tuple[int, ...] = (200,)


def get(path: str, headers: str = "", *, right: tuple[int, ...] = (200,)) -> Sent:
    head = f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept-Encoding: gzip\r\n{headers}\r\n"
    return Sent(head.encode(), right)


def post(path: str, body: Mapping[str, object], headers: str = "", *, form: bool = False, right: int = 201) -> Sent:
    kind, text = ("x-www-form-urlencoded", urlencode(body)) if form else ("json", json.dumps(body))
    head = (
        f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n{headers}Content-Type: application/{kind}\r\n"
        f"Content-Length: {len(text)}\r\n\r\n"
    )
    return Sent((head + text).encode(), (right,))


@dataclass(frozen=True)
class Told:
    """What became of one request."""

    sent: Sent
    status: int
    seconds: float


def run(port: int, journeys: Sequence[Sequence[Sent]], connections: int = CONNECTIONS) -> tuple[float, list[Told]]:
    """Send the journeys, each one request after the other, over so many connections; seconds, and what was told."""
    return asyncio.run(asyncio.wait_for(_all(port, journeys, connections), LONGEST_ROUND))


def run_beside(
    port: int, journeys: Sequence[Sequence[Sent]], readers: int, page: Sent, at: int
) -> tuple[tuple[float, list[Told]], list[Told]]:
    """The same while so many readers open `page` at another port, again and again; and what these were told."""
    return asyncio.run(asyncio.wait_for(_beside(port, journeys, readers, page, at), LONGEST_ROUND))


async def _beside(
    port: int, journeys: Sequence[Sequence[Sent]], readers: int, page: Sent, at: int
) -> tuple[tuple[float, list[Told]], list[Told]]:
    read: list[Told] = []
    reading = [asyncio.create_task(_one_after_the_other(at, repeat([page]), read)) for _ in range(readers)]
    await asyncio.sleep(PAGES_BEGIN)
    told = await _all(port, journeys)
    for one in reading:
        one.cancel()
    await asyncio.gather(*reading, return_exceptions=True)
    return told, read


async def _all(
    port: int, journeys: Sequence[Sequence[Sent]], connections: int = CONNECTIONS
) -> tuple[float, list[Told]]:
    left, found, began = iter(journeys), [], time.perf_counter()
    await asyncio.gather(*(_one_after_the_other(port, left, found) for _ in range(connections)))
    return time.perf_counter() - began, found


async def _one_after_the_other(port: int, left: Iterator[Sequence[Sent]], found: list[Told]) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    for journey in left:
        for sent in journey:
            began = time.perf_counter()
            writer.write(sent.raw)
            head = await reader.readuntil(b"\r\n\r\n")
            length = int(head.lower().split(b"content-length:")[1].split(b"\r\n")[0])
            body = await reader.readexactly(length)
            status = int(head.split(b" ", 2)[1])
            found.append(Told(sent, status, time.perf_counter() - began))
            if status not in sent.right:
                raise SystemExit(f"a request was not taken: {sent.raw[:60]!r}: {head[:60]!r} {body[:300]!r}")
            if b"connection: close" in head.lower():
                writer.close()
                reader, writer = await asyncio.open_connection("127.0.0.1", port)
            if status == 503:
                await asyncio.sleep(COMES_AGAIN)
    writer.close()


def at(share: float, waits: Sequence[float]) -> float:
    """The wait that this share of them is at most."""
    return sorted(waits)[min(int(len(waits) * share), len(waits) - 1)]
