"""What delivery must know of a batch of messages at the last moment, in a fixed number of queries."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from service.care import contacts
from service.domain.localtime import zone
from service.domain.plan import WindowFacts
from service.domain.sending import CANNOT_WAIT, INVITATION, NEEDS_NO_CONSENT, TO_STAFF, LastLook
from service.domain.vocabulary import (
    Channel,
    ContactState,
    InvitationState,
    MessageKind,
    MessageState,
    PatientState,
    TaskState,
    WindowState,
)
from service.store import wordings
from service.store.tables import (
    Caregiver,
    CaregiverReply,
    Clinic,
    Contact,
    Invitation,
    Message,
    Patient,
    Staff,
    Task,
    Window,
)

FIRST = aliased(Message)  # the one in which a contact was told who writes
BEGUN_BY_US = frozenset({
    MessageKind.PROMPT, MessageKind.REMINDER, MessageKind.NUDGE, MessageKind.FROM_CLINIC, MessageKind.TEST,
})  # fmt: skip
NEVER_CAME = frozenset({MessageState.FAILED, MessageState.EXPIRED, MessageState.CANCELLED})


@dataclass(frozen=True)
class MessageFacts:
    """One message with all that is needed to judge, word and address it."""

    id: uuid.UUID
    clinic_id: uuid.UUID
    kind: MessageKind
    channel: Channel
    contact_id: uuid.UUID
    patient_id: uuid.UUID | None
    caregiver_id: uuid.UUID | None
    staff_id: uuid.UUID | None
    window_id: uuid.UUID | None
    attempts: int
    worded_before: bool  # then it says the same again: one key at the provider is one body
    said: str | None  # what is, or was, handed over under that key, as a digest
    greets_at: datetime | None
    expires_at: datetime
    params: Mapping[str, Any]
    address: str
    line: str
    secret: Mapping[str, Any]
    language: str
    sender: str
    emergency_number: str
    contact_line: str
    own_wording: str | None
    introduces: bool  # the first message that reaches this contact: it says who writes
    last_look: LastLook


@dataclass
class Loaded:
    """Facts by message, and the messages whose rows could not be understood."""

    facts: list[MessageFacts] = field(default_factory=list)
    failed: list[tuple[uuid.UUID, Exception]] = field(default_factory=list)


@dataclass(frozen=True)
class _Shared:
    """What many messages have in common."""

    patients_agreed: Collection[uuid.UUID]
    caregivers_agreed: Collection[uuid.UUID]
    in_doubt: Mapping[uuid.UUID, uuid.UUID]
    acknowledged: Collection[tuple[uuid.UUID | None, uuid.UUID | None]]
    open_tasks: Collection[uuid.UUID]
    invited: Mapping[str, str]  # invitations that can be answered, by id, with the language of each
    wordings: Mapping[tuple[uuid.UUID, str, MessageKind], str]


def load(session: Session, message_ids: Collection[uuid.UUID]) -> Loaded:
    """Everything about these messages. The number of queries does not depend on how many."""
    rows = session.execute(
        select(Message, Contact, Clinic, Patient, Caregiver, Staff, Window, FIRST.state)
        .join(Contact, Contact.id == Message.contact_id)
        .join(Clinic, Clinic.id == Message.clinic_id)
        .outerjoin(Patient, Patient.id == Message.patient_id)
        .outerjoin(Caregiver, Caregiver.id == Message.caregiver_id)
        .outerjoin(Staff, Staff.id == Message.staff_id)
        .outerjoin(Window, Window.id == Message.window_id)
        .outerjoin(FIRST, FIRST.id == Contact.introduced_by)
        .where(Message.id.in_(message_ids))
        .order_by(Message.next_try_at, Message.id)
        .execution_options(populate_existing=True)
    ).all()
    shared = _shared(session, [row.Message for row in rows])
    loaded = Loaded()
    for row in rows:
        try:
            loaded.facts.append(_facts(shared, *row))
        except Exception as error:
            loaded.failed.append((row.Message.id, error))
    return loaded


def _facts(
    shared: _Shared,
    message: Message,
    contact: Contact,
    clinic: Clinic,
    patient: Patient | None,
    caregiver: Caregiver | None,
    staff: Staff | None,
    window: Window | None,
    first_state: MessageState | None,
) -> MessageFacts:
    person = (caregiver or patient) if message.staff_id is None else None
    language, where = (person.language, person.zone) if person is not None else (_of_staff(staff, clinic), clinic.zone)
    invited = shared.invited.get(message.params.get(INVITATION, ""))
    return MessageFacts(
        id=message.id,
        clinic_id=message.clinic_id,
        kind=message.kind,
        channel=message.channel,
        contact_id=message.contact_id,
        patient_id=message.patient_id,
        caregiver_id=message.caregiver_id,
        staff_id=message.staff_id,
        window_id=message.window_id,
        attempts=message.attempts,
        worded_before=message.turns > 1,
        said=message.said,
        greets_at=message.greets_at,
        expires_at=message.expires_at,
        params=message.params,
        address=contact.address,
        line=clinic.text_line or "",
        secret=contact.secret or {},
        language=invited or language,
        sender=clinic.sender_name,
        emergency_number=clinic.emergency_number,
        contact_line=clinic.contact_line,
        own_wording=_own_wording(shared, message, language),
        introduces=message.kind in BEGUN_BY_US
        and contact.channel is not Channel.WEBPUSH  # set up by a button, on a page that says it all
        and (contact.introduced_by in {None, message.id} or first_state in NEVER_CAME),
        last_look=LastLook(
            kind=message.kind,
            expires_at=message.expires_at,
            zone=zone(where),
            quiet_from=clinic.quiet_from,
            quiet_until=clinic.quiet_until,
            is_looked_after=patient is None or patient.state is PatientState.ACTIVE,
            agreed=message.kind in TO_STAFF or message.staff_id is not None or _agreed(shared, message),
            doubted=shared.in_doubt.get(person.id) if person is not None else None,
            # Who has just written from an address is answered there, also when it is marked as stopped or broken.
            contact_works=contact.state is ContactState.OK or message.kind in NEEDS_NO_CONSENT,
            account_open=staff is None or staff.active,
            task_is_open=message.task_id is None or message.task_id in shared.open_tasks,
            cannot_wait=message.kind is MessageKind.STAFF_TASK and bool(message.params.get(CANNOT_WAIT)),
            acknowledged=(message.window_id, message.caregiver_id) in shared.acknowledged,
            window=_window(window),
            window_zone=None if window is None else zone(window.zone),
        ),
    )


def _agreed(shared: _Shared, message: Message) -> bool:
    """Whether its person agreed: who is only invited, to this one message, by word to staff or a button on its page."""
    if INVITATION in message.params:
        return message.params[INVITATION] in shared.invited
    who_agreed = shared.patients_agreed if message.caregiver_id is None else shared.caregivers_agreed
    return (message.caregiver_id or message.patient_id) in who_agreed


def _of_staff(staff: Staff | None, clinic: Clinic) -> str:
    """The language a colleague chose, or the clinic's."""
    return (staff and staff.language) or clinic.language


def _own_wording(shared: _Shared, message: Message, language: str) -> str | None:
    if "sender" in message.params:
        return None  # it is nobody's of the clinic, whose name may not stand under it
    return shared.wordings.get((message.clinic_id, language, message.kind))


def _window(window: Window | None) -> WindowFacts | None:
    if window is None:
        return None
    return WindowFacts(
        wants_reading=window.wants_reading,
        wants_checkin=window.wants_checkin,
        reading_at=window.reading_at,
        checkin_at=window.checkin_at,
        paused=window.state is WindowState.EXCUSED,
    )


def _shared(session: Session, messages: Sequence[Message]) -> _Shared:
    patient_ids = {message.patient_id for message in messages if message.patient_id is not None}
    nudged = any(message.caregiver_id is not None for message in messages)
    return _Shared(
        contacts.patients_who_agreed(session, patient_ids) if patient_ids else (),
        contacts.caregivers_who_agreed(session, patient_ids) if nudged else (),
        contacts.in_doubt(session, patient_ids) if patient_ids else {},
        _acknowledged(
            session, {m.window_id for m in messages if m.caregiver_id is not None and m.window_id is not None}
        ),
        _open_tasks(session, {message.task_id for message in messages if message.task_id is not None}),
        _invited(session, {str(message.params[INVITATION]) for message in messages if INVITATION in message.params}),
        {
            which: row.body
            for which, row in wordings.own_wordings(session, {message.clinic_id for message in messages}).items()
            if row.body is not None
        },
    )


def _acknowledged(
    session: Session, window_ids: Collection[uuid.UUID]
) -> set[tuple[uuid.UUID | None, uuid.UUID | None]]:
    """(window, caregiver) pairs that were answered: by this caregiver, or by another of the same patient."""
    if not window_ids:
        return set()
    rows = session.execute(
        select(CaregiverReply.window_id, Caregiver.id)
        .join(Caregiver, Caregiver.patient_id == CaregiverReply.patient_id)
        .where(CaregiverReply.window_id.in_(window_ids))
    )
    return {(window_id, caregiver_id) for window_id, caregiver_id in rows}


def _invited(session: Session, ids: Collection[str]) -> Mapping[str, str]:
    """Of these invitations, those that can be answered: id → language."""
    if not ids:
        return {}
    is_open = (Invitation.id.in_([uuid.UUID(one) for one in ids]), Invitation.state == InvitationState.OPEN)
    rows = session.execute(select(Invitation.id, Invitation.language).where(*is_open))
    return {str(invitation_id): language for invitation_id, language in rows}


def _open_tasks(session: Session, task_ids: Collection[uuid.UUID]) -> set[uuid.UUID]:
    """Of these tasks, those that nobody has taken."""
    if not task_ids:
        return set()
    return set(session.scalars(select(Task.id).where(Task.id.in_(task_ids), Task.state == TaskState.OPEN)))
