"""What happened to a patient: an admission, an urgent visit, a diuretic into a vein, death.

Promises that an admission and its pause are one act, so that nobody is asked for readings in
hospital and everybody is again after it, with the contacts that the clinic plans after a stay; that a recorded
death ends care and closes what was open in the same transaction, and no phone gets another message; and that what
the 28 days before held is frozen with an event, as known then.
"""

from __future__ import annotations

import uuid
from datetime import date, timedelta
from typing import Any

from service.care import ending, entries, pauses
from service.domain import validation
from service.domain.validation import Clashes, Refused
from service.domain.vocabulary import EventCause, EventKind, PatientState, PauseCause, Source
from service.recording import next_contacts
from service.store import histories
from service.store.audit import Act
from service.store.identity import new_id
from service.store.tables import EventRow, Patient, Pause

LONGEST_STAY = 366  # as a pause has it
DAYS_BEFORE = 28


class DeathToConfirm(Refused):
    """A death could be recorded so, and nothing was: it asks for a word more."""

    def __init__(self, day: date) -> None:
        super().__init__("confirmed", False, "true, since a recorded death ends care here at once")
        self.day = day


def record_event(
    act: Act,
    patient: Patient,
    *,
    kind: EventKind,
    from_date: date,
    to_date: date | None = None,
    cause: EventCause = EventCause.NOT_KNOWN,
    note: str = "",
    source: Source = Source.API,
    confirmed: bool = False,
    corrects: EventRow | None = None,
    its_id: uuid.UUID | None = None,
) -> EventRow:
    """Keep an event; with `corrects` the newer row of one, as where a stay ends. Raises Refused.

    `from_date` and `to_date` are local dates; an admission without `to_date` goes on. A stay that began is
    a pause from its first day to the day before discharge. A death is recorded only where it is `confirmed`.
    """
    entries.past_date("from_date", from_date, patient, act.now)
    if kind is EventKind.ADMISSION:
        validation.date_span("to_date", from_date, to_date, longest_days=LONGEST_STAY)
        if to_date is not None:
            entries.past_date("to_date", to_date, patient, act.now)
    elif to_date not in {None, from_date}:
        raise Refused("to_date", to_date and to_date.isoformat(), "nothing: only an admission has a last day")
    if corrects is not None and corrects.kind is EventKind.DEATH:
        raise Refused("id", str(corrects.id), "an event that is no death: that is taken back, with the reason")
    if kind is EventKind.DEATH and entries.died_on(act.session, patient.id) is not None:
        raise Clashes("kind", kind, "another event: a death is recorded already; correct that, or take it back")
    if kind is EventKind.DEATH and not confirmed:
        raise DeathToConfirm(from_date)
    entries.in_lifetime(act.session, patient, from_date=from_date, to_date=to_date)
    row = EventRow(
        id=its_id or new_id(),
        kind=kind,
        cause=cause,
        from_date=from_date,
        to_date=to_date if kind is EventKind.ADMISSION else None,
        source=source,
        before=days_before(act, patient, from_date),
        note=note,
    )
    if kind is EventKind.ADMISSION:
        row.pause_id = _paused(act, patient, row, corrects)
    elif corrects is not None:
        _no_longer_paused(act, corrects)
    entries.enter(act, patient, row, corrects=corrects)
    if kind is EventKind.DEATH:
        ending.end_by_death(act, patient)
    elif patient.state is PatientState.ACTIVE:
        next_contacts.plan_after_stay(act, patient)
    return row


def withdraw_event(act: Act, patient: Patient, row: EventRow, reason: str) -> EventRow:
    """It never happened: a stay's pause is cancelled with it. Care that a death ended stays so: see `care.ending`."""
    _no_longer_paused(act, row)
    taken_back = entries.withdraw(act, patient, row, reason)
    if patient.state is PatientState.ACTIVE:
        next_contacts.plan_after_stay(act, patient)
    return taken_back


def days_before(act: Act, patient: Patient, day: date) -> dict[str, Any]:
    """Pressures (mmHg), weight (kg) and breathlessness of the 28 days before `day`, as known now.

    A list a channel, oldest first; null is a day without one.
    """
    first, last = day - timedelta(days=DAYS_BEFORE), day - timedelta(days=1)
    history = histories.load(act.session, patient.clinic_id, [patient.id], first)[patient.id]
    days = {one.day: one for one in history.joined(first, last)}
    dates = [first + timedelta(days=after) for after in range(DAYS_BEFORE)]
    channels = ("pa_systolic", "pa_diastolic", "pa_mean", "heart_rate", "weight_kg", "breathlessness")
    return {"from_date": first.isoformat()} | {
        channel: [getattr(days.get(one), channel, None) for one in dates] for channel in channels
    }


def _paused(act: Act, patient: Patient, row: EventRow, corrects: EventRow | None) -> Any:
    """The pause of a stay: opened, or the dates of the one that is there put right."""
    last = None if row.to_date is None else max(row.from_date, row.to_date - timedelta(days=1))
    pause = act.session.get(Pause, corrects.pause_id) if corrects is not None and corrects.pause_id else None
    if corrects is not None and corrects.from_date != row.from_date:
        _no_longer_paused(act, corrects)
    if pause is None or pause.cancelled_at is not None:
        # A caregiver may have said so before: one stay is one pause, or the other would go on after discharge.
        pause = pauses.pause_on(act.session, patient.id, row.from_date, PauseCause.IN_HOSPITAL)
    if pause is not None:
        if pause.to_date != last:
            pauses.move_pause(act, pause, last)
        return pause.id
    return pauses.add_pause(act, patient, PauseCause.IN_HOSPITAL, row.from_date, last, "").id


def _no_longer_paused(act: Act, row: EventRow) -> None:
    pause = None if row.pause_id is None else act.session.get(Pause, row.pause_id)
    if pause is not None and pause.cancelled_at is None:
        pauses.end_pause(act, pause, pause.from_date - timedelta(days=1))
