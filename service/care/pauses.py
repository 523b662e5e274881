"""Pauses: date ranges in which nothing is expected, and their history.

Promises that the days a pause covers are excused, also those already past, and that
who set which dates when can be read again: the row holds the dates as they are now,
the audit trail each change of them. Dates are no clinical values.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import ColumnElement, Select, or_, select, union_all
from sqlalchemy.orm import Session

from service.care import windows
from service.domain import validation
from service.domain.validation import Refused
from service.domain.vocabulary import PatientState, PauseCause
from service.store.audit import Act, Actor
from service.store.tables import AuditLine, Caregiver, Patient, Pause, Staff

FARTHEST_PAUSE = timedelta(days=731)  # farther away it is a slip of the pen; common practice, no source
LONGEST_DAYS = 366


class PauseEvent(StrEnum):
    """What was done to a pause."""

    ADDED = "added"
    MOVED = "moved"  # another last day was given
    ENDED = "ended"
    CANCELLED = "cancelled"  # ended before its first day: as if it had never been


# In the audit trail; an end that cancelled says so in its detail.
_ACTIONS = {"pause.add": PauseEvent.ADDED, "pause.move": PauseEvent.MOVED, "pause.end": PauseEvent.ENDED}


@dataclass(frozen=True, slots=True)
class PauseChange:
    """One change of a pause: who set which dates, and when.

    `was_to` and `to_date` are the last day before and after; None is until somebody ends it.
    `name` is that of the member of staff or the caregiver who did it, None where it was neither.
    """

    at: datetime
    by: str
    event: PauseEvent
    from_date: date | None
    was_to: date | None
    to_date: date | None
    name: str | None = None

    @property
    def kind(self) -> str:
        """What kind of actor it was, as `ActorKind` has it."""
        return self.by.partition(":")[0]


def add_pause(act: Act, patient: Patient, cause: PauseCause, from_date: date, to_date: date | None, note: str) -> Pause:
    """Nothing is expected from `from_date` to `to_date`, both included; None: until it is ended. Raises Refused."""
    if abs(from_date - act.now.date()) > FARTHEST_PAUSE:
        raise Refused(
            "from_date", from_date.isoformat(), "a date at most %(days)s days from today", days=FARTHEST_PAUSE.days
        )
    validation.date_span("to_date", from_date, to_date, longest_days=LONGEST_DAYS)
    validation.text("note", note, longest=2000, shortest=0)
    pause = Pause(
        patient_id=patient.id,
        cause=cause,
        from_date=from_date,
        to_date=to_date,
        note=note,
        recorded_by=str(act.actor),
        recorded_at=act.now,
    )
    act.add(pause)
    act.note("pause.add", pause, patient=patient.id, cause=cause, from_date=from_date, to_date=to_date)
    windows.resettle(act.session, patient.id, act.now)
    return pause


def move_pause(act: Act, pause: Pause, to_date: date | None) -> None:
    """Give a pause another last day, later, earlier or none (until somebody ends it), and decide the windows anew."""
    _check_in_care(act, pause)
    was, pause.to_date = pause.to_date, to_date
    _note_change(act, pause, "pause.move", was)


def _check_in_care(act: Act, pause: Pause) -> None:
    """That the patient is looked after, where the pause is because they were not. Raises Refused."""
    if pause.cause is PauseCause.NOT_IN_CARE:
        state = act.session.get_one(Patient, pause.patient_id).state
        if state is PatientState.ENDED:
            raise Refused(
                "pause", str(pause.id), "a pause that somebody entered; this one ends where care begins again"
            )


def end_pause(act: Act, pause: Pause, last_day: date) -> None:
    """End a pause after `last_day`, and decide the windows anew; a day before its first one cancels it altogether.

    Raises Refused for one that has been cancelled, and for a last day too far ahead.
    """
    if pause.cancelled_at is not None:
        raise Refused("pause", str(pause.id), "a pause that has not been cancelled")
    _check_in_care(act, pause)
    if last_day < pause.from_date:
        pause.cancelled_at = act.now
        _note_change(act, pause, "pause.end", pause.to_date, cancelled=True)
        return
    if last_day > act.now.date():
        validation.date_span("last_day", pause.from_date, last_day, longest_days=LONGEST_DAYS)
    was, pause.to_date = pause.to_date, last_day
    _note_change(act, pause, "pause.end", was)


def pause_on(session: Session, patient_id: uuid.UUID, day: date, cause: PauseCause | None = None) -> Pause | None:
    """The pause that covers `day`, if one does; with `cause`, only one for that cause."""
    query = select(Pause).where(windows.covering(patient_id, day))
    if cause is not None:
        query = query.where(Pause.cause == cause)
    return session.scalars(query.order_by(Pause.recorded_at)).first()


def history(session: Session, pause_id: uuid.UUID, only: Sequence[uuid.UUID] | None = None) -> list[PauseChange]:
    """What was done to a pause, oldest first, as the audit trail has it; all, or what is in the lines named."""
    return _changes(session, [pause_id], *([] if only is None else [AuditLine.id.in_(only)])).get(pause_id, [])


def told_of(pause_ids: Sequence[uuid.UUID]) -> Select[AuditLine]:
    """The lines of the audit trail about some pauses."""
    return select(AuditLine).where(AuditLine.subject_id.in_(pause_ids), AuditLine.subject_kind == "pause")


def of_patient(
    session: Session, patient_id: uuid.UUID, first: date, last: date
) -> list[tuple[Pause, list[PauseChange]]]:
    """The patient's pauses with a day from `first` to `last`, newest first, each with what was done to it.

    One that was cancelled is among them: that it was is part of what happened. Three queries.
    """
    query = select(Pause).where(
        Pause.patient_id == patient_id, Pause.from_date <= last, or_(Pause.to_date.is_(None), Pause.to_date >= first)
    )
    found = session.scalars(query.order_by(Pause.from_date.desc(), Pause.recorded_at.desc())).all()
    changes = _changes(session, [pause.id for pause in found])
    return [(pause, changes.get(pause.id, [])) for pause in found]


def _note_change(act: Act, pause: Pause, action: str, was_to: date | None, **detail: object) -> None:
    act.session.flush()
    dates = {"from_date": pause.from_date, "was_to": was_to, "to_date": pause.to_date}
    act.note(action, pause, patient=pause.patient_id, **dates, **detail)
    windows.resettle(act.session, pause.patient_id, act.now)


def _changes(
    session: Session, pause_ids: Sequence[uuid.UUID], *which: ColumnElement[bool]
) -> dict[uuid.UUID, list[PauseChange]]:
    """What was done to each of some pauses, oldest first."""
    lines = session.scalars(told_of(pause_ids).where(*which)).all()
    if not lines:
        return {}
    people = [line.actor_id for line in lines if line.actor_id is not None]
    by_id = [select(table.id, table.name).where(table.id.in_(people)) for table in (Staff, Caregiver)]
    names: dict[uuid.UUID, str] = dict(session.execute(union_all(*by_id)).all())
    found: dict[uuid.UUID, list[PauseChange]] = {}
    for line in lines:
        if line.subject_id is not None:
            found.setdefault(line.subject_id, []).append(_change(line, names))
    for changes in found.values():
        changes.sort(key=lambda change: (change.at, change.event is not PauseEvent.ADDED))
    return found


def _change(line: AuditLine, names: Mapping[uuid.UUID, str]) -> PauseChange:
    detail = line.detail
    return PauseChange(
        at=line.at,
        by=str(Actor(line.actor_kind, line.actor_id)),
        event=PauseEvent.CANCELLED if detail.get("cancelled") else _ACTIONS[line.action],
        from_date=_date(detail.get("from_date")),
        was_to=_date(detail.get("was_to")),
        to_date=_date(detail.get("to_date")),
        name=None if line.actor_id is None else names.get(line.actor_id),
    )


def _date(text: Any) -> date | None:
    return None if text is None else date.fromisoformat(text)
