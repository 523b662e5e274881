"""A gateway that hangs: messages wait, windows and steps do not, and it is seen."""

from __future__ import annotations

import signal
import threading
import uuid
from collections import Counter
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from sqlalchemy import Engine, select

from service.domain.vocabulary import MessageKind, MessageState, StepState
from service.health import checks, metrics
from service.store import heartbeats
from service.store.session import read_session, write_session
from service.store.tables import Heartbeat, Message, MessageEvent, Step, Window
from tests.crash.fleet import Fleet, fleet, seven_tomorrow
from tests.crash.gateway import Gateway
from tests.crash.people import write_people
from tests.faulty import Fault
from tests.post import NOON, Post
from tests.waiting import PATIENCE_SECONDS, wait_until
from tests.world import World, prompt


class Hanging:
    """The mock gateway's hang, until the test lets go; it stands in for `time` there."""

    def __init__(self) -> None:
        self.hangs, self._released = threading.Event(), threading.Event()

    def sleep(self, _seconds: float) -> None:
        self.hangs.set()
        self._released.wait(PATIENCE_SECONDS)

    def let_go(self) -> None:
        self._released.set()


@pytest.fixture
def hanging(monkeypatch: pytest.MonkeyPatch) -> Iterator[Hanging]:
    told = Hanging()
    monkeypatch.setattr("tests.faulty.time", SimpleNamespace(sleep=told.sleep))
    yield told
    told.let_go()


def test_windows_open_and_steps_are_taken_while_the_gateway_hangs(world: World, hanging: Hanging) -> None:
    world.begins("2026-03-01 06:00")
    world.opens_clinic("UTC")
    asha, ben = world.patient("Asha", zone="UTC"), world.patient("Ben", zone="UTC", window=("07:30", "10:00"))
    world.gateway.misbehave(Fault.HANG)
    world.worker_stops()

    world.at(asha, "07:00")
    world.worker.tick_without_waiting()
    assert hanging.hangs.wait(PATIENCE_SECONDS)
    world.at(ben, "07:30")
    world.worker.tick_without_waiting()  # and comes back, although the gateway does not
    with read_session(world.engine) as session:
        assert set(session.scalars(select(Window.patient_id))) == {asha.id, ben.id}
        taken = select(Step.patient_id).where(Step.state == StepState.DONE)
        assert set(session.scalars(taken)) == {asha.id, ben.id}
        states = session.execute(select(Message.patient_id, Message.state)).all()
        (sign,) = session.scalars(select(Heartbeat))
    # One is with the gateway, the other waits: one pass at a time, whatever hangs.
    assert dict(map(tuple, states)) == {asha.id: MessageState.HANDING_OVER, ben.id: MessageState.QUEUED}
    assert sign.seen_at == world.now
    assert sign.last_tick["batch_seconds"] > 0
    assert sign.last_tick["open"]["done"] == 1

    hanging.let_go()
    wait_until(lambda: len(world.gateway.messages()) == 2, "both prompts")
    world.phone(asha).expects(prompt())
    world.phone(ben).expects(prompt())
    world.worker.finish()
    with read_session(world.engine) as session:
        (sign,) = session.scalars(select(Heartbeat))
    assert sign.last_tick["batch_seconds"] == 0
    assert sign.last_tick["since_start"]["deliver"]["done"] == 2


@pytest.mark.parametrize(("seconds", "slow"), [(0.0, False), (59.9, False), (61.0, True)])
def test_a_hand_over_that_lasts_is_told(engine: Engine, tmp_path: Path, seconds: float, slow: bool) -> None:
    post = Post(engine, tmp_path / "gateway.sqlite3")
    with write_session(engine) as session:
        told = {"failed": {}, "batch_seconds": seconds}
        heartbeats.record(session, "stuck", NOON, told, post.clock.now())
        heartbeats.record(session, "well", NOON, {"failed": {}}, post.clock.now())
        heartbeats.record(session, "gone", NOON, told | {"batch_seconds": 500.0}, NOON - timedelta(hours=1))
    (found,) = (one for one in checks.readiness(engine, post.clock.now()) if one.name == "hand_over")
    assert (found.ok, found.value) == (not slow, seconds)
    assert f"neaptide_hand_over_seconds {seconds}" in metrics.exposition(engine, post.clock.now())


def test_the_watcher_outside_is_not_told_that_all_is_well_while_a_provider_hangs(
    world: World, hanging: Hanging, monkeypatch: pytest.MonkeyPatch
) -> None:
    pinged: list[str] = []
    monkeypatch.setattr("service.health.checks.ping", lambda url, proxy: pinged.append(url))
    asha = world.patient("Asha")
    world.gateway.misbehave(Fault.HANG)
    world.worker_stops()
    world.at(asha, "07:00")
    world.worker.tick_without_waiting()
    assert hanging.hangs.wait(PATIENCE_SECONDS)
    world.worker.ping()
    assert len(pinged) == 1  # it may be slow for a while
    monkeypatch.setattr("service.health.checks.HANDED_OVER_WITHIN", timedelta(0))
    world.worker.ping()
    assert len(pinged) == 1
    hanging.let_go()
    world.worker.finish()
    world.worker.ping()
    assert len(pinged) == 2
    world.phone(asha).expects(prompt())


def test_what_is_not_begun_when_the_worker_is_to_stop_waits_for_the_next_one(engine: Engine, tmp_path: Path) -> None:
    post = Post(engine, tmp_path / "gateway.sqlite3")
    ids = [post.write(MessageKind.REPLY, params={"text": "x"}) for _ in range(10)]
    stopping = threading.Event()

    def stop_at_the_first_call(boundary: object) -> None:
        if str(boundary) == "called":
            stopping.set()

    assert post.deliver(at=stop_at_the_first_call, at_once=1, stopping=stopping.is_set).done == 1
    left = [post.message(one) for one in ids if post.message(one).state is MessageState.QUEUED]
    assert len(left) == 9
    assert {(one.reason, one.attempts, one.claim_token, one.lease_until) for one in left} == {
        ("not_begun", 0, None, None)
    }
    assert post.deliver().done == 9
    assert Counter(one.times for one in post.gateway.messages()) == {1: 10}


@pytest.fixture
def crew(engine: Engine, tmp_path: Path) -> Iterator[Fleet]:
    with fleet(engine, tmp_path, Gateway()) as told:
        yield told


def test_a_worker_that_is_to_stop_waits_for_the_calls_in_flight_only(crew: Fleet) -> None:
    patients, in_flight, opens_at = 200, 4, seven_tomorrow()
    write_people(crew.engine, patients, opens_at)
    crew.start_workers("a")
    crew.gateway.withhold("a")
    crew.until(opens_at)
    crew.wait_until_it_waits("a", in_flight)
    stopping = crew.processes["a"]
    stopping.send_signal(signal.SIGTERM)
    # Only now may the four be answered: the worker is told to stop while they hang.
    crew.gateway.answer("a")
    assert crew.stop("a") == 0
    messages = crew.messages()
    states = Counter(one.state for one in messages.values())
    came = crew.gateway.times()
    assert set(came.values()) == {1}
    assert states == {MessageState.SENT: len(came), MessageState.QUEUED: patients - len(came)}
    assert len(came) < patients
    assert {one.attempts for one in messages.values() if one.state is MessageState.QUEUED} == {0}
    # No more was stamped than could be called, and of what was not begun none had left.
    assert came.keys() <= _told_of(crew, "handing_over")
    assert not _told_of(crew, "queued_again") & came.keys()


@pytest.mark.databases("sqlite")
def test_a_worker_that_is_told_over_and_over_to_stop_does_stop(crew: Fleet) -> None:
    crew.start_workers("a")
    began = _last_sign(crew)
    wait_until(lambda: _last_sign(crew) > began, "the metronome's first tick")  # from then on it waits to be stopped
    stopping = crew.processes["a"]
    for _ in range(1000):  # each may fall between any two steps of what the one before it had done
        stopping.send_signal(signal.SIGTERM)
    # By itself; or, when everything was done, by one that came while the interpreter went.
    assert crew.stop("a") in (0, -signal.SIGTERM)


def _last_sign(crew: Fleet) -> datetime:
    with read_session(crew.engine) as session:
        return session.scalars(select(Heartbeat.seen_at)).one()


def _told_of(crew: Fleet, event: str) -> set[uuid.UUID]:
    with read_session(crew.engine) as session:
        return set(session.scalars(select(MessageEvent.message_id).where(MessageEvent.event == event)))
