"""The service's secret keys: one for each purpose, made from one secret, and those of the secrets before it.

Promises that what is made today is made with the present secret; that what was made under a previous one is still
known for what it is, for as long as the operator names that; that no two purposes share a key, so that what is signed
for one stands for nothing in another; and that no key can be worked back to the secret.

Keys are made by HKDF with SHA-256 (RFC 5869), the purpose being its `info`. HKDF stretches nothing: what has little to
guess stays so, and is refused (`checked_secret`). Everybody who signs, seals or derives takes the key from here.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache
from typing import Any

from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from itsdangerous import URLSafeSerializer

from service.domain.seals import Sealer
from service.domain.validation import Refused

LEAST = 32  # characters: of base64url 192 bits, of hexadecimal 128, the least that RFC 4086, section 8.2.2, asks for
# Of 32 random hexadecimal digits fewer are different once in 25 million times; our own number.
LEAST_DIFFERENT = 8
STRONG = "at least 32 characters, random ones: not one text again and again, and 8 different characters or more"
BETWEEN = re.compile(r"\s*\n\s*| \| ")
SHA_256: Callable[..., Any] = hashlib.sha256


class KeyFor(StrEnum):
    """What a key is for. The words are part of every key: never change one."""

    SESSIONS = "sessions"
    FORMS = "forms"
    BROWSERS = "known browsers"
    INVITED = "who has answered at an invitation"
    LINKS = "links in messages"
    DOORS = "doors of hospitals"
    CLIENT_SECRETS = "client secrets of hospitals"
    TOKENS = "tokens of machines"
    MARK = "the mark beside the data"
    REPEATS = "requests that are sent again"
    SEALS = "seals of what was signed, and of the audit trail"
    WALL = "the wall between clinics"
    CONTACTS = "contact details"


@dataclass(frozen=True)
class Keyring:
    """The present secret, and those before it, the newest first."""

    present: str = field(repr=False)
    previous: tuple[str, ...] = field(default=(), repr=False)

    def key(self, purpose: KeyFor) -> bytes:
        """What this purpose's work is done with today: 32 bytes."""
        return _derived(self.present, purpose)

    def every(self, purpose: KeyFor) -> tuple[bytes, ...]:
        """What may have been used for it: today's key, and then those of the previous secrets."""
        return tuple(_derived(secret, purpose) for secret in (self.present, *self.previous))

    def oldest_first(self, purpose: KeyFor) -> list[bytes]:
        """As the signing library takes them: it signs with the last."""
        return [*reversed(self.every(purpose))]

    def sealer(self) -> Sealer:
        """What seals beside the database, and knows its own seals again."""
        return Sealer(self.every(KeyFor.SEALS))

    @property
    def fingerprint(self) -> str:
        """By which the present secret is known again in 16 hexadecimal digits; they give nothing of it away."""
        return self.key(KeyFor.MARK).hex()[:16]

    def signer(self, purpose: KeyFor) -> URLSafeSerializer:
        """Signs what a browser keeps, with HMAC-SHA-256, and knows its own again."""
        how = {"key_derivation": "hmac", "digest_method": SHA_256}
        return URLSafeSerializer(self.oldest_first(purpose), salt=purpose.value, signer_kwargs=how)


@lru_cache(maxsize=256)
def _derived(secret: str, purpose: KeyFor) -> bytes:
    return HKDF(SHA256(), 32, salt=None, info=f"neaptide: {purpose.value}".encode()).derive(
        secret.encode("utf-8", "surrogateescape")
    )


def checked_secret(name: str, secret: str) -> str:
    """The secret. Raises Refused, which never repeats it, for one that is short or easily guessed.

    Whether it is random nobody can tell from it (NIST SP 800-133 asks for a random generator); these two are not.
    """
    is_repeated = any(secret[after:] == secret[:-after] for after in range(1, len(secret) // 2 + 1))
    if len(secret) < LEAST or len(set(secret)) < LEAST_DIFFERENT or is_repeated:
        raise Refused(name, "(hidden)", STRONG)
    return secret


def several(name: str, given: str) -> tuple[str, ...]:
    """The secrets in a setting: one a line, or with ` | ` between them. Raises Refused."""
    return tuple(checked_secret(name, one) for one in BETWEEN.split(given.strip()) if one)
