"""A device that makes passkeys, in software: what W3C Web Authentication, Level 3, says that one does, and nothing else.

Written from the standard's text and apart from the library that the service checks with. Keys are made anew and are
nobody's. A test has it lie by naming the part that is to be false.
"""

from __future__ import annotations

import hashlib
import json
import secrets
import struct
from base64 import urlsafe_b64decode, urlsafe_b64encode
from dataclasses import dataclass, field
from typing import Any

import cbor2
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec

UP, UV, AT = 0x01, 0x04, 0x40  # section 6.1: user present, user verified, attested credential data
PRESENT = UP | UV


def words(data: bytes) -> str:
    return urlsafe_b64encode(data).rstrip(b"=").decode()


def unwords(text: str) -> bytes:
    return urlsafe_b64decode(text + "=" * (-len(text) % 4))


@dataclass
class Kept:
    """One discoverable credential: whose it is by the handle, and how often it has signed."""

    rp_id: str
    handle: bytes
    id: bytes = field(default_factory=lambda: secrets.token_bytes(32))
    key: ec.EllipticCurvePrivateKey = field(default_factory=lambda: ec.generate_private_key(ec.SECP256R1()))
    count: int = 0


@dataclass
class Device:
    """Its owner's finger is on it."""

    origin: str = "http://localhost"
    kept: list[Kept] = field(default_factory=list)
    counts: bool = True  # whether it counts its signatures; a synchronised passkey has none to count

    def make(self, options: dict[str, Any], *, flags: int = PRESENT, **lies: Any) -> str:
        """`navigator.credentials.create`, with no attestation (sections 6.3.2 and 8.7)."""
        made = Kept(options["rp"]["id"], unwords(options["user"]["id"]))
        point = made.key.public_key().public_numbers()
        # COSE_Key of ES256 (RFC 9053, section 7.1; RFC 8152 before it): EC2, P-256.
        cose = {1: 2, 3: -7, -1: 1, -2: point.x.to_bytes(32, "big"), -3: point.y.to_bytes(32, "big")}
        # Section 6.5.1: AAGUID, length of the id, id, key.
        attested = bytes(16) + struct.pack(">H", len(made.id)) + made.id + cbor2.dumps(cose)
        about = self._about(made, flags | AT, lies) + attested
        client = self._client("webauthn.create", options, lies)
        self.kept.append(made)
        attestation = cbor2.dumps({"fmt": "none", "attStmt": {}, "authData": about})
        return self._told(made, clientDataJSON=words(client), attestationObject=words(attestation))

    def use(self, options: dict[str, Any], *, flags: int = PRESENT, **lies: Any) -> str:
        """`navigator.credentials.get`, of the one kept last (section 6.3.3). Lies are signed as the truth is."""
        named = {unwords(one["id"]) for one in options.get("allowCredentials", [])}
        used = [one for one in self.kept if one.rp_id == options["rpId"] and (not named or one.id in named)][-1]
        used.count += self.counts
        about, client = self._about(used, flags, lies), self._client("webauthn.get", options, lies)
        key = lies.get("key", used.key)
        signature = key.sign(about + hashlib.sha256(client).digest(), ec.ECDSA(hashes.SHA256()))
        handle = lies.get("handle", used.handle)
        more = {} if handle is None else {"userHandle": words(handle)}
        return self._told(
            used, clientDataJSON=words(client), authenticatorData=words(about), signature=words(signature), **more
        )

    def _about(self, kept: Kept, flags: int, lies: dict[str, Any]) -> bytes:
        """Section 6.1: SHA-256 of the RP id, flags, counter."""
        rp_id = lies.get("rp_id", kept.rp_id)
        return hashlib.sha256(rp_id.encode()).digest() + struct.pack(">BI", flags, lies.get("count", kept.count))

    def _client(self, kind: str, options: dict[str, Any], lies: dict[str, Any]) -> bytes:
        """Section 5.8.1: what the browser adds, whatever the page would have it say."""
        client = {"type": kind, "challenge": options["challenge"], "origin": self.origin, "crossOrigin": False}
        return json.dumps(client | lies.get("client", {})).encode()

    def _told(self, kept: Kept, **response: str) -> str:
        return json.dumps({"id": words(kept.id), "rawId": words(kept.id), "type": "public-key", "response": response})
