"""A text message from a telephone of staff: STOP and START for the notices that go there, HELP, and nothing else.

Promises that STOP ends what goes to that telephone and to no other contact of theirs,
and that the clinic is told at once who is reached there no longer: an open task that
nobody hears of is how an emergency goes unseen. Never takes a task on somebody's behalf.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.care.tasks import close_task, raise_task
from service.domain.tasks import StaffStopped
from service.domain.texting.parsing import Keyword
from service.domain.vocabulary import (
    CLINICAL_STAFF,
    Channel,
    ContactState,
    MessageKind,
    TaskKind,
    TaskSettled,
    TaskState,
)
from service.intake.texts.replies import IncomingText, StaffSpeaker, TextOutcome, say, send
from service.store.tables import Clinic, Contact, Staff, Task
from service.words.replies import NOTHING_ASKED

BY_TEXT = "text STOP"


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


def take(text: IncomingText, members: Sequence[StaffSpeaker], word: Keyword | None) -> TextOutcome:
    """Take in a message from a number that is staff's alone; the first of them is answered."""
    first = members[0]
    if word is Keyword.STOP:
        if ended := stop(text, members):
            send(text, ended[0], MessageKind.STOPPED)
        return TextOutcome.STOPPED
    if word is Keyword.START:
        start(text, members)
        send(text, first, MessageKind.STARTED)
        return TextOutcome.STARTED
    if word is Keyword.HELP:
        send(text, first, MessageKind.HELP)
        return TextOutcome.HELPED
    if not _has_stopped(first):
        say(text, first, NOTHING_ASKED)
    return TextOutcome.PASSED


def stop(text: IncomingText, members: Sequence[StaffSpeaker]) -> list[StaffSpeaker]:
    """Nothing more goes to these telephones. Returns those to which notices still went.

    What is queued to them stays: at its last look it goes to the person's next contact.
    """
    ended = [member for member in members if not _has_stopped(member)]
    for member in ended:
        member.contact.state = ContactState.BROKEN
        member.contact.broken_reason = BY_TEXT
        text.session.flush()
        text.act_of(member).note("contact.stop", member.contact, staff=member.staff.id)
        raise_task(
            text.session,
            member.clinic.id,
            None,
            StaffStopped(member.contact.id, member.staff.name, _is_last(text.session, member)),
            f"{_key(member)}{text.ref}",
            text.now,
        )
    return ended


def start(text: IncomingText, members: Sequence[StaffSpeaker]) -> None:
    """Notices go to these telephones again, where STOP had ended them. One that broke stays broken."""
    for member in members:
        if not _has_stopped(member):
            continue
        member.contact.state = ContactState.OK
        member.contact.broken_reason = None
        text.session.flush()
        text.act_of(member).note("contact.start", member.contact)
        raised = select(Task.dedupe_key).where(
            Task.clinic_id == member.clinic.id,
            Task.state == TaskState.OPEN,
            Task.kind == TaskKind.BROKEN_CONTACT,
            Task.dedupe_key.startswith(_key(member), autoescape=True),
        )
        for key in text.session.scalars(raised).all():
            close_task(text.session, key, TaskSettled.TEXTED_START, text.now)


def _has_stopped(member: StaffSpeaker) -> bool:
    return member.contact.state is ContactState.BROKEN and member.contact.broken_reason == BY_TEXT


def _is_last(session: Session, member: StaffSpeaker) -> bool:
    """Whether nobody else at the clinic is told of open tasks by a message now."""
    others = session.scalar(
        select(func.count())
        .select_from(Contact)
        .join(Staff, Staff.id == Contact.staff_id)
        .where(
            Contact.clinic_id == member.clinic.id,
            Contact.state == ContactState.OK,
            Staff.active,
            Staff.role.in_(CLINICAL_STAFF),
        )
    )
    return not others


def _key(member: StaffSpeaker) -> str:
    return f"staff_stopped:{member.contact.id}:"
