"""`neaptide doctor --send-test`: a real message by the real way out, and no more said of it than is known."""

from __future__ import annotations

import json
import re
import socket
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from email import message_from_bytes
from email.policy import default as modern
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from sqlalchemy import Engine, select

from service.app import create_app
from service.clock import SystemClock
from service.config import Settings
from service.store.session import read_session
from service.store.tables import AuditLine, Base, Message
from service.transports.textgateway import signature
from tests.answering import Answering, answering
from tests.usecases.test_cli import CLINIC, Run, done, run

__all__ = ["run"]

OWN_NUMBER = "+6499990177"
CALLBACK = "callback secret of 32 characters or more"
CALLED_BACK = "/api/v1/callbacks/text"


class Provider:
    """A text provider on loopback by the documented contract. `receipt` is what it calls back with, by `post`."""

    def __init__(self) -> None:
        self.taken: list[dict[str, Any]] = []
        self.status = 202
        self.receipt = ""
        self.post: Callable[[bytes, dict[str, str]], int] | None = None
        self.url = ""

    def take(self, body: dict[str, Any]) -> tuple[int, dict[str, str]]:
        self.taken.append(body)
        if self.receipt and self.post is not None:
            at = SystemClock().now()
            told = {"receipts": [{"id": body["id"], "outcome": self.receipt, "at": at.isoformat()}]}
            raw, stamp = json.dumps(told).encode(), str(int(at.timestamp()))
            headers = {"Neaptide-Timestamp": stamp, "Neaptide-Signature": signature(CALLBACK, stamp, raw)}
            assert self.post(raw, {"Content-Type": "application/json", **headers}) == 204
        return self.status, {"reference": f"p-{len(self.taken)}"} if self.status < 300 else {"error": "unknown_address"}


@contextmanager
def provider_on_loopback() -> Iterator[Provider]:
    provider = Provider()

    class Answers(Answering):
        def answers(self) -> None:
            if self.command != "POST":
                self.say(405)
                return
            status, said = provider.take(json.loads(self.heard()))
            self.say(status, json.dumps(said).encode())

    with answering(Answers) as address:
        provider.url = f"{address}/messages"
        yield provider


class Mails:
    """What a mail server on loopback took."""

    def __init__(self) -> None:
        self.taken: list[Any] = []
        self.address = ""

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:  # noqa: N802 - the library's name
        self.taken.append(message_from_bytes(envelope.content, policy=modern))
        return "250 OK"


@contextmanager
def mail_server_on_loopback() -> Iterator[Mails]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    mails = Mails()
    mails.address = f"127.0.0.1:{port}"
    controller = Controller(mails, hostname="127.0.0.1", port=port)
    controller.start()
    try:
        yield mails
    finally:
        controller.stop()


@pytest.fixture
def provider(run: Run, engine: Engine, monkeypatch: pytest.MonkeyPatch) -> Iterator[Provider]:
    """An installation whose text gateway is the fake one."""
    done(run(*CLINIC))
    with provider_on_loopback() as made:
        monkeypatch.setenv("NEAPTIDE_TEXT_URL", made.url)
        monkeypatch.setenv("NEAPTIDE_TEXT_TOKEN", "token")
        monkeypatch.setenv("NEAPTIDE_TEXT_CALLBACK_SECRET", CALLBACK)
        client = create_app(Settings.from_env(), engine, SystemClock(), {}).test_client()
        made.post = lambda raw, headers: client.post(CALLED_BACK, data=raw, headers=headers).status_code
        yield made


def tried(run: Run, *words: str, wait: int = 0) -> tuple[bool, str]:
    """What the doctor says of the test message."""
    said = run("doctor", "--json", "--wait", str(wait), *words)
    assert said.code == 4, said.err  # the rest of this empty house is not well
    (found,) = [one for one in said.json["items"] if one["name"].startswith("test_")]
    return found["ok"], found["sentence"]


@pytest.mark.parametrize(
    ("status", "receipt", "is_well", "says"),
    [
        (202, "delivered", True, "delivered; its receipt says so"),
        (202, "failed", False, "refused, or could not be delivered"),
        (202, "", False, "no receipt came within 0 seconds, so nothing more is known"),
        (422, "", False, "refused, or could not be delivered: "),
        (503, "", False, "may not have left; nothing is known of it: "),
        (503, "delivered", True, "delivered; its receipt says so"),  # too slow for us, and taken all the same
    ],
)
def test_no_more_is_said_of_a_test_message_than_is_known(
    run: Run, provider: Provider, status: int, receipt: str, is_well: bool, says: str
) -> None:
    provider.status, provider.receipt = status, receipt
    ok, sentence = tried(run, "--send-test", "+64 9 999 01 77")
    assert ok is is_well
    assert says in sentence
    (sent,) = provider.taken
    assert sent["to"] == OWN_NUMBER


def test_a_test_message_says_nothing_of_anybody_and_leaves_nobodys_number_behind(
    run: Run, provider: Provider, engine: Engine
) -> None:
    tried(run, "--send-test", OWN_NUMBER)
    assert not re.search("fernmoor|heart|clinic|patient|pressure", provider.taken[0]["text"], re.IGNORECASE)
    with read_session(engine) as session:
        (line,) = session.scalars(select(AuditLine).where(AuditLine.action == "message.test"))
        assert (line.detail, str(line.subject_id)) == ({"login": "imogen"}, provider.taken[0]["id"])
        assert session.scalars(select(Message)).all() == []
        for table in Base.metadata.sorted_tables:
            assert OWN_NUMBER not in repr(session.execute(select(table)).all()), table.name


def test_only_so_many_an_hour_leave_and_the_next_is_told_when(run: Run, provider: Provider) -> None:
    for _ in range(5):
        tried(run, "--send-test", OWN_NUMBER)
    said = run("doctor", "--send-test", OWN_NUMBER)
    assert said.code == 2
    assert re.search(r"5 test messages an hour; the next from \d\d:\d\d UTC", said.err)
    assert len(provider.taken) == 5
    assert len({uuid.UUID(one["id"]) for one in provider.taken}) == 5


def test_a_mail_goes_out_and_nobody_claims_that_it_arrived(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    with mail_server_on_loopback() as mails:
        monkeypatch.setenv("NEAPTIDE_MAIL_SERVER", mails.address)
        monkeypatch.setenv("NEAPTIDE_MAIL_SECURITY", "none")
        monkeypatch.setenv("NEAPTIDE_MAIL_FROM", "calls@fernmoor.example")
        ok, sentence = tried(run, "--send-test", "operator@fernmoor.example")
    assert not ok
    assert "was taken; no receipts reach this service, so look yourself" in sentence
    assert [(mail["To"], mail["Subject"]) for mail in mails.taken] == [("operator@fernmoor.example", "Neaptide")]


@pytest.mark.parametrize("address", ["12345", "0049 30", "somebody@", "operator@fernmoor.example", OWN_NUMBER])
def test_an_address_that_is_none_or_has_no_way_out_is_refused(run: Run, address: str) -> None:
    said = run("doctor", "--send-test", address)
    assert said.code == 2
    assert f"send-test was '{address}'; accepted: " in said.err
