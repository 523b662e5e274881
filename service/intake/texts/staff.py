"""A text message from a telephone of staff: STOP and START for the notices that go there, HELP, and nothing else.

Promises that STOP ends what goes to that telephone and to no other contact of theirs,
and that the clinic is told at once who is reached there no longer: an open task that
nobody hears of is how an emergency goes unseen. Never takes a task on somebody's behalf.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.care.tasks import close_task, raise_task
from service.domain.tasks import StaffStopped
from service.domain.texting.parsing import Keyword
from service.domain.vocabulary import (
    CLINICAL_STAFF,
    ActorKind,
    Channel,
    ContactState,
    MessageKind,
    TaskKind,
    TaskState,
)
from service.intake.texts.replies import GOOD_FOR, TextOutcome
from service.store import audit, outbox
from service.store.tables import Clinic, Contact, Staff, Task
from service.words import replies as words
from service.words.language import load_language

BY_TEXT = "text STOP"
BACK = "They texted START."


@dataclass(frozen=True)
class StaffSpeaker:
    """A member of staff at the number a message came from."""

    contact: Contact
    staff: Staff
    clinic: Clinic

    @property
    def actor(self) -> audit.Actor:
        return audit.Actor(ActorKind.STAFF, self.staff.id)

    @property
    def has_stopped(self) -> bool:
        return self.contact.state is ContactState.BROKEN and self.contact.broken_reason == BY_TEXT


def speakers(session: Session, address: str) -> list[StaffSpeaker]:
    """The members of staff who have this number (E.164)."""
    rows = session.execute(
        select(Contact, Staff, Clinic)
        .join(Staff, Staff.id == Contact.staff_id)
        .join(Clinic, Clinic.id == Contact.clinic_id)
        .where(Contact.channel == Channel.TEXT, Contact.address == address, Staff.active)
        .order_by(Contact.created_at, Contact.id)
    )
    return [StaffSpeaker(*row) for row in rows]


def take(
    session: Session, ref: str, those: Sequence[StaffSpeaker], word: Keyword | None, now: datetime
) -> tuple[TextOutcome, StaffSpeaker]:
    """Take in a message from a number that is staff's alone. Returns what became of it, and who is answered."""
    first = those[0]
    if word is Keyword.STOP:
        if ended := stop(session, ref, those, now):
            answer(session, ended[0], MessageKind.STOPPED, ref, now)
        return TextOutcome.STOPPED, first
    if word is Keyword.START:
        start(session, those, now)
        answer(session, first, MessageKind.STARTED, ref, now)
        return TextOutcome.STARTED, first
    if word is Keyword.HELP:
        answer(session, first, MessageKind.HELP, ref, now)
        return TextOutcome.HELPED, first
    if not first.has_stopped:
        line = words.line(load_language(first.clinic.language), words.NOTHING_ASKED)
        answer(session, first, MessageKind.REPLY, ref, now, line)
    return TextOutcome.PASSED, first


def stop(session: Session, ref: str, those: Sequence[StaffSpeaker], now: datetime) -> list[StaffSpeaker]:
    """Nothing more goes to these telephones. Returns those that were still told there.

    What is queued to them stays: at its last look it goes to the person's next contact.
    """
    ended = [one for one in those if not one.has_stopped]
    for one in ended:
        one.contact.state = ContactState.BROKEN
        one.contact.broken_reason = BY_TEXT
        session.flush()
        audit.write_line(
            session, one.actor, "contact.stop", ("contact", one.contact.id), now, clinic_id=one.clinic.id,
            detail={"staff": str(one.staff.id)},
        )  # fmt: skip
        raise_task(
            session, one.clinic.id, None, StaffStopped(one.contact.id, one.staff.name, _is_last(session, one)),
            f"{_key(one)}{ref}", now,
        )  # fmt: skip
    return ended


def start(session: Session, those: Sequence[StaffSpeaker], now: datetime) -> None:
    """Notices go to these telephones again, where STOP had ended them. One that broke stays broken."""
    for one in those:
        if not one.has_stopped:
            continue
        one.contact.state = ContactState.OK
        one.contact.broken_reason = None
        session.flush()
        audit.write_line(session, one.actor, "contact.start", ("contact", one.contact.id), now, clinic_id=one.clinic.id)
        told = select(Task.dedupe_key).where(
            Task.clinic_id == one.clinic.id,
            Task.state == TaskState.OPEN,
            Task.kind == TaskKind.BROKEN_CONTACT,
            Task.dedupe_key.startswith(_key(one), autoescape=True),
        )
        for key in session.scalars(told).all():
            close_task(session, key, BACK, now)


def answer(session: Session, to: StaffSpeaker, kind: MessageKind, ref: str, now: datetime, text: str = "") -> None:
    """Answer them. One answer of a kind for each message."""
    outbox.enqueue(
        session,
        outbox.NewMessage(
            clinic_id=to.clinic.id, contact_id=to.contact.id, kind=kind, channel=Channel.TEXT,
            dedupe_key=f"{kind.value}:{ref}", due_at=now, expires_at=now + GOOD_FOR, staff_id=to.staff.id,
            params={"text": text} if text else {},
        ),
        now,
    )  # fmt: skip


def _is_last(session: Session, one: StaffSpeaker) -> bool:
    """Whether nobody else at the clinic is told of open tasks by a message now."""
    others = session.scalar(
        select(func.count())
        .select_from(Contact)
        .join(Staff, Staff.id == Contact.staff_id)
        .where(
            Contact.clinic_id == one.clinic.id,
            Contact.state == ContactState.OK,
            Staff.active,
            Staff.role.in_(CLINICAL_STAFF),
        )
    )
    return not others


def _key(one: StaffSpeaker) -> str:
    return f"staff_stopped:{one.contact.id}:"
