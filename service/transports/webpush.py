"""Web push (RFC 8030): encrypted for one browser (RFC 8291), signed by this service (RFC 8292).

Promises that the push service learns nothing of the content, keeps a message no
longer than it is true, and shows it once: a repeat replaces the earlier one. A
subscription that the browser has ended is dropped.

What a browser is sent is JSON: `title`, `body`, `id` and, where there is one, `link`.
`service/web/static/push-worker.js` shows it; a name is added there before it is sent from here.

The link is data for the tap and never part of the text: such an address does not belong on a
lock screen. An endpoint is checked in form when it is taken and when it is called, and its name
is looked up both times: https, a named host, port 443, no address in our own network, no redirect; `outside`.
"""

from __future__ import annotations

import base64
import json
import os
import re
import urllib.parse
from collections.abc import Callable
from datetime import datetime

from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from service.domain.validation import Refused
from service.transports import outside
from service.transports.base import LONGEST_CALL, Gone, OutgoingText, PermanentFailure, TemporaryFailure
from service.transports.http import HttpClient, NoAnswer, asked_to_wait
from service.transports.outside import Guard, NotOutside

TIMEOUT_SECONDS = LONGEST_CALL.total_seconds() / 2
RECORD_SIZE = 4096  # RFC 8291 section 4
# The same: a push service need take no more than 4096 bytes, header (86), delimiter (1) and tag (16) with them.
LONGEST_CONTENT = 4096 - 86 - 1 - 16
PRIVATE_KEY_BYTES = 32
SIGNATURE_LASTS_SECONDS = 12 * 3600  # RFC 8292 section 2: at most 24 hours
SHORTEST_LIFE_SECONDS = 60
LONGEST_ENDPOINT = 1000
NOWHERE = "the subscription leads to no push service"
MADE_FOR = "made_for"  # beside a subscription's keys
# A base64url decoder lets other characters pass unseen; a database may not.
BASE64URL = re.compile(r"[A-Za-z0-9_-]+={0,2}")


class WebPush:
    """See the module. `subject` is how a push service reaches the operator: a mailto: or https: address.

    `private_key` is the scalar of a key on P-256, 32 bytes in base64url. Raises ValueError where it is not.
    """

    def __init__(
        self,
        private_key: str,
        subject: str,
        now: Callable[[], datetime],
        guard: Guard | None = None,
        proxy: str = "",
    ) -> None:
        self._key = _private(private_key)
        self._subject = subject
        self._now = now
        self._guard = guard or Guard()
        self._caller = HttpClient(TIMEOUT_SECONDS, proxy, guard=self._guard)

    @property
    def public_key(self) -> str:
        """What a browser subscribes with: the uncompressed point, base64url."""
        return _b64(_point(self._key))

    def checked(self, endpoint: object, p256dh: object, auth: object) -> tuple[str, dict[str, str]]:
        """A subscription that this transport would send to, with the public key it was made for. Raises Refused."""
        endpoint, keys = checked_subscription(endpoint, p256dh, auth, self._guard.leads_outside)
        return endpoint, keys | {MADE_FOR: self.public_key}

    def send(self, text: OutgoingText) -> str:
        if not self._guard.takes(text.to):  # before anything is signed for it
            raise PermanentFailure(NOWHERE)
        if text.secret.get(MADE_FOR, self.public_key) != self.public_key:
            # RFC 8292, section 4: a push service takes messages for it under that key alone.
            raise Gone("the subscription was made for another NEAPTIDE_PUSH_KEY")
        now = self._now()
        life = SHORTEST_LIFE_SECONDS
        if text.lasts_until is not None:
            life = max(life, int((text.lasts_until - now).total_seconds()))
        said = {"title": text.subject, "body": text.body, "id": str(text.message_id)}
        if text.link:
            said["link"] = text.link
        content = json.dumps(said, ensure_ascii=False).encode()
        if len(content) > LONGEST_CONTENT:
            raise PermanentFailure(f"the notice has {len(content)} bytes; {LONGEST_CONTENT} may be sent")
        headers = {
            "Authorization": self._signed(origin(text.to), now),
            "TTL": str(life),
            "Topic": text.message_id.hex,  # RFC 8030 section 5.4: 32 characters of base64url at most
            "Urgency": "high",
            "Content-Encoding": "aes128gcm",
            "Content-Type": "application/octet-stream",
        }
        try:
            body = encrypt(content, str(text.secret["p256dh"]), str(text.secret["auth"]))
        except (KeyError, ValueError):
            raise PermanentFailure("the subscription's keys are of no use") from None
        try:
            answer = self._caller.post(text.to, body, headers)
        except NotOutside:
            raise PermanentFailure(NOWHERE) from None
        except NoAnswer as error:
            raise TemporaryFailure(f"the push service did not answer ({error})") from None
        if answer.status in {200, 201, 202, 204}:
            return answer.headers.get("location", "")[-120:]
        if answer.status in {404, 410}:
            raise Gone(f"the subscription has ended ({answer.status})")
        raise TemporaryFailure(f"the push service answered {answer.status}", asked_to_wait(answer))

    def _signed(self, audience: str, now: datetime) -> str:
        """RFC 8292 section 3: who sends this, for `audience` alone, and for how long that may be believed."""
        from joserfc import jwk, jwt  # for a service that pushes alone

        claims = {"aud": audience, "sub": self._subject, "exp": int(now.timestamp()) + SIGNATURE_LASTS_SECONDS}
        token = jwt.encode({"typ": "JWT", "alg": "ES256"}, claims, jwk.ECKey.import_key(self._key))
        return f"vapid t={token}, k={self.public_key}"


def encrypt(
    content: bytes,
    p256dh: str,
    auth: str,
    *,
    salt: bytes | None = None,
    ours: ec.EllipticCurvePrivateKey | None = None,
) -> bytes:
    """RFC 8291 `aes128gcm` content for one subscription, in one record (RFC 8188).

    `salt` and `ours` are fresh unless a check gives them. Raises ValueError where `p256dh` is no point on P-256.
    """
    salt = salt or os.urandom(16)
    ours = ours or ec.generate_private_key(ec.SECP256R1())
    theirs, sender = _unb64(p256dh), _point(ours)
    shared = ours.exchange(ec.ECDH(), ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), theirs))
    # RFC 8291 section 3.4: bound to both sides and to the secret that only the browser told us.
    secret = _derived(_unb64(auth), shared, b"WebPush: info\0" + theirs + sender, 32)
    # RFC 8188 section 2.2 and 2.3: what encrypts this one message.
    key = _derived(salt, secret, b"Content-Encoding: aes128gcm\0", 16)
    nonce = _derived(salt, secret, b"Content-Encoding: nonce\0", 12)
    header = salt + RECORD_SIZE.to_bytes(4, "big") + bytes([len(sender)]) + sender
    return header + AESGCM(key).encrypt(nonce, content + b"\x02", None)  # 2: the last record


def _derived(salt: bytes, secret: bytes, about: bytes, length: int) -> bytes:
    return HKDF(SHA256(), length, salt, about).derive(secret)


def _point(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)


def _private(given: str) -> ec.EllipticCurvePrivateKey:
    """The key whose scalar is `given`, in base64url. Raises ValueError."""
    scalar = _unb64_or_nothing(given)
    if len(scalar) != PRIVATE_KEY_BYTES:
        raise ValueError("a private key on P-256 has 32 bytes")
    return ec.derive_private_key(int.from_bytes(scalar, "big"), ec.SECP256R1())


def checked_subscription(
    endpoint: object, p256dh: object, auth: object, is_allowed: Callable[[str], bool] | None = None
) -> tuple[str, dict[str, str]]:
    """A subscription as a browser gives it: the endpoint and its keys. Raises Refused."""
    is_allowed = is_allowed or outside.is_public
    if (
        not isinstance(endpoint, str)
        or len(endpoint) > LONGEST_ENDPOINT
        or not outside.is_plain(endpoint)
        or not is_allowed(endpoint)
    ):
        raise Refused("endpoint", endpoint, "an https:// address of a push service")
    for field, given, length in (("p256dh", p256dh, 65), ("auth", auth, 16)):
        if not isinstance(given, str) or len(_unb64_or_nothing(given)) != length:
            raise Refused(field, given, f"{length} bytes in base64url")
    try:
        ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), _unb64(str(p256dh)))
    except ValueError:
        raise Refused("p256dh", p256dh, "a point on P-256") from None
    return endpoint, {"p256dh": str(p256dh).rstrip("="), "auth": str(auth).rstrip("=")}


def origin(endpoint: str) -> str:
    """Scheme, host and port: for whom the signature is good."""
    parts = urllib.parse.urlsplit(endpoint)
    return f"{parts.scheme}://{parts.netloc}"


def _b64(given: bytes) -> str:
    return base64.urlsafe_b64encode(given).rstrip(b"=").decode("ascii")


def _unb64(given: str) -> bytes:
    return base64.urlsafe_b64decode(given + "=" * (-len(given) % 4))


def _unb64_or_nothing(given: str) -> bytes:
    try:
        return _unb64(given.rstrip("=")) if BASE64URL.fullmatch(given) else b""
    except ValueError:
        return b""
