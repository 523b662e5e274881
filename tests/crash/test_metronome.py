"""The running worker's beats: it tells a watcher outside that all is well, falls silent when it is not, and tidies.

Nothing here waits for a length of time: what is waited for is that something has happened.
"""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from http.server import HTTPServer
from pathlib import Path

import pytest
from sqlalchemy import Engine, select

from service.clock import SystemClock
from service.store import heartbeats
from service.store.session import read_session, write_session
from service.store.tables import Heartbeat
from tests.answering import Answering, running
from tests.waiting import PATIENCE_SECONDS, wait_until

pytestmark = pytest.mark.databases("sqlite")

# Beats as in service, in quick succession. `pings` grows by a byte after each ping, said or held back.
PROCESS = """
import sys
from pathlib import Path
from service import worker
from service.reviewing import refreshing
from service.scheduling import closing
from service.clock import SystemClock
from service.config import Settings
from service.store.session import open_engine

folder, url, ping = Path(sys.argv[1]), sys.argv[2], sys.argv[3]
worker.PING_SECONDS = worker.MAINTAIN_SECONDS = 0.05
settings = Settings.from_env(
    {"NEAPTIDE_DATA": str(folder), "NEAPTIDE_TICK_SECONDS": "0.05", "NEAPTIDE_PING_URL": ping}
)

def failing(name, whole):
    def part(*given):
        if (folder / name).exists():
            raise RuntimeError("broken on purpose")
        return whole(*given)
    return part

closing.close_windows = failing("break-close", closing.close_windows)
refreshing.refresh = failing("break-refresh", refreshing.refresh)

class Counted(worker.Worker):
    def ping(self):
        super().ping()
        with (folder / "pings").open("a") as tally:
            tally.write(".")

Counted(open_engine(url), SystemClock(), {}, lambda *_: "", settings, name="process").run()
"""


class Watcher(HTTPServer):
    """Counts who says that all is well."""

    heard = 0


class _Hears(Answering):
    def answers(self) -> None:
        assert isinstance(self.server, Watcher)
        self.server.heard += self.path == "/alive"
        self.say(200)


@pytest.fixture
def watcher() -> Iterator[Watcher]:
    with running(server := Watcher(("127.0.0.1", 0), _Hears)):
        yield server


@contextmanager
def working(engine: Engine, folder: Path, watcher: Watcher) -> Iterator[None]:
    url = engine.url.render_as_string(hide_password=False)
    ping = f"http://127.0.0.1:{watcher.server_port}/alive"
    given = [sys.executable, "-c", PROCESS, str(folder), url, ping]
    process = subprocess.Popen(given, cwd=Path(__file__).parents[2], stderr=subprocess.DEVNULL)
    try:
        yield
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=PATIENCE_SECONDS) == 0
    finally:
        process.kill()
        process.wait()


def failed(engine: Engine) -> dict[str, str]:
    with read_session(engine) as session:
        return heartbeats.last_troubles(session, SystemClock().now() - timedelta(minutes=5))


@pytest.mark.parametrize("part", ["close", "refresh"], ids=["a part of the pass", "a part of tidying"])
def test_the_watcher_hears_nothing_while_a_part_fails(
    engine: Engine, tmp_path: Path, watcher: Watcher, part: str
) -> None:
    said = tmp_path / "pings"

    def pings() -> int:
        return said.stat().st_size if said.exists() else 0

    with working(engine, tmp_path, watcher):
        wait_until(lambda: watcher.heard >= 2, "pings")
        broken = tmp_path / f"break-{part}"
        broken.touch()
        wait_until(lambda: part in failed(engine), "the trouble")
        # The ping that was under way is over once another has come to its end.
        under_way = pings()
        wait_until(lambda: pings() >= under_way + 2, "two more pings")
        heard, since = watcher.heard, pings()
        wait_until(lambda: pings() >= since + 5, "five more pings")
        assert watcher.heard == heard
        broken.unlink()
        wait_until(lambda: watcher.heard >= heard + 2, "pings again")
        wait_until(lambda: not failed(engine), "the end of the trouble")


def test_workers_long_gone_are_forgotten_by_the_running_one(engine: Engine, tmp_path: Path, watcher: Watcher) -> None:
    long_ago = datetime(2026, 3, 1, tzinfo=UTC)
    with write_session(engine) as session:
        heartbeats.record(session, "gone", long_ago, {}, long_ago)

    def workers() -> list[str]:
        with read_session(engine) as session:
            return list(session.scalars(select(Heartbeat.worker)))

    with working(engine, tmp_path, watcher):
        wait_until(lambda: workers() == ["process"], "one worker")
        assert failed(engine) == {}
