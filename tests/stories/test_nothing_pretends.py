"""Outside the demo nothing is pretended: no provider, no channel; and what is answered while others are called stays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from sqlalchemy import select

from service import links
from service.care.tasks import raise_task
from service.domain.tasks import ChannelMissing
from service.domain.vocabulary import Channel, MessageState, SilenceCause, TaskKind, TaskSettled, TaskState
from service.health import checks
from service.reviewing import inbox
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Message, Patient, Task
from service.transports.base import OutgoingText, TemporaryFailure
from service.words.language import load_language
from service.words.sentences.tasks import task as sentence
from service.worker import Worker, links_for
from tests.builder import acting
from tests.inwords import about
from tests.world import World, notice, nudge, prompt, reminder


def tasks(world: World) -> list[Task]:
    with read_session(world.engine) as session:
        return list(session.scalars(select(Task).where(Task.kind == TaskKind.NO_WAY_OUT).order_by(Task.raised_at)))


def set_up(world: World, way: object | None, **settings: int) -> None:
    transports = {} if way is None else {Channel.TEXT: way}
    held = replace(world.worker._settings, **settings)  # type: ignore[arg-type]
    world.worker = Worker(world.engine, world.clock, transports, links_for(world.links), held, name="story")  # type: ignore[arg-type]


def test_without_a_gateway_nobody_was_asked_and_everybody_is_told_so(world: World) -> None:
    world.begins("2026-03-01T20:00", "Pacific/Auckland")
    asha, cora = world.patient("Asha"), world.patient("Cora")
    set_up(world, None)
    world.at(asha, "13:00")

    assert {world.clinic.sees(one).silence.cause for one in (asha, cora)} == {SilenceCause.NOT_ASKED}  # type: ignore[union-attr]
    with read_session(world.engine) as session:
        sent = session.scalars(select(Message)).all()
    assert {(one.state, one.reason, one.attempts) for one in sent} == {(MessageState.FAILED, "channel_not_set_up", 0)}
    (task,) = tasks(world)  # one for the clinic, however many were to be asked
    assert (task.patient_id, task.facts["channel"]) == (None, "text")
    told = {one.name: one for one in checks.readiness(world.engine, world.now, channels=())}["ways_out"]
    assert not told.ok
    assert told.sentence.startswith("No text gateway is set up")

    with write_session(world.engine) as session:
        session.get_one(Task, task.id).state = TaskState.CLOSED
    world.advance(days=1)
    assert len(tasks(world)) == 2  # closed, and still so: told again
    set_up(world, world.gateway)
    world.at(asha, "07:00")
    for one in (asha, cora):
        world.phone(one).expects(prompt())
    assert tasks(world)[-1].close_reason == TaskSettled.CHANNEL_SET_UP
    told = {one.name: one for one in checks.readiness(world.engine, world.now, channels=[Channel.TEXT])}["ways_out"]
    assert told.ok


def test_a_task_says_which_way_out_is_missing() -> None:
    for channel, begins in (
        (Channel.TEXT, "No text gateway is set up"),
        (Channel.EMAIL, "No mail server is set up"),
        (Channel.WEBPUSH, "Notices on phones are not set up"),
    ):
        assert sentence(load_language("en"), ChannelMissing(channel)).startswith(begins)


class Interrupted:
    """The gateway; during the first call something happens that makes every other message pointless."""

    def __init__(self, world: World, happens: Callable[[str], None]) -> None:
        self._world = world
        self._happens: Callable[[str], None] | None = happens

    def send(self, text: OutgoingText) -> str:
        if self._happens is not None:
            happens, self._happens = self._happens, None
            happens(text.to)
        return self._world.gateway.send(text)


@pytest.mark.parametrize("kind", ["prompt", "nudge"])
def test_what_is_answered_while_others_are_called_is_not_asked(world: World, kind: str) -> None:
    world.begins("2026-03-01T20:00", "Pacific/Auckland")
    asha, cora = world.patient("Asha"), world.patient("Cora")
    carers = {asha.id: world.caregiver(asha, "Ben"), cora.id: world.caregiver(cora, "Dan")}
    asked = {one.id: world.phone(one if kind == "prompt" else carers[one.id]) for one in (asha, cora)}

    def comes(called: str) -> None:
        for one in (asha, cora):
            if asked[one.id].number != called:
                world.reading(one)
                world.checks_in(one)

    if kind == "nudge":
        world.at(asha, "09:45")
        for one in (asha, cora):
            world.phone(one).expects(prompt(), reminder())
    set_up(world, Interrupted(world, comes), sends_at_once=1)
    world.at(asha, "07:00" if kind == "prompt" else "10:00")
    came = [phone for phone in asked.values() if phone.unread()]
    assert len(came) == 1
    came[0].expects(prompt() if kind == "prompt" else nudge())


def test_a_task_taken_while_others_are_called_is_told_to_nobody_else(world: World) -> None:
    petra = world.staff("Petra")
    with write_session(world.engine) as session:
        for key in ("one", "two"):
            raise_task(session, petra.clinic_id, None, about(TaskKind.SAFETY_ANSWER), key, world.now)

    def takes_both(_: str) -> None:
        with write_session(world.engine) as session:
            for item in inbox.inbox(session, petra.clinic_id):
                inbox.take(acting(session, petra, world.now), item.id)

    set_up(world, Interrupted(world, takes_both), sends_at_once=1)
    world.advance(minutes=1)
    world.phone(petra).expects(notice())


class Busy:
    """A provider that refuses for now, and keeps what it was handed."""

    def __init__(self) -> None:
        self.handed: list[tuple[object, str]] = []

    def send(self, text: OutgoingText) -> str:
        self.handed.append((text.message_id, text.body))
        raise TemporaryFailure("busy")


def test_a_message_that_is_tried_again_says_the_same(world: World) -> None:
    """One idempotency key is one body: link and greeting are those of the first try."""
    world.begins("2026-03-01T20:00", "Pacific/Auckland")
    asha = world.patient("Asha", window=("11:58", "14:00"), due="13:40")
    busy = Busy()
    set_up(world, busy)
    world.at(asha, "12:50")
    assert len(busy.handed) > 3
    assert len(set(busy.handed)) == 1
    assert "good morning" in busy.handed[0][1]
    with write_session(world.engine) as session:
        links.revoke_links(Act(session, OPERATOR, asha.clinic_id, world.now), session.get_one(Patient, asha.id))
    set_up(world, world.gateway)
    world.at(asha, "13:30")  # the longest wait is over
    world.phone(asha).expects(prompt()).follows_link()  # a revoked link would open nothing
    world.reading(asha)
    world.checks_in(asha)
