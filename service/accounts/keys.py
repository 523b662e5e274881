"""The keys of machines, a gateway or a hospital's own program, and the tokens that stand for one for minutes.

Promises that a key's secret is kept only as its SHA-256 and shown only once, and that a
key comes to its end by itself. A key that lies in a safe place gives tokens to what works with it: a token opens no
more than its key, from nowhere else, and nothing once the key is over or revoked. It is kept nowhere: it is signed.
"""

from __future__ import annotations

import hashlib
import secrets
import uuid
from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from ipaddress import ip_address, ip_network
from typing import Any

from itsdangerous import BadSignature
from sqlalchemy import Connection, bindparam, select, update

from service.domain import validation
from service.domain.validation import Refused
from service.domain.vocabulary import Scope
from service.keyring import KeyFor, Keyring
from service.store.audit import Act
from service.store.prepared import Prepared
from service.store.tables import ApiKey

LASTS_DAYS, MOST_DAYS = 365, 730  # our own numbers
TOKEN_MINUTES, MOST_TOKEN_MINUTES = 15, 60  # our own too: OWASP ASVS 5.0, 13.2.1, asks for short ones and names none
TOKEN = "ntt_"  # noqa: S105 - how one begins
USED_TO = timedelta(hours=1)


@dataclass(frozen=True)
class GoodKey:
    """A machine's key that opens something."""

    id: uuid.UUID
    clinic_id: uuid.UUID
    scopes: frozenset[Scope]
    is_stale: bool = False  # when it was last used is long written
    is_token: bool = False  # or rather a token of it


def issue_key(
    act: Act, name: str, scopes: Collection[Scope], days: int = LASTS_DAYS, networks: Collection[str] = ()
) -> tuple[ApiKey, str]:
    """Write a machine's key, good for so many days and from these networks, or anywhere.

    Returns it with its secret, which is shown once and kept nowhere. Raises Refused.
    """
    if not scopes:
        raise Refused("scopes", [], "one of %(words)s", words=tuple(Scope))
    secret = f"nt_{secrets.token_urlsafe(32)}"
    key = ApiKey(
        name=validation.text("name", name, longest=80),
        secret_hash=hash_of(secret),
        scopes=sorted(scope.value for scope in scopes),
        networks=[_network(one) for one in networks],
        created_at=act.now,
        expires_at=act.now + timedelta(days=validation.whole("days", days, 1, MOST_DAYS)),
    )
    act.add(key)
    act.note("key.issue", ("key", key.id), scopes=key.scopes, expires_at=key.expires_at)
    return key, secret


def _network(given: str) -> str:
    try:
        return str(ip_network(given.strip()))
    except ValueError:
        raise Refused("networks", given, "an address, or a network such as 192.0.2.0/24") from None


def check_key(connection: Connection, secret: str, address: str, now: datetime, keyring: Keyring) -> GoodKey | None:
    """What the key of this secret, or the key behind this token, opens from this address, while it lasts."""
    if not secret.startswith(TOKEN):
        return _opened(_BY_SECRET.first(connection, {"hash": hash_of(secret)}), address, now)
    try:
        key_id, scopes, until = keyring.signer(KeyFor.TOKENS).loads(secret.removeprefix(TOKEN))
    except BadSignature:
        return None
    if until <= now.timestamp():
        return None
    found = _opened(_BY_ID.first(connection, {"id": uuid.UUID(key_id)}), address, now)
    return (
        None if found is None else replace(found, scopes=found.scopes & {Scope(one) for one in scopes}, is_token=True)
    )


def _opened(row: Any, address: str, now: datetime) -> GoodKey | None:
    if row is None or row.expires_at <= now or not _is_from(address, row.networks):
        return None
    is_stale = row.used_at is None or now - row.used_at >= USED_TO
    return GoodKey(row.id, row.clinic_id, frozenset(Scope(scope) for scope in row.scopes), is_stale)


def make_token(
    keyring: Keyring, key_id: uuid.UUID, held: Collection[Scope], scopes: Collection[Scope] | None, until: datetime
) -> tuple[str, list[Scope]]:
    """A token of a key that holds these scopes, for some of them or all, and which. Raises Refused for any other."""
    asked = sorted(held if scopes is None else {*scopes})
    if not asked or not {*asked} <= {*held}:
        raise Refused("scopes", [scope.value for scope in asked], "one of %(words)s", words=tuple(sorted(held)))
    return TOKEN + str(keyring.signer(KeyFor.TOKENS).dumps([key_id.hex, asked, until.timestamp()])), asked


def stamp_key(connection: Connection, key: GoodKey, now: datetime) -> None:
    """The key was used now; written to the hour, since a machine calls often."""
    connection.execute(update(ApiKey).where(ApiKey.id == key.id).values(used_at=now))


def _is_from(address: str, networks: Collection[str]) -> bool:
    if not networks:
        return True
    try:
        found = ip_address(address)
    except ValueError:
        return False
    return any(found in ip_network(one) for one in networks)


# Built once, and without an object: every call of a machine passes here.
_GOOD_KEY = select(
    ApiKey.id, ApiKey.clinic_id, ApiKey.scopes, ApiKey.networks, ApiKey.expires_at, ApiKey.used_at
).where(ApiKey.revoked_at.is_(None))
_BY_SECRET = Prepared(_GOOD_KEY.where(ApiKey.secret_hash == bindparam("hash")))
_BY_ID = Prepared(_GOOD_KEY.where(ApiKey.id == bindparam("id")))


def revoke_key(act: Act, key: ApiKey) -> None:
    """The key opens nothing from this transaction on."""
    key.revoked_at = act.now
    act.session.flush()
    act.note("key.revoke", ("key", key.id))


def hash_of(secret: str) -> str:
    """What is kept of a key's secret. It has 256 bits of chance in it, so a plain hash cannot be guessed back."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()
