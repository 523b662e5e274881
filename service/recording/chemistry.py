"""A reason in place of a result, where chemistry was due: it was done elsewhere, or is not wanted."""

from __future__ import annotations

from datetime import date

from service.care import entries, recorded
from service.domain import localtime
from service.domain.record import rules
from service.domain.record.now import scheduled
from service.domain.validation import Refused
from service.domain.vocabulary import NoResult
from service.store.audit import Act
from service.store.tables import Clinic, NoResultRow, Patient


def record_reason(
    act: Act,
    patient: Patient,
    *,
    due_on: date,
    why: NoResult,
    done_on: date | None = None,
    note: str = "",
    corrects: NoResultRow | None = None,
) -> NoResultRow:
    """Keep why there is no result of what was due on a date; `note` is the reason in words. Raises Refused.

    Blood that was taken elsewhere has its date, and counts as a result of that date does; what is not wanted
    wants the reason in words, and ends that due date alone.
    """
    entries.still_to_plan(patient, "due_on", due_on)
    known = recorded.load(act.session, [patient.id])[patient.id]
    today = localtime.local_date(act.now, patient.zone)
    kept = rules.from_json(act.session.get_one(Clinic, patient.clinic_id).record_rules)
    dates = {day: course for course, days in scheduled(known, kept, today) for day in days}
    if due_on not in dates and (corrects is None or corrects.due_on != due_on):
        if not dates:
            raise Refused("due_on", due_on.isoformat(), "a date on which chemistry is due: none now")
        raise Refused(
            "due_on", due_on.isoformat(), "a date on which chemistry is due: %(dates)s", dates=tuple(sorted(dates))
        )
    if why is NoResult.NOT_WANTED:
        if done_on is not None:
            raise Refused("done_on", done_on.isoformat(), "nothing, where it is not wanted")
        if not note.strip():
            raise Refused("note", note, "why it is not wanted, in words")
    elif done_on is None:
        raise Refused("done_on", None, "the date on which it was done elsewhere")
    else:
        entries.past_date("done_on", done_on, patient, act.now)
        if due_on in dates and done_on <= dates[due_on].from_date:
            since = dates[due_on].from_date
            raise Refused("done_on", done_on.isoformat(), "a date after the change of %(day)s", day=since)
    return entries.enter(
        act, patient, NoResultRow(due_on=due_on, why=why, done_on=done_on, note=note), corrects=corrects
    )
