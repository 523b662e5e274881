"""A text from a number that nobody has: it changes no record, and no alarm in it is lost.

Promises that the clinic whose line it was written to has a task of it; that where the line is that of
several clinics, or nobody's, each has one where the text may be an emergency, and the operator sees the
rest; that whoever wrote is told once a day whom to call, and nothing else, STOP heeded; and that
one number, and many, cannot flood: one open task for a number, and a bound on what a line takes in an hour,
past which one task says so. The number and, for the one clinic it was meant for, the words are on the page of
the task alone, for `KEPT`: in no notice, no log and no other record. The bounds are our own; no source.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum

from sqlalchemy import delete, exists, func, select, update
from sqlalchemy.orm import Session

from service.care import contacts
from service.care.tasks import raise_task, tell_instead
from service.domain import validation
from service.domain.sending import ALARMS
from service.domain.tasks import StrangersFlood, StrangerWrote
from service.domain.texting.parsing import Keyword
from service.domain.validation import Refused, storable
from service.domain.vocabulary import Channel, ContactState, MessageKind, TaskState
from service.intake.texts.replies import GOOD_FOR, SAFETY_GOOD_FOR, STOP_BY_TEXT, IncomingText, TextOutcome
from service.store import outbox
from service.store.audit import SYSTEM, Act
from service.store.session import within
from service.store.tables import Clinic, Contact, StrangerText, Task
from service.store.types import begins
from service.words.language import load_language, load_parser, may_be_emergency
from service.words.messages import of_several

KEPT = timedelta(days=14)
AN_HOUR, A_DAY = timedelta(hours=1), timedelta(days=1)
MOST_OF_A_NUMBER = 10  # texts kept in a day; of chatter and of alarms each
MOST_OF_A_LINE = 100  # numbers in an hour
LONGEST_WORDS, LONGEST_SENDER = 500, 64


@dataclass(frozen=True)
class _Stranger:
    """Who wrote, to whom, and whether it may be an emergency."""

    text: IncomingText
    number: str  # E.164, or whatever the network gave
    line: str
    clinics: Sequence[Clinic]
    alarms: bool

    @property
    def session(self) -> Session:
        return self.text.session

    def act_in(self, clinic: Clinic) -> Act:
        """What is kept of them there, for the record: of nobody whom the clinic knows."""
        return Act(self.session, SYSTEM, clinic.id, self.text.now)

    @property
    def several(self) -> bool:
        return len(self.clinics) > 1

    @property
    def mark(self) -> str:
        """By which the number is known again in a key."""
        return _short(self.number)


def take(text: IncomingText, sender: str, line: str) -> TextOutcome:
    """Take in a text from a number that nobody has."""
    dialled = validation.dialled(sender)
    number = dialled if validation.NUMBER.fullmatch(dialled) else storable(sender).strip()[:LONGEST_SENDER]
    written_to, clinics = _written_to(text.session, line)
    if not clinics:
        return TextOutcome.UNKNOWN
    word = load_parser().keyword(text.body)
    stranger = _Stranger(text, number, written_to, clinics, may_be_emergency(text.body))
    answering = within(text.session, clinics[0].id)  # in whose name they are answered
    if word is Keyword.STOP:
        with answering:
            _hold_back(stranger, ContactState.BROKEN)
        return TextOutcome.STOPPED
    room, told = _room(stranger), ""
    with answering:
        if word is Keyword.START:
            _hold_back(stranger, ContactState.OK)
        if room is _Room.YES:
            told = _answer(stranger)
            _keep(stranger, bool(told))
    for clinic in clinics if stranger.alarms or not stranger.several else ():
        with within(text.session, clinic.id):
            if room is _Room.YES:
                _tell(stranger, clinic, StrangerWrote(text.ref, stranger.alarms, told, stranger.several))
            elif room is _Room.LINE_FULL or stranger.alarms:
                _tell_of_flood(stranger, clinic)
    return TextOutcome.SAFETY if stranger.alarms else TextOutcome.STRANGER


def forget(session: Session, now: datetime) -> None:
    """Let go of what strangers wrote, and of their numbers, but of one to which nothing is to be sent again."""
    session.execute(
        delete(StrangerText).where(StrangerText.taken_at < now - KEPT).execution_options(synchronize_session=False)
    )
    wrote = exists().where(StrangerText.address == Contact.address)
    session.execute(
        update(Contact)
        .where(contacts.OF_NOBODY, Contact.state == ContactState.OK, Contact.created_at < now - KEPT, ~wrote)
        .values(address="", state=ContactState.BROKEN, broken_reason="forgotten")
        .execution_options(synchronize_session=False)
    )


def _written_to(session: Session, line: str) -> tuple[str, list[Clinic]]:
    """The line as it is kept, and the clinics it may stand for: whose it is, else those without one, else all.

    One that was not told, or cannot be read, may be anybody's.
    """
    try:
        known = validation.line("to", line)
    except Refused:
        known = ""
    clinics = session.scalars(select(Clinic).order_by(Clinic.created_at, Clinic.id)).all()
    whose = [clinic for clinic in clinics if clinic.text_line in {known, None}] if known else []
    return known, [clinic for clinic in whose if clinic.text_line] or whose or list(clinics)


class _Room(Enum):
    """Whether one more is kept: chatter crowds no alarm out, and no number another."""

    YES = "yes"
    NUMBER_FULL = "number_full"
    LINE_FULL = "line_full"


def _room(stranger: _Stranger) -> _Room:
    now, alike = stranger.text.now, StrangerText.alarms.is_(stranger.alarms)
    numbers = select(func.count(StrangerText.address.distinct())).where(
        alike,
        StrangerText.line == stranger.line,
        StrangerText.taken_at > now - AN_HOUR,
        StrangerText.address != stranger.number,
    )
    of_number = select(func.count()).where(
        alike, StrangerText.address == stranger.number, StrangerText.taken_at > now - A_DAY
    )
    if (stranger.session.scalar(of_number) or 0) >= MOST_OF_A_NUMBER:
        return _Room.NUMBER_FULL
    return _Room.LINE_FULL if (stranger.session.scalar(numbers) or 0) >= MOST_OF_A_LINE else _Room.YES


def _keep(stranger: _Stranger, answered: bool) -> None:
    """Keep it for the page."""
    stranger.session.add(
        StrangerText(
            gateway_ref=stranger.text.ref,
            address=stranger.number,
            line=stranger.line,
            body=stranger.text.body[:LONGEST_WORDS],
            said_at=stranger.text.at,
            taken_at=stranger.text.now,
            alarms=stranger.alarms,
            clinic_id=None if stranger.several else stranger.clinics[0].id,
            answered=answered,
        )
    )
    stranger.session.flush()


# --- what they are told ----------------------------------------------------------------------


def _answer(stranger: _Stranger) -> str:
    """Tell them whom to call, once a day. Returns the emergency number they were told; empty where they were not."""
    text, clinic = stranger.text, stranger.clinics[0]
    if not text.is_news or not validation.NUMBER.fullmatch(stranger.number):
        return ""
    contact = _contact(stranger, clinic)
    of_number = (StrangerText.address == stranger.number, StrangerText.line == stranger.line)
    lately = (*of_number, StrangerText.answered.is_(True), StrangerText.taken_at > text.now - A_DAY)
    if contact.state is ContactState.BROKEN and not stranger.alarms:
        return ""
    if stranger.session.scalar(select(StrangerText.id).where(*lately).limit(1)) is not None:
        return ""
    numbers = " / ".join(dict.fromkeys(one.emergency_number for one in stranger.clinics))
    new = outbox.NewMessage(
        clinic_id=clinic.id,
        contact_id=contact.id,
        kind=MessageKind.STRANGER,
        channel=Channel.TEXT,
        dedupe_key=f"stranger:{clinic.id}:{stranger.mark}:{text.now.date().isoformat()}",
        due_at=text.now,
        expires_at=text.now + (SAFETY_GOOD_FOR if stranger.alarms else GOOD_FOR),
        params={ALARMS: stranger.alarms}
        | ({"number": numbers, **of_several(load_language(clinic.language))} if stranger.several else {}),
    )
    return numbers if outbox.enqueue(stranger.session, new, text.now) is not None else ""


def _hold_back(stranger: _Stranger, state: ContactState) -> None:
    """STOP, or START after one."""
    if validation.NUMBER.fullmatch(stranger.number):
        clinic = stranger.clinics[0]
        contact = _contact(stranger, clinic)
        if contact.state is state:
            return
        stops = state is ContactState.BROKEN
        contact.state, contact.broken_reason = state, STOP_BY_TEXT if stops else None
        stranger.session.flush()
        stranger.act_in(clinic).note("contact.stop" if stops else "contact.start", contact)


def _contact(stranger: _Stranger, clinic: Clinic) -> Contact:
    """Nobody's contact at this number, in the clinic in whose name they are answered."""
    return contacts.of_nobody(stranger.act_in(clinic), Channel.TEXT, stranger.number)


# --- what staff are told ---------------------------------------------------------------------


def _tell(stranger: _Stranger, clinic: Clinic, facts: StrangerWrote) -> None:
    """One open task for a number; what may be an emergency is told again where somebody took the first an hour ago."""
    text, whose = stranger.text, f"stranger:{clinic.id}:{stranger.mark}:"
    alarming = f"{whose}alarm:"
    open_tasks = stranger.session.execute(
        select(Task.id, Task.state, func.coalesce(Task.retold_at, Task.raised_at).label("told_at")).where(
            Task.clinic_id == clinic.id,
            Task.state.in_([TaskState.OPEN, TaskState.TAKEN]),
            begins(Task.dedupe_key, alarming if facts.alarms else whose),
        )
    ).all()
    if not open_tasks:
        key = f"{alarming if facts.alarms else whose}{_short(text.ref)}"
        raise_task(stranger.session, clinic.id, None, facts, key, text.now)
        return
    for task in open_tasks:
        if facts.alarms and task.state is TaskState.TAKEN and text.now - task.told_at >= AN_HOUR:
            tell_instead(stranger.session, Task.id == task.id, facts, text.now)


def _tell_of_flood(stranger: _Stranger, clinic: Clinic) -> None:
    """One task an hour; of what may be an emergency another one as soon as somebody has closed it."""
    now = stranger.text.now
    key = f"strangers:{clinic.id}:{'alarm' if stranger.alarms else 'text'}:{now:%Y-%m-%dT%H}"
    task = raise_task(stranger.session, clinic.id, None, StrangersFlood(stranger.alarms), key, now)
    if task is None and stranger.alarms:
        still = exists().where(begins(Task.dedupe_key, key), Task.state != TaskState.CLOSED)
        if not stranger.session.scalar(select(still)):
            key = f"{key}:{_short(stranger.text.ref)}"
            raise_task(stranger.session, clinic.id, None, StrangersFlood(stranger.alarms), key, now)


def _short(what: str) -> str:
    return hashlib.sha256(what.encode("utf-8", "replace")).hexdigest()[:16]
