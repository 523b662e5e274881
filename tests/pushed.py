"""The two other sides of web push: a browser that holds real keys, and a push service on loopback."""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import http_ece
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from py_vapid import Vapid02
from sqlalchemy import Engine

from service.domain.vocabulary import Channel
from service.transports.outside import Guard
from service.transports.webpush import WebPush
from tests.answering import Lasting, answering
from tests.house import House, open_house

# The private key of RFC 8291, appendix A (the application server's): any key on P-256 will do.
PUSH_KEY = "yfWPiYE-n46HLnH0KqZOF1fJJU3MYrct3AELtAQ-oRw"
CONTACT = "mailto:calls@fernmoor.example"


def unb64(given: str) -> bytes:
    return base64.urlsafe_b64decode(given + "=" * (-len(given) % 4))


def b64(given: bytes) -> str:
    return base64.urlsafe_b64encode(given).rstrip(b"=").decode()


class Browser:
    """A subscription's own side (W3C Push API, `PushSubscription.toJSON`): it alone can read what it is sent."""

    def __init__(self, endpoint: str = "https://push.example/send/asha", auth: bytes = b"0123456789abcdef") -> None:
        self.endpoint = endpoint
        self.key = ec.generate_private_key(ec.SECP256R1())
        self.auth = auth

    @property
    def subscription(self) -> dict[str, Any]:
        point = self.key.public_key().public_bytes(
            serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
        )
        keys = {"p256dh": b64(point), "auth": b64(self.auth)}
        return {"endpoint": self.endpoint, "expirationTime": None, "keys": keys}

    def reads(self, body: bytes) -> dict[str, str]:
        """By the reference library of the RFC's author (RFC 8188, RFC 8291), not by our own code."""
        read = http_ece.decrypt(body, private_key=self.key, auth_secret=self.auth, version="aes128gcm")
        told: dict[str, str] = json.loads(read)
        return told


@dataclass
class PushService:
    """Takes what it is sent; answers 410 for subscriptions that have ended (RFC 8030, section 7.3)."""

    address: str = ""
    gone: set[str] = field(default_factory=set)
    taken: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)

    def endpoint(self, name: str) -> str:
        return f"{self.address}/send/{name}"

    def of(self, name: str) -> list[tuple[dict[str, str], bytes]]:
        return [(headers, body) for path, headers, body in self.taken if path == f"/send/{name}"]


@contextmanager
def push_service() -> Iterator[PushService]:
    service = PushService()

    class Answers(Lasting):
        def answers(self) -> None:
            headers, body = self.named(), self.heard()
            is_gone = self.path.rpartition("/")[2] in service.gone
            if not is_gone:
                service.taken.append((self.path, headers, body))
            self.say(410 if is_gone else 201)

    with answering(Answers) as service.address:
        yield service


class Unasked(Guard):
    """A guard whose names are looked up when they are called, and not when a subscription to them is taken."""

    def leads_outside(self, address: str) -> bool:
        return self.takes(address)


def open_push_house(
    engine: Engine, folder: Path, service: PushService | None = None, base_url: str = "http://127.0.0.1:8000"
) -> House:
    """The usual house, on a service that can push: to `service` as well, where one is given, though it is on loopback."""

    here = frozenset() if service is None else {service.address.partition("://")[2]}
    house = open_house(
        engine, folder, base_url=base_url, NEAPTIDE_PUSH_KEY=PUSH_KEY, NEAPTIDE_PUSH_CONTACT=CONTACT,
        more={Channel.WEBPUSH: WebPush(PUSH_KEY, CONTACT, lambda: house.world.now, Unasked(here))},
    )  # fmt: skip
    return house


def public_key() -> str:
    """What a browser must be given for PUSH_KEY, worked out by the reference library."""
    held = Vapid02.from_raw(PUSH_KEY.encode())
    return b64(held.public_key.public_bytes(serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint))
