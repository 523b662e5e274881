"""Staff accounts: who has one, and with which password.

Promises that a password is kept only as an argon2id hash, and that it is checked against
`domain.passwords` with the names of the person and of the clinic.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection
from datetime import datetime

from argon2 import PasswordHasher
from argon2.exceptions import VerificationError
from sqlalchemy import delete, select

from service.domain import passwords, validation
from service.domain.rights import Right, checked_grants, checked_roles
from service.domain.validation import Refused
from service.domain.vocabulary import Role
from service.store.audit import Act
from service.store.tables import Clinic, Staff, StaffSession
from service.words.language import staff_codes

# The library's own profile: argon2id as RFC 9106 (section 4, second choice) recommends.
_hasher = PasswordHasher()
# Of a random password that nobody kept. Made beforehand: it takes longer than all else that a command does to begin.
_NOBODYS_HASH = "$argon2id$v=19$m=65536,t=3,p=4$VnOZjo0Gpa+irXwm1xSCOw$G2exfsdvFqNAZBrxsyXbKw+2WVeNStox5wkZXKpVBkY"


def add_staff(
    act: Act,
    email: str,
    name: str,
    roles: Collection[Role],
    password: str,
    door_now: datetime | None = None,
    grants: Collection[Right] = (),
) -> Staff:
    """Write a staff account of the act's clinic. Raises Refused; WeakPassword for one that is easily guessed.

    `door_now` is the time that sign-ins go by, where it is another than the service's: in the demo.
    """
    address = validation.mailbox("email", email)
    if act.session.scalar(select(Staff.id).where(Staff.email == address)) is not None:
        raise Refused("email", email, "an address no other account has")
    name = validation.text("name", name, longest=120)
    staff = Staff(
        email=address,
        name=name,
        roles=checked_roles(roles),
        grants=checked_grants(roles, grants),
        password_hash=_hashed(act, password, act.clinic_id, address, name),
        password_set_at=door_now or act.now,
        active=True,
        created_at=act.now,
    )
    act.add(staff)
    act.note("staff.add", staff, roles=staff.roles, grants=staff.grants)
    return staff


def set_password(act: Act, staff: Staff, password: str, door_now: datetime | None = None) -> None:
    """Replace a password; every session begun before now has ended.

    `door_now` as in `add_staff`. Raises WeakPassword.
    """
    staff.password_hash = _hashed(act, password, staff.clinic_id, staff.email, staff.name)
    staff.password_set_at = door_now or act.now
    act.session.execute(delete(StaffSession).where(StaffSession.staff_id == staff.id))
    act.session.flush()
    act.note("staff.set_password", staff)


def set_language(act: Act, staff: Staff, language: str | None) -> None:
    """What pages and messages speak to this person; None is what their browser asks for, in messages the clinic's.

    Raises Refused.
    """
    if language is not None and language not in staff_codes():
        raise Refused("language", language, f"{' or '.join(staff_codes())}, or none")
    was, staff.language = staff.language, language
    act.session.flush()
    act.note("staff.set_language", staff, was=was, now=language)


def close_account(act: Act, staff: Staff) -> None:
    """The account no longer opens anything; what it signed stays."""
    staff.active = False
    act.session.execute(delete(StaffSession).where(StaffSession.staff_id == staff.id))
    act.session.flush()
    act.note("staff.close", staff)


def _hashed(act: Act, password: str, clinic_id: uuid.UUID | None, *names: str) -> str:
    clinic = act.session.get_one(Clinic, clinic_id)
    return _hasher.hash(passwords.checked(password, (*names, clinic.name, clinic.sender_name)))


def password_matches(staff: Staff | None, password: str) -> bool:
    """Whether it is the account's password. Where there is no account this takes as long, and is never so."""
    try:
        good = _hasher.verify(_NOBODYS_HASH if staff is None else staff.password_hash, password[: passwords.LONGEST])
    except VerificationError:
        return False
    return good and staff is not None
