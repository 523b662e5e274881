"""Passwords as they are kept: argon2id, a few at once.

Promises that no more than `AT_ONCE` hashes run in a process at a time, so that a crowd at the sign-in
page takes neither the processor nor the threads from patients' pages; whoever comes beyond that is told
to come again, and nothing was hashed for them.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from argon2 import PasswordHasher
from argon2.exceptions import VerificationError

from service.domain import passwords

AT_ONCE = 2
# The library's own profile: argon2id as RFC 9106 (section 4, second choice) recommends.
_hasher = PasswordHasher()
# Of a random password that nobody kept. Made beforehand: it takes longer than all else that a command does to begin.
_NOBODYS_HASH = "$argon2id$v=19$m=65536,t=3,p=4$VnOZjo0Gpa+irXwm1xSCOw$G2exfsdvFqNAZBrxsyXbKw+2WVeNStox5wkZXKpVBkY"
_slots = threading.BoundedSemaphore(AT_ONCE)


class Busy(Exception):
    """As many passwords are being looked at as may be at once."""


def hashed(password: str, names: Iterable[str]) -> str:
    """A new password as it is kept. Takes its time on purpose: call it outside a transaction.

    `names` are the person's and the clinic's. Raises WeakPassword for one that is easily guessed, and Busy.
    """
    good = passwords.checked(password, tuple(names))
    with _slot():
        return _hasher.hash(good)


def matches(password_hash: str | None, password: str) -> bool:
    """Whether it is this password. Where there is none (no account, none set yet) it takes as long. Raises Busy."""
    with _slot():
        try:
            good = _hasher.verify(password_hash or _NOBODYS_HASH, password[: passwords.LONGEST])
        except VerificationError:
            return False
    return good and password_hash is not None


@contextmanager
def _slot() -> Iterator[None]:
    if not _slots.acquire(blocking=False):
        raise Busy
    try:
        yield
    finally:
        _slots.release()
