"""The audit trail: one line for every act on a record, written in the act's own transaction."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.domain.vocabulary import ActorKind
from service.store.bulk import insert_row, insert_rows
from service.store.session import Where
from service.store.tables import AuditLine


@dataclass(frozen=True)
class Actor:
    """Who is acting: a kind and, where there is a record of them, its id."""

    kind: ActorKind
    id: uuid.UUID | None = None

    def __str__(self) -> str:
        return f"{self.kind.value}:{self.id}" if self.id else self.kind.value


SYSTEM = Actor(ActorKind.SYSTEM)
OPERATOR = Actor(ActorKind.OPERATOR)


def write_line(
    where: Where,
    actor: Actor,
    action: str,
    subject: tuple[str, uuid.UUID | None],
    now: datetime,
    *,
    clinic_id: uuid.UUID | None,
    detail: Mapping[str, Any] | None = None,
) -> None:
    """Note that `actor` did `action` ("reading.record") to `subject` ("reading", id) at `now`.

    `detail` holds ids, field names and counts; never a clinical value or a name.
    A wording's holds the text it replaced, which is the clinic's and nobody's own.
    """
    insert_row(
        where,
        AuditLine.__table__,
        {
            "id": uuid.uuid4(),
            "clinic_id": clinic_id,
            "at": now,
            "actor_kind": actor.kind,
            "actor_id": actor.id,
            "action": action,
            "subject_kind": subject[0],
            "subject_id": subject[1],
            "detail": dict(detail or {}),
        },
    )


def write_lines(
    where: Where,
    actor: Actor,
    action: str,
    subjects: Iterable[tuple[str, uuid.UUID, Mapping[str, Any]]],
    now: datetime,
    *,
    clinic_id: uuid.UUID,
) -> None:
    """One line for each (kind, id, detail) of a batch, in one statement."""
    lines = [
        {
            "id": uuid.uuid4(),
            "clinic_id": clinic_id,
            "at": now,
            "actor_kind": actor.kind,
            "actor_id": actor.id,
            "action": action,
            "subject_kind": kind,
            "subject_id": subject_id,
            "detail": dict(detail),
        }
        for kind, subject_id, detail in subjects
    ]
    insert_rows(where, AuditLine.__table__, lines)
