"""Staff accounts and the keys of machines: who may come in.

Promises that a password is kept only as an argon2id hash and a key's secret only
as its SHA-256, that a wrong password and an unknown name look alike and cost the
same, and that guessing is stopped by a count kept in the database, where every
web process sees it.
"""

from __future__ import annotations

import hashlib
import secrets
import uuid
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from argon2 import PasswordHasher
from argon2.exceptions import VerificationError
from sqlalchemy import Connection, Engine, bindparam, delete, func, select
from sqlalchemy.orm import Session

from service.domain import fields, passwords
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind, Role, Scope
from service.store import audit
from service.store.session import write_session
from service.store.tables import ApiKey, Clinic, SignInAttempt, Staff, StaffSession

# The library's own profile: argon2id as RFC 9106 (section 4, second choice) recommends.
_hasher = PasswordHasher()
_NOBODY = _hasher.hash(secrets.token_urlsafe(24))

MOST_FAILURES = 5
WITHIN = timedelta(minutes=15)
LONGEST_SESSION = timedelta(hours=12)


class NotIn(StrEnum):
    """Why somebody was not let in."""

    WRONG = "wrong"  # name or password; never says which
    TOO_MANY = "too_many"


@dataclass(frozen=True)
class SignedIn:
    staff_id: uuid.UUID
    clinic_id: uuid.UUID
    session_id: uuid.UUID


@dataclass(frozen=True)
class GoodKey:
    """A machine's key that opens something."""

    id: uuid.UUID
    clinic_id: uuid.UUID
    scopes: frozenset[Scope]


def add_staff(
    session: Session,
    clinic_id: uuid.UUID,
    email: str,
    name: str,
    role: Role,
    password: str,
    actor: audit.Actor,
    now: datetime,
) -> Staff:
    """Write a staff account. Raises Refused; WeakPassword for a password that is easily guessed."""
    address = fields.mailbox("email", email)
    if session.scalar(select(Staff.id).where(Staff.email == address)) is not None:
        raise Refused("email", email, "an address no other account has")
    name = fields.text("name", name, longest=120)
    staff = Staff(
        id=uuid.uuid4(), clinic_id=clinic_id, email=address, name=name, role=role,
        password_hash=_hashed(session, password, clinic_id, address, name), password_set_at=now, active=True,
        created_at=now,
    )  # fmt: skip
    session.add(staff)
    session.flush()
    audit.write_line(session, actor, "staff.add", ("staff", staff.id), now, clinic_id=clinic_id,
                     detail={"role": role.value})  # fmt: skip
    return staff


def set_password(session: Session, staff: Staff, password: str, actor: audit.Actor, now: datetime) -> None:
    """Replace a password; every session begun before now has ended. Raises WeakPassword."""
    staff.password_hash = _hashed(session, password, staff.clinic_id, staff.email, staff.name)
    staff.password_set_at = now
    session.execute(delete(StaffSession).where(StaffSession.staff_id == staff.id))
    session.flush()
    audit.write_line(session, actor, "staff.set_password", ("staff", staff.id), now, clinic_id=staff.clinic_id)


def close_account(session: Session, staff: Staff, actor: audit.Actor, now: datetime) -> None:
    """The account no longer opens anything; what it signed stays."""
    staff.active = False
    session.execute(delete(StaffSession).where(StaffSession.staff_id == staff.id))
    session.flush()
    audit.write_line(session, actor, "staff.close", ("staff", staff.id), now, clinic_id=staff.clinic_id)


def sign_in(engine: Engine, email: str, password: str, now: datetime) -> SignedIn | NotIn:
    """Check a name and a password, and begin a session."""
    staff = _check(engine, email, password, now)
    if isinstance(staff, NotIn):
        return staff
    with write_session(engine) as session:
        _forget_failures(session, staff.email)
        audit.write_line(
            session, audit.Actor(ActorKind.STAFF, staff.id), "staff.sign_in", ("staff", staff.id), now,
            clinic_id=staff.clinic_id,
        )  # fmt: skip
        return begin_session(session, staff, now)


def confirm(engine: Engine, email: str, password: str, now: datetime) -> NotIn | None:
    """Check the password of somebody who is signed in: guessing here is stopped by the same count."""
    staff = _check(engine, email, password, now)
    if isinstance(staff, NotIn):
        return staff
    with write_session(engine) as session:
        _forget_failures(session, staff.email)
    return None


def _check(engine: Engine, email: str, password: str, now: datetime) -> Staff | NotIn:
    """Whose name and password these are.

    1. Count the failures of this name in the last quarter of an hour; five are enough. Write this
       try down as one of them before it is known, so that many at once are counted as many.
    2. Check the password outside any transaction, because the hash takes its time on purpose;
       an unknown name is checked against a hash nobody knows the password of.
    3. Leave the failure; the caller makes a clean slate in the transaction of what follows.
    """
    address = email.replace("\x00", " ").strip().lower()  # PostgreSQL cannot even look for a NUL
    who = _who(address)
    with write_session(engine) as session:
        failures = session.scalar(
            select(func.count(SignInAttempt.id)).where(SignInAttempt.who == who, SignInAttempt.at > now - WITHIN)
        )
        if (failures or 0) >= MOST_FAILURES:
            return NotIn.TOO_MANY
        session.execute(delete(SignInAttempt).where(SignInAttempt.at < now - 2 * WITHIN))
        session.add(SignInAttempt(id=uuid.uuid4(), who=who, at=now))
        staff = session.scalar(select(Staff).where(Staff.email == address, Staff.active))
    if not _matches(staff.password_hash if staff else _NOBODY, password) or staff is None:
        return NotIn.WRONG
    return staff


def _forget_failures(session: Session, address: str) -> None:
    session.execute(delete(SignInAttempt).where(SignInAttempt.who == _who(address)))


def _who(address: str) -> str:
    return hashlib.sha256(address.encode("utf-8", "replace")).hexdigest()


def begin_session(session: Session, staff: Staff, now: datetime) -> SignedIn:
    """Write that a browser is signed in; the account's sessions that ran out go."""
    over = StaffSession.begun_at < now - LONGEST_SESSION
    session.execute(delete(StaffSession).where(StaffSession.staff_id == staff.id, over))
    begun = StaffSession(id=uuid.uuid4(), staff_id=staff.id, begun_at=now)
    session.add(begun)
    session.flush()
    return SignedIn(staff.id, staff.clinic_id, begun.id)


def end_session(session: Session, session_id: uuid.UUID, now: datetime) -> None:
    """The session opens nothing from now on, whoever holds its cookie. One that has ended stays as it is."""
    begun = session.get(StaffSession, session_id)
    if begun is None:
        return
    staff = session.get_one(Staff, begun.staff_id)
    session.delete(begun)
    session.flush()
    audit.write_line(
        session, audit.Actor(ActorKind.STAFF, staff.id), "staff.sign_out", ("staff", staff.id), now,
        clinic_id=staff.clinic_id,
    )  # fmt: skip


def end_other_sessions(session: Session, staff: Staff, kept: uuid.UUID, now: datetime) -> int:
    """End every session of the account but `kept`. Returns how many there were."""
    others = delete(StaffSession).where(StaffSession.staff_id == staff.id, StaffSession.id != kept)
    ended = session.connection().execute(others).rowcount
    audit.write_line(
        session, audit.Actor(ActorKind.STAFF, staff.id), "staff.sign_out_others", ("staff", staff.id), now,
        clinic_id=staff.clinic_id, detail={"sessions": ended},
    )  # fmt: skip
    return ended


def other_sessions(session: Session, staff_id: uuid.UUID, kept: uuid.UUID, now: datetime) -> list[datetime]:
    """When the account's other sessions that are not yet at their end were begun, newest first."""
    wanted = select(StaffSession.begun_at).where(
        StaffSession.staff_id == staff_id, StaffSession.id != kept, StaffSession.begun_at >= now - LONGEST_SESSION
    )
    return list(session.scalars(wanted.order_by(StaffSession.begun_at.desc())))


def issue_key(
    session: Session, clinic_id: uuid.UUID, name: str, scopes: Collection[Scope], actor: audit.Actor, now: datetime
) -> tuple[ApiKey, str]:
    """Write a machine's key. Returns it with its secret, which is shown once and kept nowhere. Raises Refused."""
    if not scopes:
        raise Refused("scopes", [], ", ".join(Scope))
    secret = f"nt_{secrets.token_urlsafe(32)}"
    key = ApiKey(
        id=uuid.uuid4(), clinic_id=clinic_id, name=fields.text("name", name, longest=80),
        secret_hash=hash_of(secret), scopes=sorted(scope.value for scope in scopes), created_at=now,
    )  # fmt: skip
    session.add(key)
    session.flush()
    audit.write_line(session, actor, "key.issue", ("key", key.id), now, clinic_id=clinic_id,
                     detail={"scopes": key.scopes})  # fmt: skip
    return key, secret


def check_key(connection: Connection, secret: str) -> GoodKey | None:
    """What the key of this secret opens, if it has not been revoked."""
    row = connection.execute(_GOOD_KEY, {"hash": hash_of(secret)}).first()
    return None if row is None else GoodKey(row.id, row.clinic_id, frozenset(Scope(scope) for scope in row.scopes))


# Built once, and without an object: every call of a machine passes here.
_GOOD_KEY = select(ApiKey.id, ApiKey.clinic_id, ApiKey.scopes).where(
    ApiKey.secret_hash == bindparam("hash"), ApiKey.revoked_at.is_(None)
)


def revoke_key(session: Session, key: ApiKey, actor: audit.Actor, now: datetime) -> None:
    """The key opens nothing from this transaction on."""
    key.revoked_at = now
    session.flush()
    audit.write_line(session, actor, "key.revoke", ("key", key.id), now, clinic_id=key.clinic_id)


def hash_of(secret: str) -> str:
    """What is kept of a key's secret. It has 256 bits of chance in it, so a plain hash cannot be guessed back."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()


def _hashed(session: Session, password: str, clinic_id: uuid.UUID, *names: str) -> str:
    clinic = session.get_one(Clinic, clinic_id)
    return _hasher.hash(passwords.checked(password, (*names, clinic.name, clinic.sender_name)))


def _matches(hashed: str, password: str) -> bool:
    try:
        return _hasher.verify(hashed, password[: passwords.LONGEST])
    except VerificationError:
        return False
