"""Signing in, and the sessions of browsers.

Promises that a wrong password and an unknown name look alike and cost the same, and that
guessing is stopped by a count kept in the database, where every web process sees it.

A session is a row, and signing out takes it away, so that a copied cookie is worth nothing
afterwards (OWASP ASVS 5.0, 7.4.1); a row each, so that other devices stay signed in.
"""

from __future__ import annotations

import hashlib
import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy import Engine, delete, func, select
from sqlalchemy.orm import Session

from service.accounts.staff import password_matches
from service.domain.validation import storable
from service.store.audit import act_of
from service.store.session import write_session
from service.store.tables import SignInAttempt, Staff, StaffSession

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


def sign_in(engine: Engine, email: str, password: str, now: datetime) -> SignedIn | NotIn:
    """Check a name and a password, and begin a session."""
    staff = _check(engine, email, password, now)
    if isinstance(staff, NotIn):
        return staff
    with write_session(engine) as session:
        _forget_failures(session, staff.email)
        act_of(session, staff, now).note("staff.sign_in", staff)
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
    address = storable(email).strip().lower()
    who = _who(address)
    with write_session(engine) as session:
        failures = session.scalar(
            select(func.count(SignInAttempt.id)).where(SignInAttempt.who == who, SignInAttempt.at > now - WITHIN)
        )
        if (failures or 0) >= MOST_FAILURES:
            return NotIn.TOO_MANY
        session.execute(delete(SignInAttempt).where(SignInAttempt.at < now - 2 * WITHIN))
        session.add(SignInAttempt(who=who, at=now))
        staff = session.scalar(select(Staff).where(Staff.email == address, Staff.active))
    if not password_matches(staff, password) or staff is None:
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
    begun = StaffSession(staff_id=staff.id, begun_at=now)
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
    act_of(session, staff, now).note("staff.sign_out", staff)


def end_other_sessions(session: Session, staff: Staff, kept: uuid.UUID, now: datetime) -> int:
    """End every session of the account but `kept`. Returns how many there were."""
    others = delete(StaffSession).where(StaffSession.staff_id == staff.id, StaffSession.id != kept)
    ended = session.connection().execute(others).rowcount
    act_of(session, staff, now).note("staff.sign_out_others", staff, sessions=ended)
    return ended


def other_sessions(session: Session, staff_id: uuid.UUID, kept: uuid.UUID, now: datetime) -> list[datetime]:
    """When the account's other sessions that are not yet at their end were begun, newest first."""
    wanted = select(StaffSession.begun_at).where(
        StaffSession.staff_id == staff_id, StaffSession.id != kept, StaffSession.begun_at >= now - LONGEST_SESSION
    )
    return list(session.scalars(wanted.order_by(StaffSession.begun_at.desc())))
