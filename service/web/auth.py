"""Who is asking: staff by signed session, machines by bearer key.

Promises that `g.clinic_id` is set before a view runs and comes from the account or
key alone, never from the request; and that another clinic's record is answered like
one that is not there. Sessions are kept on the server: `accounts.sessions`.
"""

from __future__ import annotations

import secrets
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import wraps
from typing import Any, ParamSpec, TypeVar
from urllib.parse import quote

from flask import Flask, Request, Response, abort, g, redirect, request, session, url_for
from flask.sessions import SecureCookieSession, SecureCookieSessionInterface
from flask.typing import ResponseReturnValue
from itsdangerous import BadSignature, URLSafeSerializer
from sqlalchemy import select
from sqlalchemy.orm import Session
from werkzeug.exceptions import Conflict, NotFound

from service.accounts import keys, sessions
from service.accounts.challenges import Challenge
from service.accounts.sessions import CONFIRMED_FOR, SignedIn
from service.accounts.signin import HalfIn, WhichOf
from service.accounts.throttle import Origin
from service.domain.rights import CHANGES_CARE, EMERGENCY, Right, rights_of
from service.domain.vocabulary import ActorKind, Role, Scope
from service.keyring import SHA_256, KeyFor
from service.reviewing import drafts
from service.store.audit import Act, Actor, act_of
from service.store.session import DATABASE_AWAY, connect, move_to, read_session, write_connection, write_session
from service.store.tables import Base, Clinic, Patient, Staff
from service.store.wall import Gate, through
from service.web import gates, held, trail
from service.web.forms import WRITTEN
from service.web.services import services

P = ParamSpec("P")
T = TypeVar("T", bound=Base)
KNOWN_FOR = timedelta(days=180)  # a browser that somebody signed in on; our own number
MOST_KNOWN = 8  # accounts on one shared browser
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
    confirmed_at: datetime | None = None  # when they last showed that it is they; None at the machine's own terminal
    has_password: bool = True
    has_codes: bool = False
    has_passkey: bool = False
    lacks_second_step: bool = False  # and the clinic asks for one
    by_hospital: bool = False  # signed in at the hospital
    emergency_until: datetime | None = None  # somebody who came in with a code on paper

    @property
    def has_second_step(self) -> bool:
        return self.has_codes or self.has_passkey

    @classmethod
    def of(cls, staff: Staff, session_id: uuid.UUID) -> CurrentStaff:
        """Who works at the machine's own terminal."""
        roles, until = tuple(Role(role) for role in staff.roles), staff.emergency_until
        rights = rights_of(staff.roles, staff.grants) if until is None else EMERGENCY
        about = (staff.id, staff.clinic_id, staff.name, roles, rights, staff.email, staff.language)
        return cls(*about, session_id, emergency_until=until)

    @classmethod
    def by(cls, found: sessions.Open) -> CurrentStaff:
        """Who is signed in by a session that is good."""
        staff, begun, has_codes = found.staff, found.session, found.staff.totp_secret is not None
        has_second_step = has_codes or found.has_passkey or begun.had_second_step
        return replace(
            cls.of(staff, begun.id), confirmed_at=begun.confirmed_at, by_hospital=begun.by_hospital,
            has_password=staff.password_hash is not None, has_codes=has_codes, has_passkey=found.has_passkey,
            lacks_second_step=found.is_asked and not has_second_step and staff.emergency_until is None,
        )  # fmt: skip

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
    is_fresh: bool = True  # a person showed lately that it is they
    lacks_second_step: bool = False
    by_token: bool = False  # a machine shows a token of its key


class Sessions(SecureCookieSessionInterface):
    """The signed cookie; a machine's call below `machines` is not searched for one, and gets none.

    A browser that sends none begins with an empty session, for which no key is made ready.
    """

    digest_method = staticmethod(SHA_256)  # the library's own default is SHA-1

    def __init__(self, machines: str) -> None:
        self._machines = machines

    def open_session(self, app: Flask, request: Request) -> SecureCookieSession | None:
        is_machine = request.headers.get("Authorization", "")[:7].lower() == "bearer "
        if is_machine and request.path.startswith(self._machines):
            return None
        if self.get_cookie_name(app) not in request.cookies:
            return self.session_class()
        return super().open_session(app, request)


HALF_IN_FOR = timedelta(minutes=5)  # between the password and the code; our own number


def begin_half(half: HalfIn, now: datetime) -> None:
    """Remember, for a few minutes, that this browser gave the right password; its session before ends."""
    end_session(now)
    session["half"] = [half.staff_id.hex, now.timestamp()]
    session["half_by_hospital"] = half.by_hospital


def begin_which(which: WhichOf, now: datetime) -> None:
    """Remember, for as long, that this browser gave the password of several accounts; its session before ends."""
    end_session(now)
    session["which"] = [[one.hex for one in which.staff_ids], now.timestamp()]


def which_of(now: datetime) -> tuple[WhichOf, datetime] | None:
    """The accounts whose password this browser gave a moment ago, and when."""
    staff, at = session.get("which", ([], 0.0))
    if not staff or not 0 <= now.timestamp() - at <= HALF_IN_FOR.total_seconds():
        return None
    return WhichOf(tuple(uuid.UUID(one) for one in staff)), datetime.fromtimestamp(at, UTC)


def half_in(now: datetime) -> uuid.UUID | None:
    """Whose password this browser gave a moment ago."""
    staff, at = session.get("half", ("", 0.0))
    return uuid.UUID(staff) if staff and 0 <= now.timestamp() - at <= HALF_IN_FOR.total_seconds() else None


def half_by_hospital() -> bool:
    """Whether that was the hospital's own sign-in."""
    return bool(session.get("half_by_hospital"))


def remember_asked(asked: Challenge) -> None:
    """Remember for what this browser was asked for a passkey; what it was asked before is over."""
    session["asked"] = asked.id.hex


def asked_before() -> uuid.UUID | None:
    """What this browser was asked to sign, once."""
    asked = session.pop("asked", "")
    return uuid.UUID(asked) if asked else None


def begin_session(signed_in: SignedIn) -> None:
    """Sign this browser in, and know it again for this account."""
    session.clear()
    session.permanent = True
    session["session"] = signed_in.session_id.hex
    trail.by(signed_in.clinic_id, Actor(ActorKind.STAFF, signed_in.staff_id), signed_in.session_id)
    device, staff = _known()
    kept = [signed_in.staff_id.hex, *(one for one in staff if one != signed_in.staff_id.hex)]
    g.known_browser = _signer().dumps([device or secrets.token_urlsafe(16), kept[:MOST_KNOWN]])


def held_session() -> uuid.UUID | None:
    """The session that this browser's cookie names, good or not."""
    begun = session.get("session")
    return None if begun is None else uuid.UUID(begun)


def origin() -> Origin:
    """Where this request comes from."""
    device, staff = _known()
    agent = request.headers.get("User-Agent", "")
    known_to = frozenset(uuid.UUID(one) for one in staff)
    return Origin(request.remote_addr or "", browser_words(agent), device, known_to)


def browser_words(agent: str) -> str:
    """A browser as its owner would call it; nothing for one that says nothing we know."""
    named = next((name for mark, name in BROWSERS if mark in agent), "")
    system = next((name for mark, name in SYSTEMS if mark in agent), "")
    return ", ".join(filter(None, (named, system)))


# Each before those that also claim to be it.
BROWSERS = (("Edg", "Edge"), ("OPR/", "Opera"), ("Firefox/", "Firefox"), ("Chrom", "Chrome"), ("Safari/", "Safari"))
SYSTEMS = (("iPhone", "iPhone"), ("iPad", "iPad"), ("Android", "Android"), ("Windows", "Windows"),
           ("Mac OS X", "Mac"), ("Linux", "Linux"))  # fmt: skip


def _signer() -> URLSafeSerializer:
    return services().settings.keys.signer(KeyFor.BROWSERS)


def _known() -> tuple[str, list[str]]:
    """The name of this browser, and the accounts that signed in on it; both empty for a new one."""
    try:
        device, staff = _signer().loads(request.cookies.get(known_cookie(), ""))
    except BadSignature:
        return "", []
    return device, staff


def cookie_name(base_url: str) -> str:
    """Only this host may set it, over TLS alone, where there is TLS (RFC 6265bis, section 4.1.3.2)."""
    return "__Host-neaptide" if base_url.startswith("https://") else "neaptide"


def known_cookie() -> str:
    return f"{cookie_name(services().settings.base_url)}-known"


def end_session(now: datetime) -> None:
    """Sign this browser out; a copy of its cookie opens nothing either."""
    begun = held_session()
    if begun is not None:
        with through(Gate.SESSION), write_session(services().engine) as db:
            sessions.end_session(db, begun, now)
    session.clear()


def has_session() -> bool:
    """Whether the browser sent a session cookie of ours, good or not, and no bearer key."""
    return "session" in session and not request.headers.get("Authorization")


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
    """A writing transaction in which whoever is signed in acts in their clinic, now.

    What they had typed into the form that is taken here is no draft any more.
    """
    staff = signed_in()
    with write_session(services().engine) as session:
        yield Act(session, staff.actor, staff.clinic_id, services().clock.now())
        drafts.drop(session, staff.id, request.path, f"{request.path}#{request.form.get('corrects', '')}")


def is_fresh(staff: CurrentStaff) -> bool:
    """Whether they showed lately that it is they: by signing in, or by confirming it."""
    at = staff.confirmed_at
    return at is None or services().door_clock.now() - at <= CONFIRMED_FOR


def staff_only(
    right: Right, *, fresh: str = ""
) -> Callable[[Callable[P, ResponseReturnValue]], Callable[P, ResponseReturnValue]]:
    """A page for signed-in staff with that right. Others are led to the sign-in page, or told no.

    `fresh` is where to go on, by its endpoint, after somebody has confirmed that it is they: what this page does
    asks for that, if they did not do so lately.
    """

    def decorate(view: Callable[P, ResponseReturnValue]) -> Callable[P, ResponseReturnValue]:
        @wraps(view)
        def guarded(*args: P.args, **kwargs: P.kwargs) -> ResponseReturnValue:
            staff = current_staff()
            if staff is None:
                back = request.full_path.rstrip("?") if request.method == "GET" else _kept_unsent()
                return redirect(f"/signin?next={quote(back)}", 303)
            gates.stand_in(staff.clinic_id)
            if right not in staff.rights:
                g.lacks = right
                abort(403)
            if staff.lacks_second_step and right is not Right.OWN:
                return redirect(url_for("signin.second_step"), 303)
            if fresh and not is_fresh(staff):
                return to_confirm(fresh)
            if held.FORM in request.form:
                with write_session(services().engine) as db:
                    held.let_go(db, staff.id)
            return view(*args, **kwargs)

        guarded.needs, guarded.fresh = right, bool(fresh)  # type: ignore[attr-defined]  # what a test walks over
        return guarded

    return decorate


def _kept_unsent() -> str:
    """Let a form of a session which had run out wait for whoever sent it; where to go on after signing in.

    What cannot wait is shown on the page that says so (401), if people wrote sentences into it.
    """
    ended, now = g.get("ended_session"), services().door_clock.now()
    # A part of a page that a script asked for is kept as a draft by that script.
    if ended is None or request.blueprint == "signin" or "X-Part" in request.headers:
        return "/clinic/review"
    with through(Gate.SESSION), write_session(services().engine) as db:
        staff = sessions.whose_ended(db, ended, now)
        if staff is not None:
            move_to(db, staff.clinic_id)
            if held.hold(act_of(db, staff, now), staff.id, has_ended=True):
                return url_for("signin.go_on")
    if any(request.form.get(name, "").strip() for name in WRITTEN):
        abort(401)
    return "/clinic/review"


def to_confirm(endpoint: str) -> ResponseReturnValue:
    """Ask whether it is still they who sit there, and go on at this page or, after a form, with what was typed.

    A form that cannot wait goes on, empty, at the page it stood on.
    """
    staff, patient_id = signed_in(), (request.view_args or {}).get("patient_id")
    if request.method == "GET":
        back = request.full_path.rstrip("?")
    else:
        with write_session(services().engine) as db:
            act = Act(db, staff.actor, staff.clinic_id, services().door_clock.now())
            is_kept = held.hold(act, staff.id)
        stood_on = url_for(endpoint, **({} if patient_id is None else {"patient_id": patient_id}))
        back = url_for("signin.go_on") if is_kept else stood_on
    return redirect(f"/confirm?next={quote(back)}", 303)


def own(session: Session, table: type[T], record_id: uuid.UUID) -> T:
    """The record, if it belongs to the clinic of who asks: no other way reaches one by its id. Raises NotFound."""
    whose: Any = table  # every table that holds records of a clinic has the column
    found: T | None = session.scalar(select(table).where(whose.id == record_id, whose.clinic_id == g.clinic_id))
    if found is None:
        raise NotFound("The clinic has no such record.")
    if (patient_id := found.id if isinstance(found, Patient) else getattr(found, "patient_id", None)) is not None:
        trail.of_patient(patient_id)
    return found


def own_clinic(session: Session) -> Clinic:
    """The clinic of who asks."""
    return session.get_one(Clinic, g.clinic_id)


def own_patient(session: Session, patient_id: uuid.UUID) -> Patient:
    """Raises NotFound; for what would change the record of one who was erased, Conflict."""
    patient = own(session, Patient, patient_id)
    if patient.erased_at is not None:
        if request.method not in {"GET", "HEAD"}:
            raise Conflict("This patient was erased: the record is only read.")
        only_reads()
    return patient


def only_reads() -> None:
    """From here on the page offers nothing that would change a record of care: this one is only read."""
    if (staff := g.get("staff_now")) is not None:
        g.staff_now = replace(staff, rights=staff.rights - CHANGES_CARE)


def machine_or_staff() -> Caller | None:
    """Who calls the API, from the bearer key or the session; None when neither is good."""
    given = request.headers.get("Authorization", "")
    if given:
        kind, _, secret = given.partition(" ")
        if kind.lower() != "bearer" or not secret:
            return None
        with through(Gate.KEY), connect(services().engine) as connection:
            now = services().clock.now()
            ring = services().settings.keys
            key = keys.check_key(connection, secret.strip(), request.remote_addr or "", now, ring)
        if key is not None and key.is_stale:
            with suppress(*DATABASE_AWAY), through(Gate.KEY), write_connection(services().engine) as connection:
                keys.stamp_key(connection, key, now)
        if key is None:
            return None
        return Caller(Actor(ActorKind.KEY, key.id), key.clinic_id, key.scopes, by_token=key.is_token)
    staff = current_staff()
    return (
        None
        if staff is None
        else Caller(
            staff.actor,
            staff.clinic_id,
            rights=staff.rights,
            is_fresh=is_fresh(staff),
            lacks_second_step=staff.lacks_second_step,
        )
    )


def keep_session(response: Response) -> Response:
    """After a staff request: note that the session was used, and let a new browser know that it is known."""
    begun = g.get("stale_session")
    if begun is not None:
        with suppress(*DATABASE_AWAY), through(Gate.SESSION), write_session(services().engine) as db:
            sessions.stamp(db, begun, services().door_clock.now())
    if "known_browser" in g:
        response.set_cookie(
            known_cookie(), g.known_browser, KNOWN_FOR, httponly=True, samesite="Lax",
            secure=services().settings.base_url.startswith("https://"),
        )  # fmt: skip
    return response


def _at_terminal() -> CurrentStaff | None:
    with read_session(services().engine) as db:
        staff = db.get(Staff, services().at_terminal)
    if staff is None or not staff.active:
        return None
    return CurrentStaff.of(staff, NO_SESSION)


def _read_session() -> CurrentStaff | None:
    session_id = held_session()
    if session_id is None:
        return None
    now = services().door_clock.now()
    with through(Gate.SESSION), read_session(services().engine) as db:
        found = sessions.read_session_of(db, session_id, now)
    if found is None:
        g.ended_session = session_id
        session.clear()
        return None
    if now - found.session.seen_at >= sessions.STAMPED_AFTER:
        g.stale_session = session_id
    return CurrentStaff.by(found)
