"""Seals: whether a record is still as it was written, told with a key that the database does not hold.

Promises that one who can change every row, and has no key, cannot make a record that is found intact: neither by
changing a field, nor by taking the seal of another record, nor by writing one anew. A seal names the key that it was
made with by a mark, so that a key that is lost is told apart from a record that was altered.
Does not know which fields a record has, nor where it lies.

HMAC with SHA-256 (RFC 2104, FIPS 198-1) over canonical JSON, whose first member names the kind of record.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache
from typing import Any

MARK = 8  # hexadecimal digits by which a key is known again; they give nothing of it away


class Seal(StrEnum):
    """What a record is found to be. Only the first may be called checked."""

    INTACT = "intact"
    ERASED = "erased"  # its text was taken out by the service, as the law may ask; what is left is as it was left
    ALTERED = "altered"
    UNSEALED = "unsealed"  # it was written without a key, or its seal was taken away
    UNKNOWN_KEY = "unknown_key"  # whether it was altered, nobody can tell without the key


HOLDS = frozenset({Seal.INTACT, Seal.ERASED})


@dataclass(frozen=True)
class Sealer:
    """Seals with the first of its keys, and knows the seals of all of them. Without one it seals nothing."""

    keys: tuple[bytes, ...] = field(default=(), repr=False)

    def seal(self, fields: Sequence[Any]) -> str:
        """The seal of these fields, each plain JSON: the key's mark, and the code. Empty without a key."""
        return f"{_mark(self.keys[0])}:{_code(self.keys[0], fields).hex()}" if self.keys else ""

    def judge(self, seal: str, fields: Sequence[Any]) -> Seal:
        """What the fields are by the seal that stands beside them."""
        if not seal:
            return Seal.UNSEALED
        mark, _, code = seal.partition(":")
        for key in self.keys:
            if _mark(key) == mark:
                holds = hmac.compare_digest(_code(key, fields).hex().encode(), code.encode())
                return Seal.INTACT if holds else Seal.ALTERED
        return Seal.UNKNOWN_KEY

    def relies(self, seal: Seal) -> bool:
        """Whether what was found so may be gone by: its seal holds, or nothing is sealed here."""
        return not self.keys or seal in HOLDS

    def codes(self, fields: Sequence[Any]) -> list[bytes]:
        """The bare code of these fields by each key, today's first: for what stands under a seal that names the key."""
        return [_code(key, fields) for key in self.keys]


@lru_cache(maxsize=64)
def _mark(key: bytes) -> str:
    return hmac.digest(key, b"mark", "sha256").hex()[:MARK]


def _code(key: bytes, fields: Sequence[Any]) -> bytes:
    return hmac.digest(key, canonical(fields), "sha256")


def canonical(facts: Any) -> bytes:
    """One spelling for equal facts: sorted keys, no spaces, UTF-8."""
    return json.dumps(facts, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def fingerprint(facts: Any) -> str:
    """SHA-256 of the canonical JSON, hexadecimal."""
    return hashlib.sha256(canonical(facts)).hexdigest()
