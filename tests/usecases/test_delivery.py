"""Delivery: claim, recheck, hand over, settle; and what happens when each goes wrong."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import UTC, datetime, time, timedelta
from typing import Any

import pytest
from sqlalchemy import select, update

from service.care import contacts, ending
from service.delivery import receiving, sending, settling
from service.delivery.sending import Boundary
from service.domain.vocabulary import (
    Channel,
    ConsentKind,
    ContactState,
    MessageKind,
    MessageState,
    TaskKind,
    TaskState,
)
from service.store import outbox
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Caregiver, Clinic, Consent, Contact, Message, MessageTemplate, Patient, Task
from service.transports.base import OutgoingText, Receipt
from tests import inwords
from tests.faulty import Fault
from tests.post import CAREGIVER_PHONE, NOON, PATIENT_PHONE, SECOND_PHONE, Post


def test_a_message_arrives_once_with_its_wording_and_link(post: Post) -> None:
    sent = post.write(MessageKind.PROMPT)
    assert post.deliver().done == 1
    assert post.deliver().seen == 0
    (kept,) = post.gateway.messages()
    assert (kept.to, kept.message_id) == (PATIENT_PHONE, sent)
    assert "https://calls.example/prompt" in kept.body
    assert "Asha" not in kept.body
    assert post.message(sent).state is MessageState.SENT


def test_one_occurrence_is_one_message(post: Post) -> None:
    with write_session(post.engine) as session:
        contact = session.scalars(select(Contact).where(Contact.address == PATIENT_PHONE)).one()
        new = outbox.NewMessage(
            clinic_id=post.patient.clinic_id, contact_id=contact.id, kind=MessageKind.PROMPT, channel=Channel.TEXT,
            dedupe_key="prompt:w:text", due_at=NOON, expires_at=NOON + timedelta(hours=1), patient_id=post.patient.id,
        )  # fmt: skip
        assert outbox.enqueue(session, new, NOON) is not None
        assert outbox.enqueue(session, new, NOON) is None
        outbox.enqueue_many(session, [new, new], NOON)
    with read_session(post.engine) as session:
        assert len(session.scalars(select(Message)).all()) == 1


def test_a_receipt_moves_a_message_forward_and_never_back(post: Post) -> None:
    sent = post.write(MessageKind.PROMPT)
    post.gateway.misbehave(Fault.TWO_RECEIPTS)
    post.deliver()
    assert post.listen().done == 2
    assert post.message(sent).state is MessageState.DELIVERED
    assert not receiving.take_receipts(post.engine, [Receipt(sent, "failed", NOON)], NOON)
    assert post.message(sent).state is MessageState.DELIVERED
    assert post.events(sent).count("delivered") == 1


def test_a_receipt_that_overtakes_the_settling_is_not_lost(post: Post) -> None:
    sent = post.write(MessageKind.PROMPT)

    def receipt_first(boundary: Boundary) -> None:
        if boundary is Boundary.HANDED_OVER:
            assert receiving.take_receipts(post.engine, [Receipt(sent, "delivered", NOON)], NOON)

    post.deliver(at=receipt_first)
    assert post.message(sent).state is MessageState.DELIVERED


def test_a_temporary_failure_is_tried_again_later_with_the_same_key(post: Post) -> None:
    sent = post.write(MessageKind.PROMPT)
    post.gateway.misbehave(Fault.TIME_OUT)  # the gateway has it, but did not say so
    post.deliver()
    waiting = post.message(sent)
    assert waiting.state is MessageState.QUEUED
    assert waiting.next_try_at > post.clock.now()
    post.clock.set(waiting.next_try_at)
    post.deliver()
    assert post.message(sent).state is MessageState.SENT
    (kept,) = post.gateway.messages()
    assert kept.times == 2  # handed over twice, kept once


def test_a_failure_that_would_be_retried_too_late_expires(post: Post) -> None:
    sent = post.write(MessageKind.PROMPT, lasts=timedelta(seconds=5))
    post.gateway.misbehave(Fault.TEMPORARY)
    post.deliver()
    assert post.message(sent).state is MessageState.EXPIRED


def test_a_permanent_failure_marks_the_contact_tells_staff_and_tries_the_next(post: Post) -> None:
    sent = post.write(MessageKind.PROMPT)
    post.gateway.misbehave(Fault.PERMANENT, to=PATIENT_PHONE)
    post.deliver()
    assert post.message(sent).state is MessageState.FAILED
    assert [kept.to for kept in post.gateway.messages()] == [SECOND_PHONE]
    assert post.tasks() == [TaskKind.BROKEN_CONTACT]
    with read_session(post.engine) as session:
        broken = session.scalars(select(Contact).where(Contact.address == PATIENT_PHONE)).one()
    assert broken.state is ContactState.BROKEN


def test_an_undelivered_receipt_passes_the_message_on_without_breaking_the_contact(post: Post) -> None:
    post.write(MessageKind.PROMPT)
    post.gateway.misbehave(Fault.FAILED_RECEIPT)
    post.deliver()
    post.listen()
    post.deliver()
    assert [kept.to for kept in post.gateway.messages()] == [PATIENT_PHONE, SECOND_PHONE]
    with read_session(post.engine) as session:
        assert set(session.scalars(select(Contact.state))) == {ContactState.OK}


def test_consent_withdrawn_between_claim_and_hand_over_stops_the_message(post: Post) -> None:
    sent = post.write(MessageKind.PROMPT)

    def withdraw(boundary: Boundary) -> None:
        if boundary is Boundary.CLAIMED:
            with write_session(post.engine) as session:
                post.consent(session, ConsentKind.MESSAGES, False)

    post.deliver(at=withdraw)
    assert post.gateway.messages() == []
    stopped = post.message(sent)
    assert (stopped.state, stopped.reason) == (MessageState.CANCELLED, "consent_withdrawn")


@pytest.mark.parametrize("side", ["patient's permission", "caregiver's own"])
def test_a_caregiver_hears_nothing_without_both_consents(post: Post, side: str) -> None:
    kind = ConsentKind.CAREGIVER if side == "patient's permission" else ConsentKind.MESSAGES
    with write_session(post.engine) as session:
        post.consent(session, kind, False, post.caregiver)
    post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE)
    post.deliver()
    assert post.gateway.messages() == []


def test_a_nudge_waits_for_the_end_of_the_recipients_quiet_hours(post: Post) -> None:
    # 47 CFR 64.1200(c)(1): 21:00–08:00 local time of the called party.
    post.clock.set(datetime(2026, 11, 25, 22, 30, tzinfo=UTC))  # London is on UTC in November
    sent = post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE, lasts=timedelta(hours=20))
    post.deliver()
    waiting = post.message(sent)
    assert (waiting.state, waiting.reason) == (MessageState.QUEUED, "quiet_hours")
    assert waiting.next_try_at == datetime(2026, 11, 26, 8, 0, tzinfo=UTC)
    post.clock.set(waiting.next_try_at)
    post.deliver()
    assert [kept.to for kept in post.gateway.messages()] == [CAREGIVER_PHONE]


def test_quiet_hours_are_the_recipients_own(post: Post) -> None:
    with write_session(post.engine) as session:
        session.execute(update(Caregiver).values(zone="Pacific/Auckland"))  # 12:00 UTC is 01:00 there
    sent = post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE, lasts=timedelta(hours=20))
    post.deliver()
    assert post.message(sent).reason == "quiet_hours"


def test_what_would_only_be_due_after_its_end_expires_in_quiet_hours(post: Post) -> None:
    post.clock.set(datetime(2026, 11, 25, 22, 30, tzinfo=UTC))
    sent = post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE, lasts=timedelta(hours=2))
    post.deliver()
    assert post.message(sent).state is MessageState.EXPIRED


class PowerCut(BaseException):
    """Nothing catches this: the process is gone."""


def cut_at(where: Boundary):
    def at(boundary: Boundary) -> None:
        if boundary is where:
            raise PowerCut

    return at


def test_a_nudge_in_hand_when_the_worker_died_is_tried_once_more_under_the_same_key(post: Post) -> None:
    sent = post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE)
    for _ in range(2):
        with pytest.raises(PowerCut):
            post.deliver(at=cut_at(Boundary.HANDED_OVER))
        post.clock.advance(timedelta(minutes=2))
    post.deliver()
    assert post.message(sent).state is MessageState.UNCERTAIN
    (kept,) = post.gateway.messages()
    assert kept.times == 2
    assert post.tasks() == [TaskKind.MESSAGE_UNCERTAIN]


def test_what_staff_changed_between_two_tries_is_another_message(post: Post) -> None:
    """One id at the provider is one text to one address; what is not known of the first try stays so."""
    moved = "+447700900009"
    timed_out, unknown = post.write(MessageKind.PROMPT), post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE)
    post.gateway.misbehave(Fault.TIME_OUT, to=PATIENT_PHONE)
    with pytest.raises(PowerCut):
        post.deliver(at=cut_at(Boundary.HANDED_OVER))
    post.clock.advance(timedelta(minutes=2))
    with write_session(post.engine) as session:
        session.execute(update(Contact).where(Contact.address == PATIENT_PHONE).values(address=moved))
        session.execute(update(Clinic).values(sender_name="Fernmoor House"))
    # The prompt may have left and is not asked twice; of the nudge one more try is made, which says something else.
    post.deliver()
    first, second, third = post.gateway.messages()
    assert ({first.to, second.to}, third.to) == ({PATIENT_PHONE, CAREGIVER_PHONE}, CAREGIVER_PHONE)
    assert (third.body.startswith("Fernmoor House: "), first.times, second.times, third.times) == (True, 1, 1, 1)
    assert [(post.message(one).state, post.message(one).reason) for one in (timed_out, unknown)] == [
        (MessageState.UNCERTAIN, settling.UNKNOWN),
        (MessageState.UNCERTAIN, "changed"),
    ]
    again = post.message(third.message_id)
    assert (again.state, again.window_id, again.expires_at) == (
        MessageState.SENT, post.message(unknown).window_id, post.message(unknown).expires_at,
    )  # fmt: skip
    receiving.take_receipts(post.engine, [Receipt(unknown, "delivered", NOON)], post.clock.now())
    assert post.message(unknown).state is MessageState.DELIVERED


def test_a_number_that_was_corrected_between_two_tries_is_written_to_under_a_new_key(post: Post) -> None:
    moved = "+447700900009"
    refused = post.write(MessageKind.PROMPT)
    for busy in (2, 0):
        post.gateway.misbehave(Fault.TEMPORARY, times=busy, to=moved)
        if busy:
            post.gateway.misbehave(Fault.TEMPORARY)
            post.deliver()
            with write_session(post.engine) as session:
                session.execute(update(Contact).where(Contact.address == PATIENT_PHONE).values(address=moved))
        post.clock.advance(timedelta(minutes=2))
        post.deliver()
    assert (post.message(refused).state, post.message(refused).reason) == (MessageState.CANCELLED, "changed")
    post.clock.advance(timedelta(minutes=5))
    post.deliver()
    (kept,) = post.gateway.messages()
    assert (kept.to, kept.times) == (moved, 1)
    with read_session(post.engine) as session:
        assert len(session.scalars(select(Message)).all()) == 2  # what failed again said the same again


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Fault.PERMANENT, "The text that tells them to call 999 was not sent. Call them."),
        (Fault.TEMPORARY, "The text that tells them to call 999 was not sent. Call them."),
        (None, "Nobody knows whether the text that tells them to call 999 arrived. Call them."),
    ],
)
def test_that_somebody_was_told_whom_to_call_is_taken_back_when_it_was_not_sent(
    post: Post, fault: Fault | None, says: str
) -> None:
    with write_session(post.engine) as session:
        session.execute(update(Contact).where(Contact.address == SECOND_PHONE).values(state=ContactState.BROKEN))
    sent = post.write(MessageKind.SAFETY, lasts=timedelta(minutes=5))
    for _ in range(2):
        if fault is None:
            with pytest.raises(PowerCut):
                post.deliver(at=cut_at(Boundary.HANDED_OVER))
        else:
            post.gateway.misbehave(fault, times=5)
            post.deliver()
        post.clock.advance(timedelta(minutes=2))
        assert post.message(sent).attempts < 3
    post.clock.advance(timedelta(minutes=2) if fault else timedelta(0))
    post.deliver()
    with read_session(post.engine) as session:
        (task,) = session.scalars(select(Task).where(Task.kind == TaskKind.SAFETY_ANSWER))
    assert (inwords.task(task), task.patient_id) == (says, post.patient.id)
    if fault is None:  # known after all
        receiving.take_receipts(post.engine, [Receipt(sent, "delivered", NOON)], post.clock.now())
        with read_session(post.engine) as session:
            assert session.get_one(Task, task.id).state is TaskState.CLOSED


@pytest.mark.parametrize("altered", [{"how": "said so"}, {"given": True}, {"seal": ""}, {"seal": "00000000:00"}])
@pytest.mark.parametrize("to", [PATIENT_PHONE, CAREGIVER_PHONE])
def test_nothing_is_sent_by_a_consent_that_is_not_as_it_was_written_and_staff_are_told(
    post: Post, altered: dict[str, Any], to: str
) -> None:
    whose = None if to == PATIENT_PHONE else post.caregiver
    its = Consent.caregiver_id.is_(None) if whose is None else Consent.caregiver_id == whose.id
    with write_session(post.engine) as session:
        if "given" in altered:
            post.consent(session, ConsentKind.MESSAGES, False, whose)
        which = select(Consent.id).where(its, Consent.kind == ConsentKind.MESSAGES).order_by(Consent.at.desc()).limit(1)
        session.execute(update(Consent).where(Consent.id.in_(session.scalars(which).all())).values(**altered))
    sent = [post.write(MessageKind.PROMPT if whose is None else MessageKind.NUDGE, to=to) for _ in range(2)]
    safety = post.write(MessageKind.SAFETY, to=to)
    post.deliver()
    ends = [(post.message(one).state, post.message(one).reason) for one in sent]
    assert ends == [(MessageState.CANCELLED, "consent_in_doubt")] * 2
    assert post.message(safety).state is MessageState.SENT  # whom to call is told whatever anybody agreed to
    with read_session(post.engine) as session:
        (task,) = session.scalars(select(Task))
        assert (task.kind, task.patient_id) == (TaskKind.NO_CONTACT, post.patient.id)
        assert "is not found as it was written" in inwords.task(task)
        assert ("caregiver" in inwords.task(task)) == (whose is not None)
        assert not contacts.has_consent(session, post.patient.id, ConsentKind.MESSAGES, whose and whose.id)
    with write_session(post.engine) as session:
        post.consent(session, ConsentKind.MESSAGES, True, whose)
    again = post.write(MessageKind.PROMPT if whose is None else MessageKind.NUDGE, to=to)
    post.deliver()
    assert post.message(again).state is MessageState.SENT


@pytest.mark.parametrize("why", ["worker away", "number gone", "second works", "arrives"])
def test_what_staff_wrote_by_hand_and_never_left_is_a_task_with_its_words(post: Post, why: str) -> None:
    words = {"text": "We have seen your answers, and call this afternoon.", "by": "nurse"}
    with write_session(post.engine) as session:
        if why != "second works":
            session.execute(update(Contact).where(Contact.address == SECOND_PHONE).values(state=ContactState.BROKEN))
    sent = post.write(MessageKind.FROM_CLINIC, params=words)
    if why == "worker away":
        post.clock.advance(timedelta(hours=4))
    elif why != "arrives":
        post.gateway.misbehave(Fault.PERMANENT, to=PATIENT_PHONE)
    for _ in range(2):
        post.deliver()
    with read_session(post.engine) as session:
        told = session.scalars(select(Task).where(Task.kind == TaskKind.NOT_SENT)).all()
    lost = why in {"worker away", "number gone"}
    assert [task.patient_id for task in told] == [post.patient.id] * lost
    assert [words["text"] in inwords.task(task) for task in told] == [True] * lost
    assert len(post.gateway.messages()) == (not lost)
    assert post.message(sent).state is {
        "worker away": MessageState.EXPIRED, "arrives": MessageState.SENT,
    }.get(why, MessageState.FAILED)  # fmt: skip


def test_one_surprise_from_a_provider_does_not_hold_up_the_others(post: Post) -> None:
    class Moody:
        def send(self, text: OutgoingText) -> str:
            if text.to == PATIENT_PHONE:
                raise ZeroDivisionError
            return post.gateway.send(text)

    first, second = post.write(MessageKind.PROMPT), post.write(MessageKind.PROMPT, to=SECOND_PHONE)
    transports: Mapping = {Channel.TEXT: Moody()}
    sending.deliver(post.engine, transports, lambda *_: "x", post.clock)
    assert post.message(first).state is MessageState.QUEUED
    assert post.message(second).state is MessageState.SENT


def test_a_patient_no_longer_looked_after_is_not_written_to(post: Post) -> None:
    sent = post.write(MessageKind.PROMPT)
    with write_session(post.engine) as session:
        ending.end_patient(
            Act(session, OPERATOR, post.patient.clinic_id, NOON),
            session.get_one(Patient, post.patient.id),
        )
    post.deliver()
    assert post.gateway.messages() == []
    assert post.message(sent).reason == "patient_ended"


def test_a_clinics_own_wording_is_used_and_a_broken_one_is_told(post: Post) -> None:
    with write_session(post.engine) as session:
        session.add(
            MessageTemplate(
                id=uuid.uuid4(), clinic_id=post.patient.clinic_id, language="en", kind=MessageKind.PROMPT,
                body="Morning! {link}", set_by="operator", set_at=NOON,
            )
        )  # fmt: skip
    post.write(MessageKind.PROMPT)
    post.deliver()
    assert [kept.body for kept in post.gateway.messages()] == ["Morning! https://calls.example/prompt"]
    with write_session(post.engine) as session:
        session.execute(update(MessageTemplate).values(body="{name} {link}"))
    broken = post.write(MessageKind.PROMPT)
    fine = post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE)
    assert post.deliver().quarantined == 1
    assert post.message(broken).state is MessageState.FAILED
    assert post.message(fine).state is MessageState.SENT


def test_replies_are_taken_in_once_and_in_order(post: Post) -> None:
    post.gateway.reply(PATIENT_PHONE, "82.4 b3")
    post.gateway.reply(PATIENT_PHONE, "s0")
    heard: list[str] = []
    post.listen(lambda _session, _ref, _sender, body, _now, **_more: heard.append(body))
    post.listen(lambda _session, _ref, _sender, body, _now, **_more: heard.append(body))
    assert heard == ["82.4 b3", "s0"]


def test_quiet_hours_the_clinic_switched_off_hold_nothing_back(post: Post) -> None:
    with write_session(post.engine) as session:
        session.execute(update(Clinic).values(quiet_from=time(0), quiet_until=time(0)))
    post.clock.set(datetime(2026, 11, 25, 23, 0, tzinfo=UTC))
    post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE)
    assert post.deliver().done == 1
