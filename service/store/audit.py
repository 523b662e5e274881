"""The audit trail: one line for every act on a record, written in the act's own transaction."""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from enum import Enum
from typing import Any, Protocol

from sqlalchemy.orm import Session

from service.domain.vocabulary import ActorKind
from service.store.identity import new_id
from service.store.session import AT_TERMINAL, Where, rows
from service.store.tables import AuditLine, Base, Caregiver, Patient, Staff
from service.store.upsert import insert_rows

# A subject of an audit line: a row, or its kind and id.
Subject = Base | tuple[str, uuid.UUID | None]


@dataclass(frozen=True)
class Actor:
    """Who is acting: a kind and, where there is a record of them, its id."""

    kind: ActorKind
    id: uuid.UUID | None = None

    def __str__(self) -> str:
        return f"{self.kind.value}:{self.id}" if self.id else self.kind.value


class OfClinic(Protocol):
    """A row that belongs to a clinic."""

    clinic_id: uuid.UUID


_KINDS = {Patient: ActorKind.PATIENT, Caregiver: ActorKind.CAREGIVER, Staff: ActorKind.STAFF}
SYSTEM = Actor(ActorKind.SYSTEM)
OPERATOR = Actor(ActorKind.OPERATOR)


@dataclass(frozen=True, slots=True)
class Act:
    """One act on the record: the transaction it is part of, who does it, in which clinic, and when.

    Use cases take it in place of these four, so that a change and its audit line
    cannot be of two people or two moments.
    """

    where: Where
    actor: Actor
    clinic_id: uuid.UUID
    now: datetime

    @property
    def session(self) -> Session:
        """The transaction as a session. Raises TypeError for one that was begun for statements alone."""
        if not isinstance(self.where, Session):
            raise TypeError("this act's transaction was begun without a session: use `where`")
        return self.where

    def add(self, row: OfClinic) -> None:
        """Write a new row of this clinic, which has its id from then on."""
        row.clinic_id = self.clinic_id
        self.session.add(row)
        self.session.flush()

    def note(self, action: str, subject: Subject, /, **detail: object) -> None:
        """Write the audit line: `act.note("pause.end", pause, was=…, now=…)`.

        `subject` is the row acted on, or its kind and id. `detail` holds ids, field
        names, counts and dates, each as plain text or number; never a clinical value or a name.
        A wording's holds the text it replaced, which is the clinic's and nobody's own.
        """
        self.note_each(action, [(*_subject(subject), {name: _plain(value) for name, value in detail.items()})])

    def note_each(self, action: str, subjects: Iterable[tuple[str, uuid.UUID | None, Mapping[str, Any]]]) -> None:
        """One line for each (kind, id, detail) of a batch, in one statement."""
        _write_lines(self.where, self.actor, self.clinic_id, self.now, action, subjects)


def actor_of(person: Patient | Caregiver | Staff) -> Actor:
    """A person as one who acts."""
    return Actor(_KINDS[type(person)], person.id)


def act_of(where: Where, person: Patient | Caregiver | Staff, now: datetime) -> Act:
    """What a person does themselves, at their own clinic."""
    return Act(where, actor_of(person), person.clinic_id, now)


def note_outside_clinics(
    where: Where, actor: Actor, action: str, subject: tuple[str, uuid.UUID], now: datetime
) -> None:
    """Write the line of an act on what belongs to no clinic: a row in quarantine."""
    _write_lines(where, actor, None, now, action, [(*subject, {})])


def _write_lines(
    where: Where,
    actor: Actor,
    clinic_id: uuid.UUID | None,
    now: datetime,
    action: str,
    subjects: Iterable[tuple[str, uuid.UUID | None, Mapping[str, Any]]],
) -> None:
    typed_by = _typed_by(where)
    lines = [
        {
            "id": new_id(),
            "clinic_id": clinic_id,
            "at": now,
            "actor_kind": actor.kind,
            "actor_id": actor.id,
            "action": action,
            "subject_kind": kind,
            "subject_id": subject_id,
            "detail": {**detail, **typed_by},
            "patient_id": _about(kind, subject_id, detail),
        }
        for kind, subject_id, detail in subjects
    ]
    insert_rows(where, AuditLine.__table__, lines)


def _about(kind: str, subject_id: uuid.UUID | None, detail: Mapping[str, Any]) -> uuid.UUID | None:
    """The patient that a line is or names."""
    named = detail.get("patient")
    return subject_id if kind == "patient" else None if named is None else uuid.UUID(str(named))


def _typed_by(where: Where) -> dict[str, str]:
    """The system user, in a transaction that was begun at a terminal (see `session.AT_TERMINAL`)."""
    login: str | None = rows(where).get_execution_options().get(AT_TERMINAL)
    return {} if login is None else {"login": login}


def _subject(subject: Subject) -> tuple[str, uuid.UUID | None]:
    if isinstance(subject, tuple):
        return subject
    words = re.findall("[A-Z][a-z]*", type(subject).__name__)
    return "_".join(words).lower(), subject.id


def _plain(value: object) -> object:
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, date):  # a datetime is one too
        return value.isoformat()
    return str(value) if isinstance(value, uuid.UUID) else value
