"""A message by hand: the clinic's own words, by the way of every message, and told before where it cannot leave.

No outside source: these are promises of this service.
"""

from __future__ import annotations

import uuid
from datetime import timedelta

import pytest
from sqlalchemy import select, update

from service.care import ending
from service.domain.sending import SendReason
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind, ConsentKind, ContactState, MessageState, TaskKind
from service.enrolling import phrases
from service.reviewing import messaging
from service.store.audit import Act, Actor
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Consent, Contact, Message, Patient, Phrase, Task
from service.store.wordings import phrases as list_of
from tests.post import NOON, PATIENT_PHONE, SECOND_PHONE, Post

pytestmark = pytest.mark.databases("sqlite")

NURSE = Actor(ActorKind.STAFF, uuid.UUID(int=7))
CALL = {"en": "We have seen your answers. We will call you on this line: {phone}", "es": "Le llamamos."}


def act(post: Post, session) -> Act:
    return Act(session, NURSE, post.clinic.id, post.clock.now())


@pytest.fixture
def phrase(post: Post) -> uuid.UUID:
    """The only one on the list: those that a clinic begins with are taken away."""
    with write_session(post.engine) as session:
        assert len(list_of(session, post.clinic.id)) == 3
        for row in list_of(session, post.clinic.id):
            phrases.drop_phrase(act(post, session), row)
        return phrases.add_phrase(act(post, session), CALL).id


def send(post: Post, phrase: uuid.UUID) -> uuid.UUID:
    with write_session(post.engine) as session:
        patient = session.get_one(Patient, post.patient.id)
        return messaging.send(act(post, session), patient, phrase, post.transports.keys()).id


def outlook(post: Post) -> messaging.Outlook:
    with read_session(post.engine) as session:
        patient = session.get_one(Patient, post.patient.id)
        return messaging.outlook(session, patient, post.transports.keys(), post.clock.now(), "es")


def test_it_goes_out_once_a_day_in_the_words_that_staff_saw_and_stands_in_the_audit(post: Post, phrase) -> None:
    (choice,) = outlook(post).choices
    assert choice.text == f"We have seen your answers. We will call you on this line: {post.clinic.contact_line}"
    assert choice.beside == "Le llamamos."
    message_id = send(post, phrase)
    with write_session(post.engine) as session:  # the list changes: what was chosen does not
        phrases.change_phrase(act(post, session), session.get_one(Phrase, phrase), {"en": "Something else."})
    post.deliver()
    (sent,) = post.gateway.messages()
    assert (sent.to, sent.body) == (PATIENT_PHONE, f"{post.clinic.sender_name}: {choice.text}")
    with pytest.raises(messaging.SentToday):
        send(post, phrase)
    (today,) = outlook(post).today
    assert (today.text, today.state) == (choice.text, MessageState.SENT)
    with read_session(post.engine) as session:
        line = session.scalars(select(AuditLine).where(AuditLine.action == "message.send")).one()
        assert (line.actor_id, line.subject_id) == (NURSE.id, message_id)
        assert "answers" not in str(line.detail)
    post.clock.advance(timedelta(days=1))
    send(post, phrase)


def test_nobody_is_flooded_though_the_list_is_made_again_and_again(post: Post, phrase) -> None:
    for _ in range(messaging.MOST_A_DAY):
        send(post, phrase)
        with write_session(post.engine) as session:
            phrases.drop_phrase(act(post, session), session.get_one(Phrase, phrase))
            phrase = phrases.add_phrase(act(post, session), CALL).id
    with pytest.raises(messaging.EnoughToday):
        send(post, phrase)
    post.clock.advance(timedelta(days=1))
    send(post, phrase)


@pytest.mark.parametrize("how", ["agrees no more", "care ends"])
def test_what_will_not_leave_because_of_what_staff_do_reaches_them(post: Post, phrase, how: str) -> None:
    post.clock.advance(timedelta(hours=17))  # 05:00: it waits for the end of quiet hours
    message_id = send(post, phrase)
    with write_session(post.engine) as session:
        if how == "agrees no more":
            post.consent(session, ConsentKind.MESSAGES, False)
        else:
            ending.end_patient(act(post, session), session.get_one(Patient, post.patient.id))
    assert post.message(message_id).state is MessageState.CANCELLED
    post.clock.advance(timedelta(hours=6))
    post.deliver()
    with read_session(post.engine) as session:
        (task,) = session.scalars(select(Task).where(Task.kind == TaskKind.NOT_SENT))
        assert (task.patient_id, task.facts["message"]) == (post.patient.id, str(message_id))
        assert task.facts["words"].startswith("We have seen your answers.")


@pytest.mark.parametrize(
    ("trouble", "why"),
    [
        ("no consent", SendReason.CONSENT_WITHDRAWN),
        ("altered consent", SendReason.CONSENT_IN_DOUBT),
        ("no contact", SendReason.CONTACT_BROKEN),
        ("no way", SendReason.CHANNEL_NOT_SET_UP),
        ("late", SendReason.EXPIRED),
    ],
)
def test_where_it_would_not_leave_that_is_told_before_and_nothing_is_written(post: Post, phrase, trouble, why) -> None:
    with write_session(post.engine) as session:
        if trouble == "no consent":
            post.consent(session, ConsentKind.MESSAGES, False)
        if trouble == "altered consent":
            session.execute(update(Consent).values(how="said so"))
        if trouble == "no contact":
            session.execute(update(Contact).values(state=ContactState.BROKEN))
    if trouble == "no way":
        post.transports = {}
    if trouble == "late":
        post.clock.advance(timedelta(hours=10))  # quiet hours from 21:00 last until tomorrow
    assert (outlook(post).can_leave, outlook(post).why) == (False, why)
    with pytest.raises(messaging.CannotLeave, match=why.value):
        send(post, phrase)
    with read_session(post.engine) as session:
        assert session.scalar(select(Message.id)) is None


def test_before_the_morning_it_waits_for_the_end_of_quiet_hours_and_one_that_failed_may_be_tried_again(
    post: Post, phrase
) -> None:
    post.clock.advance(timedelta(hours=17))  # 05:00 of the next day
    assert outlook(post).until == NOON + timedelta(hours=20)
    first = send(post, phrase)
    post.deliver()
    assert post.gateway.messages() == []
    with write_session(post.engine) as session:
        session.execute(update(Contact).where(Contact.address == PATIENT_PHONE).values(state=ContactState.BROKEN))
    post.clock.advance(timedelta(hours=3))
    post.deliver()
    post.deliver()
    assert post.message(first).state is MessageState.FAILED
    assert [sent.to for sent in post.gateway.messages()] == [SECOND_PHONE]
    with pytest.raises(messaging.SentToday):  # by the other contact it went
        send(post, phrase)
    with write_session(post.engine) as session:
        session.execute(update(Message).values(state=MessageState.FAILED))
    assert send(post, phrase) != first


@pytest.mark.parametrize(
    ("bodies", "field"),
    [
        ({"en": "Call {sender}"}, "bodies.en"),
        ({"en": "x" * 440}, "bodies.en"),
        ({"en": "Fine.", "es": "Hoy\u202e"}, "bodies.es"),
        ({"en": " ", "es": ""}, "bodies"),
        ({"xx": "Hm."}, "bodies"),
    ],
)
def test_what_could_not_be_sent_is_not_kept(post: Post, bodies: dict[str, str], field: str) -> None:
    with write_session(post.engine) as session, pytest.raises(Refused) as refused:
        phrases.add_phrase(act(post, session), bodies)
    assert refused.value.field == field


def test_the_list_is_short_and_offers_what_is_in_the_patients_language_alone(post: Post, phrase) -> None:
    with write_session(post.engine) as session:
        for number in range(phrases.MOST - 1):
            phrases.add_phrase(act(post, session), {"es": f"Texto {number}."})
        with pytest.raises(Refused, match="bodies"):
            phrases.add_phrase(act(post, session), {"en": "One more."})
        spanish = session.scalars(select(Phrase.id).order_by(Phrase.place.desc())).first()
    assert [one.phrase_id for one in outlook(post).choices] == [phrase]
    with pytest.raises(Refused, match="phrase_id"):
        send(post, spanish)
