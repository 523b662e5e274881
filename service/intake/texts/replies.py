"""Who writes, what became of it, and how we answer a text message."""

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
from service.store.audit import Actor
from service.store.tables import Caregiver, Clinic, Contact, Patient
from service.words import replies as words
from service.words.language import load_language

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
class Said:
    """A text message: the gateway's name for it, what it says, when it was said, and the moment it is taken in."""

    ref: str
    body: str
    at: datetime
    now: datetime

    @property
    def is_news(self) -> bool:
        """Whether a question in return still makes sense to whoever wrote it."""
        return self.now - self.at <= TALK_LASTS


@dataclass(frozen=True)
class Speaker:
    """A patient, or a caregiver of one, at the number a message came from."""

    contact: Contact
    caregiver: Caregiver | None
    patient: Patient
    clinic: Clinic

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


def send(session: Session, to: Speaker, kind: MessageKind, ref: str, now: datetime, text: str = "") -> None:
    """Answer a message. One answer of a kind for each, however often this is called."""
    outbox.enqueue(
        session,
        outbox.NewMessage(
            clinic_id=to.clinic.id,
            contact_id=to.contact.id,
            kind=kind,
            channel=Channel.TEXT,
            dedupe_key=f"{kind.value}:{ref}",
            due_at=now,
            expires_at=now + (SAFETY_GOOD_FOR if kind is MessageKind.SAFETY else GOOD_FOR),
            patient_id=to.patient.id,
            caregiver_id=to.caregiver_id,
            # No window: a pause that begins meanwhile does not make an answer pointless.
            params={"text": text} if text else {},
        ),
        now,
    )


def say(
    session: Session, to: Speaker, key: str, ref: str, now: datetime, *, again: bool = False, instead: str | None = None
) -> None:
    """Answer with one of our lines, in the person's language; with `instead`, in words made for this answer."""
    text = words.line(load_language(to.language), key, again=again) if instead is None else instead
    send(session, to, MessageKind.REPLY, ref, now, text)


def raise_alarm(session: Session, by: Speaker, ref: str, body: str, now: datetime) -> None:
    """Staff are shown the words themselves: no machine reads an emergency better than they do."""
    words = " ".join(body.split())[:LONGEST_QUOTE]
    name = by.caregiver.name if by.caregiver else ""
    facts = AlarmWritten(ref, words, by.clinic.emergency_number, name)
    key = f"alarm:{ref}"
    raise_task(session, by.clinic.id, by.patient.id, facts, key, now)
