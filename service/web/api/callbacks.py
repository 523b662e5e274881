"""What the text gateway tells us: receipts and replies, signed.

The gateway POSTs to `/api/v1/callbacks/text`:

    {"receipts": [{"id": "…our message id…", "outcome": "delivered" or "failed", "at": "…", "detail": "…"}],
     "replies": [{"reference": "…", "from": "+6499990100", "text": "…", "at": "…"}]}

with `Neaptide-Timestamp` (Unix seconds) and `Neaptide-Signature`: HMAC-SHA-256 in hex,
under the shared secret, over the timestamp, a full stop and the body's bytes. A
timestamp more than five minutes away is refused, and within them a repeat changes
nothing: receipts never move a message backwards, and a reply is taken once for its reference.
Either list may be left out. 204 means that all is taken in, or kept here
for an operator to look at; anything else: send it again. A text is cut after 2,000 characters.
"""

from __future__ import annotations

import hmac
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from flask import Blueprint, json, request
from flask.typing import ResponseReturnValue

from service.delivery import receiving
from service.domain.validation import Refused, is_storable
from service.intake.texts.receiving import take_text
from service.transports.base import InboundText, Receipt
from service.transports.textgateway import signature
from service.web.problems import Problem
from service.web.services import services

blueprint = Blueprint("callbacks", __name__)

REPLAY_WINDOW = timedelta(minutes=5)
MOST = 500
LONGEST_TEXT = 2000


@blueprint.post("/api/v1/callbacks/text")
def text() -> ResponseReturnValue:
    """Receipts and replies of the text gateway."""
    now = services().clock.now()
    body = _signed(now)
    receipts = [_receipt(one, place) for place, one in enumerate(_list(body, "receipts"))]
    replies = [_reply(one, place) for place, one in enumerate(_list(body, "replies"))]
    if receipts:
        receiving.take_receipts(services().engine, receipts, now)
    receiving.take_replies(services().engine, replies, take_text, now)
    return "", 204


def _signed(now: datetime) -> Mapping[str, Any]:
    secret = services().settings.text_callback_secret
    if not secret:
        raise Problem(404, "This service takes no callbacks.")
    stamp = request.headers.get("Neaptide-Timestamp", "")
    given = request.headers.get("Neaptide-Signature", "")
    right = signature(secret, stamp, request.get_data())
    if not hmac.compare_digest(right.encode(), given.encode()):
        raise Problem(401, "The signature does not fit.")
    # Signed, so it is a number the gateway wrote; but it may be an old one, recorded and sent again.
    if (
        not stamp.isdecimal()
        or abs(services().door_clock.now().timestamp() - int(stamp)) > REPLAY_WINDOW.total_seconds()
    ):
        raise Problem(401, "The timestamp is too far from now.")
    try:
        body = json.loads(request.get_data())
    except ValueError:
        raise Problem(400, "The body is not JSON.") from None
    if not isinstance(body, dict) or set(body) - {"receipts", "replies"}:
        raise Refused("body", sorted(body) if isinstance(body, dict) else "", "an object with receipts and replies")
    return body


def _list(body: Mapping[str, Any], name: str) -> list[Any]:
    given = body.get(name, [])
    if not isinstance(given, list) or len(given) > MOST:
        raise Refused(name, type(given).__name__, f"a list of at most {MOST}")
    return given


def _receipt(given: Any, place: int) -> Receipt:
    field = f"receipts.{place}"
    told = _object(field, given)
    try:
        message_id = uuid.UUID(_text(field, told, "id", 36))
    except ValueError:
        raise Refused(f"{field}.id", told.get("id"), "the id of a message") from None
    if told.get("outcome") not in {"delivered", "failed"}:
        raise Refused(f"{field}.outcome", told.get("outcome"), "delivered or failed")
    return Receipt(message_id, told["outcome"], _instant(field, told), _text(field, told, "detail", 200, needed=False))


def _reply(given: Any, place: int) -> InboundText:
    field = f"replies.{place}"
    told = _object(field, given)
    said = told.get("text", "")
    if not isinstance(said, str):
        raise Refused(f"{field}.text", said, "text")
    return InboundText(
        _text(field, told, "reference", 120),
        _text(field, told, "from", 32),
        # Refused, it would be sent again for ever and never be read: what a person wrote is cut, and taken in.
        said[:LONGEST_TEXT],
        _instant(field, told),
    )


def _object(field: str, given: Any) -> Mapping[str, Any]:
    if not isinstance(given, dict):
        raise Refused(field, given, "an object")
    return given


def _text(field: str, told: Mapping[str, Any], name: str, longest: int, *, needed: bool = True) -> str:
    given = told.get(name, "")
    if not isinstance(given, str) or len(given) > longest or not is_storable(given) or (needed and not given):
        raise Refused(f"{field}.{name}", given, f"text of {1 if needed else 0} to {longest} characters")
    return given


def _instant(field: str, told: Mapping[str, Any]) -> datetime:
    try:
        at = datetime.fromisoformat(str(told.get("at", "")))
    except ValueError:
        raise Refused(f"{field}.at", told.get("at"), "an instant with its offset") from None
    if at.tzinfo is None:
        raise Refused(f"{field}.at", told.get("at"), "an instant with its offset")
    return at.astimezone(UTC)
