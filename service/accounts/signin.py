"""Signing in: a name and a password, looked at.

Promises that a wrong password and an unknown name look alike and cost the same, that guessing is slowed
down before anything is hashed (`accounts.throttle`), and that no password is hashed within a transaction.
One address may have an account at several clinics, whose administrators learn nothing of each other's: the
password says which one is meant, and where it is the same at several their person is asked. Nobody without the password
learns at which clinics an address has an account, nor whether it has any.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.accounts import factors, hashing, hospital, throttle
from service.accounts.sessions import SignedIn, begin_session
from service.accounts.throttle import Origin
from service.domain.validation import storable
from service.store.audit import act_of
from service.store.session import read_session, write_session
from service.store.tables import Clinic, Staff
from service.store.wall import Gate, through


class NotIn(StrEnum):
    """Why somebody was not let in."""

    WRONG = "wrong"  # name or password; never says which
    TOO_MANY = "too_many"  # failures from here: wait
    BUSY = "busy"  # nothing was looked at: come again
    HOSPITAL = "hospital"  # whose sign-in alone opens the account, by its clinic's wish
    LATE = "late"  # a passkey that was not asked for, or too long ago
    DOUBTED = "doubted"  # a passkey that may have been copied


@dataclass(frozen=True)
class Denied:
    """Why not, and in how many seconds to try again."""

    why: NotIn
    seconds: int = 0
    aimed_at: tuple[tuple[uuid.UUID, uuid.UUID], ...] = ()  # clinic and account, where there is one of that name


BUSY = Denied(NotIn.BUSY, 2)


@dataclass(frozen=True)
class HalfIn:
    """The password was right, or the hospital's sign-in; a passkey or a code is asked for."""

    staff_id: uuid.UUID
    by_hospital: bool = False


@dataclass(frozen=True)
class WhichOf:
    """The password was right for accounts at several clinics: which of them is meant is asked, and `choose` goes on."""

    staff_ids: tuple[uuid.UUID, ...]


def sign_in(
    engine: Engine, email: str, password: str, now: datetime, origin: Origin, instead_of: uuid.UUID | None = None
) -> SignedIn | HalfIn | WhichOf | Denied:
    """Check a name and a password, and begin a session in place of the browser's session before.

    Where the account has a second step, none is begun yet: `finish` does, with its code, or a passkey by itself.
    """
    found = _whose(engine, email, password, now, origin)
    if isinstance(found, Denied):
        return found
    if len(found) > 1:
        return WhichOf(tuple(one.id for one in found))
    return _enter(engine, found[0], now, origin, instead_of)


def offered(session: Session, which: WhichOf) -> Sequence[tuple[uuid.UUID, str]]:
    """The accounts that are asked about which are open still, each with the name of its clinic."""
    query = select(Staff.id, Clinic.name).join(Clinic, Clinic.id == Staff.clinic_id)
    kept = query.where(Staff.id.in_(which.staff_ids), Staff.active).order_by(Clinic.name, Staff.id)
    return [(staff_id, name) for staff_id, name in session.execute(kept)]


def choose(
    engine: Engine, which: WhichOf, staff_id: uuid.UUID, given_at: datetime, now: datetime, origin: Origin,
    instead_of: uuid.UUID | None = None,
) -> SignedIn | HalfIn | None:  # fmt: skip
    """Go on with the account that somebody chose, whose password was given at `given_at`.

    None for one that was not offered, or that this password opens no more.
    """
    if staff_id not in which.staff_ids:
        return None
    with read_session(engine) as session:
        staff = session.get_one(Staff, staff_id)
        is_closed = not staff.active or bool(hospital.closed_to_passwords(session, [staff]))
    if is_closed or staff.password_set_at is None or staff.password_set_at > given_at:
        return None
    return _enter(engine, staff, now, origin, instead_of)


def _enter(
    engine: Engine, staff: Staff, now: datetime, origin: Origin, instead_of: uuid.UUID | None
) -> SignedIn | HalfIn:
    with read_session(engine) as session:
        is_half = factors.has_second_step(session, staff)
    return HalfIn(staff.id) if is_half else begin(engine, staff, now, origin, instead_of)


def finish(
    engine: Engine,
    staff_id: uuid.UUID,
    code: str,
    now: datetime,
    origin: Origin,
    instead_of: uuid.UUID | None = None,
    *,
    by_hospital: bool = False,
) -> SignedIn | Denied:
    """Check the code of the second step, and begin the session."""
    found = check_code(engine, staff_id, code, now, origin)
    if isinstance(found, Denied):
        return found
    return begin(engine, found, now, origin, instead_of, by_hospital=by_hospital)


def check_code(engine: Engine, staff_id: uuid.UUID, code: str, now: datetime, origin: Origin) -> Staff | Denied:
    """Whose code this is. Wrong ones are counted apart from wrong passwords: a right password forgets none of them."""
    with write_session(engine) as session:
        # Locked: of many at once each finds the failures of those before.
        staff = session.scalars(select(Staff).where(Staff.id == staff_id).with_for_update()).one()
        place = throttle.place_of_codes(origin, staff.id)
        if wait := throttle.wait_of(session, place, now):
            return Denied(NotIn.TOO_MANY, math.ceil(wait.total_seconds()), aims([staff]))
        if not staff.active or not factors.use_code(session, staff_id, code, now):
            throttle.count_failure(session, place, now)
            return Denied(NotIn.WRONG, aimed_at=aims([staff]))
        throttle.forget_failures(session, place)
        return staff


def begin(
    engine: Engine,
    found: Staff,
    now: datetime,
    origin: Origin,
    instead_of: uuid.UUID | None,
    *,
    by_hospital: bool = False,
    passkey: uuid.UUID | None = None,
) -> SignedIn:
    """Begin the session of whoever has shown all that their account asks for; `passkey` is the one that they used."""
    used = {} if passkey is None else {"passkey": passkey}
    with write_session(engine) as session:
        act_of(session, found, now).note("staff.sign_in", found, **used)
        return begin_session(session, found, now, origin, instead_of, by_hospital=by_hospital)


def check(engine: Engine, email: str, password: str, now: datetime, origin: Origin, of: uuid.UUID) -> Staff | Denied:
    """Whether this is the password of that account, which has this name."""
    found = _whose(engine, email, password, now, origin, of)
    return found if isinstance(found, Denied) else found[0]


def _whose(
    engine: Engine, email: str, password: str, now: datetime, origin: Origin, of: uuid.UUID | None = None
) -> list[Staff] | Denied:
    """Whose name and password these are, of several clinics perhaps; with `of`, whether they are that account's.

    1. Ask how long this place has to wait. If not at all, write this try down as a failure before it is
       known, so that many at once are counted as many.
    2. Check the password outside any transaction, because the hash takes its time on purpose; an unknown
       name is checked against a hash nobody knows the password of.
    3. Leave the failure, or forget it; and those before it from here, unless the address has other accounts, at
       which they may have been aimed.
    """
    address = storable(email).strip().lower()
    with through(Gate.SIGN_IN), write_session(engine) as session:
        accounts = session.scalars(select(Staff).where(Staff.email == address, Staff.active).order_by(Staff.id)).all()
        place = throttle.place_of(origin, address, frozenset(one.id for one in accounts))
        if wait := throttle.wait_of(session, place, now):
            return Denied(NotIn.TOO_MANY, math.ceil(wait.total_seconds()), aims(accounts))
        failure = throttle.count_failure(session, place, now)
        closed = hospital.closed_to_passwords(session, accounts)
    try:
        meant = [one for one in accounts if of in {None, one.id} and one.id not in closed]
        good = hashing.matching([one.password_hash for one in meant], password)
        found = [one for one in meant if one.password_hash in good]
    except hashing.Busy:
        with write_session(engine) as session:  # it was no failure
            throttle.take_back(session, failure)
        return BUSY
    if not found:
        return Denied(NotIn.WRONG, aimed_at=aims(accounts))
    with write_session(engine) as session:
        throttle.take_back(session, failure)
        if len(found) == len(accounts):
            throttle.forget_failures(session, place)
    return found


def aims(accounts: Iterable[Staff]) -> tuple[tuple[uuid.UUID, uuid.UUID], ...]:
    """What a try was aimed at: clinic and account of each."""
    return tuple((one.clinic_id, one.id) for one in accounts)
