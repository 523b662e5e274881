"""Delivery at its edges: leases that run out, rows that cannot be understood, several messages at once, odd receipts."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import select, update
from sqlalchemy.exc import OperationalError

from service.care import contacts
from service.config import Settings
from service.delivery import operating, receiving
from service.delivery.sending import Boundary
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, ConsentKind, ContactState, MessageKind, MessageState, TaskKind
from service.store.audit import OPERATOR, Act
from service.store.due import LEASE
from service.store.session import read_session, write_session
from service.store.tables import Caregiver, Contact, Message, QuarantinedRow
from service.transports.base import Gone, OutgoingText, Receipt
from tests.faulty import Fault
from tests.post import CAREGIVER_PHONE, NOON, PATIENT_PHONE, SECOND_PHONE, Post


def test_a_slow_worker_whose_lease_ran_out_still_brings_its_result(post: Post) -> None:
    sent = post.write(MessageKind.PROMPT)

    def another_takes_back(boundary: Boundary) -> None:
        if boundary is Boundary.HANDED_OVER:
            post.clock.advance(LEASE)
            post.deliver()
            assert post.message(sent).state is MessageState.UNCERTAIN

    post.deliver(at=another_takes_back)
    assert post.message(sent).state is MessageState.SENT
    assert [kept.times for kept in post.gateway.messages()] == [1]


def test_what_expires_while_it_waits_for_its_turn_is_not_begun(post: Post) -> None:
    sent = post.write(MessageKind.PROMPT, lasts=timedelta(minutes=1))

    def a_long_queue(boundary: Boundary) -> None:
        if boundary is Boundary.STAMPED:
            post.clock.advance(timedelta(minutes=1))

    post.deliver(at=a_long_queue)
    assert post.gateway.messages() == []
    ended = post.message(sent)
    assert (ended.state, ended.attempts) == (MessageState.EXPIRED, 0)


def test_a_stop_while_others_are_being_called_stops_what_has_not_begun(post: Post) -> None:
    sent = [post.write(MessageKind.PROMPT), post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE)]

    def stop(boundary: Boundary) -> None:
        if boundary is Boundary.HANDED_OVER:
            with write_session(post.engine) as session:
                act = Act(session, OPERATOR, post.clinic.id, post.clock.now())
                for whose in (None, post.caregiver):
                    contacts.record_consent(act, post.patient, ConsentKind.MESSAGES, False, "text STOP", whose)

    post.deliver(at=stop, at_once=1)
    assert len(post.gateway.messages()) == 1
    ends = {post.message(one).state: post.message(one).reason for one in sent}
    assert ends == {MessageState.SENT: None, MessageState.CANCELLED: "consent_withdrawn"}


def test_a_row_that_cannot_be_understood_is_set_aside_alone(post: Post) -> None:
    with write_session(post.engine) as session:
        session.execute(update(Caregiver).values(zone="Nowhere/At_All"))
    poisoned = post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE)
    fine = post.write(MessageKind.PROMPT)
    tally = post.deliver()
    assert (tally.done, tally.quarantined) == (1, 1)
    assert post.message(fine).state is MessageState.SENT
    assert (post.message(poisoned).state, post.message(poisoned).reason) == (MessageState.FAILED, "set_aside")
    with read_session(post.engine) as session:
        (quarantined,) = session.scalars(select(QuarantinedRow)).all()
    assert (quarantined.subject_kind, quarantined.subject_id) == ("message", poisoned)


def test_a_database_that_is_away_while_a_message_is_worded_fails_no_message(
    post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent = post.write(MessageKind.PROMPT)

    def gone(*_: object) -> None:
        raise OperationalError("INSERT", {}, Exception("the server is gone"))

    with monkeypatch.context() as broken:
        broken.setattr("service.delivery.rechecking._word", gone)
        with pytest.raises(OperationalError):
            post.deliver()
    assert post.message(sent).state is MessageState.QUEUED
    post.clock.advance(LEASE)
    post.deliver()
    assert post.message(sent).state is MessageState.SENT


def test_what_is_known_by_now_is_not_made_uncertain_by_a_row_that_cannot_be_settled(
    post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A receipt came during the call: nobody is told to wonder whether it arrived."""
    delivered, unknown = post.write(MessageKind.PROMPT), post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE)

    def receipt_comes(boundary: Boundary) -> None:
        if boundary is Boundary.HANDED_OVER:
            receiving.take_receipts(post.engine, [Receipt(delivered, "delivered", NOON)], NOON)

    with monkeypatch.context() as broken:
        broken.setattr("service.delivery.settling._settle", lambda *_: 1 / 0)
        assert post.deliver(at=receipt_comes).quarantined == 2
    assert post.message(delivered).state is MessageState.DELIVERED
    assert (post.message(unknown).state, post.message(unknown).reason) == (MessageState.UNCERTAIN, "set_aside")


def test_a_prompt_and_its_reminder_due_together_are_one_message(post: Post) -> None:
    prompt, reminder = post.write(MessageKind.PROMPT), post.write(MessageKind.REMINDER)
    nudge = post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE)
    post.deliver()
    assert {kept.message_id for kept in post.gateway.messages()} == {reminder, nudge}
    assert (post.message(prompt).state, post.message(prompt).reason) == (MessageState.CANCELLED, "bundled")


def test_a_channel_that_is_not_set_up_breaks_no_contact_and_the_next_is_asked(post: Post) -> None:
    with write_session(post.engine) as session:
        session.execute(update(Contact).where(Contact.address == PATIENT_PHONE).values(channel=Channel.EMAIL))
    sent = post.write(MessageKind.PROMPT)
    post.deliver()
    assert post.message(sent).reason == "channel_not_set_up"
    assert [kept.to for kept in post.gateway.messages()] == [SECOND_PHONE]
    assert post.tasks() == [TaskKind.NO_WAY_OUT]
    with read_session(post.engine) as session:
        assert set(session.scalars(select(Contact.state))) == {ContactState.OK}


@pytest.mark.parametrize(("others", "tasks"), [(True, []), (False, [TaskKind.BROKEN_CONTACT])])
def test_a_subscription_that_ended_is_dropped_quietly_while_another_contact_works(
    post: Post, others: bool, tasks: list[TaskKind]
) -> None:
    class Ended:
        def send(self, text: OutgoingText) -> str:
            if text.to == PATIENT_PHONE:
                raise Gone("the subscription has ended (410)")
            return post.gateway.send(text)

    post.transports = {Channel.TEXT: Ended()}
    if not others:
        with write_session(post.engine) as session:
            session.execute(update(Contact).where(Contact.address == SECOND_PHONE).values(state=ContactState.BROKEN))
    post.write(MessageKind.PROMPT)
    post.deliver()
    assert [kept.to for kept in post.gateway.messages()] == ([SECOND_PHONE] if others else [])
    assert post.tasks() == tasks


def test_a_late_word_that_it_arrived_is_the_last_word(post: Post) -> None:
    sent = post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE)
    post.gateway.misbehave(Fault.CONTRADICTING_RECEIPTS)
    post.deliver()
    post.listen()
    assert post.message(sent).state is MessageState.DELIVERED


def test_a_receipt_after_a_time_out_spares_the_second_try(post: Post) -> None:
    sent = post.write(MessageKind.PROMPT)
    post.gateway.misbehave(Fault.TIME_OUT)
    post.deliver()
    assert post.message(sent).state is MessageState.QUEUED
    post.listen()
    post.clock.advance(timedelta(minutes=10))
    post.deliver()
    assert post.message(sent).state is MessageState.DELIVERED
    assert [kept.times for kept in post.gateway.messages()] == [1]


def test_a_receipt_for_what_was_never_handed_over_changes_nothing(post: Post) -> None:
    sent = post.write(MessageKind.PROMPT)
    assert not receiving.take_receipts(post.engine, [Receipt(sent, "delivered", NOON)], NOON)
    assert post.message(sent).state is MessageState.QUEUED


def test_a_reply_that_cannot_be_taken_in_is_set_aside_and_the_next_is_read(post: Post) -> None:
    for body in ("first", "second"):
        post.gateway.reply(PATIENT_PHONE, body)
    heard: list[str] = []

    def take(_session: object, _ref: str, _sender: str, body: str, _now: object, **_more: object) -> None:
        if body == "first":
            raise ZeroDivisionError
        heard.append(body)

    assert post.listen(take).quarantined == 1
    assert post.listen(take).seen == 0
    assert heard == ["second"]


@pytest.mark.parametrize(
    ("given", "named"),
    [
        ({"NEAPTIDE_TEXT_URL": "http://gateway.example/"}, "NEAPTIDE_TEXT_URL"),
        ({"NEAPTIDE_TEXT_URL": "https://gateway.example/"}, "NEAPTIDE_TEXT_TOKEN"),
        ({"NEAPTIDE_TEXT_CALLBACK_SECRET": "short"}, "NEAPTIDE_TEXT_CALLBACK_SECRET"),
        ({"NEAPTIDE_MAIL_SERVER": "mail.example"}, "NEAPTIDE_MAIL_SERVER"),
        ({"NEAPTIDE_MAIL_SERVER": "mail.example:25", "NEAPTIDE_MAIL_SECURITY": "none"}, "NEAPTIDE_MAIL_SECURITY"),
        ({"NEAPTIDE_MAIL_SERVER": "mail.example:465"}, "NEAPTIDE_MAIL_FROM"),
        ({"NEAPTIDE_PUSH_KEY": "x"}, "NEAPTIDE_PUSH_CONTACT"),
        ({"NEAPTIDE_PING_URL": "watcher"}, "NEAPTIDE_PING_URL"),
        ({"NEAPTIDE_LOG_LEVEL": "loud"}, "NEAPTIDE_LOG_LEVEL"),
        ({"NEAPTIDE_BASE_URL": "http://calls.example"}, "NEAPTIDE_BASE_URL"),  # in the clear but on this machine
        ({"NEAPTIDE_HOST": "192.0.2.7", "NEAPTIDE_BASE_URL": "http://192.0.2.7:8000"}, "NEAPTIDE_BASE_URL"),
        ({"NEAPTIDE_PROXY": "proxy.example"}, "NEAPTIDE_PROXY"),
        ({"NEAPTIDE_PROXY": "http://proxy.example"}, "NEAPTIDE_PROXY"),
        ({"NEAPTIDE_PROXY": "socks5://proxy.example:1080"}, "NEAPTIDE_PROXY"),
        ({"NEAPTIDE_SENDS_AT_ONCE": "0"}, "NEAPTIDE_SENDS_AT_ONCE"),
    ],
)
def test_a_setting_that_cannot_be_used_is_named(tmp_path: Path, given: dict[str, str], named: str) -> None:
    with pytest.raises(Refused) as refused:
        Settings.from_env({"NEAPTIDE_DATA": str(tmp_path), "NEAPTIDE_BASE_URL": "https://calls.example", **given})
    assert refused.value.field == named


def test_an_operator_tries_again_and_cancels_by_the_rules(post: Post) -> None:
    sent = post.write(MessageKind.PROMPT)
    with pytest.raises(Refused), write_session(post.engine) as session:
        operating.cancel(session, sent, " ", OPERATOR, NOON)
    with write_session(post.engine) as session:
        operating.cancel(session, sent, "asked by telephone", OPERATOR, post.clock.now())
    with pytest.raises(Refused), write_session(post.engine) as session:
        operating.try_again(session, sent, OPERATOR, post.clock.now())
    with write_session(post.engine) as session:
        session.execute(update(Message).values(state=MessageState.UNCERTAIN))
        operating.try_again(session, sent, OPERATOR, post.clock.now())
    post.deliver()
    assert post.message(sent).state is MessageState.SENT
