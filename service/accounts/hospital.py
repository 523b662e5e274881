"""The hospital's own sign-in: what a clinic has set of it, and whose account is whose there.

Promises that an account is joined to the provider's name for a person (issuer and subject), which never becomes
somebody else's, and not to an address, which may; that nobody is created by signing in; that no account loses its last
way in; and that the client's secret is kept sealed under a key of the service's, so that a copy of the database
alone tells nothing, and stands in no audit line.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import uuid
from collections.abc import Collection
from dataclasses import dataclass, field

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from sqlalchemy import exists, select
from sqlalchemy.orm import Session

from service.domain import validation
from service.domain.validation import Clashes, Refused
from service.domain.vocabulary import HospitalCounts
from service.keyring import KeyFor, Keyring
from service.store.audit import Act
from service.store.tables import Clinic, HospitalSignIn, Passkey, Staff
from service.transports.openid import Us, Vouched

MULTI_FACTOR = "mfa"  # RFC 8176, section 2
MOST_SECRET = 400  # characters; sealed they are some 600


@dataclass(frozen=True)
class Given:
    """What an administrator typed. An empty secret keeps the one there is."""

    issuer: str
    client_id: str
    client_secret: str = field(repr=False)
    address_claim: str = "email"
    counts: str = HospitalCounts.NEVER
    acr: str = ""
    passwords_too: bool = True


def of_clinic(session: Session, clinic_id: uuid.UUID) -> HospitalSignIn | None:
    """What this clinic has set."""
    return session.scalar(select(HospitalSignIn).where(HospitalSignIn.clinic_id == clinic_id))


def at_door(session: Session, door: str) -> HospitalSignIn | None:
    """Whose sign-in page this is."""
    its = select(HospitalSignIn).where(HospitalSignIn.door == door)
    return session.scalar(its) if validation.is_storable(door) else None


def doors_of(session: Session, staff_ids: Collection[uuid.UUID]) -> list[tuple[str, str]]:
    """The doors of those accounts that have joined, each with how its clinic signs."""
    if not staff_ids:
        return []
    query = (
        select(HospitalSignIn.door, Clinic.sender_name).distinct()
        .join(Clinic, Clinic.id == HospitalSignIn.clinic_id).join(Staff, Staff.clinic_id == Clinic.id)
        .where(Staff.id.in_(staff_ids), Staff.hospital_issuer == HospitalSignIn.issuer).order_by(Clinic.sender_name)
    )  # fmt: skip
    return [(door, name) for door, name in session.execute(query)]


def door_of(clinic_id: uuid.UUID, keys: Keyring) -> str:
    """The door that this clinic has, or will have: a hospital has to know it before it says who we are there."""
    made = hmac.digest(keys.key(KeyFor.DOORS), clinic_id.bytes, hashlib.sha256)[:16]
    return base64.urlsafe_b64encode(made).rstrip(b"=").decode()


def set_up(act: Act, given: Given, keys: Keyring, *, came_by_it: bool) -> HospitalSignIn:
    """Keep what was typed. Raises Refused.

    `came_by_it`: whoever sets this has signed in by the hospital just now. Passwords end only at such a hand, which
    shows that the other way opens.
    """
    held = of_clinic(act.session, act.clinic_id)
    kept = _checked(given)
    if not given.passwords_too and not came_by_it:
        raise Refused("passwords_too", "no", "yes, until whoever changes it has signed in by the hospital")
    if given.client_secret:
        kept["client_secret"] = _sealer(keys).encrypt(given.client_secret.encode()).decode()
    if held is None:
        if not given.client_secret:
            raise Refused("client_secret", "", "something: it is needed")
        held = HospitalSignIn(door=door_of(act.clinic_id, keys), made_at=act.now, **kept)
        act.add(held)
        act.note("hospital.set_up", held, fields=sorted(kept))
        return held
    changed = sorted(name for name, value in kept.items() if getattr(held, name) != value)
    for name in changed:
        setattr(held, name, kept[name])
    act.session.flush()
    act.note("hospital.change", held, fields=changed)
    return held


def _checked(given: Given) -> dict[str, object]:
    if given.client_secret:  # never repeated in a refusal
        try:
            validation.text("client_secret", given.client_secret, longest=MOST_SECRET)
        except Refused:
            raise Refused(
                "client_secret", "(hidden)", "a line of at most %(most)s characters", most=MOST_SECRET
            ) from None
    if given.counts not in list(HospitalCounts):
        raise Refused("counts", given.counts, "one of the list")
    return {
        "issuer": validation.checked_url("issuer", validation.text("issuer", given.issuer, longest=300)),
        "client_id": validation.text("client_id", given.client_id, longest=200),
        "address_claim": validation.text("address_claim", given.address_claim, longest=60),
        "counts": HospitalCounts(given.counts),
        "acr": validation.text("acr", given.acr, longest=200, shortest=0) or None,
        "passwords_too": given.passwords_too,
    }


def take_away(act: Act, held: HospitalSignIn) -> None:
    """Nobody comes in by the hospital any more; whoever has no password needs a link."""
    act.session.delete(held)
    act.session.flush()
    act.note("hospital.take_away", held)


def us(held: HospitalSignIn, back: str, keys: Keyring) -> Us:
    """Who we are at the provider. Raises Refused where it was sealed under a secret key that is not known any more."""
    try:
        secret = _sealer(keys).decrypt(held.client_secret.encode()).decode()
    except InvalidToken:
        raise Refused("client_secret", "(hidden)", "the client's secret, typed once more") from None
    return Us(held.issuer, held.client_id, back, secret)


def _sealer(keys: Keyring) -> MultiFernet:
    return MultiFernet([Fernet(base64.urlsafe_b64encode(one)) for one in keys.every(KeyFor.CLIENT_SECRETS)])


# --- whose account is whose ---------------------------------------------------------------------


def joined(session: Session, clinic_id: uuid.UUID, said: Vouched) -> Staff | None:
    """The clinic's open account that is joined to whoever signed in."""
    its = (Staff.hospital_issuer == said.issuer, Staff.hospital_subject == said.subject)
    return session.scalar(select(Staff).where(Staff.clinic_id == clinic_id, Staff.active, *its))


def join(act: Act, staff: Staff, said: Vouched, address: str | None) -> None:
    """From now on this person at the provider opens this account.

    Raises Refused("address", …) where the provider vouches for no such address, and Refused("subject", …) where they
    open another account of the clinic already.
    """
    if address != staff.email:
        raise Refused("address", "(hidden)", "the address of the account, vouched for by the hospital")
    its = (Staff.hospital_issuer == said.issuer, Staff.hospital_subject == said.subject)
    other = select(Staff.id).where(Staff.clinic_id == staff.clinic_id, Staff.id != staff.id, *its)
    if act.session.scalar(other) is not None:
        raise Clashes("subject", "(hidden)", "somebody who opens no other account of the clinic")
    staff.hospital_issuer, staff.hospital_subject = said.issuer, said.subject
    act.session.flush()
    act.note("staff.join_hospital", staff)


def part(act: Act, staff: Staff) -> None:
    """The hospital's sign-in opens this account no more. Raises Refused where nothing else would."""
    act.session.refresh(
        staff, with_for_update=True
    )  # beside the removal of its last passkey, one of the two is told no
    if staff.password_hash is None and not act.session.scalar(select(exists().where(*Passkey.that_open(staff.id)))):
        raise Refused("password", "", "an account that has a password or a passkey")
    let_go(staff)
    act.session.flush()
    act.note("staff.part_from_hospital", staff)


def let_go(staff: Staff) -> None:
    """Whoever starts anew by a password starts without the hospital's sign-in."""
    staff.hospital_issuer = staff.hospital_subject = None


def closed_to_passwords(session: Session, accounts: Collection[Staff]) -> frozenset[uuid.UUID]:
    """Those of the accounts that have joined where the clinic wants no passwords beside the hospital's sign-in."""
    if not any(one.hospital_subject for one in accounts):
        return frozenset()
    closed = (
        select(Staff.id).join(HospitalSignIn, HospitalSignIn.clinic_id == Staff.clinic_id)
        .where(Staff.id.in_({one.id for one in accounts}), Staff.hospital_issuer == HospitalSignIn.issuer,
               HospitalSignIn.passwords_too.is_(False))
    )  # fmt: skip
    return frozenset(session.scalars(closed))


def has_password(session: Session, staff: Staff) -> bool:
    """Whether there is a password that opens the account."""
    return staff.password_hash is not None and staff.id not in closed_to_passwords(session, [staff])


def may_confirm(session: Session, staff: Staff, *, has_second_step: bool) -> bool:
    """Whether signing in at the hospital can show that it is still they: as strongly as what it stands for."""
    held = of_clinic(session, staff.clinic_id)
    if held is None or staff.hospital_issuer != held.issuer:
        return False
    return not has_second_step or held.counts is not HospitalCounts.NEVER


def is_second_step(held: HospitalSignIn, said: Vouched) -> bool:
    """Whether this time at the provider counts as the second step too."""
    if held.counts is not HospitalCounts.TOLD:
        return held.counts is HospitalCounts.ALWAYS
    methods = said.claims.get("amr")
    has_several = isinstance(methods, list) and MULTI_FACTOR in methods
    return has_several or (held.acr is not None and said.claims.get("acr") == held.acr)
