"""Emergency access: a few codes on paper open the clinic's records where nobody can sign in as usual.

Promises that a code opens one access, for one name, for `LASTS`; that the access reads and writes the record and
administers nothing (`domain.rights.EMERGENCY`); and that every administrator is sent word at once on every way that
works, and the inbox has a task. Nobody has proved the name that was given: an access acts as an account of its own,
which says so wherever its name stands, and whose audit lines are those of the access, from the first to the last.
Whoever was signed out meanwhile comes back with the same code and name. Codes are kept as SHA-256; a new sheet takes
the old one's place. 45 CFR 164.312(a)(2)(ii) asks for such a way; its shape and numbers are ours.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.accounts import throttle
from service.accounts.factors import paper_code, plain
from service.accounts.keys import hash_of
from service.accounts.sessions import SignedIn, begin_session, end_sessions
from service.accounts.signin import Denied, NotIn
from service.accounts.throttle import Origin
from service.care import contacts, tasks
from service.domain import validation
from service.domain.tasks import EmergencyOpened
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, ContactState, MessageKind, Role, TaskSettled
from service.store import outbox
from service.store.audit import SYSTEM, Act, act_of
from service.store.guarded import Due, Tally, Work, Written, work_off
from service.store.quarantine import is_quarantined
from service.store.session import move_to, write_session
from service.store.tables import Clinic, Contact, EmergencyAccess, EmergencyCode, Staff, Task
from service.words.language import Language, load_language
from service.words.messages import line_emergency

LASTS = timedelta(hours=2)
CODES = 4  # on a sheet
SHORTEST_REASON, LONGEST_REASON = 10, 400
TOLD_WITHIN = timedelta(hours=12)


def new_codes(act: Act) -> list[str]:
    """A new sheet of codes, which stand in this answer alone; those of before that nobody used open nothing more."""
    # Of two sheets made at once one stays.
    act.session.execute(select(Clinic.id).where(Clinic.id == act.clinic_id).with_for_update())
    unused = (EmergencyCode.clinic_id == act.clinic_id, EmergencyCode.used_at.is_(None))
    act.session.execute(update(EmergencyCode).where(*unused).values(withdrawn_at=act.now))
    codes = [paper_code() for _ in range(CODES)]
    for code in codes:
        act.add(EmergencyCode(code_hash=hash_of(plain(code)), made_at=act.now))
    act.note("emergency.codes", ("clinic", act.clinic_id), codes=CODES)
    return codes


def codes_left(session: Session, clinic_id: uuid.UUID) -> list[EmergencyCode]:
    """The codes that still open an access."""
    good = (EmergencyCode.used_at.is_(None), EmergencyCode.withdrawn_at.is_(None))
    return list(session.scalars(select(EmergencyCode).where(EmergencyCode.clinic_id == clinic_id, *good)))


@dataclass(frozen=True)
class Typed:
    """What somebody typed at the door."""

    code: str
    name: str
    reason: str


@dataclass(frozen=True)
class Clocks:
    """The service's time, which records go by, and the machine's, which sessions do."""

    service: datetime
    door: datetime


def enter(
    engine: Engine,
    typed: Typed,
    now: Clocks,
    origin: Origin,
    channels: Collection[Channel],
    instead_of: uuid.UUID | None = None,
) -> SignedIn | Denied:
    """Open the access of a code, or come back to it, in place of the browser's session before.

    1. Ask how long this place has to wait, and count a failure before the code is looked at.
    2. Begin the access of a code that nobody used, and tell whoever must know; of one that runs, go on with it where
       the name is the same.
    `channels` are those that this service can send on. Raises Refused for a name or a reason that says too little.
    """
    name = validation.text("name", typed.name, longest=80, shortest=2)
    if not name.isprintable():  # a sign that is not seen may turn round what stands after the name
        raise Refused("name", name, "letters that are seen")
    reason = validation.prose("reason", typed.reason, longest=LONGEST_REASON)
    if len(reason) < SHORTEST_REASON:
        bounds = {"least": SHORTEST_REASON, "most": LONGEST_REASON}
        raise Refused("reason", reason, "a sentence of %(least)s to %(most)s characters", **bounds)
    with write_session(engine) as session:
        place = throttle.place_of_emergencies(origin)
        if wait := throttle.wait_of(session, place, now.door):
            return Denied(NotIn.TOO_MANY, math.ceil(wait.total_seconds()))
        failure = throttle.count_failure(session, place, now.door)
        its = (EmergencyCode.code_hash == hash_of(plain(typed.code)), EmergencyCode.withdrawn_at.is_(None))
        code = session.scalar(select(EmergencyCode).where(*its).with_for_update())
        if code is None:
            return Denied(NotIn.WRONG)
        move_to(session, code.clinic_id)
        if code.used_at is None:
            staff = _begin(session, code, (name, reason), now, origin, channels)
        else:
            access = session.scalars(select(EmergencyAccess).where(EmergencyAccess.code_id == code.id)).one()
            staff = session.get_one(Staff, access.staff_id)
            if access.name.casefold() != name.casefold() or not is_running(access, staff, now.door):
                return Denied(NotIn.WRONG)
            act_of(session, staff, now.service).note("emergency.return", staff)
        throttle.take_back(session, failure)
        return begin_session(session, staff, now.door, origin, instead_of)


def is_running(access: EmergencyAccess, staff: Staff, door_now: datetime) -> bool:
    """Whether the access, of this account, is not over."""
    return access.ended_at is None and staff.emergency_until is not None and staff.emergency_until > door_now


def end(act: Act, access: EmergencyAccess) -> None:
    """The access opens nothing from now on, whoever ends it; one that is over stays as it is."""
    if access.ended_at is not None:
        return
    access.ended_at = act.now
    end_sessions(act.session, access.staff_id)
    tasks.hand_back(act.session, access.staff_id, act.now)
    act.session.flush()
    act.note("emergency.end", ("staff", access.staff_id))


def end_those_over(engine: Engine, now: datetime) -> Tally:
    """End the accesses whose time has passed at `now`, the service's: what was taken under them is open again."""
    over = (EmergencyAccess.ended_at.is_(None), EmergencyAccess.until <= now)
    due = select(EmergencyAccess.id).where(*over, ~is_quarantined("emergency_access", EmergencyAccess.id))

    def load(session: Session, due: Due) -> Sequence[EmergencyAccess]:
        query = due.with_only_columns(EmergencyAccess).with_for_update(skip_locked=True)
        return session.scalars(query).all()

    def write(session: Session, rows: Sequence[EmergencyAccess]) -> Written:
        for access in rows:
            end(Act(session, SYSTEM, access.clinic_id, now), access)
        return Written(len(rows))

    return work_off(engine, Work("emergency_access", due, load, write), now)


def end_own(act: Act) -> None:
    """Whoever came in ends their own access."""
    its = EmergencyAccess.staff_id == act.actor.id
    end(act, act.session.scalars(select(EmergencyAccess).where(its)).one())


def look_into(act: Act, access: EmergencyAccess) -> None:
    """An administrator has looked into it: it is pointed out no longer, and its task is closed."""
    if access.seen_at is not None:
        return
    access.seen_at, access.seen_by = act.now, act.actor.id
    act.session.flush()
    tasks.close_tasks(
        act.session, Task.dedupe_key == _occurrence(access), TaskSettled.EMERGENCY_SEEN, act.now, also_taken=True
    )
    act.note("emergency.look_into", ("staff", access.staff_id))


def _begin(
    session: Session,
    code: EmergencyCode,
    said: tuple[str, str],
    now: Clocks,
    origin: Origin,
    channels: Collection[Channel],
) -> Staff:
    clinic = session.get_one(Clinic, code.clinic_id)
    say, (name, reason) = load_language(clinic.language), said
    code.used_at = now.service
    staff = Staff(
        clinic_id=clinic.id,
        email=f"emergency-{uuid.uuid4().hex}",  # no mailbox: nobody signs in by it
        name=say.gettext("%(name)s (emergency access)", name=name),
        roles=[],
        grants=[],
        active=False,  # of no list of colleagues, and nothing is handed to it
        emergency_until=now.door + LASTS,
        created_at=now.service,
    )
    session.add(staff)
    session.flush()
    act = act_of(session, staff, now.service)
    access = EmergencyAccess(
        staff_id=staff.id, code_id=code.id, name=name, reason=reason,
        begun_at=now.service, until=now.service + LASTS,
        address=origin.address[:45], browser=origin.browser[:60],
    )  # fmt: skip
    act.add(access)
    act.note("emergency.begin", staff, code=code.id, until=access.until)
    facts = EmergencyOpened(access.id, name, reason)
    tasks.raise_task(session, clinic.id, None, facts, _occurrence(access), now.service)
    _tell_administrators(replace(act, actor=SYSTEM), access, say, channels)
    return staff


@dataclass(frozen=True)
class ToBeTold:
    """Who is told of an access, and the ways that work; without any, by mail to their account where there is mail."""

    staff: Staff
    ways: list[Contact]
    has_mailbox: bool

    @property
    def is_reached(self) -> bool:
        return bool(self.ways) or self.has_mailbox


def administrators(session: Session, clinic_id: uuid.UUID, channels: Collection[Channel]) -> list[ToBeTold]:
    """Everybody who is told of an access, where this service can send on `channels`."""
    its = (Staff.clinic_id == clinic_id, Staff.active, Staff.holds_any([Role.ADMINISTRATOR]))
    found = []
    for staff in session.scalars(select(Staff).where(*its).order_by(Staff.created_at, Staff.id)):
        theirs = contacts.working(session, contacts.owner(staff), staff.id)
        found.append(ToBeTold(staff, [one for one in theirs if one.channel in channels], Channel.EMAIL in channels))
    return found


def _tell_administrators(act: Act, access: EmergencyAccess, say: Language, channels: Collection[Channel]) -> None:
    messages = []
    for one in administrators(act.session, act.clinic_id, channels):
        ways = one.ways or ([_own_mailbox(act, one.staff)] if one.has_mailbox else [])
        language = load_language(one.staff.language) if one.staff.language else say
        messages += [
            outbox.NewMessage(
                clinic_id=act.clinic_id,
                contact_id=way.id,
                kind=MessageKind.REPLY,  # at any hour
                channel=way.channel,
                dedupe_key=f"{_occurrence(access)}:{way.id}",
                due_at=act.now,
                expires_at=act.now + TOLD_WITHIN,
                staff_id=one.staff.id,
                params={"text": line_emergency(language)},
            )
            for way in ways
        ]
    outbox.enqueue_many(act.session, messages, act.now)


def _own_mailbox(act: Act, administrator: Staff) -> Contact:
    contact = Contact(
        staff_id=administrator.id, channel=Channel.EMAIL, address=administrator.email,
        state=ContactState.OK, created_at=act.now,
    )  # fmt: skip
    act.add(contact)
    act.note("contact.add", contact, channel=contact.channel, staff_id=administrator.id)
    return contact


def _occurrence(access: EmergencyAccess) -> str:
    return f"emergency:{access.id}"
