"""Passkeys: key pairs that open an account, after W3C Web Authentication, Level 3.

Promises that a passkey opens one account, that nobody takes away the last way into their own, and that each change
has its audit line. No private key ever comes here. What is asked of a browser, and what it answers, is looked at in
`accounts.challenges`.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service.accounts import hospital
from service.accounts.sessions import end_other_sessions, end_sessions
from service.domain import validation
from service.domain.validation import Refused
from service.store.audit import Act
from service.store.tables import Passkey, Staff

MOST_KEPT = 20  # of one account; our own number


@dataclass(frozen=True)
class NewPasskey:
    """A passkey that was shown to be one, not yet kept."""

    credential_id: bytes
    public_key: bytes
    sign_count: int


def add(act: Act, staff: Staff, new: NewPasskey, name: str) -> Passkey:
    """Let this passkey open the account. Raises Refused for a name, one that is kept already, or one too many."""
    session = act.session
    if session.scalar(select(Passkey.id).where(Passkey.credential_id == new.credential_id)) is not None:
        raise Refused("passkey", "(hidden)", "a passkey that is not kept yet")
    if len(passkeys_of(session, staff.id)) >= MOST_KEPT:
        raise Refused("passkeys", MOST_KEPT, "no more than %(most)s of one account", most=MOST_KEPT)
    kept = Passkey(
        staff_id=staff.id, name=checked_name(name), made_at=act.now, credential_id=new.credential_id,
        public_key=new.public_key, sign_count=new.sign_count,
    )  # fmt: skip
    session.add(kept)
    session.flush()
    act.note("staff.add_passkey", staff, passkey=kept.id)
    return kept


def rename(act: Act, staff: Staff, passkey: Passkey, name: str) -> None:
    """What its person calls it. Raises Refused."""
    passkey.name = checked_name(name)
    act.session.flush()
    act.note("staff.name_passkey", staff, passkey=passkey.id)


def remove(act: Act, staff: Staff, passkey: Passkey, kept: uuid.UUID) -> None:
    """The passkey opens nothing any more, and every session but `kept` ends. Raises Refused for the last way in."""
    session = act.session
    session.refresh(staff, with_for_update=True)  # of two at once, or beside `hospital.part`, one way in stays
    if is_last(passkey, passkeys_of(session, staff.id), opens_otherwise(session, staff)):
        raise Refused("passkeys", "(hidden)", "one that is not the last way into the account")
    gone = passkey.id
    session.delete(passkey)
    session.flush()
    act.note("staff.remove_passkey", staff, passkey=gone)
    end_other_sessions(session, staff, kept, act.now)


def remove_all(act: Act, staff: Staff) -> None:
    """No passkey opens the account any more; where there was one, its sessions end too."""
    gone = act.session.scalars(delete(Passkey).where(Passkey.staff_id == staff.id).returning(Passkey.id)).all()
    for passkey_id in gone:
        act.note("staff.remove_passkey", staff, passkey=passkey_id)
    if gone:
        end_sessions(act.session, staff.id)


def passkeys_of(session: Session, staff_id: uuid.UUID) -> Sequence[Passkey]:
    """The account's passkeys, the oldest first."""
    return session.scalars(
        select(Passkey).where(Passkey.staff_id == staff_id).order_by(Passkey.made_at, Passkey.id)
    ).all()


def checked_name(name: str) -> str:
    """Raises Refused."""
    return validation.text("name", name, longest=60)


def opens_otherwise(session: Session, staff: Staff) -> bool:
    """Whether a password, or the hospital's sign-in, opens the account too."""
    return hospital.has_password(session, staff) or bool(hospital.doors_of(session, {staff.id}))


def is_last(passkey: Passkey, kept: Sequence[Passkey], otherwise: bool) -> bool:
    """Whether nothing would open the account without this one of those it has."""
    return not otherwise and not any(one.doubted_at is None for one in kept if one.id != passkey.id)
