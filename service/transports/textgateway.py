"""A text-message gateway reached by HTTP, by a small JSON contract of our own.

We POST to the gateway's address, with the message's id in `Idempotency-Key` and the
token as a bearer:

    {"id": "…uuid…", "to": "+6499990100", "text": "…", "expires_at": "2026-11-25T09:00:00+00:00"}

200, 201 or 202 with `{"reference": "…"}` means that it is taken; the same key again is
the same message. 422 with `{"error": "unknown_address"}` means never to this address.
429 and 5xx mean later, after `Retry-After` seconds where given. Anything else is
tried again until the message expires.

The gateway calls back with receipts and replies: see `web/api/callbacks.py`. A bridge
of a few lines puts any provider behind this.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from datetime import timedelta

from service.transports.base import LONGEST_CALL, OutgoingText, PermanentFailure, TemporaryFailure
from service.transports.http import Answer, HttpClient, NoAnswer

TIMEOUT_SECONDS = LONGEST_CALL.total_seconds() / 2  # a connection closed while idle costs a second try
LONGEST_WAIT_SECONDS = 3600


class TextGateway:
    """See the module. `is_called_back`: replies reach us, because callbacks can be signed."""

    def __init__(self, url: str, token: str, *, is_called_back: bool = False, proxy: str = "") -> None:
        self.is_called_back = is_called_back
        self._url = url
        self._token = token
        self._caller = HttpClient(TIMEOUT_SECONDS, proxy)

    def send(self, text: OutgoingText) -> str:
        said = {"id": str(text.message_id), "to": text.to, "text": text.body}
        if text.lasts_until is not None:
            said["expires_at"] = text.lasts_until.isoformat()
        headers = {
            "Content-Type": "application/json",
            "Accept": "application/json",
            "Authorization": f"Bearer {self._token}",
            "Idempotency-Key": str(text.message_id),
        }
        try:
            answer = self._caller.post(self._url, json.dumps(said).encode(), headers)
        except NoAnswer as error:
            raise TemporaryFailure(f"the gateway did not answer ({error})") from None
        if answer.status in {200, 201, 202}:
            return str(_read(answer).get("reference", ""))
        if answer.status == 422 and _read(answer).get("error") == "unknown_address":
            raise PermanentFailure("the gateway does not know this address")
        raise TemporaryFailure(f"the gateway answered {answer.status}", asked_to_wait(answer))


def asked_to_wait(answer: Answer) -> timedelta | None:
    """`Retry-After` in seconds, as far as it is a number and not unreasonable."""
    given = answer.headers.get("retry-after", "")
    return timedelta(seconds=min(int(given), LONGEST_WAIT_SECONDS)) if given.isdecimal() else None


def signature(secret: str, timestamp: str, body: bytes) -> str:
    """What a callback is signed with: HMAC-SHA-256 (RFC 2104), in hex, over the timestamp, a full stop and the body."""
    return hmac.new(secret.encode(), timestamp.encode() + b"." + body, hashlib.sha256).hexdigest()


def _read(answer: Answer) -> dict[str, object]:
    try:
        read = json.loads(answer.body)
    except ValueError:
        return {}
    return read if isinstance(read, dict) else {}
