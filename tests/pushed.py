"""The two other sides of web push: a browser that holds real keys, and a push service on loopback."""

from __future__ import annotations

import base64
import hmac
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, utils
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
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
        keys = {"p256dh": b64(point(self.key.public_key())), "auth": b64(self.auth)}
        return {"endpoint": self.endpoint, "expirationTime": None, "keys": keys}

    def reads(self, body: bytes) -> dict[str, str]:
        told: dict[str, str] = json.loads(decrypted(body, self.key, self.auth))
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


def point(key: ec.EllipticCurvePublicKey) -> bytes:
    return key.public_bytes(serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint)


def private(given: str) -> ec.EllipticCurvePrivateKey:
    """The key of a scalar in base64url."""
    return ec.derive_private_key(int.from_bytes(unb64(given), "big"), ec.SECP256R1())


def public_key() -> str:
    """What a browser must be given for PUSH_KEY."""
    return b64(point(private(PUSH_KEY).public_key()))


def decrypted(body: bytes, key: ec.EllipticCurvePrivateKey, auth: bytes) -> bytes:
    """What a browser makes of one record, by the steps of RFC 8291 section 3.4 and RFC 5869 with `hmac` alone.

    tests/usecases/test_transports.py holds it against the example that RFC 8291 publishes.
    """
    salt, sender, record = body[:16], body[21 : 21 + body[20]], body[21 + body[20] :]
    shared = key.exchange(ec.ECDH(), ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), sender))
    told = b"WebPush: info\0" + point(key.public_key()) + sender + b"\x01"
    extracted = hmac.digest(salt, hmac.digest(hmac.digest(auth, shared, "sha256"), told, "sha256"), "sha256")
    secret = hmac.digest(extracted, b"Content-Encoding: aes128gcm\0\x01", "sha256")[:16]
    nonce = hmac.digest(extracted, b"Content-Encoding: nonce\0\x01", "sha256")[:12]
    padded = AESGCM(secret).decrypt(nonce, record, None).rstrip(b"\0")
    assert padded[-1:] == b"\x02", "RFC 8188 section 2: the last record ends so"
    return padded[:-1]


def vouched(authorization: str) -> dict[str, Any]:
    """The claims of a push service's caller, whose signature is right. RFC 8292 section 3; RFC 7518 section 3.4.

    Raises InvalidSignature.
    """
    scheme, _, rest = authorization.partition(" ")
    assert scheme == "vapid"
    parts = dict(part.strip().split("=", 1) for part in rest.split(","))
    signed, _, signature = parts["t"].rpartition(".")
    header, claims = (json.loads(unb64(part)) for part in signed.split("."))
    assert header == {"typ": "JWT", "alg": "ES256"}
    r, s = (int.from_bytes(half, "big") for half in (unb64(signature)[:32], unb64(signature)[32:]))
    holder = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), unb64(parts["k"]))
    holder.verify(utils.encode_dss_signature(r, s), signed.encode(), ec.ECDSA(hashes.SHA256()))
    told: dict[str, Any] = claims | {"k": parts["k"]}
    return told
