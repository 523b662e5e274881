"""What a browser is asked to sign by a passkey, and what its answer is worth: W3C Web Authentication, Level 3.

Promises that a passkey signs in alone, and counts as both factors, because its device has asked for a finger, a face
or a PIN before it signs; that what is to be signed was asked of this browser, a few minutes ago at most, and is good
once, whatever the answer; that it was signed for the public address alone; and that a passkey whose counter goes
back, as a copy's does, opens nothing from then on and ends every session of its account. Tells nobody: pages do.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import ip_address
from urllib.parse import urlsplit

import webauthn
from sqlalchemy import Engine, delete, func, select
from sqlalchemy.orm import Session
from webauthn import helpers
from webauthn.helpers import structs
from webauthn.helpers.parse_registration_credential_json import parse_registration_credential_json

from service.accounts import hospital, throttle
from service.accounts.passkeys import NewPasskey, passkeys_of
from service.accounts.sessions import SignedIn, end_sessions
from service.accounts.signin import Denied, HalfIn, NotIn, aims, begin
from service.accounts.throttle import Origin
from service.domain.validation import Refused
from service.domain.vocabulary import PasskeyPurpose
from service.store.audit import SYSTEM, Act
from service.store.session import read_session, write_session
from service.store.tables import Clinic, Passkey, PasskeyChallenge, Staff

LASTS = timedelta(minutes=5)  # section 15.1: the recommended time where the person is verified
MOST_OPEN = 100  # that one place may leave unanswered at a time; our own number, as is the next
LONGEST_ANSWER = 20_000
OPEN_AGAIN = Denied(NotIn.TOO_MANY, math.ceil(LASTS.total_seconds()))


@dataclass(frozen=True)
class Site:
    """The public address, as browsers tie passkeys to it."""

    rp_id: str
    origin: str


@dataclass(frozen=True)
class Challenge:
    """What a browser is asked to sign: its id, which goes into the browser's session, and the options as JSON."""

    id: uuid.UUID
    options: str


@dataclass(frozen=True)
class Doubted(Denied):
    """The passkey's counter went back just now, and its person is to be told."""

    staff_id: uuid.UUID | None = None


@dataclass(frozen=True)
class Verified:
    """Whose passkey signed, and which one."""

    staff: Staff
    passkey_id: uuid.UUID


def site_of(base_url: str) -> Site | None:
    """Where passkeys work, by the public address; None where they cannot: they need a name, and https or localhost."""
    parts = urlsplit(base_url)
    host = parts.hostname or ""
    try:
        host = host.encode("idna").decode("ascii")  # as browsers say it
        ip_address(host)
    except ValueError:
        is_secure = parts.scheme == "https" or host == "localhost" or host.endswith(".localhost")
    else:
        is_secure = False
    if not is_secure:
        return None
    usual = {"https": 443, "http": 80}[parts.scheme]
    port = "" if parts.port in {None, usual} else f":{parts.port}"
    return Site(host, f"{parts.scheme}://{host}{port}")  # RFC 6454, section 6.2


# --- asking ----------------------------------------------------------------------------------------


def ask(
    engine: Engine, site: Site, purpose: PasskeyPurpose, now: datetime, origin: Origin, of: uuid.UUID | None = None
) -> Challenge | Denied:
    """Ask this browser for a passkey: anybody's, or one `of` an account."""
    with write_session(engine) as session:
        kept = _keep(session, purpose, of, now, origin)
        if kept is None:
            return OPEN_AGAIN
        options = webauthn.generate_authentication_options(
            rp_id=site.rp_id, challenge=kept.challenge, timeout=_milliseconds(),
            allow_credentials=[] if of is None else _described(passkeys_of(session, of)),
            user_verification=structs.UserVerificationRequirement.REQUIRED,
        )  # fmt: skip
        return Challenge(kept.id, webauthn.options_to_json(options))


def ask_for_new(
    engine: Engine, site: Site, purpose: PasskeyPurpose, staff_id: uuid.UUID, now: datetime, origin: Origin
) -> Challenge | Denied:
    """Ask this browser to make a passkey for an account, on a device that has none for it yet."""
    with write_session(engine) as session:
        kept = _keep(session, purpose, staff_id, now, origin)
        if kept is None:
            return OPEN_AGAIN
        staff = session.get_one(Staff, staff_id)
        sender = session.get_one(Clinic, staff.clinic_id).sender_name
        options = webauthn.generate_registration_options(
            rp_id=site.rp_id, rp_name=sender, challenge=kept.challenge, timeout=_milliseconds(),
            # The handle says nothing of the person (section 14.6.1); the names stay on their device.
            user_id=staff.id.bytes, user_name=staff.email, user_display_name=f"{staff.name}, {sender}",
            authenticator_selection=structs.AuthenticatorSelectionCriteria(
                resident_key=structs.ResidentKeyRequirement.REQUIRED,
                user_verification=structs.UserVerificationRequirement.REQUIRED,
            ),
            exclude_credentials=_described(passkeys_of(session, staff_id)),
        )  # fmt: skip
        return Challenge(kept.id, webauthn.options_to_json(options))


def _keep(
    session: Session, purpose: PasskeyPurpose, staff_id: uuid.UUID | None, now: datetime, origin: Origin
) -> PasskeyChallenge | None:
    """Keep a new challenge; None where this place has left too many unanswered. Those that ran out go."""
    session.execute(delete(PasskeyChallenge).where(PasskeyChallenge.at < now - LASTS))
    place = throttle.asked_from(origin)
    opened = select(func.count()).select_from(PasskeyChallenge).where(PasskeyChallenge.place == place)
    if session.execute(opened).scalar_one() >= MOST_OPEN:
        return None
    kept = PasskeyChallenge(
        purpose=purpose, staff_id=staff_id, challenge=helpers.generate_challenge(), place=place, at=now
    )
    session.add(kept)
    session.flush()
    return kept


def _take(engine: Engine, asked: uuid.UUID | None, purpose: PasskeyPurpose, now: datetime) -> PasskeyChallenge | None:
    """The challenge with this id, once: whatever the answer is worth, it is good for no other."""
    if asked is None:
        return None
    with write_session(engine) as session:
        taken = session.scalar(delete(PasskeyChallenge).where(PasskeyChallenge.id == asked).returning(PasskeyChallenge))
        is_good = taken is not None and taken.purpose is purpose and timedelta(0) <= now - taken.at <= LASTS
    return taken if is_good else None


def _milliseconds() -> int:
    return int(LASTS.total_seconds() * 1000)


def _described(kept: Sequence[Passkey]) -> list[structs.PublicKeyCredentialDescriptor]:
    return [structs.PublicKeyCredentialDescriptor(id=one.credential_id) for one in kept]


# --- opening ---------------------------------------------------------------------------------------


def sign_in(
    engine: Engine, site: Site, asked: uuid.UUID | None, answer: str, now: datetime, origin: Origin,
    instead_of: uuid.UUID | None = None, half: HalfIn | None = None,
) -> SignedIn | Denied:  # fmt: skip
    """Check what a browser's passkey signed, and begin a session in place of the browser's session before.

    `half` is whoever has given a password, or come from the hospital, a moment ago. Where a clinic wants its staff to
    come in by the hospital's sign-in alone, a passkey is the second step after it and opens nothing by itself.
    """
    found = check(engine, site, PasskeyPurpose.ENTER, asked, answer, now, origin)
    if isinstance(found, Denied):
        return found
    by_hospital = half is not None and half.by_hospital and half.staff_id == found.staff.id
    with read_session(engine) as session:
        if not by_hospital and hospital.closed_to_passwords(session, [found.staff]):
            return Denied(NotIn.HOSPITAL, aimed_at=aims([found.staff]))
    return begin(engine, found.staff, now, origin, instead_of, by_hospital=by_hospital, passkey=found.passkey_id)


def check(
    engine: Engine, site: Site, purpose: PasskeyPurpose, asked: uuid.UUID | None, answer: str, now: datetime,
    origin: Origin,
) -> Verified | Denied:  # fmt: skip
    """Whose passkey signed what was asked (section 7.2). Failures count by passkey and place, as wrong passwords do."""
    challenge = _take(engine, asked, purpose, now)
    if challenge is None:
        return Denied(NotIn.LATE)
    credential_id, handle = _named(answer)
    with write_session(engine) as session:
        row = session.execute(
            select(Passkey, Staff).join(Staff, Staff.id == Passkey.staff_id)
            .where(Passkey.credential_id == credential_id, Staff.active).with_for_update(of=Passkey)
        ).first()  # fmt: skip
        known = frozenset() if row is None else frozenset({row.Passkey.staff_id})
        aimed_at = aims([] if row is None else [row.Staff])
        place = throttle.place_of(origin, f"passkey {credential_id.hex()}", known)
        if wait := throttle.wait_of(session, place, now):
            return Denied(NotIn.TOO_MANY, math.ceil(wait.total_seconds()), aimed_at)
        count = None if row is None else _signed(site, answer, challenge, handle, row.Passkey)
        if row is None or count is None:
            throttle.count_failure(session, place, now)
            return Denied(NotIn.WRONG, aimed_at=aimed_at)
        throttle.forget_failures(session, place)
        if row.Passkey.doubted_at is not None:
            return Denied(NotIn.DOUBTED, aimed_at=aimed_at)
        if _went_back(row.Passkey, count):
            return _doubt(session, row.Passkey, row.Staff, now)
        row.Passkey.sign_count, row.Passkey.used_at = count, now
        return Verified(row.Staff, row.Passkey.id)


def _went_back(passkey: Passkey, count: int) -> bool:
    """Section 6.1.1: both zero is a device that does not count; else each signature counts one more."""
    return (count > 0 or passkey.sign_count > 0) and count <= passkey.sign_count


def _doubt(session: Session, passkey: Passkey, staff: Staff, now: datetime) -> Doubted:
    passkey.doubted_at = now
    end_sessions(session, staff.id)
    Act(session, SYSTEM, staff.clinic_id, now).note("staff.doubt_passkey", staff, passkey=passkey.id)
    return Doubted(NotIn.DOUBTED, aimed_at=aims([staff]), staff_id=staff.id)


def _named(answer: str) -> tuple[bytes, bytes | None]:
    """Which passkey an answer names, and whose it says that it is; nothing of an answer that is none."""
    try:
        given = helpers.parse_authentication_credential_json(_bounded(answer))
    except Exception:  # what a stranger sent, read by a library and nothing else: whatever it trips over is no answer
        return b"", None
    return given.raw_id[:1023], given.response.user_handle


def _signed(site: Site, answer: str, challenge: PasskeyChallenge, handle: bytes | None, passkey: Passkey) -> int | None:
    """The counter that this passkey signed with the challenge; None where it did not, or for somebody else."""
    if challenge.staff_id not in {None, passkey.staff_id}:
        return None
    # Section 7.2, step 6: where nobody was named before, the device names the account; where it does, it is right.
    if handle != passkey.staff_id.bytes and (handle is not None or challenge.staff_id is None):
        return None
    try:
        given = helpers.parse_authentication_credential_json(_bounded(answer))
        signed = webauthn.verify_authentication_response(
            credential=given, expected_challenge=challenge.challenge, expected_rp_id=site.rp_id,
            expected_origin=site.origin, credential_public_key=passkey.public_key,
            credential_current_sign_count=0,  # judged afterwards: before the signature it is anybody's word
            require_user_verification=True,
        )  # fmt: skip
        return None if _is_framed(given.response.client_data_json) else signed.new_sign_count
    except Exception:  # as in `_named`
        return None


def _is_framed(client_data: bytes) -> bool:
    """Whether another site's page held ours when it asked: our pages stand in no frame (section 7.1, step 10)."""
    return bool(helpers.parse_client_data_json(client_data).cross_origin)


def _bounded(answer: str) -> str:
    if len(answer) > LONGEST_ANSWER:
        raise ValueError("more than any passkey says")
    return answer


# --- a new one --------------------------------------------------------------------------------------


def checked_new(
    engine: Engine, site: Site, purpose: PasskeyPurpose, asked: uuid.UUID | None, answer: str, staff_id: uuid.UUID,
    now: datetime,
) -> NewPasskey:  # fmt: skip
    """The passkey that a browser made for this account, as it was asked to (section 7.1). Raises Refused("passkey")."""
    challenge = _take(engine, asked, purpose, now)
    if challenge is None or challenge.staff_id != staff_id:
        raise Refused("passkey", "(hidden)", "an answer to what was asked in the last five minutes")
    try:
        given = parse_registration_credential_json(_bounded(answer))
        made = webauthn.verify_registration_response(
            credential=given, expected_challenge=challenge.challenge, expected_rp_id=site.rp_id,
            expected_origin=site.origin, require_user_verification=True,
        )  # fmt: skip
        helpers.decoded_public_key_to_cryptography(helpers.decode_credential_public_key(made.credential_public_key))
        is_framed = _is_framed(given.response.client_data_json)
    except Exception as why:  # as in `_named`
        raise _no_passkey() from why
    if is_framed or made.credential_type is not structs.PublicKeyCredentialType.PUBLIC_KEY:
        raise _no_passkey()
    if len(made.credential_id) > 1023:  # section 4, Credential ID
        raise _no_passkey()
    return NewPasskey(made.credential_id, made.credential_public_key, made.sign_count)


def _no_passkey() -> Refused:
    return Refused("passkey", "(hidden)", "a passkey whose device has asked who you are")
