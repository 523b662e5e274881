"""Passwords as they are kept: argon2id, a few at once.

Promises that no more than `AT_ONCE` hashes run in a process at a time, so that a crowd at the sign-in
page takes neither the processor nor the threads from patients' pages; whoever comes beyond that is told
to come again, and nothing was hashed for them. One address that has accounts at several clinics costs one hash
like any other, since its passwords share a salt: how long a refusal took tells nothing.

A new password also takes many guesses of somebody who has lists of leaked passwords, of names and of words, and knows
the walks over a keyboard: OWASP ASVS 5.0, 6.2.4, asks for such a list. The library's estimate stands for it (Wheeler,
"zxcvbn: Low-Budget Password Strength Estimation", USENIX Security 2016; section from memory).
"""

from __future__ import annotations

import base64
import hmac
import threading
from collections import defaultdict
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from argon2 import PasswordHasher, extract_parameters

from service.domain import passwords
from service.domain.passwords import Weakness, WeakPassword

AT_ONCE = 2
ENOUGH_GUESSES = 1e10  # the library's highest mark: more than somebody tries who has the hash (same paper, section 5)
LOOKED_AT = 24  # characters from either end: the time the estimate takes grows much faster than the password
# The library's own profile: argon2id as RFC 9106 (section 4, second choice) recommends.
_hasher = PasswordHasher()
# Of a random password that nobody kept. Made beforehand: it takes longer than all else that a command does to begin.
_NOBODYS_HASH = "$argon2id$v=19$m=65536,t=3,p=4$VnOZjo0Gpa+irXwm1xSCOw$G2exfsdvFqNAZBrxsyXbKw+2WVeNStox5wkZXKpVBkY"
_slots = threading.BoundedSemaphore(AT_ONCE)


class Busy(Exception):
    """As many passwords are being looked at as may be at once."""


def hashed(password: str, names: Iterable[str], beside: Iterable[str] = ()) -> str:
    """A new password as it is kept. Takes its time on purpose: call it outside a transaction.

    `names` are the person's and the clinic's; `beside` is what is kept of the address's accounts at other clinics.
    Raises WeakPassword for one that is easily guessed, and Busy.
    """
    good = passwords.checked(password, tuple(names))
    salt = next((_salt(kept) for kept in beside), None)
    with _slot():
        if _guesses(good) < ENOUGH_GUESSES:
            raise WeakPassword(Weakness.GUESSED)
        return _hasher.hash(good, salt=salt)


def matching(kept: Iterable[str | None], password: str) -> frozenset[str]:
    """Which of what is kept for one address is of this password. Raises Busy.

    Where nothing is kept (no account, none set yet) it takes as long.
    """
    alike = defaultdict(list)  # by all that goes into it but the password
    for one in filter(None, kept):
        alike[one.rpartition("$")[0]].append(one)
    found = set()
    for together in alike.values() or [[_NOBODYS_HASH]]:
        hasher, salt = PasswordHasher.from_parameters(extract_parameters(together[0])), _salt(together[0])
        with _slot():
            made = hasher.hash(password[: passwords.LONGEST], salt=salt)
        found |= {one for one in together if hmac.compare_digest(one.encode(), made.encode())}
    return frozenset(found - {_NOBODYS_HASH})


def _salt(kept: str) -> bytes:
    """PHC's string of argon2: the salt is the last field but one, in base64 without its padding."""
    return base64.b64decode(kept.split("$")[-2] + "==")


def _guesses(password: str) -> float:
    """About how many guesses the stronger end of it takes."""
    from zxcvbn import zxcvbn  # its lists are large, and a password is set once in a while

    ends = {password[:LOOKED_AT], password[-LOOKED_AT:]}
    return max(float(zxcvbn(end)["guesses"]) for end in ends)


@contextmanager
def _slot() -> Iterator[None]:
    if not _slots.acquire(blocking=False):
        raise Busy
    try:
        yield
    finally:
        _slots.release()
