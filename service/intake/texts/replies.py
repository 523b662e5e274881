"""Who wrote a text message, what became of it, and how it is answered.

Promises that a telephone which answers by itself is not answered for ever: past a bound in an hour nothing goes to
it but, once an hour, whom to call, and of its alarms one task at a time is open. What it says is taken in all the
same. The bounds are our own, well above a check-in question by question; no source.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session

from service.care import contacts
from service.care.tasks import raise_task
from service.domain.sending import ANSWERS, TO_CALL
from service.domain.tasks import LONGEST_QUOTE, AlarmInDoubt, AlarmOfStaff, AlarmWritten, Whose, kind_of
from service.domain.vocabulary import Channel, ConsentKind, MessageKind, TaskState
from service.store import outbox
from service.store.audit import Act, Actor, actor_of
from service.store.session import within
from service.store.tables import Caregiver, Clinic, Contact, Conversation, Message, Patient, Staff, Task
from service.store.types import begins
from service.words.language import load_language
from service.words.messages import line

# An answer that comes much later answers nothing; the number to call stays true for longer.
GOOD_FOR = timedelta(minutes=30)
SAFETY_GOOD_FOR = timedelta(hours=2)
AN_HOUR = timedelta(hours=1)
MOST_ANSWERS, MOST_ALARMS = 40, 10  # to one telephone in an hour
STOP_BY_TEXT = "text STOP"
# A talk that runs past midnight is still about the day it began on.
TALK_LASTS = timedelta(hours=4)


class TextOutcome(StrEnum):
    """What became of a text message."""

    REPEATED = "repeated"  # told of before; nothing changed
    UNKNOWN = "unknown"  # there is no clinic yet; nothing changed
    STRANGER = "stranger"  # from a number that nobody has
    STOPPED = "stopped"
    STARTED = "started"
    HELPED = "helped"
    SAFETY = "safety"  # a sign of an emergency: told to call, staff told
    SAME_DAY = "same_day"  # told to call the clinic today, staff told
    ANSWERED = "answered"  # something of it is kept
    ASKED = "asked"  # nothing was in it; the first question was asked
    ASKED_AGAIN = "asked_again"
    PASSED = "passed"  # asked for no answer, or gave none we could keep
    NOT_MONITORED = "not_monitored"  # this patient's monitoring has ended
    ASTRAY = "astray"  # written to the line of a clinic that does not know them
    ASKED_WHICH = "asked_which"  # several clinics have the number: asked which is meant
    UNPLACED = "unplaced"  # waits until they have said which clinic is meant
    CHOSEN = "chosen"  # said which clinic is meant, or that it is none of them
    ECHO = "echo"  # our own words came back: nothing changed, and no telephone is answered that answers by itself
    FORGOTTEN = "forgotten"  # nobody said in time which clinic was meant


@dataclass(frozen=True)
class Speaker:
    """A patient, or a caregiver of one, at the number a message came from."""

    contact: Contact
    caregiver: Caregiver | None
    patient: Patient
    clinic: Clinic
    staff_id = None

    @property
    def patient_id(self) -> uuid.UUID:
        return self.patient.id

    @property
    def caregiver_id(self) -> uuid.UUID | None:
        return self.caregiver.id if self.caregiver else None

    @property
    def language(self) -> str:
        return self.caregiver.language if self.caregiver else self.patient.language

    @property
    def whose(self) -> Whose:
        return Whose.PATIENT if self.caregiver is None else Whose.CAREGIVER

    @property
    def actor(self) -> Actor:
        return actor_of(self.caregiver or self.patient)


@dataclass(frozen=True)
class StaffSpeaker:
    """A member of staff at the number a message came from."""

    contact: Contact
    staff: Staff
    clinic: Clinic
    patient_id = None
    caregiver_id = None

    @property
    def staff_id(self) -> uuid.UUID:
        return self.staff.id

    @property
    def language(self) -> str:
        return self.clinic.language

    @property
    def actor(self) -> Actor:
        return actor_of(self.staff)


@dataclass(frozen=True)
class IncomingText:
    """A text message as it is taken in.

    The transaction, the gateway's name for the message, what it says, when it was said, and the moment it is taken in.
    """

    session: Session
    ref: str
    body: str
    at: datetime
    now: datetime

    @property
    def is_news(self) -> bool:
        """Whether a question in return still makes sense to whoever wrote it."""
        return self.now - self.at <= TALK_LASTS

    def agrees(self, speaker: Speaker) -> bool:
        """Whether their own agreement to messages stands."""
        return contacts.has_consent(self.session, speaker.patient.id, ConsentKind.MESSAGES, speaker.caregiver_id)

    def act_of(self, speaker: Speaker | StaffSpeaker) -> Act:
        """What the speaker does by it, for the record."""
        return Act(self.session, speaker.actor, speaker.clinic.id, self.now)


def send(text: IncomingText, to: Speaker | StaffSpeaker, kind: MessageKind, words: str = "", about: str = "") -> None:
    """Answer a message. One answer of a kind for each, and `about` the same, however often this is called."""
    with within(text.session, to.clinic.id):
        _send(text, to, kind, words, about)


def _send(text: IncomingText, to: Speaker | StaffSpeaker, kind: MessageKind, words: str, about: str) -> None:
    key = f"{kind.value}:{text.ref}{about}"
    if kind in TO_CALL and _is_endless(text, to, alarms=True):
        key = f"{kind.value}:{to.contact.id}:{text.now:%Y-%m-%dT%H}"
    elif kind not in TO_CALL and _is_endless(text, to):
        return
    outbox.enqueue(
        text.session,
        outbox.NewMessage(
            clinic_id=to.clinic.id,
            contact_id=to.contact.id,
            kind=kind,
            channel=Channel.TEXT,
            dedupe_key=key,
            due_at=text.now,
            expires_at=text.now + (SAFETY_GOOD_FOR if kind in TO_CALL else GOOD_FOR),
            patient_id=to.patient_id,
            caregiver_id=to.caregiver_id,
            staff_id=to.staff_id,
            # No window: a pause that begins meanwhile does not make an answer pointless.
            params={"text": words} if words else {},
        ),
        text.now,
    )


def _is_endless(text: IncomingText, to: Speaker | StaffSpeaker, *, alarms: bool = False) -> bool:
    """Whether this telephone had as many answers in the last hour as no person asks for."""
    lately = (
        Message.patient_id == to.patient_id,  # none of staff; by this and the next an index finds them
        Message.created_at > text.now - AN_HOUR,
        Message.contact_id == to.contact.id,
        Message.kind.in_(TO_CALL if alarms else ANSWERS),
    )
    sent = text.session.scalar(select(func.count()).select_from(Message).where(*lately)) or 0
    return sent >= (MOST_ALARMS if alarms else MOST_ANSWERS)


def say(text: IncomingText, to: Speaker | StaffSpeaker, key: str, *, again: bool = False) -> None:
    """Answer with one of our lines, in the person's language."""
    send(text, to, MessageKind.REPLY, line(load_language(to.language), key, again=again))


def answer_emergency(text: IncomingText, by: Speaker, *, tell_staff: bool = True) -> TextOutcome:
    """Tell them to call, and show staff the words themselves: no machine reads an emergency better than they do."""
    send(text, by, MessageKind.SAFETY)
    if tell_staff:
        words = " ".join(text.body.split())[:LONGEST_QUOTE]
        name = by.caregiver.name if by.caregiver else ""
        facts = AlarmWritten(text.ref, words, by.clinic.emergency_number, name)
        tell_of_alarm(text, by, by, facts, f"alarm:{text.ref}")
    return TextOutcome.SAFETY


def tell_of_alarm(
    text: IncomingText,
    by: Speaker | StaffSpeaker,
    of: Speaker | StaffSpeaker,
    facts: AlarmWritten | AlarmInDoubt | AlarmOfStaff,
    key: str,
) -> None:
    """A task for the staff of `of`, of an alarm to which `by` was answered."""
    with within(text.session, of.clinic.id):
        if _is_endless(text, by, alarms=True):
            theirs = (Task.clinic_id == of.clinic.id, Task.patient_id == of.patient_id, Task.kind == kind_of(facts))
            still = exists().where(*theirs, Task.state != TaskState.CLOSED, begins(Task.dedupe_key, "alarm:"))
            if text.session.scalar(select(still)):
                return
        raise_task(text.session, of.clinic.id, of.patient_id, facts, key, text.now)


def begin_talk(text: IncomingText, to: Speaker, window_id: uuid.UUID) -> Conversation:
    """A talk about this window, in which nothing has been asked yet."""
    talk = Conversation(
        clinic_id=to.clinic.id,
        patient_id=to.patient.id,
        contact_id=to.contact.id,
        window_id=window_id,
        answers={},
        asked_again=[],
        last_at=text.at,
    )
    text.session.add(talk)
    return talk
