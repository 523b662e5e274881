"""Who is asking: staff by signed session, machines by bearer key.

Promises that `g.clinic_id` is set before a view runs and comes from the account or
key alone, never from the request; and that another clinic's record is answered like
one that is not there. A session ends by itself after a quarter of an
hour without use, after twelve hours in any case, and when the password changes
(45 CFR 164.312(a)(2)(iii), automatic logoff; the lengths are ours). Signing out ends
it on the server: a copy of its cookie opens nothing (OWASP ASVS 5.0, 7.4.1).
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import wraps
from typing import Any, ParamSpec, TypeVar
from urllib.parse import quote

from flask import Flask, Request, Response, abort, g, redirect, request, session
from flask.sessions import SecureCookieSession, SecureCookieSessionInterface
from flask.typing import ResponseReturnValue
from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session
from werkzeug.exceptions import NotFound

from service.accounts import keys, signin
from service.domain.rights import Right, rights_of
from service.domain.vocabulary import ActorKind, Role, Scope
from service.store.audit import Act, Actor
from service.store.session import connect, read_session, write_session
from service.store.tables import Base, Clinic, Patient, Staff, StaffSession
from service.web.services import services

P = ParamSpec("P")
T = TypeVar("T", bound=Base)
IDLE = timedelta(minutes=15)
LONGEST = signin.LONGEST_SESSION
NO_SESSION = uuid.UUID(int=0)


@dataclass(frozen=True)
class CurrentStaff:
    id: uuid.UUID
    clinic_id: uuid.UUID
    name: str
    roles: tuple[Role, ...]
    rights: frozenset[Right]
    email: str
    language: str | None
    session_id: uuid.UUID

    @classmethod
    def of(cls, staff: Staff, session_id: uuid.UUID) -> CurrentStaff:
        roles, rights = tuple(Role(role) for role in staff.roles), rights_of(staff.roles, staff.grants)
        return cls(staff.id, staff.clinic_id, staff.name, roles, rights, staff.email, staff.language, session_id)

    def may(self, right: str) -> bool:
        return right in self.rights

    @property
    def actor(self) -> Actor:
        return Actor(ActorKind.STAFF, self.id)


@dataclass(frozen=True)
class Caller:
    """Who calls the API: a machine's key with scopes, or a member of staff with rights."""

    actor: Actor
    clinic_id: uuid.UUID
    scopes: frozenset[Scope] = frozenset()
    rights: frozenset[Right] = frozenset()


class Sessions(SecureCookieSessionInterface):
    """The signed cookie; a machine's call below `machines` is not searched for one, and gets none."""

    def __init__(self, machines: str) -> None:
        self._machines = machines

    def open_session(self, app: Flask, request: Request) -> SecureCookieSession | None:
        is_machine = request.headers.get("Authorization", "")[:7].lower() == "bearer "
        if is_machine and request.path.startswith(self._machines):
            return None
        return super().open_session(app, request)


def begin_session(signed_in: signin.SignedIn, now: datetime) -> None:
    """Sign this browser in."""
    session.clear()
    session.permanent = True
    session.update(
        session=signed_in.session_id.hex, staff=str(signed_in.staff_id), since=now.timestamp(), seen=now.timestamp()
    )


def end_session(now: datetime) -> None:
    """Sign this browser out; a copy of its cookie opens nothing either."""
    begun = session.get("session")
    if begun is not None:
        with write_session(services().engine) as db:
            signin.end_session(db, uuid.UUID(begun), now)
    session.clear()


def has_session() -> bool:
    """Whether the browser sent a session cookie of ours, good or not, and no bearer key."""
    return "staff" in session and not request.headers.get("Authorization")


def current_staff() -> CurrentStaff | None:
    """Who is signed in on this browser, or nobody. Asked once in a request."""
    if "staff_now" not in g:
        g.staff_now = _read_session() if services().at_terminal is None else _at_terminal()
    found: CurrentStaff | None = g.staff_now
    return found


def signed_in() -> CurrentStaff:
    """Who is signed in, on a page that nobody else reaches."""
    staff = current_staff()
    if staff is None:
        abort(403)
    return staff


@contextmanager
def staff_act() -> Iterator[Act]:
    """A writing transaction in which whoever is signed in acts in their clinic, now."""
    staff = signed_in()
    with write_session(services().engine) as session:
        yield Act(session, staff.actor, staff.clinic_id, services().clock.now())


def staff_only(right: Right) -> Callable[[Callable[P, ResponseReturnValue]], Callable[P, ResponseReturnValue]]:
    """A page for signed-in staff with that right. Others are led to the sign-in page, or told no."""

    def decorate(view: Callable[P, ResponseReturnValue]) -> Callable[P, ResponseReturnValue]:
        @wraps(view)
        def guarded(*args: P.args, **kwargs: P.kwargs) -> ResponseReturnValue:
            staff = current_staff()
            if staff is None:
                back = request.full_path.rstrip("?") if request.method == "GET" else "/clinic/review"
                return redirect(f"/signin?next={quote(back)}", 303)
            if right not in staff.rights:
                abort(403)
            g.clinic_id = staff.clinic_id
            return view(*args, **kwargs)

        guarded.needs = right  # type: ignore[attr-defined]  # what a test walks over
        return guarded

    return decorate


def own(session: Session, table: type[T], record_id: uuid.UUID) -> T:
    """The record, if it belongs to the clinic of who asks: no other way reaches one by its id. Raises NotFound."""
    whose: Any = table  # every table that holds records of a clinic has the column
    found: T | None = session.scalar(select(table).where(whose.id == record_id, whose.clinic_id == g.clinic_id))
    if found is None:
        raise NotFound("The clinic has no such record.")
    return found


def own_clinic(session: Session) -> Clinic:
    """The clinic of who asks."""
    return session.get_one(Clinic, g.clinic_id)


def own_patient(session: Session, patient_id: uuid.UUID) -> Patient:
    """Raises NotFound."""
    return own(session, Patient, patient_id)


def machine_or_staff() -> Caller | None:
    """Who calls the API, from the bearer key or the session; None when neither is good."""
    given = request.headers.get("Authorization", "")
    if given:
        kind, _, secret = given.partition(" ")
        if kind.lower() != "bearer" or not secret:
            return None
        with connect(services().engine) as connection:
            key = keys.check_key(connection, secret.strip())
        return None if key is None else Caller(Actor(ActorKind.KEY, key.id), key.clinic_id, key.scopes)
    staff = current_staff()
    return None if staff is None else Caller(staff.actor, staff.clinic_id, rights=staff.rights)


def keep_session(response: Response) -> Response:
    """After a staff request: note in the signed cookie that the session was used."""
    if g.get("staff_now") is not None and "staff" in session:
        session["seen"] = services().door_clock.now().timestamp()
    return response


def _at_terminal() -> CurrentStaff | None:
    with read_session(services().engine) as db:
        staff = db.get(Staff, services().at_terminal)
    if staff is None or not staff.active:
        return None
    return CurrentStaff.of(staff, NO_SESSION)


def _read_session() -> CurrentStaff | None:
    if "session" not in session:
        return None
    now = services().door_clock.now()
    since = datetime.fromtimestamp(session.get("since", 0), UTC)
    seen = datetime.fromtimestamp(session.get("seen", 0), UTC)
    if now - seen > IDLE or now - since > LONGEST:
        session.clear()
        return None
    session_id = uuid.UUID(session["session"])
    with read_session(services().engine) as db:
        staff = db.scalar(_SIGNED_IN, {"id": session_id})
    if staff is None or staff.password_set_at > since:
        session.clear()
        return None
    return CurrentStaff.of(staff, session_id)


# Built once: every page of the clinic passes here.
_SIGNED_IN = (
    select(Staff).join(StaffSession, StaffSession.staff_id == Staff.id)
    .where(StaffSession.id == bindparam("id"), Staff.active)
)  # fmt: skip
