"""PostgreSQL goes away under workers and web processes, again and again, and comes back.

Every connection to the database is ended by the server (SQLSTATE 57P01,
admin_shutdown: PostgreSQL, appendix A), which is what its clients see of a restart.
"""

from __future__ import annotations

import errno
import random
import socket
import threading
import time
import uuid
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine, func, make_url, select, text
from sqlalchemy.exc import DBAPIError, OperationalError

from service.app import create_app
from service.clock import SystemClock
from service.config import Settings
from service.domain.vocabulary import MessageState
from service.store.queue import NoTurn
from service.store.session import open_engine, patiently, read_session
from service.store.tables import Checkin, MessageEvent, QuarantinedRow, Reading, Window
from service.store.troubles import Trouble, trouble_of
from tests.conftest import SERVER
from tests.crash.fleet import SECRET, Answered, Fleet, fleet, seven_tomorrow
from tests.crash.gateway import Gateway
from tests.crash.people import Panel, write_people
from tests.waiting import wait_until

needs_postgres = pytest.mark.skipif(SERVER is None, reason="needs NEAPTIDE_TEST_DATABASE_URL")
PATIENTS = 80
SEVEN = seven_tomorrow()
END_OTHERS = text(
    "SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity"
    " WHERE datname = :name AND pid <> pg_backend_pid() AND backend_type = 'client backend'"
)


@contextmanager
def dropping(engine: Engine) -> Iterator[list[int]]:
    """End every connection to the engine's database, over and over. The list is how many were ended each time."""
    assert SERVER is not None
    server = create_engine(make_url(SERVER).set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT")
    over, ended = threading.Event(), list[int]()

    # In quick succession, to fall into transactions, and farther and farther apart, until the longest comes through
    # on the slowest machine.
    wait, farther = random.Random(7), 1.0

    def drop() -> None:
        nonlocal farther
        with server.connect() as connection:
            while not over.wait(wait.uniform(0.02, 0.5) * farther):
                ended.append(connection.scalar(END_OTHERS, {"name": engine.url.database}) or 0)
                farther *= 1.05

    with ThreadPoolExecutor(1) as dropper:
        dropped = dropper.submit(drop)
        try:
            yield ended
        finally:
            over.set()
            dropped.result()
            server.dispose()


@pytest.fixture
def crew(engine: Engine, tmp_path: Path) -> Iterator[Fleet]:
    with fleet(engine, tmp_path, Gateway(seconds=0.02)) as told:
        yield told


@pytest.mark.postgres
@pytest.mark.slow
@needs_postgres
def test_workers_go_on_by_themselves_and_the_web_asks_to_be_asked_again(crew: Fleet) -> None:
    panel = write_people(crew.engine, PATIENTS, SEVEN)
    crew.issue_key(panel.clinic_id)
    crew.start_web()
    crew.start_workers("a", "b")
    with dropping(crew.engine) as ended:
        crew.until(SEVEN)
        answers = _answer(crew, panel)
        everybody_else = PATIENTS - len(_took(panel))
        wait_until(lambda: len(crew.gateway.times()) >= everybody_else, "the messages of those who have not answered")
    assert sum(ended) > 10
    assert crew.all_run()
    refused = [one for one in answers if one.status not in {200, 201}]
    assert {(one.status, one.kind) for one in refused} <= {(503, "application/problem+json")}
    assert all(one.body["status"] == 503 for one in refused)
    assert crew.get("/readyz").status in {200, 503}

    # Nothing waits for a lease to run out: whoever lost the database knew what to give back when it was there again.
    crew.wait_for_messages(PATIENTS)
    _nothing_is_lost_or_doubled(crew, panel)
    wait_until(lambda: crew.get("/readyz").status == 200, "readiness", lambda: str(crew.get("/readyz").body))


def _answer(crew: Fleet, panel: Panel) -> list[Answered]:
    """Some take a reading and others fill in the diary; whoever is refused sends the same again."""
    taken_at = (crew.clock.now() - timedelta(minutes=1)).isoformat()
    answers = []
    for path, patient, more in [
        *(("/readings", one, {"taken_at": taken_at, "pa_systolic": 38, "pa_diastolic": 18}) for one in _took(panel)),
        *(("/checkins", one, {"breathlessness": 2}) for one in _filled_in(panel)),
    ]:
        for _ in range(200):
            answers.append(crew.post(path, {"patient": str(patient), **more}))
            if answers[-1].status < 300:
                break
            time.sleep(0.02)
        else:
            raise AssertionError(f"never taken: {answers[-1]}")
    return answers


def _took(panel: Panel) -> list[uuid.UUID]:
    return [one.id for one in panel.people[::10]]


def _filled_in(panel: Panel) -> list[uuid.UUID]:
    return [one.id for one in panel.people[1::10]]


def _nothing_is_lost_or_doubled(crew: Fleet, panel: Panel) -> None:
    messages, times = crew.messages(), crew.gateway.times()
    assert len(messages) == PATIENTS
    states = Counter(one.state for one in messages.values())
    why = Counter((one.state.value, one.reason) for one in messages.values())
    assert states.keys() <= {MessageState.SENT, MessageState.CANCELLED}, why
    assert {one.reason for one in messages.values() if one.state is MessageState.CANCELLED} <= {"answered"}
    # No doubt either: whoever lost the database in the middle knew what had left, and waited to say so.
    assert times == Counter({one.id for one in messages.values() if one.state is MessageState.SENT})
    with read_session(crew.engine) as session:
        assert Counter(session.scalars(select(Window.patient_id))) == Counter(one.id for one in panel.people)
        assert Counter(session.scalars(select(Reading.patient_id))) == Counter(_took(panel))
        current = select(Checkin.patient_id).where(Checkin.superseded_at.is_(None))
        assert Counter(session.scalars(current)) == Counter(_filled_in(panel))
        sent = session.scalars(select(MessageEvent.message_id).where(MessageEvent.event == "sent"))
        assert Counter(sent) == times
        assert session.scalar(select(func.count()).select_from(QuarantinedRow)) == 0


def test_a_service_without_its_database_asks_to_be_asked_again(tmp_path: Path) -> None:
    settings = Settings.from_env({"NEAPTIDE_DATA": str(tmp_path), "NEAPTIDE_SECRET_KEY": SECRET})
    with socket.socket() as nobody:  # bound and not listening: whoever calls there is refused
        nobody.bind(("127.0.0.1", 0))
        engine = open_engine(f"postgresql://postgres@127.0.0.1:{nobody.getsockname()[1]}/none")
        client = create_app(settings, engine, SystemClock(), {}).test_client()
        asked = client.post("/api/v1/readings", json={}, headers={"Authorization": "Bearer nt_anything"})
        page = client.get(f"/c/{'k' * 22}")
        ready = client.get("/readyz")
        engine.dispose()
    assert (asked.status_code, asked.mimetype) == (503, "application/problem+json")
    assert asked.get_json()["status"] == 503
    # RFC 9110, 10.2.3: a number of seconds.
    assert asked.headers["Retry-After"].isdecimal()
    assert (page.status_code, page.mimetype) == (503, "text/html")
    assert (ready.status_code, ready.get_json()) == (503, {"status": "not ready"})


class Said(Exception):
    """What a driver says; psycopg puts the server's SQLSTATE beside it, or None where the server said nothing."""

    def __init__(self, sqlstate: str | None) -> None:
        self.sqlstate = sqlstate


@pytest.mark.parametrize(
    ("said", "away"),
    # PostgreSQL, appendix A: connection failure, the three shutdowns; unique violation, deadlock, lock time-out.
    [("08006", True), ("57P01", True), ("57P02", True), ("57P03", True), (None, True),
     ("23505", False), ("40P01", False), ("55P03", False)],
)  # fmt: skip
def test_a_server_that_is_gone_is_known_from_one_that_refuses(said: str | None, away: bool) -> None:
    assert (trouble_of(OperationalError("SELECT 1", {}, Said(said))) is Trouble.AWAY) is away


def test_a_lost_connection_is_always_a_server_that_is_gone() -> None:
    assert trouble_of(DBAPIError("SELECT 1", {}, Said("25P02"), connection_invalidated=True)) is Trouble.AWAY


def test_patience_is_for_what_comes_back_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.store.session.WAITS", (0, 0, 0))
    said: list[str | None] = ["57P01", None, "57P03"]

    def work() -> str:
        if said:
            raise OperationalError("SELECT 1", {}, Said(said.pop(0)))
        return "done"

    assert patiently(work) == "done"
    said += ["08006"] * 4
    with pytest.raises(OperationalError):
        patiently(work)
    assert said == []
    turns = [NoTurn("somebody keeps the turn"), NoTurn("no place to queue", errno.ENOSPC)]
    with pytest.raises(NoTurn, match="no place"):
        patiently(lambda: (_ for _ in ()).throw(turns.pop(0)))
    assert turns == []
    said += ["40P01", "08006"]
    with pytest.raises(OperationalError):
        patiently(work)
    assert said == ["08006"]
