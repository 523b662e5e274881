"""Whether a message says that one may reply depends on whether anybody reads replies on its channel."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, update

from service.commands import opening
from service.config import Settings
from service.domain.vocabulary import Channel, MessageKind
from service.store.session import write_session
from service.store.tables import Contact, MessageTemplate
from service.transports.base import OutgoingText, Transport, hears_replies
from tests.post import CAREGIVER_PHONE, NOON, PATIENT_PHONE, Post

ASKS = {"asks": ["reading", "checkin"]}


class OneWay:
    """A provider that takes messages and brings none."""

    def __init__(self) -> None:
        self.bodies: list[str] = []

    def send(self, text: OutgoingText) -> str:
        self.bodies.append(text.body)
        return f"ref-{text.message_id}"


@pytest.fixture
def post(engine: Engine, tmp_path: Path) -> Post:
    return Post(engine, tmp_path / "gateway.sqlite3")


def bodies(post: Post, kind: MessageKind, to: str) -> list[str]:
    post.write(kind, to=to, params=ASKS)
    post.deliver()
    return [kept.body for kept in post.gateway.messages()]


def test_by_text_a_prompt_and_a_nudge_say_that_one_may_reply(post: Post) -> None:
    assert bodies(post, MessageKind.PROMPT, PATIENT_PHONE) == [
        "Fernmoor: hello, your quiet minutes are due. https://calls.example/prompt Or just reply here. STOP ends these."
    ]
    assert bodies(post, MessageKind.NUDGE, CAREGIVER_PHONE)[1:] == [
        "Fernmoor: no news today. What happened? https://calls.example/nudge Or reply 1-4; 0 for what they mean."
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
        "Fernmoor: hello, your quiet minutes are due. https://calls.example/prompt",
        "Fernmoor: no news today. What happened? https://calls.example/nudge",
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
        ({}, True),  # the mock gateway is asked for replies
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
    ids=["mock", "no callbacks", "callbacks"],
)
def test_a_text_gateway_that_may_not_call_back_brings_no_replies(
    tmp_path: Path, settings: dict[str, str], hears: bool
) -> None:
    read = Settings.from_env({"NEAPTIDE_DATA": str(tmp_path), **settings})
    ways: Mapping[Channel, Transport] = opening.transports_of(read, opening.clock_of(read))
    assert hears_replies(ways[Channel.TEXT]) is hears
