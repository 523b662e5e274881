"""How somebody comes to a way in of their own, by a link that was made for them: passkey, password, hospital's sign-in.

Promises that no one but the person who opens the link sets one, that whoever takes it up starts anew by one of
the three and the others are let go, that a link works once, ends by
itself, and ends when a newer one is made; the database keeps its key's SHA-256. The same link serves the
first time and the forgotten password. It replaces no second step: where the account has one, no passkey is set by it.
"""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta

from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.accounts import hashing, hospital, passkeys
from service.accounts.factors import has_second_step
from service.accounts.keys import hash_of
from service.accounts.passkeys import NewPasskey
from service.accounts.staff import end_password, hashes_beside, names_of, set_password
from service.domain.validation import Refused
from service.store.audit import Act, act_of
from service.store.session import read_session, write_session
from service.store.tables import Staff, StaffInvitation
from service.transports.openid import Vouched

LASTS = timedelta(days=7)  # our own number


def invite(act: Act, staff: Staff, door_now: datetime) -> str:
    """Make the key of a link by which this person sets their password; those before it open nothing any more.

    `door_now` is the time that sign-ins go by. Raises Refused for a closed account.
    """
    if not staff.active:
        raise Refused("staff", str(staff.id), "an account that is open")
    _end_others(act.session, staff, door_now)
    key = secrets.token_urlsafe(32)
    made = StaffInvitation(staff_id=staff.id, key_hash=hash_of(key), made_at=door_now, until=door_now + LASTS)
    act.session.add(made)
    act.session.flush()
    act.note("staff.invite", staff)
    return key


def invited(session: Session, key: str, now: datetime, *, locked: bool = False) -> Staff | None:
    """Whose link this is, while it works; `locked`, nobody else takes it up in the meantime."""
    good = (StaffInvitation.used_at.is_(None), StaffInvitation.until > now, Staff.active)
    its = StaffInvitation.key_hash == hash_of(key)
    query = select(Staff).join(StaffInvitation, StaffInvitation.staff_id == Staff.id).where(its, *good)
    return session.scalar(query.with_for_update(of=StaffInvitation) if locked else query)


def take_up(engine: Engine, key: str, password: str, now: datetime) -> Staff:
    """Set the password of whoever was invited; the link works no more, and every session of before has ended.

    Raises Refused for a link that works no more, WeakPassword, and Busy.
    """
    with read_session(engine) as session:
        staff = invited(session, key, now)
        if staff is None:
            raise _over()
        names, beside = names_of(session, staff), hashes_beside(session, staff)
    made = hashing.hashed(password, names, beside)
    with write_session(engine) as session:
        staff = invited(session, key, now, locked=True)  # of two at the same time the second finds it used
        if staff is None:
            raise _over()
        _end_others(session, staff, now)
        hospital.let_go(staff)
        set_password(act_of(session, staff, now), staff, made)
        return staff


def take_up_by_hospital(session: Session, key: str, said: Vouched, address: str | None, now: datetime) -> Staff:
    """Whoever was invited comes in by the hospital's sign-in from now on; a password of before opens nothing more.

    Raises Refused for a link that works no more, and as `hospital.join` does.
    """
    staff = invited(session, key, now, locked=True)
    if staff is None:
        raise _over()
    act = act_of(session, staff, now)
    hospital.join(act, staff, said, address)
    _end_others(session, staff, now)
    end_password(act, staff)
    return staff


def take_up_by_passkey(engine: Engine, key: str, new: NewPasskey, name: str, now: datetime) -> Staff:
    """Let whoever was invited in by this passkey from now on; a password of before opens nothing more.

    Raises Refused for a link that works no more, for an account that has a second step, and as `passkeys.add` does.
    """
    with write_session(engine) as session:
        staff = invited(session, key, now, locked=True)
        if staff is None or has_second_step(session, staff):
            raise _over()
        act = act_of(session, staff, now)
        passkeys.add(act, staff, new, name)
        _end_others(session, staff, now)
        hospital.let_go(staff)
        end_password(act, staff)
        return staff


def _end_others(session: Session, staff: Staff, now: datetime) -> None:
    of_theirs = update(StaffInvitation).where(StaffInvitation.staff_id == staff.id, StaffInvitation.used_at.is_(None))
    session.execute(of_theirs.values(used_at=now))


def _over() -> Refused:
    return Refused("key", "(hidden)", "a link that was not used yet, nor made too long ago")
