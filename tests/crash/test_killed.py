"""A worker process that is killed (SIGKILL) at each boundary of the delivery steps, and what the next one makes of it."""

from __future__ import annotations

import os
import signal
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine

from service.delivery import sending
from service.delivery.sending import Boundary
from service.domain.vocabulary import Channel, MessageKind, MessageState, TaskKind
from service.store.due import LEASE
from service.store.session import open_engine
from service.transports.mock import Fault, MockGateway
from tests.post import CAREGIVER_PHONE, PATIENT_PHONE, Post

SENT, UNCERTAIN = MessageState.SENT, MessageState.UNCERTAIN
B = Boundary
# Where the process dies → how a prompt ends, how often the provider was given it; and the same for a nudge,
# which is tried once more, under the same id, when nobody knows.
EXPECTED = {
    B.BEFORE_CLAIM: ((SENT, 1), (SENT, 1)),
    B.CLAIMING: ((SENT, 1), (SENT, 1)),
    B.CLAIMED: ((SENT, 1), (SENT, 1)),
    B.STAMPING: ((SENT, 1), (SENT, 1)),
    B.STAMPED: ((UNCERTAIN, 0), (SENT, 1)),
    B.CALLING: ((UNCERTAIN, 0), (SENT, 1)),
    B.CALLED: ((UNCERTAIN, 1), (SENT, 2)),
    B.HANDED_OVER: ((UNCERTAIN, 1), (SENT, 2)),
    B.SETTLING: ((UNCERTAIN, 1), (SENT, 2)),
    B.SETTLED: ((SENT, 1), (SENT, 1)),
}


@pytest.fixture
def post(engine: Engine, tmp_path: Path) -> Post:
    return Post(engine, tmp_path / "gateway.sqlite3")


def dies_at(post: Post, where: Boundary) -> None:
    """Let a process of its own deliver, and be killed there."""
    post.engine.dispose()  # a child must not share its parent's connections
    child = os.fork()
    if child == 0:
        try:
            _deliver_and_die(post, where)
        finally:
            os._exit(1)  # it was to be killed, and was not
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status)
    assert os.WTERMSIG(status) == signal.SIGKILL


def _deliver_and_die(post: Post, where: Boundary) -> None:
    def at(boundary: Boundary) -> None:
        if boundary is where:
            os.kill(os.getpid(), signal.SIGKILL)

    engine = open_engine(post.engine.url.render_as_string(hide_password=False))
    gateway = MockGateway(post.gateway_path, post.clock.now)
    sending.deliver(engine, {Channel.TEXT: gateway}, lambda _: "https://calls.example/x", post.clock, at=at)


@pytest.mark.parametrize("kind", [MessageKind.PROMPT, MessageKind.NUDGE], ids=str)
@pytest.mark.parametrize("where", list(Boundary), ids=str)
def test_killed_at(post: Post, where: Boundary, kind: MessageKind) -> None:
    address = PATIENT_PHONE if kind is MessageKind.PROMPT else CAREGIVER_PHONE
    message_id = post.write(kind, to=address)
    dies_at(post, where)
    post.clock.advance(LEASE)
    post.deliver()
    state, handed_over = EXPECTED[where][kind is MessageKind.NUDGE]
    assert post.message(message_id).state is state
    kept = post.gateway.messages()
    # However often it was handed over, the telephone rang at most once: the key was the same.
    assert [(one.message_id, one.times) for one in kept] == ([(message_id, handed_over)] if handed_over else [])
    nobody_knew = where in {B.STAMPED, B.CALLING, B.CALLED, B.HANDED_OVER, B.SETTLING}
    assert post.tasks() == ([TaskKind.MESSAGE_UNCERTAIN] if nobody_knew else [])


@pytest.mark.parametrize("where", [B.CALLED, B.HANDED_OVER, B.SETTLING], ids=str)
def test_a_receipt_settles_what_a_crash_left_uncertain(post: Post, where: Boundary) -> None:
    message_id = post.write(MessageKind.PROMPT)
    dies_at(post, where)
    post.clock.advance(LEASE)
    post.deliver()
    post.listen()
    assert post.message(message_id).state is MessageState.DELIVERED


@pytest.mark.parametrize("fault", [Fault.TEMPORARY, Fault.TIME_OUT, Fault.HANG, Fault.TWO_RECEIPTS, Fault.LATE_RECEIPT])
@pytest.mark.parametrize("where", [B.CALLED, B.HANDED_OVER, B.SETTLING], ids=str)
def test_killed_while_the_gateway_misbehaves(post: Post, where: Boundary, fault: Fault) -> None:
    message_id = post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE)
    post.gateway.misbehave(fault)
    dies_at(post, where)
    for _ in range(3):
        post.clock.advance(LEASE)
        post.deliver()
        post.listen()
    post.clock.advance(timedelta(hours=1))
    post.listen()
    assert post.message(message_id).state is MessageState.DELIVERED
    (kept,) = post.gateway.messages()
    assert kept.message_id == message_id
    assert kept.times <= 2


def test_killed_mid_batch_staff_are_told_once_and_nobody_twice(post: Post) -> None:
    # As prompts of other days would be: one a person would otherwise carry the others.
    ids = [post.write(MessageKind.REPLY, params={"text": "x"}) for _ in range(12)]
    dies_at(post, B.CALLED)
    post.clock.advance(LEASE)
    post.deliver()
    assert {post.message(one).state for one in ids} == {UNCERTAIN}
    assert all(kept.times == 1 for kept in post.gateway.messages())
    assert post.tasks() == [TaskKind.MESSAGE_UNCERTAIN]
