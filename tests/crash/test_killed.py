"""A worker process that is killed (SIGKILL) at each boundary of the delivery steps, and what the next one makes of it."""

from __future__ import annotations

import os
import signal
import time
import uuid
from collections import Counter
from collections.abc import Callable
from datetime import timedelta

import pytest

from service.delivery import sending
from service.delivery.sending import Boundary
from service.domain.vocabulary import Channel, MessageKind, MessageState, TaskKind
from service.store.due import LEASE
from service.store.session import open_engine, write_session
from service.store.tables import Clinic
from service.transports.base import LONGEST_CALL
from tests.faulty import Fault, FaultyGateway
from tests.post import CAREGIVER_PHONE, PATIENT_PHONE, Post, link_of
from tests.servers import VAULT

SENT, UNCERTAIN = MessageState.SENT, MessageState.UNCERTAIN
B = Boundary
# Where the process dies → how a prompt ends, how often the provider was given it; and the same for a nudge,
# which is tried once more, under the same id, when nobody knows.
EXPECTED = {
    B.BEFORE_CLAIM: ((SENT, 1), (SENT, 1)),
    B.CLAIMING: ((SENT, 1), (SENT, 1)),
    B.CLAIMED: ((SENT, 1), (SENT, 1)),
    B.RECHECKING: ((SENT, 1), (SENT, 1)),
    B.STAMPING: ((SENT, 1), (SENT, 1)),
    B.STAMPED: ((UNCERTAIN, 0), (SENT, 1)),
    B.CALLING: ((UNCERTAIN, 0), (SENT, 1)),
    B.CALLED: ((UNCERTAIN, 1), (SENT, 2)),
    B.HANDED_OVER: ((UNCERTAIN, 1), (SENT, 2)),
    B.SETTLING: ((UNCERTAIN, 1), (SENT, 2)),
    B.SETTLED: ((SENT, 1), (SENT, 1)),
}


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

    engine = open_engine(post.engine.url.render_as_string(hide_password=False), vault=VAULT)
    gateway = FaultyGateway(post.gateway_path, post.clock.now, hang_seconds=0.01)
    sending.deliver(engine, {Channel.TEXT: gateway}, link_of, post.clock, at=at)


@pytest.mark.parametrize("kind", [MessageKind.PROMPT, MessageKind.NUDGE], ids=str)
@pytest.mark.parametrize("where", list(Boundary), ids=str)
def test_killed_at(post: Post, where: Boundary, kind: MessageKind) -> None:
    address = PATIENT_PHONE if kind is MessageKind.PROMPT else CAREGIVER_PHONE
    message_id = post.write(kind, to=address)
    dies_at(post, where)
    if where not in {B.BEFORE_CLAIM, B.CLAIMING}:
        assert post.deliver().seen == 0  # nobody else takes it while the lease holds
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


MANY, AT_ONCE = 40, 4


def dies_in_the_middle(post: Post, is_time: Callable[[Boundary], bool], hang_seconds: float = 0.01) -> None:
    """Let a process of its own deliver `AT_ONCE` at a time, and be killed at the boundary that `is_time` names."""
    post.engine.dispose()
    child = os.fork()
    if child == 0:
        try:
            engine = open_engine(post.engine.url.render_as_string(hide_password=False), vault=VAULT)
            gateway = FaultyGateway(post.gateway_path, post.clock.now, hang_seconds=hang_seconds)

            def at(boundary: Boundary) -> None:
                if is_time(boundary):
                    os.kill(os.getpid(), signal.SIGKILL)

            sending.deliver(engine, {Channel.TEXT: gateway}, lambda *_: "x", post.clock, at=at, at_once=AT_ONCE)
        finally:
            os._exit(1)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status)


def many(post: Post) -> list[uuid.UUID]:
    # Replies: prompts to one telephone would carry each other.
    return [post.write(MessageKind.REPLY, params={"text": "x"}) for _ in range(MANY)]


def after_the_crash(post: Post, ids: list[uuid.UUID]) -> Counter[MessageState]:
    post.clock.advance(LEASE)
    post.deliver()
    assert all(kept.times == 1 for kept in post.gateway.messages())
    return Counter(post.message(one).state for one in ids)


@pytest.mark.parametrize("where", [B.STAMPING, B.STAMPED, B.CALLING, B.CALLED, B.HANDED_OVER, B.SETTLING], ids=str)
def test_killed_among_many_no_more_is_in_doubt_than_calls_were_open(post: Post, where: Boundary) -> None:
    ids = many(post)
    seen: Counter[Boundary] = Counter()

    def third_time(boundary: Boundary) -> bool:
        seen[boundary] += 1
        return boundary is where and seen[where] == 3

    dies_in_the_middle(post, third_time)
    states = after_the_crash(post, ids)
    assert states[UNCERTAIN] <= AT_ONCE
    assert states == {SENT: MANY - states[UNCERTAIN], **({UNCERTAIN: states[UNCERTAIN]} if states[UNCERTAIN] else {})}


def test_killed_during_one_slow_call_only_that_one_is_in_doubt(post: Post) -> None:
    ids = many(post)
    post.gateway.misbehave(Fault.HANG)

    def all_others_are_settled(boundary: Boundary) -> bool:
        if boundary is not B.SETTLED:
            return False
        return sum(post.message(one).state is SENT for one in ids) == MANY - 1

    dies_in_the_middle(post, all_others_are_settled, hang_seconds=3600)
    assert after_the_crash(post, ids) == {SENT: MANY - 1, UNCERTAIN: 1}


@pytest.mark.slow
def test_a_process_stopped_past_its_lease_calls_nobody_when_it_goes_on(
    post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    message_id = post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE)
    monkeypatch.setattr(sending, "LEASE", LONGEST_CALL + timedelta(seconds=5))  # calls begin for so long
    post.engine.dispose()
    child = os.fork()
    if child == 0:
        try:
            engine = open_engine(post.engine.url.render_as_string(hide_password=False), vault=VAULT)
            gateway = FaultyGateway(post.gateway_path, post.clock.now)

            def at(boundary: Boundary) -> None:
                if boundary is B.STAMPED:
                    os.kill(os.getpid(), signal.SIGSTOP)

            sending.deliver(engine, {Channel.TEXT: gateway}, link_of, post.clock, at=at)
            os._exit(0)
        finally:
            os._exit(1)
    _, status = os.waitpid(child, os.WUNTRACED)
    assert os.WIFSTOPPED(status)
    monkeypatch.undo()
    post.clock.advance(LEASE)
    post.deliver()  # another worker, which tries a nudge once more
    assert post.message(message_id).state is SENT
    time.sleep(5.1)  # until the first may begin no call
    os.kill(child, signal.SIGCONT)
    _, status = os.waitpid(child, 0)
    assert os.waitstatus_to_exitcode(status) == 0
    (kept,) = post.gateway.messages()
    assert (kept.message_id, kept.times) == (message_id, 1)
    assert post.message(message_id).state is SENT


@pytest.mark.parametrize(("prefers", "state", "times"), [(False, UNCERTAIN, 1), (True, SENT, 2)])
def test_a_clinic_may_prefer_a_double_prompt_to_none(
    post: Post, prefers: bool, state: MessageState, times: int
) -> None:
    with write_session(post.engine) as session:
        session.get_one(Clinic, post.clinic.id).asks_again_in_doubt = prefers
    message_id = post.write(MessageKind.PROMPT)
    dies_at(post, B.CALLED)
    post.clock.advance(LEASE)
    post.deliver()
    assert post.message(message_id).state is state
    assert [kept.times for kept in post.gateway.messages()] == [times]


def test_killed_mid_batch_staff_are_told_once_and_nobody_twice(post: Post) -> None:
    # As prompts of other days would be: one a person would otherwise carry the others.
    ids = [post.write(MessageKind.REPLY, params={"text": "x"}) for _ in range(12)]
    dies_at(post, B.CALLED)
    post.clock.advance(LEASE)
    post.deliver()
    assert {post.message(one).state for one in ids} == {UNCERTAIN}
    assert all(kept.times == 1 for kept in post.gateway.messages())
    assert post.tasks() == [TaskKind.MESSAGE_UNCERTAIN]
