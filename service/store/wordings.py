"""Clinics' own wordings as they are kept, and the messages that wait for one to be mended.

Promises that what failed for want of a usable wording, and whose time is not over, is
queued again in the transaction that mends it; delivery rechecks it like any other.
Does not judge a wording.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection
from datetime import datetime

from sqlalchemy import case, func, select, update
from sqlalchemy.orm import Session

from service.domain.vocabulary import MessageKind, MessageState, TaskState
from service.store import outbox
from service.store.tables import Caregiver, Clinic, Message, MessageTemplate, Patient, Task

UNWORDED = "unworded"  # why a message failed that could not be written out
Own = dict[tuple[uuid.UUID, str, MessageKind], MessageTemplate]


def own(session: Session, clinic_ids: Collection[uuid.UUID]) -> Own:
    """The wordings these clinics have set, by clinic, language and kind. One query."""
    rows = session.scalars(select(MessageTemplate).where(MessageTemplate.clinic_id.in_(clinic_ids)))
    return {(row.clinic_id, row.language, row.kind): row for row in rows}


def occasion(clinic_id: uuid.UUID, language: str, kind: MessageKind) -> str:
    """What the keys of the tasks about one wording begin with."""
    return f"{UNWORDED}:{clinic_id}:{language}:{kind.value}:"


def mended(session: Session, clinic_id: uuid.UUID, language: str, kind: MessageKind, now: datetime) -> int:
    """The wording is another one now. Returns how many messages that waited for it are queued again.

    Tasks about it that nobody has taken are closed; whoever took one closes it.
    """
    spoken = case(
        (Message.staff_id.is_not(None), Clinic.language),
        else_=func.coalesce(Caregiver.language, Patient.language, Clinic.language),
    )
    waiting = (
        select(Message.id)
        .join(Clinic, Clinic.id == Message.clinic_id)
        .outerjoin(Patient, Patient.id == Message.patient_id)
        .outerjoin(Caregiver, Caregiver.id == Message.caregiver_id)
        .where(
            Message.clinic_id == clinic_id,
            Message.kind == kind,
            Message.state == MessageState.FAILED,
            Message.reason == UNWORDED,
            Message.expires_at > now,
            spoken == language,
        )
    )
    again = session.scalars(
        update(Message)
        .where(Message.id.in_(waiting), Message.state == MessageState.FAILED)
        .values(state=MessageState.QUEUED, reason="wording_mended", next_try_at=now, settled_at=None)
        .returning(Message.id)
        .execution_options(synchronize_session=False)
    ).all()
    outbox.note_events(session, [(message_id, "queued_again", "wording_mended") for message_id in again], now)
    session.execute(
        update(Task)
        .where(
            Task.clinic_id == clinic_id,
            Task.dedupe_key.startswith(occasion(clinic_id, language, kind), autoescape=True),
            Task.state == TaskState.OPEN,
        )
        .values(state=TaskState.CLOSED, closed_at=now, close_reason="The wording was changed.", escalates_at=None)
        .execution_options(synchronize_session=False)
    )
    return len(again)
