"""What the text gateway tells us: receipts and replies, signed.

The gateway signs with the shared secret: `Neaptide-Signature` is HMAC-SHA-256 in hex over
`Neaptide-Timestamp` (Unix seconds), a full stop and the body's bytes. A timestamp more than
five minutes away is refused, and within them a repeat changes nothing: receipts never move a
message backwards, and a reply is taken once for its reference. Nothing is read before the
signature is checked.
"""

from __future__ import annotations

import hmac
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from flask import request
from marshmallow import EXCLUDE, Schema, ValidationError, fields, pre_load, validate

from service.delivery import receiving
from service.domain.validation import Refused
from service.intake.texts.receiving import take_text
from service.transports.base import Receipt, TextReply
from service.transports.textgateway import signature
from service.web.api.base import MOST_BYTES, Blueprint, Text
from service.web.problems import Problem
from service.web.services import services

blueprint = Blueprint("callbacks", "What a text gateway tells, signed")

REPLAY_WINDOW = timedelta(minutes=5)
MOST = 500
LONGEST_TEXT = 2000
LONGEST_STAMP = 11


def _field(kind: type[fields.Field[Any]], accepted: str, **options: Any) -> Any:
    """A field that says what is accepted, whatever is wrong with the value."""
    made = kind(**options)
    made.error_messages = dict.fromkeys((*made.error_messages, "naive"), accepted)
    return made


def _text(longest: int, *, needed: bool = True, **options: Any) -> Any:
    least = 1 if needed else 0
    accepted = f"text of {least} to {longest} characters"
    if not needed:
        options |= {"load_default": "", "allow_none": True}
    return _field(Text, accepted, required=needed, validate=validate.Length(least, longest, error=accepted), **options)


def _instant() -> Any:
    accepted = "an instant with its offset"

    def is_one(at: datetime) -> None:
        try:
            at.astimezone(UTC)
        except OverflowError:  # before the year 1, or after 9999, in UTC
            raise ValidationError(accepted) from None

    return _field(fields.AwareDateTime, accepted, format="iso", required=True, validate=is_one)


class ReceiptIn(Schema):
    """What became of one message; `id` is the one we handed over."""

    class Meta:
        unknown = EXCLUDE

    error_messages = {"type": "an object"}
    id = _field(fields.UUID, "the id of a message", required=True)
    outcome = _field(
        fields.String,
        "delivered or failed",
        required=True,
        validate=validate.OneOf(["delivered", "failed"], error="delivered or failed"),
    )
    at = _instant()
    detail = _text(200, needed=False)


class ReplyIn(Schema):
    """A text that somebody sent, and the number or name of the line it was sent to.

    It is cut after 2,000 characters, and never refused for what it says.
    """

    class Meta:
        unknown = EXCLUDE

    error_messages = {"type": "an object"}
    reference = _text(120)
    sender = _text(32, data_key="from")
    line = _text(64, needed=False, data_key="to")
    text = _field(fields.String, "text", load_default="", allow_none=True, validate=validate.Length(max=MOST_BYTES))
    at = _instant()


class CallbackIn(Schema):
    """Either list may be left out."""

    receipts = fields.List(fields.Nested(ReceiptIn), load_default=[], validate=validate.Length(max=MOST))
    replies = fields.List(fields.Nested(ReplyIn), load_default=[], validate=validate.Length(max=MOST))

    @pre_load
    def _is_a_callback(self, body: Any, **_: Any) -> Any:
        if not isinstance(body, Mapping) or set(body) - set(self.fields):
            keys = sorted(body) if isinstance(body, Mapping) else ""
            raise Refused("body", keys, "an object with receipts and replies")
        for name, rows in body.items():
            if not isinstance(rows, list) or len(rows) > MOST:  # before any of them is read
                raise Refused(name, type(rows).__name__, f"a list of at most {MOST}")
        return body


def signed_by_gateway() -> None:
    """Lets in only what the gateway signed just now. Raises Problem 404, 401 or 400."""
    secret = services().settings.text_callback_secret
    if not secret:
        raise Problem(404, "This service takes no callbacks.")
    stamp = request.headers.get("Neaptide-Timestamp", "")
    right = signature(secret, stamp, request.get_data())
    if not hmac.compare_digest(right.encode(), request.headers.get("Neaptide-Signature", "").encode()):
        raise Problem(401, "The signature does not fit.")
    # Signed, so it is a number the gateway wrote; but it may be an old one, recorded and sent again.
    now = services().door_clock.now().timestamp()
    if not stamp.isdecimal() or len(stamp) > LONGEST_STAMP or abs(now - int(stamp)) > REPLAY_WINDOW.total_seconds():
        raise Problem(401, "The timestamp is too far from now.")
    if not request.get_data():
        raise Problem(400, "The body is not JSON.")


@blueprint.post("/callbacks/text", allowed=signed_by_gateway)
@blueprint.arguments(CallbackIn)
@blueprint.response(204)
@blueprint.doc(
    security=[],
    parameters=[
        {
            "in": "header",
            "name": name,
            "required": True,
            "description": said,
            "schema": {"type": "string", "pattern": form},
        }
        for name, form, said in (
            ("Neaptide-Timestamp", f"^[0-9]{{1,{LONGEST_STAMP}}}$", "Unix seconds, at most five minutes from now."),
            (
                "Neaptide-Signature",
                "^[0-9a-f]{64}$",
                "HMAC-SHA-256 in hex, under the shared secret, of timestamp, full stop and body.",
            ),
        )
    ],
)
def take_text_callback(sent: dict[str, Any]) -> None:
    """Receipts and replies of the text gateway.

    204 means that all is taken in, or kept for an operator to look at; anything else: send it again.
    """
    now = services().clock.now()
    receipts = [
        Receipt(one["id"], one["outcome"], one["at"].astimezone(UTC), one["detail"] or "") for one in sent["receipts"]
    ]
    # Refused, a text would be sent again for ever and never be read: what a person wrote is cut, and taken in.
    replies = [
        TextReply(
            one["reference"],
            one["sender"],
            (one["text"] or "")[:LONGEST_TEXT],
            one["at"].astimezone(UTC),
            one["line"] or "",
        )
        for one in sent["replies"]
    ]
    if receipts:
        receiving.take_receipts(services().engine, receipts, now)
    receiving.take_replies(services().engine, replies, take_text, now)
