"""What a clinic's messages say in its own words, by kind and language.

Promises that a wording which could not be sent is never kept, that the text it
replaces stays in the audit trail, and that messages which waited for a usable wording
go out. A message is worded when it is handed over: what is queued already says what
the wording says then.

A wording is checked when it is written and again when it is used: a rule that comes later, or
a hand in the database, must not put a text on a telephone that nobody would have let through.
Refused: an unknown placeholder, a missing one that the reader needs, a sign that nobody sees, more
than three segments. Taken, with a doubt that says why: what only a person can judge, such as a word
that may tell a stranger too much (our own lists, no source). After STOP a way back is kept: somebody
who stopped messages by mistake has nothing else to go by.

Where a kept wording cannot be used all the same, answers to somebody who wrote and messages to staff
go out in the built-in one: a prompt may wait an hour for better words, a person who faints may not.
Prompts, reminders and nudges wait as failed, `unworded`, and staff get one task a day. Machines
set no wordings: a person answers for each.
"""

from __future__ import annotations

import unicodedata
import uuid
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from service.care.tasks import close_tasks
from service.domain.validation import Refused
from service.domain.vocabulary import MessageKind, MessageState, TaskSettled
from service.store import outbox
from service.store.audit import Act
from service.store.tables import Caregiver, Clinic, Message, MessageTemplate, Patient, Staff, Task
from service.store.types import begins
from service.store.wordings import UNWORDED, own_wordings, unworded_key
from service.words import preview as previews
from service.words.language import FALLBACK, Language, checked_language, codes, load_language
from service.words.messages import checked_wording
from service.words.preview import Preview, Signs

ENGLISH = load_language(FALLBACK)
KINDS = {kind.value: kind for kind in MessageKind}


@dataclass(frozen=True)
class SampleLinks:
    """A link as each is made here, that leads nowhere: to a patient, to a caregiver, to staff."""

    patient: str
    caregiver: str
    staff: str


@dataclass(frozen=True)
class Wording:
    """What one kind says in one language: the clinic's own words or the built-in ones, and how they arrive."""

    language: str
    kind: MessageKind
    body: str
    own: bool
    built_in: str
    set_by: str | None
    set_at: datetime | None
    preview: Preview | None  # None: an own wording that cannot be filled in


def list_wordings(
    session: Session,
    clinic: Clinic,
    links: SampleLinks,
    reader: Language = ENGLISH,
    only: Collection[uuid.UUID] | None = None,
) -> list[Wording]:
    """Every kind in every language that patients may have, with doubts in the reader's own. One query.

    With `only`, those of these rows: what the clinic has set, or taken back.
    """
    own = own_wordings(session, [clinic.id])
    return [
        _wording(clinic, language, kind, row, links, reader)
        for language in codes()
        for kind in MessageKind
        for row in [own.get((clinic.id, language, kind))]
        if only is None or (row is not None and row.id in only)
    ]


def find_wording(
    session: Session, clinic: Clinic, language: str, kind: str, links: SampleLinks, reader: Language = ENGLISH
) -> Wording:
    """One of them. Raises Refused for a language or kind that there is not."""
    checked, message_kind = _checked(language, kind)
    row = own_wordings(session, [clinic.id]).get((clinic.id, checked, message_kind))
    return _wording(clinic, checked, message_kind, row, links, reader)


def preview_wording(
    clinic: Clinic, language: str, kind: str, body: str | None, links: SampleLinks, reader: Language = ENGLISH
) -> Preview:
    """How `body`, or the built-in wording (None), would arrive. Raises Refused. Writes nothing."""
    checked, message_kind = _checked(language, kind)
    normal = None if body is None else checked_wording(_normal(body), message_kind)
    return previews.preview(normal, message_kind, load_language(checked), signs_of(clinic, links), reader)


def set_wording(act: Act, language: str, kind: str, body: str) -> int:
    """The clinic's own words from now on. Returns how many messages had waited for them. Raises Refused."""
    checked, message_kind = _checked(language, kind)
    normal = checked_wording(_normal(body), message_kind)
    row = _locked(act, checked, message_kind)
    if row is None or row.body != normal:
        previous = None if row is None else row.body
        if row is None:
            row = MessageTemplate(clinic_id=act.clinic_id, language=checked, kind=message_kind)
            act.session.add(row)
        row.body, row.set_by, row.set_at = normal, str(act.actor), act.now
        act.session.flush()
        act.note("wording.set", ("wording", row.id), language=checked, kind=kind, previous=previous)
    return _send_what_waited(act, checked, message_kind)


def reset_wording(act: Act, language: str, kind: str) -> int:
    """Back to the built-in words. Returns how many messages had waited for that. Raises Refused."""
    checked, message_kind = _checked(language, kind)
    row = _locked(act, checked, message_kind)
    if row is None or row.body is None:
        return 0
    previous, row.body = row.body, None
    row.set_by, row.set_at = str(act.actor), act.now
    act.session.flush()
    act.note("wording.reset", ("wording", row.id), language=checked, kind=kind, previous=previous)
    return _send_what_waited(act, checked, message_kind)


def _locked(act: Act, language: str, kind: MessageKind) -> MessageTemplate | None:
    # The clinic's row is locked: of two changes at once, the second one's audit line holds what the first one wrote.
    act.session.execute(select(Clinic.id).where(Clinic.id == act.clinic_id).with_for_update())
    return act.session.scalar(
        select(MessageTemplate)
        .where(
            MessageTemplate.clinic_id == act.clinic_id,
            MessageTemplate.language == language,
            MessageTemplate.kind == kind,
        )
        .execution_options(populate_existing=True)
    )


def _send_what_waited(act: Act, language: str, kind: MessageKind) -> int:
    """The wording is another one now. Returns how many messages that waited for it are queued again.

    Those whose time is not over; delivery rechecks them like any other. Tasks about the wording
    that nobody has taken are closed; whoever took one closes it.
    """
    session, now = act.session, act.now
    read_in = case(
        (Message.staff_id.is_not(None), func.coalesce(Staff.language, Clinic.language)),
        else_=func.coalesce(Caregiver.language, Patient.language, Clinic.language),
    )
    waiting = (
        select(Message.id)
        .join(Clinic, Clinic.id == Message.clinic_id)
        .outerjoin(Patient, Patient.id == Message.patient_id)
        .outerjoin(Caregiver, Caregiver.id == Message.caregiver_id)
        .outerjoin(Staff, Staff.id == Message.staff_id)
        .where(
            Message.clinic_id == act.clinic_id,
            Message.kind == kind,
            Message.state == MessageState.FAILED,
            Message.reason == UNWORDED,
            Message.expires_at > now,
            read_in == language,
        )
    )
    mended = Message.id.in_(waiting) & (Message.state == MessageState.FAILED)
    again = outbox.queue_again(session, mended, "wording_mended", now)
    about = begins(Task.dedupe_key, unworded_key(act.clinic_id, language, kind))
    close_tasks(session, (Task.clinic_id == act.clinic_id) & about, TaskSettled.WORDING_CHANGED, now)
    return len(again)


def _wording(
    clinic: Clinic, language: str, kind: MessageKind, row: MessageTemplate | None, links: SampleLinks, reader: Language
) -> Wording:
    built_in = previews.built_in(kind, load_language(language))
    if row is not None and row.body is None:
        row = None
    body = None if row is None else row.body
    try:
        shown = previews.preview(body, kind, load_language(language), signs_of(clinic, links), reader)
    except Refused:  # written before a rule that it breaks, or past the service
        shown = None
    return Wording(
        language,
        kind,
        body if body is not None else built_in,
        row is not None,
        built_in,
        None if row is None else row.set_by,
        None if row is None else row.set_at,
        shown,
    )


def signs_of(clinic: Clinic, links: SampleLinks) -> Signs:
    """What the clinic's messages carry, with links that lead nowhere."""
    return Signs(
        clinic.sender_name, clinic.emergency_number, clinic.contact_line, links.patient, links.caregiver, links.staff
    )


def _checked(language: str, kind: str) -> tuple[str, MessageKind]:
    if kind not in KINDS:
        raise Refused("kind", kind, "one of %(words)s", words=tuple(KINDS))
    return checked_language("language", language), KINDS[kind]


def _normal(body: str) -> str:
    """Without space at its ends, with one kind of line end, and accents composed: e and ´ apart would cost UCS-2."""
    return unicodedata.normalize("NFC", body.replace("\r\n", "\n").replace("\r", "\n").strip())
