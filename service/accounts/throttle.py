"""How guessing is slowed down without keeping a colleague out.

Promises that nobody can lock somebody else's account: failures are counted by where they come from, and
by account and place together, never by account alone. After some failures each further one costs a wait that
doubles, up to a quarter of an hour. A browser on which this account has been signed in before is a place of
its own: whatever others try from the same address, its owner goes by their own failures alone. Codes of a second
step are counted by account, since who tries them has the password; a known browser is apart there too. The count is
kept in the database, where every web process sees it. Numbers: our own; NIST SP 800-63B-4 asks for a limit
and names a rising wait as one way (section and example from memory).
"""

from __future__ import annotations

import hashlib
import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import IPv6Address, ip_address

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from service.store.tables import SignInAttempt

REMEMBERED = timedelta(hours=1)
FREE_OF_ACCOUNT = 5  # failures for one account from one place
FREE_OF_PLACE = 30  # for any account from one address: a clinic shares one
FIRST_WAIT, LONGEST_WAIT = timedelta(seconds=15), timedelta(minutes=15)


@dataclass(frozen=True)
class Origin:
    """Where a try comes from: an address, in words the browser, and the accounts known to this browser."""

    address: str
    browser: str = ""
    device: str = ""  # the random name of a browser that somebody signed in on
    known_to: frozenset[uuid.UUID] = frozenset()


@dataclass(frozen=True)
class Place:
    """What a try is counted under."""

    account: str
    place: str
    is_known: bool


def place_of(origin: Origin, email: str, staff_ids: frozenset[uuid.UUID]) -> Place:
    """Where a try for the accounts of this address is counted."""
    is_known = bool(origin.device and staff_ids and staff_ids <= origin.known_to)
    return Place(_digest(email), _digest(origin.device if is_known else network_of(origin.address)), is_known)


def place_of_codes(origin: Origin, staff_id: uuid.UUID) -> Place:
    """Where a try of a second step's code is counted: six digits are few, so all unknown browsers are one place.

    Only who has the password gets that far; and the owner's browser is a place of its own here too.
    """
    account = f"codes of {staff_id}"
    is_known = bool(origin.device and staff_id in origin.known_to)
    return Place(_digest(account), _digest(origin.device if is_known else account), is_known)


def place_of_emergencies(origin: Origin) -> Place:
    """Where a try of an emergency code is counted: apart from passwords, which may be why somebody needs one.

    A browser on which any of the staff has signed in before is a place of its own here too: nobody else behind the
    clinic's address keeps it out.
    """
    is_known = bool(origin.device and origin.known_to)
    place = _digest(f"emergency codes from {origin.device if is_known else network_of(origin.address)}")
    return Place(place, place, is_known=False)


def place_of_link(origin: Origin, link_id: uuid.UUID) -> Place:
    """Where a wrong answer at the door of a link's page is counted: by that page and by where it comes from."""
    return Place(_digest(f"door of {link_id}"), _digest(network_of(origin.address)), False)


def asked_from(origin: Origin) -> str:
    """What a browser that asks for a passkey is counted under: itself, if somebody signed in on it, or its address."""
    return _digest(origin.device if origin.device and origin.known_to else network_of(origin.address))


def wait_of(session: Session, place: Place, now: datetime) -> timedelta:
    """How long to wait until the next try from here; zero for none."""
    mine = SignInAttempt.place == place.place
    waits = [_wait(session, [mine, SignInAttempt.account == place.account], FREE_OF_ACCOUNT, now)]
    if not place.is_known:
        waits.append(_wait(session, [mine], FREE_OF_PLACE, now))
    return max(waits)


def count_failure(session: Session, place: Place, now: datetime) -> uuid.UUID:
    """Write a failure down; returns its id."""
    session.execute(delete(SignInAttempt).where(SignInAttempt.at < now - REMEMBERED))
    failure = SignInAttempt(account=place.account, place=place.place, at=now)
    session.add(failure)
    session.flush()
    return failure.id


def take_back(session: Session, failure: uuid.UUID) -> None:
    """What was written down was no failure."""
    session.execute(delete(SignInAttempt).where(SignInAttempt.id == failure))


def forget_failures(session: Session, place: Place) -> None:
    """The account's failures from this place count no more."""
    its = (SignInAttempt.account == place.account, SignInAttempt.place == place.place)
    session.execute(delete(SignInAttempt).where(*its))


def forget_everywhere(session: Session, email: str) -> None:
    """The failures of this address count no more, wherever they came from."""
    session.execute(delete(SignInAttempt).where(SignInAttempt.account == _digest(email)))


def _wait(session: Session, which: list, free: int, now: datetime) -> timedelta:  # type: ignore[type-arg]
    counted = select(func.count(SignInAttempt.id), func.max(SignInAttempt.at))
    failures, last = session.execute(counted.where(*which, SignInAttempt.at > now - REMEMBERED)).one()
    if failures < free:
        return timedelta(0)
    wait = min(FIRST_WAIT * 2 ** min(failures - free, 10), LONGEST_WAIT)
    left: timedelta = last + wait - now
    return max(left, timedelta(0))


def network_of(address: str) -> str:
    """An IPv4 address, or the /64 that one household or office has of IPv6 (RFC 6177 gives no site less)."""
    try:
        found = ip_address(address)
    except ValueError:
        return address
    if isinstance(found, IPv6Address) and found.ipv4_mapped is None:
        return found.packed[:8].hex()
    return str(getattr(found, "ipv4_mapped", None) or found)


def _digest(what: str) -> str:
    return hashlib.sha256(what.encode("utf-8", "replace")).hexdigest()
