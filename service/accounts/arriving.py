"""Whoever comes back from the hospital's own sign-in: what for, who that is, and what becomes of it.

Promises that a browser comes back for what it was sent off for and nothing else, that only an account which is joined
already is opened by signing in, and that whoever was not let through is counted (`accounts.throttle`) and stands in the
audit trail with the reason. No call leaves within a transaction.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy import Engine, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.accounts import hospital, invitations, sessions, throttle
from service.accounts.factors import has_second_step
from service.accounts.sessions import SignedIn
from service.accounts.signin import BUSY, Denied, HalfIn, NotIn
from service.accounts.throttle import Origin
from service.domain.validation import Refused
from service.store.audit import SYSTEM, Act, act_of
from service.store.session import move_to, write_session
from service.store.tables import AuditLine, HospitalSignIn, Staff
from service.transports.openid import LEEWAY, Ask, Away, Crowded, NotBelieved, OpenId, Us, Vouched

LASTS = timedelta(minutes=10)  # a browser's way there and back; our own number


TOLD_EVERY = timedelta(minutes=1)
STOPPED = "hospital.stopped"


class Purpose(StrEnum):
    """What a browser is sent off for."""

    SIGN_IN = "sign_in"
    ACCEPT = "accept"  # take up an invitation
    JOIN = "join"  # one's own account, signed in
    CONFIRM = "confirm"  # that it is still they


JOINS = (Purpose.ACCEPT, Purpose.JOIN)


@dataclass(frozen=True)
class Trip:
    """What a browser is on its way for; `whom` is an invitation's key, or the account that is signed in."""

    door: str
    purpose: Purpose
    begun: datetime
    next: str = ""
    whom: str = field(repr=False, default="")
    ask: Ask = field(repr=False, default_factory=Ask.new)

    def is_good(self, door: str, now: datetime) -> bool:
        return self.door == door and timedelta(0) <= now - self.begun <= LASTS


class Stopped(StrEnum):
    """Why somebody was not let through."""

    AWAY = "away"  # the provider
    SAID_NO = "said_no"  # there
    NOT_BELIEVED = "not_believed"
    NOT_JOINED = "not_joined"  # no account of the clinic is
    ADDRESS = "address"  # the provider vouches for another, or none
    SECOND_STEP = "second_step"  # is asked for, and this time was none
    SUBJECT = "subject"  # opens another account already
    KEY = "key"  # the invitation works no more


@dataclass(frozen=True)
class Arrival:
    """A browser that came back: what it was sent off for, what it brings, and from where."""

    trip: Trip
    given: Mapping[str, str] = field(repr=False)
    origin: Origin
    session_id: uuid.UUID | None = None  # that it holds


def arrive(
    engine: Engine, openid: OpenId, held: HospitalSignIn, us: Us, came: Arrival, now: datetime
) -> SignedIn | HalfIn | Denied | Stopped | Purpose:
    """What becomes of it. A purpose is one that is done, and begins no session."""
    place = throttle.place_of(came.origin, f"{held.id} {came.trip.ask.state}", frozenset())
    with write_session(engine) as session:
        if wait := throttle.wait_of(session, place, now):
            return Denied(NotIn.TOO_MANY, math.ceil(wait.total_seconds()))
        failure = throttle.count_failure(session, place, now)
    try:
        said = openid.answered(us, came.trip.ask, came.given)
        address = openid.address(said, held.address_claim) if came.trip.purpose in JOINS else None
        with write_session(engine) as session:
            done = _done(session, held, said, address, came, now)
            if not isinstance(done, Stopped):
                throttle.take_back(session, failure)
                return done
            stopped, why = done, done.value
    except Crowded:
        stopped, why = Stopped.AWAY, ""
    except Away as away:
        stopped, why = Stopped.AWAY, f"no_{away.lacks}"
    except NotBelieved as no:
        stopped, why = Stopped.SAID_NO if no.why == "said_no" else Stopped.NOT_BELIEVED, no.why
    except Refused as refused:
        stopped, why = Stopped(refused.field), refused.field
    except IntegrityError:  # at the same moment they joined another account
        stopped, why = Stopped.SUBJECT, Stopped.SUBJECT.value
    with write_session(engine) as session:
        move_to(session, held.clinic_id)
        nobody_guessed = stopped in {Stopped.AWAY, Stopped.SAID_NO}
        if nobody_guessed:
            throttle.take_back(session, failure)
        # Where nobody is slowed down a line a minute will do: the trail is no place for strangers to fill.
        if why and not (nobody_guessed and _was_told(session, held, now)):
            act = Act(session, SYSTEM, held.clinic_id, now)
            act.note(STOPPED, held, purpose=came.trip.purpose, why=why)
    return stopped if why else BUSY


def _was_told(session: Session, held: HospitalSignIn, now: datetime) -> bool:
    lately = (AuditLine.clinic_id == held.clinic_id, AuditLine.action == STOPPED, AuditLine.at > now - TOLD_EVERY)
    return session.scalar(select(AuditLine.id).where(*lately).limit(1)) is not None


def _done(
    session: Session, held: HospitalSignIn, said: Vouched, address: str | None, came: Arrival, now: datetime
) -> SignedIn | HalfIn | Stopped | Purpose:
    """Raises Refused where an account cannot be joined, and NotBelieved."""
    match came.trip.purpose:
        case Purpose.ACCEPT:
            staff = invitations.take_up_by_hospital(session, came.trip.whom, said, address, now)
            return _entered(session, held, staff, said, came, now)
        case Purpose.JOIN:
            own = session.get_one(Staff, uuid.UUID(came.trip.whom))
            hospital.join(act_of(session, own, now), own, said, address)
            return Purpose.JOIN
    found = hospital.joined(session, held.clinic_id, said)
    if found is None:
        return Stopped.NOT_JOINED
    if came.trip.purpose is Purpose.SIGN_IN:
        return _entered(session, held, found, said, came, now)
    _check_surely(said, came.trip, found)
    if has_second_step(session, found) and not hospital.is_second_step(held, said):
        return Stopped.SECOND_STEP
    if came.session_id is not None:
        sessions.confirmed(session, came.session_id, now)
    return Purpose.CONFIRM


def _entered(
    session: Session, held: HospitalSignIn, staff: Staff, said: Vouched, came: Arrival, now: datetime
) -> SignedIn | HalfIn:
    counts = hospital.is_second_step(held, said)
    if not counts and has_second_step(session, staff):
        return HalfIn(staff.id, by_hospital=True)
    act_of(session, staff, now).note("staff.sign_in", staff, by="hospital")
    return sessions.begin_session(
        session, staff, now, came.origin, came.session_id, by_hospital=True, had_second_step=counts
    )


def _check_surely(said: Vouched, trip: Trip, found: Staff) -> None:
    """That it is the account's own person, who showed it just now (Core 1.0, section 3.1.2.1, `max_age`)."""
    if found.id != uuid.UUID(trip.whom):
        raise NotBelieved("somebody_else")
    at = said.claims.get("auth_time")
    if isinstance(at, bool) or not isinstance(at, int | float) or at < (trip.begun - LEEWAY).timestamp():
        raise NotBelieved("auth_time")
