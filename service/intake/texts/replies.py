"""Who wrote a text message, what became of it, and how it is answered."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy.orm import Session

from service.care.tasks import raise_task
from service.domain.tasks import AlarmWritten
from service.domain.vocabulary import ActorKind, Channel, MessageKind
from service.store import outbox
from service.store.audit import Act, Actor
from service.store.tables import Caregiver, Clinic, Contact, Patient, Staff
from service.words.language import load_language
from service.words.replies import line

# An answer that comes much later answers nothing; the number to call stays true for longer.
GOOD_FOR = timedelta(minutes=30)
SAFETY_GOOD_FOR = timedelta(hours=2)
LONGEST_QUOTE = 300
# A talk that runs past midnight is still about the day it began on.
TALK_LASTS = timedelta(hours=4)


class TextOutcome(StrEnum):
    """What became of a text message."""

    REPEATED = "repeated"  # told of before; nothing changed
    UNKNOWN = "unknown"  # from nobody we know; nothing changed
    STOPPED = "stopped"
    STARTED = "started"
    HELPED = "helped"
    SAFETY = "safety"  # a sign of an emergency: told to call, staff told
    ANSWERED = "answered"  # something of it is kept
    ASKED = "asked"  # nothing was in it; the first question was asked
    ASKED_AGAIN = "asked_again"
    PASSED = "passed"  # asked for no answer, or gave none we could keep
    NOT_MONITORED = "not_monitored"  # this patient's monitoring has ended


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
    def actor(self) -> Actor:
        if self.caregiver is not None:
            return Actor(ActorKind.CAREGIVER, self.caregiver.id)
        return Actor(ActorKind.PATIENT, self.patient.id)


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
        return Actor(ActorKind.STAFF, self.staff.id)


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

    def act_of(self, speaker: Speaker | StaffSpeaker) -> Act:
        """What the speaker does by it, for the record."""
        return Act(self.session, speaker.actor, speaker.clinic.id, self.now)


def send(text: IncomingText, to: Speaker | StaffSpeaker, kind: MessageKind, words: str = "") -> None:
    """Answer a message. One answer of a kind for each, however often this is called."""
    outbox.enqueue(
        text.session,
        outbox.NewMessage(
            clinic_id=to.clinic.id,
            contact_id=to.contact.id,
            kind=kind,
            channel=Channel.TEXT,
            dedupe_key=f"{kind.value}:{text.ref}",
            due_at=text.now,
            expires_at=text.now + (SAFETY_GOOD_FOR if kind is MessageKind.SAFETY else GOOD_FOR),
            patient_id=to.patient_id,
            caregiver_id=to.caregiver_id,
            staff_id=to.staff_id,
            # No window: a pause that begins meanwhile does not make an answer pointless.
            params={"text": words} if words else {},
        ),
        text.now,
    )


def say(text: IncomingText, to: Speaker | StaffSpeaker, key: str, *, again: bool = False) -> None:
    """Answer with one of our lines, in the person's language."""
    send(text, to, MessageKind.REPLY, line(load_language(to.language), key, again=again))


def raise_alarm(text: IncomingText, by: Speaker) -> None:
    """Staff are shown the words themselves: no machine reads an emergency better than they do."""
    words = " ".join(text.body.split())[:LONGEST_QUOTE]
    name = by.caregiver.name if by.caregiver else ""
    facts = AlarmWritten(text.ref, words, by.clinic.emergency_number, name)
    raise_task(text.session, by.clinic.id, by.patient.id, facts, f"alarm:{text.ref}", text.now)
