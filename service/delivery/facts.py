"""What delivery must know of a batch of messages at the last moment, in a fixed number of queries."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from service.domain.localtime import zone
from service.domain.sending import TO_STAFF, LastLook
from service.domain.windows import WindowFacts
from service.domain.words import Channel, ContactState, MessageKind, PatientState, WindowState
from service.store import contacts
from service.store.tables import (
    Caregiver,
    CaregiverReply,
    Clinic,
    Contact,
    Message,
    MessageTemplate,
    Patient,
    Staff,
    Window,
)


@dataclass(frozen=True)
class MessageFacts:
    """One claimed message with all that is needed to judge, word and address it."""

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
    expires_at: datetime
    params: Mapping[str, Any]
    address: str
    secret: Mapping[str, Any]
    language: str
    sender: str
    emergency_number: str
    contact_line: str
    own_wording: str | None
    last_look: LastLook


def load(session: Session, token: uuid.UUID) -> list[MessageFacts]:
    """Everything claimed under `token`. The number of queries does not depend on how many."""
    return _load(session, Message.claim_token == token)


def load_one(session: Session, message_id: uuid.UUID) -> list[MessageFacts]:
    """One message, claimed or not."""
    return _load(session, Message.id == message_id)


def _load(session: Session, which: ColumnElement[bool]) -> list[MessageFacts]:
    rows = session.execute(
        select(Message, Contact, Clinic, Patient, Caregiver, Staff, Window)
        .join(Contact, Contact.id == Message.contact_id)
        .join(Clinic, Clinic.id == Message.clinic_id)
        .outerjoin(Patient, Patient.id == Message.patient_id)
        .outerjoin(Caregiver, Caregiver.id == Message.caregiver_id)
        .outerjoin(Staff, Staff.id == Message.staff_id)
        .outerjoin(Window, Window.id == Message.window_id)
        .where(which)
        .order_by(Message.next_try_at, Message.id)
        .execution_options(populate_existing=True)
    ).all()
    patient_ids = {message.patient_id for message, *_ in rows if message.patient_id is not None}
    agreed = contacts.patients_who_agreed(session, patient_ids) if patient_ids else set()
    carers = contacts.caregivers_who_agreed(session, patient_ids) if patient_ids else set()
    said = _acknowledged(session, [message.window_id for message, *_ in rows if message.caregiver_id is not None])
    wordings = _wordings(session, {message.clinic_id for message, *_ in rows})
    found = []
    for message, contact, clinic, patient, caregiver, staff, window in rows:
        person = caregiver or patient
        language = person.language if person is not None and message.staff_id is None else clinic.language
        where = person.zone if person is not None and message.staff_id is None else clinic.zone
        consents = message.caregiver_id in carers if message.caregiver_id else message.patient_id in agreed
        found.append(
            MessageFacts(
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
                expires_at=message.expires_at,
                params=message.params,
                address=contact.address,
                secret=contact.secret or {},
                language=language,
                sender=clinic.sender_name,
                emergency_number=clinic.emergency_number,
                contact_line=clinic.contact_line,
                own_wording=wordings.get((message.clinic_id, language, message.kind)),
                last_look=LastLook(
                    kind=message.kind,
                    expires_at=message.expires_at,
                    zone=zone(where),
                    quiet_from=clinic.quiet_from,
                    quiet_until=clinic.quiet_until,
                    is_looked_after=patient is None or patient.state is PatientState.ACTIVE,
                    agreed=message.kind in TO_STAFF or consents,
                    contact_works=contact.state is ContactState.OK,
                    account_open=staff is None or staff.active,
                    acknowledged=(message.window_id, message.caregiver_id) in said,
                    window=_window(window),
                ),
            )
        )
    return found


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


def _acknowledged(
    session: Session, window_ids: Sequence[uuid.UUID | None]
) -> set[tuple[uuid.UUID | None, uuid.UUID | None]]:
    """(window, caregiver) pairs that were answered: by this caregiver, or by another of the same patient."""
    if not window_ids:
        return set()
    rows = session.execute(
        select(CaregiverReply.window_id, Caregiver.id)
        .join(Caregiver, Caregiver.patient_id == CaregiverReply.patient_id)
        .where(CaregiverReply.window_id.in_([window_id for window_id in window_ids if window_id]))
    )
    return {(window_id, caregiver_id) for window_id, caregiver_id in rows}


def _wordings(session: Session, clinic_ids: set[uuid.UUID]) -> dict[tuple[uuid.UUID, str, MessageKind], str]:
    rows = session.scalars(select(MessageTemplate).where(MessageTemplate.clinic_id.in_(clinic_ids)))
    return {(row.clinic_id, row.language, row.kind): row.body for row in rows}
