"""The database locked by somebody else: a program, or a process of ours that was stopped (for a full disk see
test_disk_full.py). SQLite."""

from __future__ import annotations

import os
import re
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, event, func, select, text
from sqlalchemy.exc import OperationalError
from structlog.testing import capture_logs

from service.delivery.sending import Boundary
from service.domain.vocabulary import MessageKind, MessageState
from service.store.due import LEASE
from service.store.session import read_session, write_session
from service.store.tables import Adjustment, Base
from tests.conftest import SERVER
from tests.crash.fleet import ROOT
from tests.house import OPERATORS, open_house
from tests.post import CAREGIVER_PHONE, Post
from tests.signed_in import sign_in_as

pytestmark = pytest.mark.skipif(SERVER is not None, reason="PostgreSQL locks rows, not the database")
BETWEEN = [Boundary.CLAIMED, Boundary.STAMPED, Boundary.HANDED_OVER]


@contextmanager
def locked(post: Post) -> Iterator[None]:
    """Another program holds the database for longer than anybody waits."""

    def in_no_patience(connection: sqlite3.Connection, *_: object) -> None:
        connection.execute("PRAGMA busy_timeout=1")

    event.listen(post.engine, "checkout", in_no_patience)
    with closing(sqlite3.connect(post.engine.url.database or "", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")
    event.remove(post.engine, "checkout", in_no_patience)


@pytest.mark.parametrize("where", BETWEEN, ids=str)
def test_a_locked_database_delays_and_loses_nothing(post: Post, where: Boundary) -> None:
    message_id = post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE)
    held = []

    def lock_it(boundary: Boundary) -> None:
        if boundary is where and not held:
            held.append(locked(post))
            held[0].__enter__()

    with pytest.raises(OperationalError, match="locked"):
        post.deliver(at=lock_it)
    held[0].__exit__(None, None, None)
    _ends_well(post, message_id)


def _ends_well(post: Post, message_id: object) -> None:
    for _ in range(3):
        post.clock.advance(LEASE + timedelta(seconds=1))
        post.deliver()
    assert post.message(message_id).state is MessageState.SENT  # type: ignore[arg-type]
    (kept,) = post.gateway.messages()
    assert kept.times <= 2


HOLDS = """
import sys, time
from service.store.session import open_engine, write_session
with write_session(open_engine(sys.argv[1])) as session:
    print("writes", flush=True)
    sys.stdin.readline()
print("written", flush=True)
sys.stdin.readline()
"""


@contextmanager
def writer(engine: Engine) -> Iterator[subprocess.Popen[str]]:
    """Another process of the service in the middle of a transaction.

    In a group of its own: in an orphaned one, as tests started from a script may be, no stop that is typed is taken
    (POSIX.1-2017, 2.4.3).
    """
    url = engine.url.render_as_string(hide_password=False)
    with subprocess.Popen(
        [sys.executable, "-c", HOLDS, url],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, process_group=0,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == "writes\n"
            yield process
        finally:
            process.kill()


def test_a_writer_that_was_stopped_is_told_of_and_nobody_waits_for_ever(
    engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    house = open_house(engine, tmp_path)
    house.world.at(house.asha, "09:50")
    nurse, staff, now = house.hire_nurse(), house.client, house.world.now
    sign_in_as(staff, nurse.id, now)
    path, page = house.link(house.asha), f"/clinic/patients/{house.asha.id}/adjustments"
    today = {"token": path.rsplit("/", 1)[-1], "breathlessness": 3, "safety_signs": ["fainting"]}
    (token,) = set(
        re.findall(r'name="csrf_token" value="([^"]+)"', staff.get(f"/clinic/patients/{house.asha.id}").text)
    )
    typed = {"kind": "diet", "what": "Less salt, she says", "csrf_token": token}
    monkeypatch.setattr("service.store.queue.PATIENCE", 0.2)
    monkeypatch.setattr("service.store.queue.SHORT_PATIENCE", 0.05)
    monkeypatch.setattr("service.health.checks.BEGINS_WITHIN", 0.1)
    before = counted(engine)
    with writer(engine) as stopped:
        stopped.send_signal(signal.SIGSTOP)
        os.waitid(os.P_PID, stopped.pid, os.WSTOPPED | os.WNOWAIT)
        api = house.client.post("/api/v1/checkins", json=today, headers={"Idempotency-Key": "one"})
        diary = house.client.post(path, data={"breathlessness": "4", "note": "a <quiet> night"})
        chart = staff.post(page, data=typed)
        read = [staff.get("/clinic/review").status_code, house.client.get(path).status_code]
        ready = house.client.get("/readyz", headers=OPERATORS)
        with capture_logs() as logs:
            house.world.clock.advance(timedelta(minutes=11))  # the window closes, if somebody can
            done = house.world.worker.tick()
        assert counted(engine) == before
    # RFC 9110, 15.6.4 and 10.2.3; RFC 9457.
    assert (api.status_code, api.mimetype) == (503, "application/problem+json")
    assert int(api.headers["Retry-After"]) > 0
    for answer in (diary, chart):
        assert answer.status_code == 503
        assert "Not saved yet" in answer.text
    assert "a &lt;quiet&gt; night" in diary.text
    assert f'action="{page}"' in chart.text
    assert dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', chart.text)) == typed
    assert read == [200, 200]
    told = {finding["name"]: finding for finding in ready.get_json()["findings"] if not finding["ok"]}
    named = f"process {stopped.pid}, which is stopped, keeps the turn to write"
    assert (ready.status_code, told["writing"]["sentence"]) == (503, f"Nothing can be written: {named}.")
    failed = {line["part"]: line["error"] for line in logs if line["event"] == "part failed"}
    assert failed.keys() >= {"close", "heartbeat"}
    assert "close" not in done
    assert all(named in error for error in failed.values())
    # It went on, or was ended: all is as if nothing had been. The turn comes, on a slow machine later.
    monkeypatch.setattr("service.store.queue.PATIENCE", 60)
    monkeypatch.setattr("service.store.queue.SHORT_PATIENCE", 60)
    assert staff.post(page, data=typed).status_code == 303
    assert [row.what for row in house.rows(Adjustment)] == ["Less salt, she says"]
    again = house.client.post("/api/v1/checkins", json=today, headers={"Idempotency-Key": "one"})
    assert (again.status_code, house.client.get("/readyz", headers=OPERATORS).get_json()["findings"][2]["ok"]) == (
        201,
        True,
    )
    assert house.world.worker.tick()["close"].done == 1


def test_a_stop_typed_at_the_terminal_waits_for_the_end_of_the_transaction(engine: Engine) -> None:
    # signal(7): a terminal's Ctrl-Z is SIGTSTP; waitid(2) tells of a stop.
    with writer(engine) as typed_at:
        assert typed_at.stdin is not None
        typed_at.send_signal(signal.SIGTSTP)
        typed_at.stdin.write("\n")
        typed_at.stdin.flush()
        os.waitid(os.P_PID, typed_at.pid, os.WSTOPPED | os.WNOWAIT)
        with write_session(engine) as session:  # nobody has the turn
            session.execute(text("SELECT 1"))


def counted(engine: Engine) -> list[int | None]:
    with read_session(engine) as session:
        tables = [mapper.class_ for mapper in Base.registry.mappers]
        return [session.scalar(select(func.count()).select_from(table)) for table in tables]
