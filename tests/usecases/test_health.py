"""Self-check: each thing that can be wrong is found, said in a sentence, and counted for machines."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import time, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import Engine, delete, update

from service.care.tasks import raise_task
from service.clock import SystemClock
from service.domain.vocabulary import Channel, ContactState, MessageKind, MessageState, TaskKind
from service.enrolling.plans import NewPlan, set_plan
from service.health import checks, metrics
from service.store import due, heartbeats
from service.store.audit import OPERATOR, Act
from service.store.quarantine import quarantine
from service.store.session import open_engine, write_session
from service.store.tables import Consent, Contact, Message, Plan
from tests.inwords import about
from tests.post import NOON, Post


@pytest.fixture
def post(engine: Engine, tmp_path: Path) -> Post:
    told = Post(engine, tmp_path / "gateway.sqlite3")
    with write_session(engine) as session:
        rule = NewPlan(opens=time(7), due=time(8, 30), closes=time(10))
        set_plan(Act(session, OPERATOR, told.patient.clinic_id, NOON), told.patient, rule)
        heartbeats.record(session, "here", NOON, {"failed": {}}, told.clock.now())
    return told


def wrong(post: Post, **options: object) -> dict[str, float | None]:
    found = checks.examine(post.engine, post.clock.now(), **options)  # type: ignore[arg-type]
    assert all(finding.sentence.endswith(".") and "Asha" not in finding.sentence for finding in found)
    return {finding.name: finding.value for finding in found if not finding.ok}


def test_a_service_in_order_has_nothing_to_say(post: Post) -> None:
    assert wrong(post) == {}


def test_a_worker_that_stopped_is_missed(post: Post) -> None:
    post.clock.advance(timedelta(minutes=3))
    assert wrong(post)["worker"] == 180
    (worker,) = (f for f in checks.readiness(post.engine, post.clock.now()) if f.name == "worker")
    assert worker.sentence == "A worker last ticked 3 minutes ago."


def test_a_part_that_failed_is_named(post: Post) -> None:
    with write_session(post.engine) as session:
        heartbeats.record(session, "here", NOON, {"failed": {"close": "KeyError at watching.py:9"}}, post.clock.now())
    assert wrong(post) == {"worker_parts": 1}


def test_a_message_that_waits_too_long_is_told(post: Post) -> None:
    post.write(MessageKind.PROMPT)
    assert wrong(post) == {}
    post.clock.advance(timedelta(minutes=11))
    assert wrong(post)["oldest_unsent"] == 660


@pytest.mark.parametrize("until", [-timedelta(minutes=10), 3 * due.LEASE])
def test_a_claim_that_no_worker_holds_is_told(post: Post, until: timedelta) -> None:
    message_id = post.write(MessageKind.PROMPT)
    with write_session(post.engine) as session:
        session.execute(
            update(Message)
            .where(Message.id == message_id)
            .values(state=MessageState.HANDING_OVER, lease_until=post.clock.now() + until)
        )
    assert wrong(post) == {"stuck_claims": 1}


def test_a_fresh_claim_is_not_stuck(post: Post) -> None:
    message_id = post.write(MessageKind.PROMPT)
    with write_session(post.engine) as session:
        session.execute(
            update(Message)
            .where(Message.id == message_id)
            .values(state=MessageState.CLAIMED, lease_until=post.clock.now() + due.LEASE)
        )
    assert wrong(post) == {}


def test_people_whom_no_message_can_reach_are_counted(post: Post) -> None:
    with write_session(post.engine) as session:
        session.execute(update(Contact).values(state=ContactState.BROKEN))
        session.execute(delete(Consent))
    assert wrong(post) == {"unreachable_patients": 1, "patients_without_consent": 1}


def test_a_contact_on_a_channel_that_is_not_set_up_does_not_count(post: Post) -> None:
    assert wrong(post, channels=frozenset({Channel.TEXT})) == {}
    assert wrong(post, channels=frozenset({Channel.EMAIL})) == {"unreachable_patients": 1}


@pytest.mark.parametrize(
    "broken",
    [
        {"active": False},
        {"weekdays": 0},
        {"next_open_at": NOON - timedelta(hours=2)},
        {"next_open_at": NOON + timedelta(days=9)},
    ],
    ids=str,
)
def test_a_plan_that_never_fires_is_told(post: Post, broken: dict[str, object]) -> None:
    with write_session(post.engine) as session:
        session.execute(update(Plan).values(**broken))
    assert wrong(post) == {"silent_plans": 1}


def test_rows_set_aside_and_tasks_nobody_took_are_counted(post: Post) -> None:
    with write_session(post.engine) as session:
        quarantine(session, ("window", post.patient.id), ValueError("Asha"), post.clock.now())
        raise_task(
            session, post.clinic.id, post.patient.id, about(TaskKind.SILENT), "k",
            post.clock.now() - timedelta(days=3),
        )  # fmt: skip
    assert wrong(post) == {"set_aside": 1, "waiting_tasks": 1}


def test_the_databases_clock_is_compared_with_this_machines(post: Post) -> None:
    machine = SystemClock().now()
    assert "clock_skew" not in wrong(post, machine_now=machine)
    skewed = wrong(post, machine_now=machine - timedelta(minutes=5))["clock_skew"]
    assert skewed == pytest.approx(-300, abs=5)


def test_missing_migrations_and_a_missing_database_are_told(tmp_path: Path, engine: Engine) -> None:
    empty = open_engine(f"sqlite:///{tmp_path / 'empty.sqlite3'}")
    (layout,) = checks.examine(empty, NOON)
    assert (layout.name, layout.ok) == ("layout", False)
    empty.dispose()
    nowhere = open_engine(f"sqlite:///{tmp_path / 'no' / 'such' / 'folder.sqlite3'}")
    (database,) = checks.examine(nowhere, NOON)
    assert (database.name, database.ok) == ("database", False)
    nowhere.dispose()


def test_the_numbers_for_prometheus_can_be_read_by_its_own_parser(post: Post) -> None:
    post.write(MessageKind.PROMPT)
    with write_session(post.engine) as session:
        told = {"failed": {}, "since_start": {"deliver": {"done": 7, "passed": 1}}}
        heartbeats.record(session, "here", NOON, told, post.clock.now())
    families = {
        family.name: family
        for family in text_string_to_metric_families(metrics.exposition(post.engine, post.clock.now()))
    }
    assert {s.labels["finding"]: s.value for s in families["neaptide_finding_ok"].samples}["worker"] == 1
    assert [(s.labels, s.value) for s in families["neaptide_messages_due"].samples] == [({"channel": "text"}, 1)]
    rows = {(s.labels["part"], s.labels["outcome"]): s.value for s in families["neaptide_worker_rows"].samples}
    assert rows == {("deliver", "done"): 7, ("deliver", "passed"): 1}


@contextmanager
def watcher(status: int) -> Iterator[tuple[str, list[str]]]:
    asked: list[str] = []

    class Answers(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(status)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Answers)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/alive", asked
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@pytest.mark.parametrize(("status", "well"), [(200, True), (204, True), (404, False), (500, False)])
def test_a_watcher_outside_is_pinged(status: int, well: bool) -> None:
    with watcher(status) as (url, asked):
        assert checks.ping(url) is well
        assert asked == ["/alive"]


def test_a_watcher_that_is_away_is_no_trouble() -> None:
    with watcher(200) as (url, _):
        pass
    assert checks.ping(url) is False
