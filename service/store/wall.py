"""The wall between clinics, as the database keeps it where the web has a role of its own (PostgreSQL).

Promises that each transaction of the web says at its beginning whose it is, that it then sees and changes the rows of
that clinic alone, and that one which says nothing sees none. What must look across says through which gate it goes:
`GATES` lists every one, why it is there and which tables it opens, and no other way leads through. What is said is
signed (HMAC, RFC 2104, with SHA-256) by a key that the database checks and the web's role cannot read, so that a
statement which somebody slipped in says nothing for another clinic. How the database keeps it: `migrations.roles`.

Does not hold where one role owns the tables and serves as well (SQLite, a small installation): nothing is said there,
and the conditions of each query are all there is. Nor against somebody who runs code of theirs in the process.
"""

from __future__ import annotations

import hashlib
import hmac
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import psycopg
from psycopg.pq import ExecStatus, TransactionStatus

SAY = b"SELECT set_config('neaptide.wall', $1, true)"
SETTING = "neaptide.wall"  # of one transaction: gate, clinic and signature, with a colon between them
WEB = "neaptide_web"  # the role whose transactions are walled


class Gate(StrEnum):
    """A way through the wall. The words are part of what is signed and of the policies."""

    SESSION = "session"
    KEY = "key"
    LINK = "link"
    PHONE = "phone"
    SIGN_IN = "sign_in"
    CALLED_IN = "called_in"
    TRANSFER = "transfer"
    TRAIL = "trail"
    WATCH = "watch"


@dataclass(frozen=True)
class Lets:
    """What a gate is for, and the tables that it opens: to read, and to write as well."""

    why: str
    reads: frozenset[str] = frozenset()
    writes: frozenset[str] = frozenset()
    adds: frozenset[str] = frozenset()  # rows alone that nobody reads or changes by this gate


def _of(*tables: str) -> frozenset[str]:
    return frozenset(tables)


GATES: Mapping[Gate, Lets] = {
    Gate.SESSION: Lets(
        "a browser's cookie names a session, and the session its clinic",
        reads=_of("staff", "passkeys"),
        writes=_of("staff_sessions"),
        adds=_of("audit_lines"),
    ),
    Gate.KEY: Lets("a machine's key names its clinic", writes=_of("api_keys")),
    Gate.LINK: Lets("the key of a link names its clinic", reads=_of("link_keys")),
    Gate.PHONE: Lets(
        "a browser that has exchanged its subscription knows nothing but the one before",
        reads=_of("patients", "caregivers", "consents"),
        writes=_of("contacts"),
        adds=_of("audit_lines"),
    ),
    Gate.SIGN_IN: Lets(
        "somebody at the door names no clinic: an address may have accounts at several, a passkey, a code on paper, "
        "an invitation and the door of a hospital's sign-in name theirs",
        reads=_of("hospital_sign_ins"),
        writes=_of("emergency_codes", "staff", "staff_sessions", "staff_invitations", "passkeys", "passkey_challenges"),
        adds=_of("audit_lines"),
    ),
    Gate.CALLED_IN: Lets(
        "a provider calls in a receipt by its own reference, or a text from a number that several clinics may have: by "
        "the gate it is found out whose it is, and what follows is written within that clinic (`session.within`)",
        reads=_of("staff", "patients", "caregivers", "contacts", "consents", "messages", "transfers"),
        writes=_of("inbound_texts", "unplaced_texts", "stranger_texts", "meant_clinics", "dead_letters", "trials"),
    ),
    Gate.TRANSFER: Lets("a patient goes from one clinic to another: the rows of the two that a transfer names"),
    Gate.TRAIL: Lets("the lines of who opened what are written together, whosever they are", adds=_of("access_lines")),
    Gate.WATCH: Lets("whoever watches the service sees how many wait, of all clinics", reads=_of("messages", "tasks")),
}


@dataclass(frozen=True, slots=True)
class Bounds:
    """What a transaction may see: a clinic's rows, what a gate opens, or neither."""

    clinic_id: uuid.UUID | None = None
    gate: Gate | None = None

    def signed(self, key: bytes) -> str:
        """What is said to the database of it."""
        said = f"{self.gate or ''}:{self.clinic_id or ''}"
        return f"{said}:{hmac.digest(key, said.encode(), hashlib.sha256).hex()}"


OUTSIDE = Bounds()
_bounds: ContextVar[Bounds] = ContextVar("bounds", default=OUTSIDE)


def stand(clinic_id: uuid.UUID | None = None, gate: Gate | None = None) -> None:
    """From now on, in this thread, transactions are of this clinic, or go through this gate, or neither."""
    _bounds.set(Bounds(clinic_id, gate))


@contextmanager
def through(gate: Gate) -> Iterator[None]:
    """Transactions that begin in the block go through this gate, until one has found whose it is: that stands."""
    before = _bounds.get()
    gone = Bounds(before.clinic_id, gate)
    _bounds.set(gone)
    try:
        yield
    finally:
        if _bounds.get() is gone:
            _bounds.set(before)


def is_of(clinic_id: uuid.UUID) -> bool:
    """Whether transactions are this clinic's, whatever gate they go through."""
    return _bounds.get().clinic_id == clinic_id


@contextmanager
def also_of(clinic_id: uuid.UUID) -> Iterator[None]:
    """In the block, what goes through a gate is this clinic's as well."""
    before = _bounds.get()
    _bounds.set(Bounds(clinic_id, before.gate))
    try:
        yield
    finally:
        _bounds.set(before)


def say(connection: psycopg.Connection[Any], key: bytes) -> None:
    """Say on a connection whose its transaction is: it begins with that, or has just found out.

    By the driver's own library, since a cursor costs more than all else that a short transaction adds. Bound, never
    part of the statement: what others of the same role run is seen in the server's list of activity.
    """
    said, raw = _bounds.get().signed(key), connection.pgconn
    if raw.transaction_status == TransactionStatus.IDLE and not connection.autocommit:
        raw.exec_(b"BEGIN")
    if raw.exec_params(SAY, [said.encode()]).status != ExecStatus.TUPLES_OK:
        connection.execute(SAY.replace(b"$1", b"%s"), (said,))  # which raises what is wrong, by its name
