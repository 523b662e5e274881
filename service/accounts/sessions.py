"""The sessions of browsers, kept on the server.

A session is a row, and signing out takes it away, so that a copied cookie is worth nothing afterwards
(OWASP ASVS 5.0, 7.4.1); a row each, so that other devices stay signed in. When it was last used stands in
the row too: no cookie prolongs itself. It ends by itself after a quarter of an hour without use and after
twelve hours in any case (45 CFR 164.312(a)(2)(iii), automatic logoff; the lengths are ours).
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, and_, bindparam, delete, exists, or_, select, update
from sqlalchemy.orm import Session

from service.accounts.throttle import Origin
from service.store.audit import act_of
from service.store.tables import Clinic, Passkey, Staff, StaffSession

IDLE = timedelta(minutes=15)
LONGEST = timedelta(hours=12)
STAMPED_AFTER = timedelta(seconds=30)  # a session that was used this lately is not written again
CONFIRMED_FOR = timedelta(minutes=10)  # what asks for a fresh confirmation takes one this old


@dataclass(frozen=True)
class SignedIn:
    staff_id: uuid.UUID
    clinic_id: uuid.UUID
    session_id: uuid.UUID


@dataclass(frozen=True)
class Open:
    """A session that is good, whose it is, and what of a second step their clinic asks for and they have."""

    staff: Staff
    session: StaffSession
    is_asked: bool
    has_passkey: bool


def begin_session(
    session: Session,
    staff: Staff,
    now: datetime,
    origin: Origin,
    instead_of: uuid.UUID | None = None,
    *,
    by_hospital: bool = False,
    had_second_step: bool = False,
) -> SignedIn:
    """Write that a browser is signed in, in place of its session before; the account's that ran out go.

    `by_hospital`: its person came by the hospital's own sign-in, which counts as the second step where that is said.
    """
    is_over = (StaffSession.staff_id == staff.id) & ~is_good(now)
    session.execute(delete(StaffSession).where(is_over | (StaffSession.id == instead_of)))
    begun = StaffSession(
        staff_id=staff.id, begun_at=now, seen_at=now, confirmed_at=now,
        address=origin.address[:45], browser=origin.browser[:60],
        by_hospital=by_hospital, had_second_step=had_second_step,
    )  # fmt: skip
    session.add(begun)
    session.flush()
    return SignedIn(staff.id, staff.clinic_id, begun.id)


def read_session_of(session: Session, session_id: uuid.UUID, now: datetime) -> Open | None:
    """Who is signed in by this session, while it is good. One look-up."""
    row = session.execute(_SIGNED_IN, {"id": session_id, "now": now}).first()
    if row is None:
        return None
    found = Open(row.Staff, row.StaffSession, row.second_step, row.has_passkey)
    begun = found.session
    return found if now - begun.seen_at <= IDLE and now - begun.begun_at <= LONGEST else None


def whose_ended(session: Session, session_id: uuid.UUID, now: datetime) -> Staff | None:
    """Whose session this was that has run out, within the last hours; None where somebody signed out, or is out."""
    begun = session.get(StaffSession, session_id)
    if begun is None or now - begun.seen_at > LONGEST:
        return None
    staff = session.get_one(Staff, begun.staff_id)
    return staff if staff.active else None


def stamp(session: Session, session_id: uuid.UUID, now: datetime) -> None:
    """The session was used now."""
    session.execute(update(StaffSession).where(StaffSession.id == session_id).values(seen_at=now))


def confirmed(session: Session, session_id: uuid.UUID, now: datetime) -> None:
    """Whoever is signed in has shown again that it is they."""
    session.execute(update(StaffSession).where(StaffSession.id == session_id).values(confirmed_at=now, seen_at=now))


def end_session(session: Session, session_id: uuid.UUID, now: datetime) -> None:
    """The session opens nothing from now on, whoever holds its cookie. One that has ended stays as it is."""
    begun = session.get(StaffSession, session_id)
    if begun is None:
        return
    staff = session.get_one(Staff, begun.staff_id)
    session.delete(begun)
    session.flush()
    act_of(session, staff, now).note("staff.sign_out", staff)


def end_other_sessions(session: Session, staff: Staff, kept: uuid.UUID, now: datetime) -> int:
    """End every session of the account but `kept`. Returns how many there were."""
    others = delete(StaffSession).where(StaffSession.staff_id == staff.id, StaffSession.id != kept)
    ended = session.connection().execute(others).rowcount
    act_of(session, staff, now).note("staff.sign_out_others", staff, sessions=ended)
    return ended


def end_sessions(session: Session, staff_id: uuid.UUID) -> None:
    """Every browser of the account is signed out."""
    session.execute(delete(StaffSession).where(StaffSession.staff_id == staff_id))


def sessions_of(session: Session, staff_id: uuid.UUID, now: datetime) -> Sequence[StaffSession]:
    """The account's sessions that are not yet at their end, the one used last first."""
    wanted = select(StaffSession).where(StaffSession.staff_id == staff_id, is_good(now))
    return session.scalars(wanted.order_by(StaffSession.seen_at.desc(), StaffSession.id)).all()


def is_good(now: datetime) -> ColumnElement[bool]:
    """Which sessions are not yet at their end."""
    return (StaffSession.seen_at >= now - IDLE) & (StaffSession.begun_at >= now - LONGEST)


# Built once: every page of the clinic passes here.
_SIGNED_IN = (
    select(Staff, StaffSession, Clinic.second_step, exists().where(Passkey.staff_id == Staff.id).label("has_passkey"))
    .join(StaffSession, StaffSession.staff_id == Staff.id)
    .join(Clinic, Clinic.id == Staff.clinic_id)
    .where(
        StaffSession.id == bindparam("id"),
        or_(and_(Staff.active, Staff.emergency_until.is_(None)), Staff.emergency_until > bindparam("now")),
    )
)  # fmt: skip
