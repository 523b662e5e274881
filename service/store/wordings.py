"""Clinics' own wordings as they are stored, those for messages by hand, and what names one that could not be used."""

from __future__ import annotations

import uuid
from collections.abc import Collection

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.vocabulary import MessageKind
from service.store.tables import MessageTemplate, Phrase

UNWORDED = "unworded"  # why a message failed that could not be written out
OwnWordings = dict[tuple[uuid.UUID, str, MessageKind], MessageTemplate]


def own_wordings(session: Session, clinic_ids: Collection[uuid.UUID]) -> OwnWordings:
    """The wordings these clinics have set, or taken back (without a body), by clinic, language and kind. One query."""
    rows = session.scalars(select(MessageTemplate).where(MessageTemplate.clinic_id.in_(clinic_ids)))
    return {(row.clinic_id, row.language, row.kind): row for row in rows}


def phrases(session: Session, clinic_id: uuid.UUID) -> list[Phrase]:
    """What staff of the clinic can send by hand, in their order. One query."""
    theirs = select(Phrase).where(Phrase.clinic_id == clinic_id)
    return list(session.scalars(theirs.order_by(Phrase.place, Phrase.id)))


def unworded_key(clinic_id: uuid.UUID, language: str, kind: MessageKind) -> str:
    """What the keys of the tasks about one wording begin with."""
    return f"{UNWORDED}:{clinic_id}:{language}:{kind.value}:"
