"""The keys of machines: a gateway, a hospital's own program.

Promises that a key's secret is kept only as its SHA-256 and shown only once.
"""

from __future__ import annotations

import hashlib
import secrets
import uuid
from collections.abc import Collection
from dataclasses import dataclass

from sqlalchemy import Connection, bindparam, select

from service.domain import validation
from service.domain.validation import Refused
from service.domain.vocabulary import Scope
from service.store.audit import Act
from service.store.tables import ApiKey


@dataclass(frozen=True)
class GoodKey:
    """A machine's key that opens something."""

    id: uuid.UUID
    clinic_id: uuid.UUID
    scopes: frozenset[Scope]


def issue_key(act: Act, name: str, scopes: Collection[Scope]) -> tuple[ApiKey, str]:
    """Write a machine's key. Returns it with its secret, which is shown once and kept nowhere. Raises Refused."""
    if not scopes:
        raise Refused("scopes", [], "one of %(words)s", words=tuple(Scope))
    secret = f"nt_{secrets.token_urlsafe(32)}"
    key = ApiKey(
        name=validation.text("name", name, longest=80),
        secret_hash=hash_of(secret),
        scopes=sorted(scope.value for scope in scopes),
        created_at=act.now,
    )
    act.add(key)
    act.note("key.issue", ("key", key.id), scopes=key.scopes)
    return key, secret


def check_key(connection: Connection, secret: str) -> GoodKey | None:
    """What the key of this secret opens, if it has not been revoked."""
    row = connection.execute(_GOOD_KEY, {"hash": hash_of(secret)}).first()
    return None if row is None else GoodKey(row.id, row.clinic_id, frozenset(Scope(scope) for scope in row.scopes))


# Built once, and without an object: every call of a machine passes here.
_GOOD_KEY = select(ApiKey.id, ApiKey.clinic_id, ApiKey.scopes).where(
    ApiKey.secret_hash == bindparam("hash"), ApiKey.revoked_at.is_(None)
)


def revoke_key(act: Act, key: ApiKey) -> None:
    """The key opens nothing from this transaction on."""
    key.revoked_at = act.now
    act.session.flush()
    act.note("key.revoke", ("key", key.id))


def hash_of(secret: str) -> str:
    """What is kept of a key's secret. It has 256 bits of chance in it, so a plain hash cannot be guessed back."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()
