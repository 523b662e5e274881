"""What else was so on some dates of a patient: travel, an infection, a drug, dialysis, a changed rhythm or sensor.

Promises that a tag is judged from its own dates on, however late it is entered, that
one which was wrong is taken back and stays on record, and that the service gives none
itself. What each does to the judgement stands in `domain.signals`: on days of travel no
rise or fall is raised; a recalibration brings the readings before it to the new scale; in a paced,
irregular or changed rhythm heart rate counts for nothing, and is left out on days of travel or
infection. Each is named beside what is told.
"""

from __future__ import annotations

from datetime import date, timedelta

from service.domain import localtime, validation
from service.domain.validation import Refused
from service.domain.vocabulary import ContextKind
from service.store import panel
from service.store.audit import Act
from service.store.tables import ContextTagRow, Patient

LONGEST_DAYS = 366
FARTHEST = timedelta(days=3660)  # farther back it is a slip of the pen; common practice, no source
MOST_OFFSET = 40.0  # mmHg; larger than any recalibration that leaves a sensor of use. Common practice, no source


def record(
    act: Act,
    patient: Patient,
    kind: ContextKind,
    from_date: date,
    to_date: date | None = None,
    offset_mmhg: float | None = None,
    note: str = "",
) -> ContextTagRow:
    """Tag the dates `from_date` to `to_date`, both included; None: until told. Raises Refused.

    A recalibration is of one date, and needs the mmHg by which the sensor reads higher from it on.
    """
    today = localtime.local_date(act.now, patient.zone)
    if not today - FARTHEST <= from_date <= today:
        raise Refused("from_date", from_date.isoformat(), "today or a date of the last ten years")
    validation.date_span("to_date", from_date, to_date, longest_days=LONGEST_DAYS)
    offset = None
    if kind is ContextKind.RECALIBRATED:
        offset = validation.number("offset_mmhg", offset_mmhg, -MOST_OFFSET, MOST_OFFSET, "mmHg")
        if to_date not in {None, from_date}:
            raise Refused("to_date", to_date and to_date.isoformat(), "nothing: a sensor is recalibrated on one date")
        to_date = from_date
    elif offset_mmhg is not None:
        raise Refused("offset_mmhg", offset_mmhg, "nothing, but for a recalibration")
    tag = ContextTagRow(
        patient_id=patient.id,
        kind=kind,
        from_date=from_date,
        to_date=to_date,
        offset_mmhg=offset,
        note=validation.text("note", note, longest=2000, shortest=0),
        recorded_by=str(act.actor),
        recorded_at=act.now,
    )
    act.add(tag)
    panel.mark_stale(act.session, [patient.id], act.now, from_date)
    act.note("context.record", tag, patient=patient.id, kind=kind, from_date=from_date, to_date=to_date)
    return tag


def end(act: Act, tag: ContextTagRow, last_day: date) -> None:
    """Its last date; a day before its first takes it back. Raises Refused for one that was taken back."""
    if tag.cancelled_at is not None:
        raise Refused("tag", str(tag.id), "a tag that has not been taken back")
    if last_day < tag.from_date:
        tag.cancelled_at = act.now
    else:
        validation.date_span("last_day", tag.from_date, last_day, longest_days=LONGEST_DAYS)
        if tag.kind is ContextKind.RECALIBRATED and last_day != tag.from_date:
            raise Refused("last_day", last_day.isoformat(), "a day before it: a sensor is recalibrated on one date")
        tag.to_date = last_day
    panel.mark_stale(act.session, [tag.patient_id], act.now, tag.from_date)
    act.note("context.end", tag, patient=tag.patient_id, last_day=last_day)
