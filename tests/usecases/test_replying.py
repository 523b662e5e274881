"""Whether a message says that one may reply depends on whether anybody reads replies on its channel."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import select, update

from service.commands import opening
from service.config import Settings
from service.domain.vocabulary import Channel, MessageKind
from service.enrolling import people
from service.store.audit import OPERATOR, Act
from service.store.session import write_session
from service.store.tables import Contact, MessageTemplate
from service.transports.base import OutgoingText, Transport, hears_replies
from tests.post import CAREGIVER_PHONE, NOON, PATIENT_PHONE, Post

pytestmark = pytest.mark.databases("sqlite")

ASKS = {"asks": ["reading", "checkin"]}


class OneWay:
    """A provider that takes messages and brings none."""

    def __init__(self) -> None:
        self.bodies: list[str] = []

    def send(self, text: OutgoingText) -> str:
        self.bodies.append(text.body)
        return f"ref-{text.message_id}"


def bodies(post: Post, kind: MessageKind, to: str) -> list[str]:
    post.write(kind, to=to, params=ASKS)
    post.deliver()
    return [kept.body for kept in post.gateway.messages()]


def test_by_text_a_prompt_and_a_nudge_say_that_one_may_reply(post: Post) -> None:
    assert bodies(post, MessageKind.PROMPT, PATIENT_PHONE) == [
        "Fernmoor: good afternoon. Time for today's reading and check-in: https://calls.example/prompt "
        "Or just reply. STOP to stop."
    ]
    assert bodies(post, MessageKind.NUDGE, CAREGIVER_PHONE)[1:] == [
        "Fernmoor: no reading has come today. Do you know why? https://calls.example/nudge Or reply 1-4; 0 for what they mean."
    ]


@pytest.mark.parametrize("channel", [Channel.TEXT, Channel.EMAIL])
def test_where_no_reply_is_read_none_is_asked_for(post: Post, channel: Channel) -> None:
    way = OneWay()
    post.transports = {channel: way}
    with write_session(post.engine) as session:
        session.execute(update(Contact).values(channel=channel))
    post.write(MessageKind.PROMPT, params=ASKS)
    post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE, params=ASKS)
    post.deliver()
    assert sorted(way.bodies) == [
        "Fernmoor: good afternoon. Time for today's reading and check-in: https://calls.example/prompt",
        "Fernmoor: no reading has come today. Do you know why? https://calls.example/nudge",
    ]


def test_a_clinics_own_wording_is_left_as_it_is(post: Post) -> None:
    with write_session(post.engine) as session:
        session.add(
            MessageTemplate(
                id=uuid.uuid4(), clinic_id=post.clinic.id, language="en", kind=MessageKind.PROMPT,
                body="{sender}: tea is ready. {link}", set_by="operator", set_at=NOON - timedelta(days=1),
            )
        )  # fmt: skip
    assert bodies(post, MessageKind.PROMPT, PATIENT_PHONE) == ["Fernmoor: tea is ready. https://calls.example/prompt"]


@pytest.mark.parametrize(
    ("settings", "hears"),
    [
        ({}, None),  # nothing is pretended
        ({"NEAPTIDE_DEMO": "yes"}, True),  # the mock gateway is asked for replies
        ({"NEAPTIDE_TEXT_URL": "https://texts.example/send", "NEAPTIDE_TEXT_TOKEN": "t"}, False),
        (
            {
                "NEAPTIDE_TEXT_URL": "https://texts.example/send",
                "NEAPTIDE_TEXT_TOKEN": "t",
                "NEAPTIDE_TEXT_CALLBACK_SECRET": "a secret of the gateway and ours, nobody else's",
            },
            True,
        ),
    ],
    ids=["none", "mock", "no callbacks", "callbacks"],
)
def test_a_text_gateway_that_may_not_call_back_brings_no_replies(
    tmp_path: Path, settings: dict[str, str], hears: bool | None
) -> None:
    address = {} if "NEAPTIDE_DEMO" in settings else {"NEAPTIDE_BASE_URL": "https://calls.example"}
    read = Settings.from_env({"NEAPTIDE_DATA": str(tmp_path), **address, **settings})
    ways: Mapping[Channel, Transport] = opening.transports_of(read, opening.clock_of(read))
    assert [hears_replies(way) for way in ways.values()] == ([] if hears is None else [hears])


def test_at_a_corrected_number_it_is_said_again_who_writes(post: Post) -> None:
    with write_session(post.engine) as session:
        contact = session.scalars(select(Contact).where(Contact.address == PATIENT_PHONE)).one()
        people.mend_contact(Act(session, OPERATOR, post.clinic.id, post.clock.now()), contact, "+447700900009")
    for begins in ("Fernmoor here, as agreed with you", "Fernmoor: good afternoon"):
        post.write(MessageKind.PROMPT, to="+447700900009", params={"asks": ["reading"]})
        post.deliver()
        assert post.gateway.messages()[-1].body.startswith(begins)
