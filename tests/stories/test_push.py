"""Notices from end to end: a phone is set up on its page, the worker delivers, and only that phone can read it."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from cryptography.exceptions import InvalidTag
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.care import contacts
from service.domain.vocabulary import Channel, ConsentKind, ContactState, MessageKind, MessageState, TaskKind
from service.store import outbox
from service.store.audit import OPERATOR, Act
from service.store.session import write_session
from service.store.tables import Contact, Message, MessageEvent, MessageTemplate, Patient, Task
from tests.house import House
from tests.pushed import Browser, PushService, open_push_house, public_key, push_service, vouched
from tests.web.test_push import path_for, phones
from tests.world import Expected, prompt, reminder


@pytest.fixture
def service() -> Iterator[PushService]:
    with push_service() as running:
        yield running


@pytest.fixture
def house(engine: Engine, tmp_path: Path, service: PushService) -> House:
    """Asha has had today's prompt as a text message."""
    house = open_push_house(engine, tmp_path, service)
    house.world.phone(house.asha).expects(prompt())
    return house


def sets_up(house: House, service: PushService, name: str, person: object | None = None) -> Browser:
    browser = Browser(service.endpoint(name))
    path = path_for(house, person or house.asha)  # type: ignore[arg-type]
    assert house.client.post(path, json=browser.subscription).status_code in {200, 201}
    house.world.tick()
    phone = house.world.phone(person or house.asha)  # type: ignore[arg-type]
    if phone.unread():  # that a phone we did not know was set up
        phone.expects(Expected(MessageKind.REPLY))
    return browser


def messages_by(house: House, channel: Channel) -> list[Message]:
    return sorted((one for one in house.rows(Message) if one.channel is channel), key=lambda one: one.created_at)


def test_the_days_prompt_comes_as_a_notice_that_this_phone_alone_can_read(house: House, service: PushService) -> None:
    browser = sets_up(house, service, "asha")
    house.world.at(house.asha, "08:29")
    assert service.taken == []  # nothing is sent because somebody set a phone up
    house.world.reading(house.asha)
    house.world.at(house.asha, "07:01")
    ((headers, body),) = service.of("asha")
    told = browser.reads(body)
    assert told["title"] == "Fernmoor"
    assert told["body"] == "Time for today's reading and check-in. Tap to begin."
    (message,) = messages_by(house, Channel.WEBPUSH)
    assert (message.state, message.kind, told["id"]) == (MessageState.SENT, MessageKind.PROMPT, str(message.id))
    # The link is what a tap opens, and opens the check-in of this window; it is nowhere in what is shown.
    link = urlsplit(told["link"])
    assert f"{link.scheme}://{link.netloc}" == "http://127.0.0.1:8000"
    assert house.client.get(link.path).status_code == 200
    shown = told["title"] + told["body"]
    for hidden in ("http", link.path, "Asha", "Brook", "mmHg", "heart", "pressure", "STOP"):
        assert hidden not in shown
    # RFC 8030: how long it is worth having, and one topic a message; RFC 8292: signed by the key the page gave out.
    assert 0 < int(headers["ttl"]) <= 3 * 3600
    assert headers["topic"] == message.id.hex
    claims = vouched(headers["authorization"])
    assert (claims["k"], claims["aud"]) == (public_key(), service.address)
    with pytest.raises(InvalidTag):
        Browser().reads(body)
    house.world.phone(house.asha).expects_nothing()


def test_a_caregiver_is_asked_by_a_notice_in_their_own_language(house: House, service: PushService) -> None:
    house.change(house.ben, language="es")
    browser = sets_up(house, service, "ben", house.ben)
    house.world.at(house.asha, "10:01")
    house.world.phone(house.asha).expects(reminder())
    told = browser.reads(service.of("ben")[0][1])
    assert told["body"] == "Hoy no ha llegado ninguna lectura. ¿Sabe por qué? Toque para responder."
    assert house.client.get(urlsplit(told["link"]).path).status_code == 200
    house.world.phone(house.ben).expects_nothing()


def test_the_clinics_own_wording_loses_its_link_in_a_notice(house: House, service: PushService) -> None:
    browser = sets_up(house, service, "asha")
    with write_session(house.engine) as session:
        session.add(
            MessageTemplate(
                clinic_id=house.asha.clinic_id,
                language="en",
                kind=MessageKind.REMINDER,
                body="{sender}: a minute for {link} today?",
                set_at=house.world.now,
                set_by="operator",
            )
        )
    house.world.at(house.asha, "08:31")
    assert browser.reads(service.of("asha")[0][1])["body"] == "Fernmoor: a minute for today?"


def test_a_subscription_that_the_browser_ended_is_dropped_and_a_text_goes_instead(
    house: House, service: PushService
) -> None:
    sets_up(house, service, "asha")
    service.gone.add("asha")
    house.world.at(house.asha, "08:31")
    house.world.phone(house.asha).expects(reminder())
    (dropped,) = messages_by(house, Channel.WEBPUSH)
    assert dropped.state is MessageState.FAILED
    assert [one.detail for one in house.rows(MessageEvent) if one.event == "passed_on"] == ["text"]
    (phone,) = phones(house)
    assert phone.state is ContactState.BROKEN
    # Nothing to mend for staff: another contact works. The person is told on their page.
    assert TaskKind.BROKEN_CONTACT not in [task.kind for task in house.rows(Task)]
    page = house.client.get(path_for(house, house.asha)).get_data(as_text=True)
    assert "have stopped working. You can set them up again" in page
    house.world.reading(house.asha)
    house.world.at(house.asha, "07:01")
    house.world.phone(house.asha).expects(prompt())  # the next one is a text at once
    assert service.taken == []


def test_a_phone_that_was_set_up_with_another_key_is_dropped_and_a_text_goes_instead(
    house: House, service: PushService
) -> None:
    # RFC 8292, section 4: the subscription is restricted to the key it was made for.
    sets_up(house, service, "asha")
    with write_session(house.engine) as session:
        phone = session.get_one(Contact, phones(house)[0].id)
        phone.secret = {**(phone.secret or {}), "made_for": "the key before"}
    house.world.at(house.asha, "08:31")
    house.world.phone(house.asha).expects(reminder())
    assert service.taken == []
    assert phones(house)[0].state is ContactState.BROKEN
    assert sets_up(house, service, "asha").endpoint == phones(house)[0].address
    assert phones(house)[0].state is ContactState.OK


def test_what_is_queued_to_a_phone_that_its_person_ends_goes_as_a_text(house: House, service: PushService) -> None:
    sets_up(house, service, "asha")
    with write_session(house.engine) as session:
        phone = session.get_one(Contact, phones(house)[0].id)
        message_id = queue(session, house, phone)
    house.client.post(f"{path_for(house, house.asha)}/end")
    house.world.tick()
    assert service.taken == []
    sent = house.world.phone(house.asha).unread()
    assert ["Fernmoor: there is still time" in one.body for one in sent] == [True]
    assert next(one for one in house.rows(Message) if one.id == message_id).reason == "contact_broken"


@pytest.mark.parametrize("stops", ["STOP", "consent"])
def test_nothing_goes_to_a_phone_of_somebody_who_has_stopped_all_messages(
    house: House, service: PushService, stops: str
) -> None:
    sets_up(house, service, "asha")
    if stops == "STOP":
        house.world.phone(house.asha).texts("STOP")
    else:
        with write_session(house.engine) as session:
            asha = session.get_one(Patient, house.asha.id)
            contacts.record_consent(
                Act(session, OPERATOR, asha.clinic_id, house.world.now),
                asha,
                ConsentKind.MESSAGES,
                False,
                "by telephone",
            )
    house.world.advance(days=2)
    assert service.of("asha") == []


def queue(session: Session, house: House, phone: Contact) -> uuid.UUID | None:
    now = house.world.now
    return outbox.enqueue(
        session,
        outbox.NewMessage(
            clinic_id=house.asha.clinic_id, contact_id=phone.id, kind=MessageKind.REMINDER, channel=Channel.WEBPUSH,
            dedupe_key="reminder:test", due_at=now, expires_at=now + timedelta(hours=2), patient_id=house.asha.id,
            window_id=house.window().id,
        ),
        now,
    )  # fmt: skip
