"""A text provider described by settings: two of them on loopback, of shapes that we made up, and as unlike as may be."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import parse_qsl, quote

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine, select, update

from service.app import create_app
from service.clock import FixedClock
from service.commands import opening
from service.config import Settings
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, MessageKind, MessageState, TaskKind
from service.intake.texts.receiving import take_text
from service.store.session import read_session, write_session
from service.store.tables import Clinic, DeadLetter, InboundText, Message
from service.transports.base import OutgoingText, PermanentFailure, TemporaryFailure, Unclear, hears_replies
from service.transports.described import description
from service.transports.described.sending import Described
from tests.answering import Lasting, answering
from tests.post import NOON, PATIENT_PHONE, SECOND_PHONE, Post

CLOCK = FixedClock(NOON)
SECRET = "invented-and-long-enough-to-be-a-secret"

# JSON, a bearer token, our id given back, callbacks under an HMAC, several ends in one call.
CRATE = """
[send]
url = "URL/v9/crates?on_behalf_of={user}"
same_id_is_same_message = true
from = "+6499990001"
headers = { Authorization = "Bearer {token}", X-Once = "{id}" }

[send.fields]
recipients = [{ number = "{to}", tag = "n-{id}" }]
content = { kind = "plain", words = "{text}", coding = "{alphabet}" }
origin = "{from}"
minutes = "{minutes_left}"
mark = "{{x}}"
urgent = true

[send.alphabets]
gsm7 = 0
other = 8

[answer]
taken = [202]
reference = "accepted.0.handle"

[[answer.rules]]
status = [400]
place = "fault.code"
is = ["E-17", 404]
means = "never"

[callback]
proof = "hmac"
name = "X-Seal"
prefix = "v1="
encoding = "base64"
signs = "{timestamp}|{body}"
timestamp = "X-When"

[receipts]
each = "events"
only = { place = "type", is = ["end"] }
id = "tag"
outcome = "state"
delivered = ["arrived"]
failed = ["lost", 7]
detail = "why"
at = "when"

[replies]
each = "events"
only = { place = "type", is = ["said"] }
reference = "handle"
from = "by"
to = "number"
text = "words"
answers = "thanks"
"""

# A form, a password, an answer in plain text, its own reference in receipts by GET, and no promise about repeats.
KIOSK = """
[send]
url = "URL/out"
body = "form"
sign_in = "basic"

[send.fields]
msisdn = "{to_digits}"
m = "{text}"
orig = "{from}"
dlr = "{receipts_url}&more=1"

[answer]
kind = "text"
taken = [200]
reference = '^ACK \\d+:(\\S+)'

[[answer.rules]]
matches = '^NAK 12\\b'
means = "never"

[[answer.rules]]
matches = '^NAK'
means = "later"

[callback]
proof = "query"
name = "who"

[receipts]
method = "GET"
kind = "query"
reference = "ref"
outcome = "st"
delivered = ["1"]
failed = ["2", "16"]

[replies]
kind = "form"
from = "msisdn"
to = "dest"
text = "m"
charset = "cs"
at = "t"
adds_plus = true
"""


@dataclass
class Provider:
    """What it was asked, and what it answers; `before` happens while a call is open."""

    asked: list[tuple[str, str, dict[str, str], bytes]] = field(default_factory=list)
    answers: list[tuple[int, str] | None] = field(default_factory=list)
    before: Callable[[], object] = lambda: None
    url: str = ""


@pytest.fixture
def provider() -> Iterator[Provider]:
    told = Provider()

    class Answers(Lasting):
        def answers(self) -> None:
            told.asked.append((self.command, self.path, self.named(), self.heard()))
            told.before()
            answer = told.answers.pop(0)
            if answer is None:  # it has read everything, and hangs up
                self.close_connection = True
                return
            self.say(answer[0], answer[1].encode(), {"Location": "/elsewhere"})

    with answering(Answers) as told.url:
        yield told


@dataclass
class Shop:
    """A clinic whose texts go by such a provider, and the pages that it calls back."""

    post: Post
    client: FlaskClient
    way: Described

    def state(self, message_id: uuid.UUID) -> tuple[MessageState, str | None]:
        held = self.post.message(message_id)
        return held.state, held.provider_ref

    def texts(self) -> list[tuple[str, str | None]]:
        with read_session(self.post.engine) as session:
            rows = session.scalars(select(InboundText).order_by(InboundText.gateway_ref))
            return [(text.gateway_ref, text.outcome) for text in rows]


@pytest.fixture
def shop(engine: Engine, tmp_path: Path, provider: Provider) -> Callable[[str], Shop]:
    def open_shop(described: str) -> Shop:
        post = Post(engine, tmp_path / "gateway.sqlite3")
        settings = settings_for(tmp_path, described.replace("URL", provider.url))
        ways = opening.transports_of(settings, post.clock)
        post.transports = ways
        app = create_app(settings, engine, post.clock, ways)
        way = ways[Channel.TEXT]
        assert isinstance(way, Described)
        return Shop(post, app.test_client(), way)

    return open_shop


def settings_for(folder: Path, described: str, **more: str) -> Settings:
    file = folder / "provider.toml"
    file.write_text(described, encoding="utf-8")
    return Settings.from_env(
        {
            "NEAPTIDE_DATA": str(folder),
            "NEAPTIDE_BASE_URL": "https://calls.example",
            "NEAPTIDE_TEXT_PROVIDER": str(file),
            "NEAPTIDE_TEXT_USER": "clinic & co",
            "NEAPTIDE_TEXT_TOKEN": "t0ken:?",
            "NEAPTIDE_TEXT_CALLBACK_SECRET": SECRET,
            **more,
        }
    )


def sealed(shop: Shop, path: str, said: object, *, late: int = 0, secret: str = SECRET) -> tuple[int, str]:
    """A call of the first provider, its seal made here by hand (RFC 2104)."""
    return sealed_bytes(shop, path, json.dumps(said).encode(), late=late, secret=secret)


def sealed_bytes(shop: Shop, path: str, body: bytes, *, late: int = 0, secret: str = SECRET) -> tuple[int, str]:
    stamp = str(int(shop.post.clock.now().timestamp()) - late)
    seal = base64.b64encode(hmac.new(secret.encode(), stamp.encode() + b"|" + body, hashlib.sha256).digest()).decode()
    headers = {"X-Seal": f"v1={seal}", "X-When": stamp}
    answer = shop.client.post(path, data=body, headers=headers, content_type="application/json")
    return answer.status_code, answer.get_data(as_text=True)


def test_json_a_bearer_token_and_sealed_callbacks(shop: Callable[[str], Shop], provider: Provider) -> None:
    told = shop(CRATE)
    assert hears_replies(told.way)
    with write_session(told.post.engine) as session:
        session.execute(update(Clinic).values(sender_name='Fern"moor\\ ñ'))
    sent = told.post.write(MessageKind.PROMPT)
    provider.answers = [(503, ""), (202, json.dumps({"accepted": [{"handle": "h-1"}]}))]
    told.post.deliver()
    told.post.clock.advance(told.post.message(sent).next_try_at - told.post.clock.now())
    told.post.deliver()
    assert told.state(sent) == (MessageState.SENT, "h-1")
    (method, path, headers, first), (_, _, _, second) = provider.asked
    said = json.loads(first)
    assert (method, path) == ("POST", "/v9/crates?on_behalf_of=clinic%20%26%20co")
    assert (headers["authorization"], headers["x-once"]) == ("Bearer t0ken:?", str(sent))
    assert headers["content-type"] == "application/json"
    assert said["recipients"] == [{"number": PATIENT_PHONE, "tag": f"n-{sent}"}]
    assert (said["origin"], said["minutes"], said["mark"], said["urgent"]) == ("+6499990001", 180, "{x}", True)
    # ñ is of the GSM 7-bit alphabet (3GPP TS 23.038, 6.2.1), the quote and the backslash too.
    assert said["content"] | {"words": ""} == {"kind": "plain", "words": "", "coding": 0}
    assert said["content"]["words"].startswith('Fern"moor\\ ñ: ')
    assert json.loads(second) | {"minutes": 0} == said | {"minutes": 0}

    end = {"type": "end", "tag": str(sent), "state": "arrived", "when": 1_795_608_000}
    calls = "/callbacks/text/receipts"
    for change in ({"late": 301}, {"late": -301}, {"secret": "another"}):
        assert sealed(told, calls, {"events": [end]}, **change)[0] == 401  # type: ignore[arg-type]
    assert told.client.get(calls).status_code == 405
    assert sealed(told, calls, {"events": [end | {"state": "on its way"}, end | {"tag": "a stranger's"}]})[0] == 200
    assert told.state(sent)[0] is MessageState.SENT
    assert sealed(told, calls, {"events": "none"}) == (422, "events: accepted is a list of at most 500\n")
    assert sealed(told, calls, {"events": [{"type": "end", "tag": str(sent)}]})[0] == 422
    text = {"type": "said", "handle": "in-1", "by": PATIENT_PHONE, "words": "STOP\0 " * 1000}
    both = {"events": [end, text]}
    for path in ("/callbacks/text/both", "/callbacks/text/replies"):
        for _ in range(2):
            assert sealed(told, path, both)[0] == 200
    assert sealed(told, "/callbacks/text/replies", both) == (200, "thanks")
    assert told.state(sent)[0] is MessageState.DELIVERED
    assert [ref for ref, _ in told.texts()] == ["in-1"]


@pytest.mark.parametrize(
    ("answer", "failure"),
    [
        ((400, '{"fault": {"code": 404}}'), PermanentFailure),
        ((400, '{"fault": {"code": "E-2"}}'), TemporaryFailure),
        ((202, "<html>welcome</html>"), TemporaryFailure),  # some page's, not the provider's
        ((202, '{"accepted": []}'), TemporaryFailure),
        ((302, ""), TemporaryFailure),
        (None, TemporaryFailure),  # the same id again is the same message there
    ],
)
def test_what_the_first_refuses(
    shop: Callable[[str], Shop], provider: Provider, answer: tuple[int, str] | None, failure: type[Exception]
) -> None:
    way = shop(CRATE).way
    provider.answers = [answer] * 2
    with pytest.raises(failure) as failed:
        way.send(OutgoingText(uuid.uuid4(), PATIENT_PHONE, "hello"))
    assert type(failed.value) is failure
    assert all(path.startswith("/v9") for _, path, _, _ in provider.asked)  # nobody is followed elsewhere


def test_a_form_a_password_and_receipts_by_get(shop: Callable[[str], Shop], provider: Provider) -> None:
    told = shop(KIOSK)
    sent = told.post.write(MessageKind.PROMPT)
    provider.answers = [(200, "ACK 1:k/7 &x\n")]
    told.post.deliver()
    assert told.state(sent) == (MessageState.SENT, "k/7")
    _, path, headers, body = provider.asked[0]
    assert (path, headers["content-type"]) == ("/out", "application/x-www-form-urlencoded")
    # RFC 7617, section 2: user-id and password, a colon between, in base64.
    assert base64.b64decode(headers["authorization"].removeprefix("Basic ")) == b"clinic & co:t0ken:?"
    fields = dict(parse_qsl(body.decode(), strict_parsing=True))
    assert fields.pop("m").startswith("Fernmoor: ")
    dlr = f"https://calls.example/callbacks/text/receipts?who={SECRET}&more=1"
    assert fields == {"msisdn": PATIENT_PHONE[1:], "dlr": dlr}  # no line is known, so none is named

    def calls(**query: str) -> int:
        return told.client.get("/callbacks/text/receipts", query_string=query).status_code

    assert [calls(ref="k/7", st="1"), calls(ref="k/7", st="1", who="x" * 40)] == [401, 401]
    assert told.state(sent)[0] is MessageState.SENT
    assert [calls(ref="k/7", st="8", who=SECRET), calls(ref="another's", st="1", who=SECRET)] == [200, 200]
    assert told.state(sent)[0] is MessageState.SENT
    assert calls(ref="k/7", st="1", who=SECRET) == 200
    assert told.state(sent)[0] is MessageState.DELIVERED
    assert calls(st="1", who=SECRET) == 422

    said = {"msisdn": PATIENT_PHONE[1:], "m": "hello", "t": "2026-11-25T12:01:00Z"}
    for _ in range(2):  # told twice, taken in once
        answer = told.client.post(f"/callbacks/text/replies?who={quote(SECRET)}", data=said)
        assert answer.status_code == 200
    assert len(told.texts()) == 1
    assert told.texts()[0][1] != "unknown"
    # Networks have UCS-2 where one sign is outside their own alphabet (3GPP TS 23.038, section 4).
    stop = f"msisdn={PATIENT_PHONE[1:]}&m={quote('STOP 👍'.encode('utf-16-be'))}&cs=UTF-16BE&t=2"
    told.client.post(f"/callbacks/text/replies?who={quote(SECRET)}", data=stop, content_type="text/x-form")
    assert "stopped" in dict(told.texts()).values()
    assert told.client.post(f"/callbacks/text/both?who={SECRET}", data=said).status_code == 404


def test_one_thing_that_is_not_as_described_holds_up_nothing_else(
    shop: Callable[[str], Shop], provider: Provider
) -> None:
    """The provider sends the whole again, for ever: what is good in it must not wait for the rest."""
    told = shop(CRATE)
    sent, never = told.post.write(MessageKind.PROMPT), told.post.write(MessageKind.NUDGE, to=SECOND_PHONE)
    provider.answers = [(202, json.dumps({"accepted": [{"handle": "h-1"}]}))]
    with write_session(told.post.engine) as session:
        session.execute(update(Message).where(Message.id == never).values(state=MessageState.FAILED))
    told.post.deliver()
    end = {"type": "end", "tag": str(sent), "state": "arrived"}
    text = {"type": "said", "handle": "in-1", "by": PATIENT_PHONE, "words": "chest pain"}
    bad = [
        {"type": "end"}, {"type": "said", "handle": "in-0"}, {"type": "said", "handle": {}, "by": [1], "words": 7},
        {"type": ["end"]}, None, 7, "end", [[]],
        end | {"tag": str(never)}, end | {"tag": str(uuid.uuid4())}, end | {"tag": "' OR 1"}, end | {"when": "0001-01-01"},
        end | {"when": 10**30}, end | {"when": "9999-12-31T23:59:59-23:59", "why": {"deep": []}},
    ]  # fmt: skip
    status, said = sealed(told, "/callbacks/text/both", {"events": [*bad, text, end]})
    assert (status, said) == (422, "state: accepted is the outcome, as it was described\n")
    assert told.state(sent)[0] is MessageState.DELIVERED
    assert told.state(never)[0] is MessageState.FAILED  # nothing is told of what was never sent
    assert told.texts() == [("in-1", "safety")]
    # Another text under a name that was there before, as of a gateway that begins to count anew.
    again = text | {"words": "cannot breathe"}
    for _ in range(2):
        assert sealed(told, "/callbacks/text/both", {"events": [text, again]})[0] == 200
    assert [outcome for _, outcome in told.texts()] == ["safety", "safety"]
    # Nothing of what is too large, too deep or too much is taken.
    for raw in (b"[" * 100_000, b'{"events": ' + b"9" * 5000 + b"}", b"\xff", b""):
        assert sealed_bytes(told, "/callbacks/text/both", raw)[0] == 422
    assert sealed(told, "/callbacks/text/both", {"events": [again | {"handle": str(n)} for n in range(501)]})[0] == 422
    assert (
        sealed_bytes(told, "/callbacks/text/both", b" " * (told.client.application.config["MAX_CONTENT_LENGTH"] + 1))[0]
        == 413
    )
    assert len(told.texts()) == 2


def test_a_receipt_that_overtakes_the_answer_is_not_lost(shop: Callable[[str], Shop], provider: Provider) -> None:
    told = shop(KIOSK)
    first, second = told.post.write(MessageKind.PROMPT), told.post.write(MessageKind.REPLY, params={"text": "x"})
    query = {"st": "1", "who": SECRET}

    def at_once() -> None:
        for ref in ("r-1", "nobody's"):
            told.client.get("/callbacks/text/receipts", query_string=query | {"ref": ref})

    provider.answers, provider.before = [(200, "ACK 1:r-1"), (200, "ACK 1:r-2")], at_once
    told.client.get("/healthz")  # what an application loads at its first request is not to keep an open call waiting
    told.post.deliver(at_once=1)
    assert {told.state(one)[0] for one in (first, second)} == {MessageState.SENT, MessageState.DELIVERED}, "by the 2nd"
    told.post.listen(take_text)
    assert {told.state(one) for one in (first, second)} == {
        (MessageState.DELIVERED, "r-1"), (MessageState.SENT, "r-2"),
    }  # fmt: skip
    with write_session(told.post.engine) as session:
        kept = session.scalars(select(DeadLetter)).all()
        assert len(kept) == 1
        kept[0].at = NOON.replace(hour=1)
    told.post.listen(take_text)
    with read_session(told.post.engine) as session:
        assert session.scalars(select(DeadLetter)).all() == []  # of no message of ours


@pytest.mark.parametrize(
    ("answer", "failure", "calls"),
    [
        ((200, "NAK 12 no such number"), PermanentFailure, 1),
        ((200, "NAK 3 queue is full"), TemporaryFailure, 1),
        ((503, ""), TemporaryFailure, 1),
        ((200, "<html>welcome</html>"), Unclear, 1),
        ((502, ""), Unclear, 1),
        (None, Unclear, 1),  # read, and hung up: asked again it might be sent twice
    ],
)
def test_what_the_second_refuses(
    shop: Callable[[str], Shop],
    provider: Provider,
    answer: tuple[int, str] | None,
    failure: type[Exception],
    calls: int,
) -> None:
    way = shop(KIOSK).way
    provider.answers = [answer] * 2
    with pytest.raises(failure) as failed:
        way.send(OutgoingText(uuid.uuid4(), PATIENT_PHONE, "hello"))
    assert type(failed.value) is failure
    assert len(provider.asked) == calls


def test_what_may_have_been_taken_is_uncertain_and_never_told_as_asked(
    shop: Callable[[str], Shop], provider: Provider
) -> None:
    told = shop(KIOSK)
    sent = told.post.write(MessageKind.PROMPT)
    provider.answers = [None]
    told.post.deliver()
    held = told.post.message(sent)
    assert (held.state, held.attempts) == (MessageState.UNCERTAIN, 1)
    assert told.post.tasks() == [TaskKind.MESSAGE_UNCERTAIN]
    assert len(provider.asked) == 1


def test_a_provider_that_is_away_was_handed_nothing(tmp_path: Path) -> None:
    way = opening.transports_of(settings_for(tmp_path, KIOSK.replace("URL", "http://127.0.0.1:1")), CLOCK)[Channel.TEXT]
    with pytest.raises(TemporaryFailure) as failed:
        way.send(OutgoingText(uuid.uuid4(), PATIENT_PHONE, "hello"))
    assert type(failed.value) is TemporaryFailure


@contextmanager
def refused(where: str) -> Iterator[None]:
    with pytest.raises(Refused) as refusal:
        yield
    assert refusal.value.field == where
    assert refusal.value.accepted


@pytest.mark.parametrize(
    ("given", "put", "where"),
    [
        ('"{text}"', '"{text"', "send.fields.content.words"),
        ('"{text}"', '"{text.__class__}"', "send.fields.content.words"),
        ('"{text}"', '"{body}"', "send.fields.content.words"),
        ('"Bearer {token}"', '"{text}"', "send.headers.Authorization"),
        ('"Bearer {token}"', '"Bearer\\r\\nX: {token}"', "send.headers.Authorization"),
        ("X-Once", '"X-Once: y\\r\\nX"', "send.headers"),
        ('"URL/v9', '"http://{user}.example/v9', "send.url"),
        ('"URL/v9', '"http://gateway.example/v9', "send.url"),
        ('"URL/v9', '"https://{to}.example/v9', "send.url"),
        ("/v9/crates", "/v9/{text}", "send.url"),
        ("{to}", "somebody", "send.fields"),
        ('[send]\n', '[send]\nmethod = "SEND"\n', "send.method"),
        ('[send]\n', '[send]\nmethod = "GET"\n', "send.body"),
        ('[send]\n', '[send]\nspeed = 3\n', "send.speed"),
        ('[send]\n', "[sned]\n", "send.url"),
        ("{id}", "7", "send.same_id_is_same_message"),
        ("[202]", "[1202]", "answer.taken"),
        ('means = "never"', 'means = "perhaps"', "answer.rules.0.means"),
        ('place = "fault.code"', 'plaice = "fault.code"', "answer.rules.0.plaice"),
        ('proof = "hmac"', 'proof = "trust"', "callback.proof"),
        ('timestamp = "X-When"', "", "callback.timestamp"),
        ("{timestamp}|{body}", "{timestamp}", "callback.signs"),
        ("{timestamp}|{body}", "{timestamp}|{url}", "callback.signs"),  # what is read would be proven by nothing
        ('id = "tag"', "", "receipts"),
        ('delivered = ["arrived"]', "", "receipts.delivered"),
        ('reference = "handle"', "", "replies"),
        ("[callback]", "[callbacks]", "callbacks"),
        ("[send]", "[send", "file"),
    ],
)  # fmt: skip
def test_a_description_that_cannot_be_used_is_refused_by_its_place(given: str, put: str, where: str) -> None:
    assert given in CRATE
    with refused(where):
        description.read(CRATE.replace(given, put).replace("URL", "https://gateway.example"))


def test_the_examples_can_be_used_and_tell_every_name() -> None:
    folder = Path(__file__).parents[2] / "deploy" / "texts"
    told = {file.name: file.read_text(encoding="utf-8") for file in folder.glob("*.toml")}
    assert {description.read(text).sending.kind for text in told.values()} == {"json", "query"}
    for name in description.PLACEHOLDERS | description.SIGNED:
        assert f"{{{name}}}" in told["example.toml"], name


@pytest.mark.parametrize(
    ("more", "where"),
    [
        ({"NEAPTIDE_TEXT_URL": "https://gateway.example", "NEAPTIDE_TEXT_TOKEN": "x"}, "NEAPTIDE_TEXT_PROVIDER"),
        ({"NEAPTIDE_TEXT_PROVIDER": "provider.toml"}, "NEAPTIDE_TEXT_PROVIDER"),
        ({"NEAPTIDE_TEXT_PROVIDER": "/nowhere/provider.toml"}, "NEAPTIDE_TEXT_PROVIDER"),
        ({"NEAPTIDE_TEXT_TOKEN": ""}, "NEAPTIDE_TEXT_TOKEN"),
        ({"NEAPTIDE_TEXT_TOKEN": "two\r\nlines"}, "NEAPTIDE_TEXT_TOKEN"),
        ({"NEAPTIDE_TEXT_USER": ""}, "NEAPTIDE_TEXT_USER"),
        ({"NEAPTIDE_TEXT_CALLBACK_SECRET": ""}, "NEAPTIDE_TEXT_CALLBACK_SECRET"),
    ],
)
def test_settings_that_a_description_lacks_are_named(tmp_path: Path, more: dict[str, str], where: str) -> None:
    with refused(where):
        opening.transports_of(settings_for(tmp_path, KIOSK.replace("URL", "https://gateway.example"), **more), CLOCK)


def test_without_a_described_provider_nobody_calls_back(engine: Engine, tmp_path: Path) -> None:
    post = Post(engine, tmp_path / "gateway.sqlite3")
    settings = Settings.from_env({"NEAPTIDE_DATA": str(tmp_path)})
    client = create_app(settings, engine, post.clock, post.transports).test_client()
    for path in ("receipts", "replies", "both"):
        assert client.post(f"/callbacks/text/{path}").status_code == 404
