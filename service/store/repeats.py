"""What a POST with an Idempotency-Key answered, so that a repeat within a day answers the same.

Promises that of two with one key the second waits for the first to end; that the request itself is kept nowhere: it
is known again by a hash under a key of the service's (`service.keyring`), which tells whoever reads the database
nothing to guess by; and that both are gone a day later. An answer that holds a secret is never given to it.
"""

from __future__ import annotations

import hmac
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection, delete, select, update

from service.store.identity import new_id
from service.store.session import Where, rows
from service.store.tables import IdempotentCall
from service.store.upsert import insert_new

KEPT = timedelta(hours=24)  # common practice, no source
NOT_KEPT = {"status": 0, "body": {}}  # an answer that is not there: not yet, never kept, or erased


@dataclass(frozen=True)
class KeyedRequest:
    """A request with its key: who sent it to which clinic, and the hashes it is known by, the one of today first."""

    clinic_id: uuid.UUID
    caller: str
    key: str
    hashes: tuple[str, ...]

    @property
    def _is_it(self) -> Any:
        return (IdempotentCall.caller == self.caller) & (IdempotentCall.key == self.key)


@dataclass(frozen=True)
class Earlier:
    """What the first of its kind answered; `is_same` where that asked the same, `status` 0 where nothing was kept."""

    is_same: bool
    status: int
    body: Any


def hashes(keys: Sequence[bytes], request: bytes) -> tuple[str, ...]:
    """By what a request is known, under each of the keys: HMAC with SHA-256 (RFC 2104), hex."""
    return tuple(hmac.new(key, request, sha256).hexdigest() for key in keys)


def claim(connection: Connection, asked: KeyedRequest, now: datetime, answer: dict[str, Any] | None = None) -> bool:
    """Whether the key is this request's, with its answer where that is known; it waits for one that is under way."""
    row = {
        "id": new_id(),
        "clinic_id": asked.clinic_id,
        "caller": asked.caller,
        "key": asked.key,
        "request_hash": asked.hashes[0],
        **(answer or NOT_KEPT),
        "at": now,
    }
    return insert_new(connection, IdempotentCall.__table__, [row], ["caller", "key"]) == 1


def keep(connection: Connection, asked: KeyedRequest, status: int, body: Any) -> None:
    """Keep the answer of the request that claimed the key."""
    connection.execute(update(IdempotentCall).where(asked._is_it).values(status=status, body=body))


def earlier(connection: Connection, asked: KeyedRequest) -> Earlier | None:
    """What was answered under this key before; None where nothing was."""
    row = connection.execute(
        select(IdempotentCall.request_hash, IdempotentCall.status, IdempotentCall.body).where(asked._is_it)
    ).first()
    return None if row is None else Earlier(row.request_hash in asked.hashes, row.status, row.body)


def forget(where: Where, now: datetime) -> None:
    """Let go of those of the day before."""
    rows(where).execute(delete(IdempotentCall).where(IdempotentCall.at < now - KEPT))


def erase_answers(where: Where, clinic_id: uuid.UUID) -> None:
    """Keep no answer that this clinic was given: a repeat is not done again, and is told that its answer is gone."""
    rows(where).execute(update(IdempotentCall).where(IdempotentCall.clinic_id == clinic_id).values(NOT_KEPT))
