"""Events of a file: each by the use case that records one alone.

Promises that a death comes in by no file, since it ends care at once, and that an event which is on record already is
passed over; where another is there for its first date, the row is refused.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.domain.rows import NewEvent
from service.domain.validation import Refused
from service.domain.vocabulary import EventKind, IntakeOutcome, Source
from service.filing import imports
from service.intake.patients import find_patients, refuse_patient
from service.recording.events import record_event
from service.store.audit import Act, Actor
from service.store.guarded import guarded, set_aside
from service.store.tables import EventRow, Patient

Outcomes = list[IntakeOutcome | Refused]


def record_events(
    engine: Engine,
    clinic_id: uuid.UUID,
    new: Sequence[NewEvent],
    actor: Actor,
    now: datetime,
    ids: Sequence[uuid.UUID] | None = None,
) -> Outcomes:
    """Take in a batch, and say of each event what became of it, in the order given. `ids` as for readings."""

    def take(session: Session, at: int) -> tuple[int, IntakeOutcome | Refused]:
        return at, _taken(Act(session, actor, clinic_id, now), new[at], ids[at] if ids else None)

    outcome = guarded(
        engine,
        range(len(new)),
        kind="new_event",
        whole=lambda session: [take(session, at) for at in range(len(new))],
        alone=lambda session, at: [take(session, at)],
    )
    said = dict(pair for part in outcome.done for pair in part)
    for at, error in outcome.failed:
        said[at] = set_aside(engine, "event", error, now)
    return [said[at] for at in range(len(new))]


def try_events(engine: Engine, clinic_id: uuid.UUID, new: Sequence[NewEvent], actor: Actor, now: datetime) -> Outcomes:
    """What `record_events` would answer; nothing stays of it."""
    with imports.only_tried(engine) as session:
        return [_taken(Act(session, actor, clinic_id, now), one, None) for one in new]


def _taken(act: Act, new: NewEvent, its_id: uuid.UUID | None) -> IntakeOutcome | Refused:
    try:
        with act.session.begin_nested():
            if new.kind is EventKind.DEATH:
                raise Refused("kind", new.kind.value, "another event: a death is recorded on the patient's own page")
            found = find_patients(act.session, act.clinic_id, [new.patient]).get(new.patient)
            if found is None:
                refuse_patient(new.patient)
            patient = act.session.get_one(Patient, found.id)
            there = act.session.scalars(
                select(EventRow).where(
                    EventRow.patient_id == patient.id,
                    EventRow.kind == new.kind,
                    EventRow.from_date == new.from_date,
                    EventRow.superseded_at.is_(None),
                    EventRow.withdrawn.is_(False),
                )
            ).first()
            if there is not None and (there.to_date, there.cause) == (_end(new), new.cause):
                return IntakeOutcome.DUPLICATE
            if there is not None:
                raise Refused("from_date", new.from_date.isoformat(), "a date without such an event: correct that one")
            record_event(
                act,
                patient,
                kind=new.kind,
                from_date=new.from_date,
                to_date=new.to_date,
                cause=new.cause,
                note=new.note,
                source=Source.FILE,
                its_id=its_id,
            )
            return IntakeOutcome.RECORDED
    except Refused as refusal:
        return refusal


def _end(new: NewEvent) -> object:
    return new.to_date if new.kind is EventKind.ADMISSION else None
