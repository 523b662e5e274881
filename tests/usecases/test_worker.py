"""The worker: what a tick does, what it leaves undone when a part fails, and how it stops."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine
from structlog.testing import capture_logs

from service.store.heartbeats import forget_old, last_seen, record
from service.store.session import read_session, write_session
from service.store.tables import Heartbeat
from tests.conftest import SERVER
from tests.statements import each_statement, statements_of
from tests.waiting import PATIENCE_SECONDS, wait_until
from tests.world import World, prompt

LARGE = ("plans", "windows", "steps", "messages", "readings", "checkins", "patients")


def test_a_tick_says_what_each_part_came_to_and_leaves_a_sign_of_life(world: World) -> None:
    asha = world.patient("Asha")
    world.at(asha, "06:59")
    world.clock.advance(timedelta(minutes=1))
    done = world.worker.tick()
    came_to = {part: tally.done for part, tally in done.items()}
    assert came_to["open"] == came_to["deliver"] == 1
    assert came_to["close"] == came_to["step"] == 0
    with read_session(world.engine) as session:
        assert last_seen(session) == world.now
        (row,) = session.query(Heartbeat).all()
    assert row.worker == "story"
    assert row.last_tick["open"] == {"done": 1, "passed": 0, "quarantined": 0}
    assert row.last_tick["failed"] == {}
    world.phone(asha).expects(prompt())


def test_one_part_failing_does_not_stop_the_others(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    asha = world.patient("Asha")

    def fails(*_: Any) -> None:
        raise RuntimeError("Asha's secret")

    world.at(asha, "06:59")
    monkeypatch.setattr("service.scheduling.closing.close_windows", fails)
    with capture_logs() as logs:
        world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    told = [line for line in logs if line["event"] == "part failed"]
    assert told
    assert told[0]["part"] == "close"
    assert "Asha" not in json.dumps(logs, default=str)  # ids only, never what an exception says
    with read_session(world.engine) as session:
        (row,) = session.query(Heartbeat).all()
    assert row.last_tick["failed"]["close"].startswith("RuntimeError")


def test_what_failed_at_the_start_is_done_at_the_next_tick(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: Any) -> None:
        raise RuntimeError("the database is not up yet")

    with monkeypatch.context() as patched:
        patched.setattr("service.worker.close_set_up", fails)
        world.worker.tick()
    for failed in ({"set_up"}, set()):
        with read_session(world.engine) as session:
            (row,) = session.query(Heartbeat).all()
        assert set(row.last_tick["failed"]) == failed  # what is in here stops the ping, and raises the alarm
        session.expunge_all()
        world.worker.tick()


def test_an_idle_tick_writes_nothing_but_its_sign_of_life(world: World) -> None:
    world.patient("Asha")
    with statements_of(world.engine, "INSERT", "DELETE") as written:
        world.worker.tick()
    assert [statement.split()[2] for statement in written] == ["heartbeats"]


@pytest.mark.skipif(SERVER is not None, reason="asks SQLite's planner")
def test_no_part_of_an_idle_tick_reads_a_large_table_from_end_to_end(world: World) -> None:
    asked: list[tuple[str, Any]] = []

    with each_statement(world.engine, lambda *given: asked.append(given)):
        world.worker.tick()
    asked = [given for given in asked if given[0].lstrip().startswith(("SELECT", "UPDATE", "DELETE"))]
    assert len(asked) > 4
    with world.engine.connect() as connection:
        for statement, parameters in asked:
            plan = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters).fetchall()
            for line in plan:
                scanned = re.match(r"SCAN (\w+)(?! USING)", line[3])
                assert scanned is None or scanned[1] not in LARGE, (statement, line[3])


def test_old_signs_of_life_are_forgotten(engine: Engine) -> None:
    now = datetime(2026, 3, 1, tzinfo=UTC)
    with write_session(engine) as session:
        record(session, "gone", now - timedelta(days=9), {}, now - timedelta(days=8))
        record(session, "here", now, {}, now)
        record(session, "here", now, {"open": 1}, now + timedelta(seconds=5))
        forget_old(session, now)
    with read_session(engine) as session:
        (row,) = session.query(Heartbeat).all()
    assert (row.worker, row.started_at, row.seen_at) == ("here", now, now + timedelta(seconds=5))


PROCESS = """
import sys, time
from pathlib import Path
from service.scheduling import closing
from service.clock import SystemClock
from service.config import Settings
from service.store.session import open_engine
from service.worker import Worker

folder, url = Path(sys.argv[1]), sys.argv[2]
settings = Settings.from_env({"NEAPTIDE_DATA": str(folder), "NEAPTIDE_TICK_SECONDS": "0.05"})
whole = closing.close_windows

def slow(*given):
    (folder / "in-a-tick").touch()
    time.sleep(0.6)
    return whole(*given)

closing.close_windows = slow
Worker(open_engine(url), SystemClock(), {}, lambda *_: "", settings, name="process").run()
(folder / "returned").touch()
"""


@pytest.mark.databases("sqlite")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_stop_signal_lets_the_tick_in_hand_finish(engine: Engine, tmp_path: Path, number: signal.Signals) -> None:
    url = engine.url.render_as_string(hide_password=False)
    process = subprocess.Popen([sys.executable, "-c", PROCESS, str(tmp_path), url], cwd=Path(__file__).parents[2])
    try:
        wait_until((tmp_path / "in-a-tick").exists, "the tick")
        process.send_signal(number)
        assert process.wait(timeout=PATIENCE_SECONDS) == 0
    finally:
        process.kill()
    assert (tmp_path / "returned").exists()
    with read_session(engine) as session:
        (row,) = session.query(Heartbeat).all()
    # The sign of life is a tick's last act: it is there because the tick came to its end.
    assert row.last_tick["failed"] == {}
