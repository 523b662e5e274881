"""The text gateway's callbacks: taken when signed and fresh, once, and never backwards."""

from __future__ import annotations

import io
import json
import uuid
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select
from werkzeug.test import TestResponse

from service.domain.vocabulary import Channel, MessageKind, MessageState
from service.intake.texts.receiving import take_text
from service.store import outbox
from service.store.session import read_session, write_session
from service.store.tables import Contact, InboundText, Message, QuarantinedRow
from service.transports.textgateway import signature
from service.web.api import callbacks
from tests.web.conftest import House

pytestmark = pytest.mark.databases("sqlite")

SECRET = "a secret of the gateway and ours, nobody else's"


@pytest.fixture
def sent(house: House) -> uuid.UUID:
    """A message the gateway has, whose receipt is awaited."""
    held = house.app.extensions["neaptide"]
    house.app.extensions["neaptide"] = replace(held, settings=replace(held.settings, text_callback_secret=SECRET))
    now = house.clock.now()
    with write_session(house.engine) as session:
        contact = session.scalars(select(Contact).where(Contact.patient_id == house.patient_id)).first()
        if contact is None:
            contact = Contact(
                id=uuid.uuid4(), clinic_id=house.clinic_id, patient_id=house.patient_id, channel=Channel.TEXT,
                address="+6499990107", created_at=now,
            )  # fmt: skip
            session.add(contact)
            session.flush()
        message_id = outbox.enqueue(
            session,
            outbox.NewMessage(
                house.clinic_id, contact.id, MessageKind.PROMPT, Channel.TEXT, "k", now, now + timedelta(hours=1),
                patient_id=house.patient_id,
            ),
            now,
        )  # fmt: skip
        assert message_id is not None
        message = session.get_one(Message, message_id)
        message.state, message.handed_over_at = MessageState.SENT, now
    return message_id


def call(house: House, body: Any, *, secret: str = SECRET, late: int = 0, **headers: str) -> TestResponse:
    return post(house, json.dumps(body).encode(), secret=secret, late=late, **headers)


def post(house: House, raw: bytes, *, secret: str = SECRET, late: int = 0, **headers: str) -> TestResponse:
    stamp = str(int(house.app.extensions["neaptide"].door_clock.now().timestamp()) - late)
    signed = {"Neaptide-Timestamp": stamp, "Neaptide-Signature": signature(secret, stamp, raw), **headers}
    return house.app.test_client().post(
        "/api/v1/callbacks/text", data=raw, content_type="application/json", headers=signed
    )


def receipt(message_id: uuid.UUID, outcome: str = "delivered") -> dict[str, Any]:
    return {"receipts": [{"id": str(message_id), "outcome": outcome, "at": "2026-11-25T09:01:00+00:00"}]}


def state(house: House, message_id: uuid.UUID) -> MessageState:
    with read_session(house.engine) as session:
        return session.get_one(Message, message_id).state


def test_a_signed_receipt_is_taken_and_never_moves_a_message_backwards(house: House, sent: uuid.UUID) -> None:
    for outcome in ("delivered", "delivered", "failed"):
        assert call(house, receipt(sent, outcome)).status_code == 204
        assert state(house, sent) is MessageState.DELIVERED


@pytest.mark.parametrize(
    "how",
    [
        {"secret": "another secret that is long enough, too"},
        {"late": 301},
        {"late": -301},
        {"Neaptide-Signature": ""},
        {"Neaptide-Timestamp": "0"},
    ],
    ids=str,
)
def test_what_is_not_signed_or_not_fresh_changes_nothing(house: House, sent: uuid.UUID, how: dict[str, Any]) -> None:
    answer = call(house, receipt(sent), **how)
    assert (answer.status_code, answer.mimetype) == (401, "application/problem+json")
    assert state(house, sent) is MessageState.SENT


def test_without_a_secret_there_are_no_callbacks(house: House) -> None:
    assert call(house, {}).status_code == 404


def test_a_reply_is_taken_once_for_its_reference(house: House, sent: uuid.UUID) -> None:
    reply = {"reference": "in-1", "from": "+6499990198", "text": "hello", "at": "2026-11-25T09:01:00+00:00"}
    for _ in range(2):
        assert call(house, {"replies": [reply]}).status_code == 204
    with read_session(house.engine) as session:
        assert [text.gateway_ref for text in session.scalars(select(InboundText))] == ["in-1"]


AT = {"at": "2026-11-25T09:01:00+00:00"}
OURS = str(uuid.UUID(int=1))


@pytest.mark.parametrize(
    ("body", "field", "value", "accepted"),
    [
        ([], "body", "", "an object with receipts and replies"),
        ({"more": 1}, "body", "['more']", "an object with receipts and replies"),
        ({"receipts": {}}, "receipts", "dict", "a list of at most 500"),
        ({"replies": [{}] * 501}, "replies", "list", "a list of at most 500"),
        ({"receipts": [1]}, "receipts.0", 1, "an object"),
        ({"receipts": [{"id": "x", "outcome": "failed"} | AT]}, "receipts.0.id", "x", "the id of a message"),
        ({"receipts": [{"id": OURS, "outcome": "read"} | AT]}, "receipts.0.outcome", "read", "delivered or failed"),
        ({"receipts": [{"id": OURS, "outcome": []} | AT]}, "receipts.0.outcome", "[]", "delivered or failed"),
        (
            {"receipts": [{"id": OURS, "outcome": "failed", "at": "2026-11-25T09:01:00"}]},
            "receipts.0.at", "2026-11-25T09:01:00", "an instant with its offset",
        ),
        ({"replies": [{"reference": "r", "from": "+64", "at": 5}]}, "replies.0.at", 5, "an instant with its offset"),
        ({"replies": [{"reference": "", "from": "+64"} | AT]}, "replies.0.reference", "", "text of 1 to 120 characters"),
        ({"replies": [{"from": "+64"} | AT]}, "replies.0.reference", None, "text of 1 to 120 characters"),
        (
            {"replies": [{"reference": "r", "from": "+64"} | AT, {"reference": "s", "from": "a\x00b"} | AT]},
            "replies.1.from", "a\x00b", "text of 1 to 32 characters",
        ),
        ({"replies": [{"reference": "r", "from": "+64", "text": 3} | AT]}, "replies.0.text", 3, "text"),
    ],
    ids=lambda given: str(given)[:60],
)  # fmt: skip
def test_what_cannot_be_taken_is_refused_whole(
    house: House, sent: uuid.UUID, body: Any, field: str, value: Any, accepted: str
) -> None:
    answer = call(house, body)
    assert (answer.status_code, answer.mimetype) == (422, "application/problem+json")
    assert state(house, sent) is MessageState.SENT
    (error,) = answer.get_json()["errors"]
    assert (error["field"], error["accepted"]) == (field, accepted)
    assert value is None or error["value"] == value


def test_what_a_gateway_leaves_empty_is_left_out(house: House, sent: uuid.UUID) -> None:
    (one,) = receipt(sent)["receipts"]
    said = reply("", "in-1") | {"text": None, "to": None}
    assert call(house, {"receipts": [one | {"detail": None}], "replies": [said]}).status_code == 204
    assert state(house, sent) is MessageState.DELIVERED
    assert set(outcomes(house)) == {"in-1"}


def test_a_timestamp_of_any_length_is_only_too_far_from_now(house: House, sent: uuid.UUID) -> None:
    raw = json.dumps(receipt(sent)).encode()
    for stamp in ("9" * 400, "9" * 5000):
        signed = {"Neaptide-Timestamp": stamp, "Neaptide-Signature": signature(SECRET, stamp, raw)}
        assert post(house, raw, **signed).status_code == 401


def test_what_a_gateway_adds_is_passed_over(house: House, sent: uuid.UUID) -> None:
    (one,) = receipt(sent)["receipts"]
    assert call(house, {"receipts": [one | {"cost": "0.01"}]}).status_code == 204
    assert state(house, sent) is MessageState.DELIVERED


@pytest.mark.parametrize(
    "raw", [b"", b"{", b"\xff", b'{"receipts": ' + b"[" * 100_000], ids=["none", "half", "latin", "deep"]
)
def test_what_no_reader_of_json_can_read_is_told_so(house: House, sent: uuid.UUID, raw: bytes) -> None:
    assert post(house, raw).status_code == 400


def test_a_streamed_body_that_does_not_say_it_is_json_is_not_taken_for_an_empty_one(
    house: House, sent: uuid.UUID
) -> None:
    raw = json.dumps(receipt(sent)).encode()
    stamp = str(int(house.app.extensions["neaptide"].door_clock.now().timestamp()))
    answer = house.app.test_client().post(
        "/api/v1/callbacks/text",
        input_stream=io.BytesIO(raw),
        headers={
            "Neaptide-Timestamp": stamp,
            "Neaptide-Signature": signature(SECRET, stamp, raw),
            "Transfer-Encoding": "chunked",
        },
        environ_overrides={"wsgi.input_terminated": True},
    )
    assert (answer.status_code, answer.mimetype) == (415, "application/problem+json")
    assert state(house, sent) is MessageState.SENT


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00+05:00", "9999-12-31T23:59:59-05:00"])
def test_an_instant_that_has_no_date_in_utc_is_refused(house: House, sent: uuid.UUID, at: str) -> None:
    row = receipt(sent)["receipts"][0] | {"at": at}
    assert call(house, {"receipts": [row]}).status_code == 422
    assert state(house, sent) is MessageState.SENT


def test_nothing_is_read_before_the_signature_is_checked(house: House, sent: uuid.UUID) -> None:
    for raw in (b"{", b'{"receipts": ' + b"[" * 100_000, b'{"more": 1}'):
        assert post(house, raw, secret="another secret that is long enough, too").status_code == 401


def test_the_address_is_described_with_what_it_takes_and_how_it_is_signed(house: House) -> None:
    description = house.app.test_client().get("/openapi.json").get_json()
    operation = description["paths"]["/api/v1/callbacks/text"]["post"]
    assert operation["security"] == []
    assert {one["name"] for one in operation["parameters"]} == {"Neaptide-Timestamp", "Neaptide-Signature"}
    assert set(description["components"]["schemas"]["CallbackIn"]["properties"]) == {"receipts", "replies"}
    assert {"reference", "from", "to", "text", "at"} == set(
        description["components"]["schemas"]["ReplyIn"]["properties"]
    )


def reply(body: str, ref: str = "in-1") -> dict[str, str]:
    return {"reference": ref, "from": "+6499990107", "text": body, "at": "2026-11-25T09:01:00+00:00"}


def outcomes(house: House) -> dict[str, str]:
    with read_session(house.engine) as session:
        return {text.gateway_ref: text.outcome for text in session.scalars(select(InboundText))}


@pytest.mark.parametrize(
    "body", ["b\x00 3", "\ud83d b3", "b3 " + "x" * 5000, ""], ids=["NUL", "surrogate", "long", "empty"]
)
def test_what_a_person_wrote_is_never_refused(house: House, sent: uuid.UUID, body: str) -> None:
    # Refused, the gateway would send it again for ever, and nobody would read it.
    assert call(house, {"replies": [reply(body), reply("b3", "in-2")]}).status_code == 204
    assert set(outcomes(house)) == {"in-1", "in-2"}
    with read_session(house.engine) as session:
        assert list(session.scalars(select(QuarantinedRow))) == []


def test_a_reply_that_cannot_be_taken_in_is_kept_for_the_operator_and_the_next_is_taken(
    house: House, sent: uuid.UUID, monkeypatch: pytest.MonkeyPatch
) -> None:
    def poison(session: Any, ref: str, *rest: Any, **more: Any) -> Any:
        if ref == "in-1":
            raise ZeroDivisionError
        return take_text(session, ref, *rest, **more)

    monkeypatch.setattr(callbacks, "take_text", poison)
    assert call(house, {"replies": [reply("82.4"), reply("b3", "in-2")]}).status_code == 204
    assert set(outcomes(house)) == {"in-2"}
    with read_session(house.engine) as session:
        assert [row.subject_kind for row in session.scalars(select(QuarantinedRow))] == ["dead_letter"]


@pytest.mark.parametrize("field", ["reference", "from"])
def test_a_name_that_no_database_can_keep_is_refused(house: House, sent: uuid.UUID, field: str) -> None:
    answer = call(house, {"replies": [reply("b3") | {field: "\ud800"}]})
    assert (answer.status_code, answer.mimetype) == (422, "application/problem+json")
