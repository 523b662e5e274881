"""A message that staff send to one patient by hand, in a wording from the clinic's own list.

Promises that it goes the way of every message: through the outbox, with consent, quiet hours and the recheck at the
last moment; that staff are told before whether it can leave, by the very rule that decides then; that "this afternoon"
never arrives tomorrow, since it is dropped at the end of the patient's day; that the same words go once a
day, however often the button is pressed; and that no more than `MOST_A_DAY` reach anybody by hand on one. Its words
are kept as they were sent; they hold nothing of the patient.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care import contacts
from service.domain import localtime
from service.domain.sending import LastLook, SendAction, SendReason, recheck
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, MessageKind, MessageState, PatientState
from service.store import outbox
from service.store.audit import Act
from service.store.identity import none_made_within
from service.store.tables import Clinic, Contact, Message, Patient, Phrase
from service.store.wordings import phrases

MOST_A_DAY = 5  # as of test messages; our own number, no source
NEVER_LEFT = frozenset({MessageState.FAILED, MessageState.CANCELLED, MessageState.EXPIRED})


@dataclass(frozen=True, slots=True)
class Choice:
    """One wording of the list, as this patient would get it."""

    phrase_id: uuid.UUID
    text: str
    beside: str  # the same in the reader's language, where that is another and there is one


@dataclass(frozen=True, slots=True)
class ByHand:
    """A message that was sent by hand, and what is known of it."""

    text: str
    written_at: datetime
    state: MessageState
    reason: str | None


@dataclass(frozen=True, slots=True)
class Outlook:
    """Whether a message by hand can leave now: WANTED, or QUIET_HOURS and then; anything else is why it cannot."""

    why: SendReason
    until: datetime | None = None
    choices: tuple[Choice, ...] = ()
    today: tuple[ByHand, ...] = ()  # sent on the patient's local date, the oldest first

    @property
    def can_leave(self) -> bool:
        return self.why in {SendReason.WANTED, SendReason.QUIET_HOURS}


class CannotLeave(Exception):
    """The message would not leave, for the named reason. Nothing was written."""

    def __init__(self, why: SendReason) -> None:
        self.why = why
        super().__init__(f"it would not leave: {why.value}")


class EnoughToday(Exception):
    """As many messages went to this patient by hand today as may."""


class SentToday(Exception):
    """The same words went to this patient today already."""


def outlook(
    session: Session, patient: Patient, channels: Collection[Channel], now: datetime, reader: str = ""
) -> Outlook:
    """What can be said to the patient now, and whether it would leave; `channels` are those that are set up."""
    clinic = session.get_one(Clinic, patient.clinic_id)
    sent = _sent_today(session, patient, now)
    why, until = _verdict(session, clinic, patient, channels, now)
    return Outlook(
        why,
        until,
        tuple(_choices(session, clinic, patient, reader)),
        tuple(ByHand(one.params["text"], one.created_at, one.state, one.reason) for one in sent),
    )


def send(act: Act, patient: Patient, phrase_id: uuid.UUID, channels: Collection[Channel]) -> Message:
    """Write the message. Raises Refused for a wording that is not on the patient's list, CannotLeave, SentToday
    and EnoughToday.
    """
    session, now = act.session, act.now
    clinic = session.get_one(Clinic, act.clinic_id)
    # Locked: of two at once the second finds the first's message.
    session.execute(select(Patient.id).where(Patient.id == patient.id).with_for_update())
    choice = next((one for one in _choices(session, clinic, patient) if one.phrase_id == phrase_id), None)
    if choice is None:
        raise Refused("phrase_id", str(phrase_id), "a wording of the clinic's list in the patient's language")
    why, until = _verdict(session, clinic, patient, channels, now)
    if why not in {SendReason.WANTED, SendReason.QUIET_HOURS}:
        raise CannotLeave(why)
    today, (_begins, ends) = localtime.local_date(now, patient.zone), _day(patient, now)
    occurrence = f"from_clinic:{patient.id}:{phrase_id}:{today.isoformat()}"
    there = select(Message.state).where(outbox.keyed(occurrence))
    states = session.scalars(there).all()
    if any(state not in NEVER_LEFT for state in states):
        raise SentToday
    if sum(one.state not in NEVER_LEFT for one in _sent_today(session, patient, now)) >= MOST_A_DAY:
        raise EnoughToday
    contact = next(one for one in contacts.working(session, Contact.patient_id, patient.id) if one.channel in channels)
    new = outbox.NewMessage(
        clinic_id=clinic.id,
        contact_id=contact.id,
        kind=MessageKind.FROM_CLINIC,
        channel=contact.channel,
        dedupe_key=f"{occurrence}:{len(states)}",
        due_at=until or now,
        expires_at=ends,
        patient_id=patient.id,
        params={"text": choice.text, "by": str(act.actor)},
    )
    message = session.get_one(Message, outbox.enqueue(session, new, now))
    act.note("message.send", message, patient=patient.id, phrase=phrase_id)
    return message


def _day(patient: Patient, now: datetime) -> tuple[datetime, datetime]:
    where = localtime.zone(patient.zone)
    return localtime.day_bounds(localtime.local_date(now, where), where)


def _sent_today(session: Session, patient: Patient, now: datetime) -> Sequence[Message]:
    begins, _ends = _day(patient, now)
    lately = (Message.created_at >= begins, Message.id >= none_made_within(now - begins))
    theirs = (Message.patient_id == patient.id, Message.kind == MessageKind.FROM_CLINIC, *lately)
    return session.scalars(select(Message).where(*theirs).order_by(Message.created_at, Message.id)).all()


def _choices(session: Session, clinic: Clinic, patient: Patient, reader: str = "") -> list[Choice]:
    numbers = {"phone": clinic.contact_line, "number": clinic.emergency_number}

    def text(row: Phrase, language: str) -> str:
        return str(row.bodies.get(language, "")).format_map(numbers)

    return [
        Choice(row.id, text(row, patient.language), "" if reader == patient.language else text(row, reader))
        for row in phrases(session, clinic.id)
        if patient.language in row.bodies
    ]


def _verdict(
    session: Session, clinic: Clinic, patient: Patient, channels: Collection[Channel], now: datetime
) -> tuple[SendReason, datetime | None]:
    """What `domain.sending.recheck` says of it now, and when its quiet hours end."""
    working = contacts.working(session, Contact.patient_id, patient.id)
    last_look = LastLook(
        kind=MessageKind.FROM_CLINIC,
        expires_at=_day(patient, now)[1],
        zone=localtime.zone(patient.zone),
        quiet_from=clinic.quiet_from,
        quiet_until=clinic.quiet_until,
        is_looked_after=patient.state is PatientState.ACTIVE,
        agreed=patient.id in contacts.patients_who_agreed(session, [patient.id]),
        doubted=contacts.in_doubt(session, [patient.id]).get(patient.id),
        contact_works=bool(working),
        channel_is_set_up=any(one.channel in channels for one in working),
    )
    verdict = recheck(last_look, now)
    if verdict.action is SendAction.EXPIRE:
        return SendReason.EXPIRED, None
    return verdict.why, verdict.until
