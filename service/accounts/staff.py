"""Staff accounts: who has one, and what it may do.

Promises that a new password ends every session of its account, and that an account which is closed opens
nothing while what it signed stays. Does not hash: that takes its time, and is done before.
"""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.accounts.hospital import let_go
from service.accounts.passkeys import remove_all
from service.accounts.sessions import end_sessions
from service.accounts.throttle import forget_everywhere
from service.care.tasks import hand_back
from service.domain import validation
from service.domain.rights import Right, checked_grants, checked_roles
from service.domain.validation import Clashes, Refused
from service.domain.vocabulary import Role
from service.store.audit import Act
from service.store.tables import Clinic, Staff
from service.words.language import staff_codes


def add_staff(
    act: Act,
    email: str,
    name: str,
    roles: Collection[Role],
    *,
    grants: Collection[Right] = (),
    password_hash: str | None = None,
) -> Staff:
    """Write a staff account of the act's clinic, which opens nothing before it has a password. Raises Refused."""
    address = validation.mailbox("email", email)
    its = select(Staff.id).where(Staff.email == address, Staff.clinic_id == act.clinic_id)
    if act.session.scalar(its) is not None:
        raise Clashes("email", email, "an address no other account of the clinic has")
    staff = Staff(
        email=address,
        name=validation.text("name", name, longest=120),
        roles=checked_roles(roles),
        grants=checked_grants(roles, grants),
        password_hash=password_hash,
        password_set_at=None if password_hash is None else act.now,
        active=True,
        created_at=act.now,
    )
    act.add(staff)
    act.note("staff.add", staff, roles=staff.roles, grants=staff.grants)
    return staff


def names_of(session: Session, staff: Staff) -> tuple[str, ...]:
    """What this person's password may not be made of."""
    clinic = session.get_one(Clinic, staff.clinic_id)
    return staff.email, staff.name, clinic.name, clinic.sender_name


def hashes_beside(session: Session, staff: Staff) -> list[str]:
    """What is kept of the passwords that this person's address has at other clinics."""
    kept = select(Staff.password_hash).where(
        Staff.email == staff.email, Staff.id != staff.id, Staff.password_hash.is_not(None)
    )
    return [one for one in session.scalars(kept.order_by(Staff.id)) if one]


def set_password(act: Act, staff: Staff, password_hash: str) -> None:
    """Replace a password by one that was checked and hashed before (`hashing.hashed`).

    Every session of the account ends, and its failures count no more.
    """
    staff.password_hash, staff.password_set_at = password_hash, act.now
    end_sessions(act.session, staff.id)
    forget_everywhere(act.session, staff.email)
    act.session.flush()
    act.note("staff.set_password", staff)


def end_password(act: Act, staff: Staff) -> None:
    """No password opens the account: its person has just come in another way. Every session of it ends."""
    staff.password_hash, staff.password_set_at = None, act.now
    end_sessions(act.session, staff.id)
    forget_everywhere(act.session, staff.email)
    act.session.flush()
    act.note("staff.end_password", staff)


def set_roles(act: Act, staff: Staff, roles: Collection[Role], grants: Collection[Right]) -> None:
    """What the account may do from the next page on.

    Raises Refused, also where nobody would administer the clinic, and for the account of an emergency access.
    """
    if staff.emergency_until is not None:
        raise Refused("staff", str(staff.id), "an account of a colleague")
    was = [*staff.roles, *staff.grants]
    kept, given = checked_roles(roles), checked_grants(roles, grants)
    if Role.ADMINISTRATOR not in roles:
        _keep_an_administrator(act, staff)
    staff.roles, staff.grants = kept, given
    act.session.flush()
    act.note("staff.set_roles", staff, was=was, now=[*kept, *given])


def _keep_an_administrator(act: Act, staff: Staff) -> None:
    if Role.ADMINISTRATOR not in staff.roles:
        return
    its = (Staff.clinic_id == staff.clinic_id, Staff.active, Staff.holds_any([Role.ADMINISTRATOR]))
    # Held: of two who end each other's at the same moment the second finds itself the last.
    held = select(Staff.id).where(*its).order_by(Staff.id).with_for_update(key_share=True)
    if not set(act.session.scalars(held)) - {staff.id}:
        raise Refused("roles", staff.roles, "a change that leaves the clinic another administrator")


def sign_out(act: Act, staff: Staff) -> None:
    """End every session of the account."""
    end_sessions(act.session, staff.id)
    act.note("staff.end_sessions", staff)


def set_language(act: Act, staff: Staff, language: str | None) -> None:
    """What pages and messages speak to this person; None is what their browser asks for, in messages the clinic's.

    Raises Refused.
    """
    if language is not None and language not in staff_codes():
        raise Refused("language", language, "one of %(words)s, or none", words=staff_codes())
    was, staff.language = staff.language, language
    act.session.flush()
    act.note("staff.set_language", staff, was=was, now=language)


def close_account(act: Act, staff: Staff) -> None:
    """The account no longer opens anything; what it signed stays, and tasks it had taken are open again.

    Raises Refused for the last administrator.
    """
    _keep_an_administrator(act, staff)
    staff.active = False
    end_sessions(act.session, staff.id)
    hand_back(act.session, staff.id, act.now)
    act.session.flush()
    act.note("staff.close", staff)


def reopen_account(act: Act, staff: Staff) -> None:
    """The account opens what it did before, by what its person sets anew by an invitation.

    Raises Refused for that of an emergency access, which only another code could open.
    """
    if staff.emergency_until is not None:
        raise Refused("staff", str(staff.id), "an account of a colleague")
    remove_all(act, staff)
    staff.active, staff.password_hash = True, None
    let_go(staff)
    act.session.flush()
    act.note("staff.reopen", staff)
