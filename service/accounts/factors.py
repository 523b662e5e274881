"""The second step of signing in: a code that a telephone makes (RFC 6238), or one of a few kept on paper.

A passkey is both steps at once (`accounts.passkeys`); an account that has one is not opened by a password alone.
Promises that a code opens once, that the paper codes are kept as SHA-256 and end when used, and that nobody but
the account's own person sees its secret, once, while they set it up.
"""

from __future__ import annotations

import hmac
import secrets
import uuid
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.accounts import passkeys
from service.accounts.keys import hash_of
from service.domain.validation import Refused
from service.store.audit import Act
from service.store.tables import Staff
from service.store.vault import UNOPENED

STEP_SECONDS = 30  # RFC 6238, section 5.2
DRIFT = (0, -1, 1)  # steps that a telephone's clock may be off; the same section advises one back
PAPER_CODES = 10  # our own number; each has 79 random bits


def new_secret() -> str:
    """A secret for a telephone, in base32: 160 bits (RFC 4226, section 4, R6)."""
    import pyotp  # here alone, and for whoever has a second step

    return pyotp.random_base32()


def address(secret: str, email: str, issuer: str) -> str:
    """What a telephone reads from a code on the screen."""
    import pyotp

    return str(pyotp.TOTP(secret).provisioning_uri(name=email, issuer_name=issuer))


def set_up(act: Act, staff: Staff, secret: str, code: str, now: datetime) -> list[str]:
    """Ask for such a code at every sign-in from now on, once one shows that the telephone has the secret.

    Returns the codes for paper, which stand in this answer alone. Raises Refused("code", …).
    """
    step = _step_of(secret, code, now, None)
    if step is None:
        raise Refused("code", "(hidden)", "the six digits that the telephone shows now")
    paper = [paper_code() for _ in range(PAPER_CODES)]
    staff.totp_secret, staff.totp_step = secret, step
    staff.paper_codes = [hash_of(plain(one)) for one in paper]
    act.session.flush()
    act.note("staff.set_second_step", staff)
    return paper


def has_second_step(session: Session, staff: Staff) -> bool:
    """Whether a password alone does not open the account."""
    return staff.totp_secret is not None or bool(passkeys.passkeys_of(session, staff.id))


def take_away(act: Act, staff: Staff) -> None:
    """The password alone opens the account again, where there is one: no passkey and no code is left."""
    passkeys.remove_all(act, staff)
    end_codes(act, staff)


def end_codes(act: Act, staff: Staff) -> None:
    """Codes open nothing any more, on a telephone or on paper."""
    staff.totp_secret, staff.totp_step, staff.paper_codes = None, None, []
    act.session.flush()
    act.note("staff.end_second_step", staff)


def use_code(session: Session, staff_id: uuid.UUID, code: str, now: datetime) -> bool:
    """Whether the code opens the account now; it does so once."""
    staff = session.scalars(select(Staff).where(Staff.id == staff_id).with_for_update()).one()
    if staff.totp_secret is None:
        return False
    # One that no key opens lets nobody in; codes on paper still do.
    is_lost = staff.totp_secret == UNOPENED
    step = None if is_lost else _step_of(staff.totp_secret, code, now, staff.totp_step)
    if step is not None:
        staff.totp_step = step
    elif (paper := hash_of(plain(code))) in staff.paper_codes:
        staff.paper_codes = [one for one in staff.paper_codes if one != paper]
    else:
        return False
    session.flush()
    return True


def _step_of(secret: str, code: str, now: datetime, last: int | None) -> int | None:
    """Of which step the code is, among those that may be now and come after the last one used."""
    import pyotp

    otp, at = pyotp.TOTP(secret, interval=STEP_SECONDS), int(now.timestamp()) // STEP_SECONDS
    typed = "".join(code.split())
    for step in (at + drift for drift in DRIFT):
        is_new = last is None or step > last
        if is_new and hmac.compare_digest(otp.generate_otp(step).encode(), typed.encode()):
            return step
    return None


def paper_code() -> str:
    """A code to be kept on paper: 79 random bits, in groups."""
    letters = "abcdefghjkmnpqrstuvwxyz23456789"  # none that look alike
    return "-".join("".join(secrets.choice(letters) for _ in range(4)) for _ in range(4))


def plain(code: str) -> str:
    """The code however it was typed: what is kept of it is made of this."""
    return "".join(letter for letter in code.lower() if letter.isalnum())
