"""A text gateway that speaks the small JSON contract of our own (`described/bridge.toml`, told in deploy/OPERATING.md).

We POST to the gateway's address, with the message's id in `Idempotency-Key` and the token as a bearer; it calls back
with receipts and replies, signed: see `web/api/callbacks.py`. A bridge of a few lines puts any provider behind this.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from service.transports.described import description
from service.transports.described.sending import Account, Described

BRIDGE = Path(description.__file__).with_name("bridge.toml")


def text_gateway(
    url: str, token: str, now: Callable[[], datetime], *, is_called_back: bool = False, proxy: str = ""
) -> Described:
    """The way out to such a gateway. `is_called_back`: receipts and replies reach us, because they can be signed."""
    described = description.read(BRIDGE.read_text(encoding="utf-8"), url=url)
    return Described(described, Account(token=token), "", now, proxy=proxy, is_called_back=is_called_back)


def signature(secret: str, timestamp: str, body: bytes) -> str:
    """What a callback is signed with: HMAC-SHA-256 (RFC 2104), in hex, over the timestamp, a full stop and the body."""
    return hmac.new(secret.encode(), timestamp.encode() + b"." + body, hashlib.sha256).hexdigest()
