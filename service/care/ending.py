"""The end of looking after a patient here, and its beginning again.

Promises that from the end on nothing more is expected, asked or sent, and that the dates from then to the day before
care begins again are a pause, so that none of them is ever counted as missed. Gives no consent: what stood, stands.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection
from datetime import date, timedelta

from sqlalchemy import select, update

from service.care import contacts, entries, pauses
from service.care.plans import open_next
from service.care.tasks import close_tasks, open_again
from service.domain import localtime
from service.domain.validation import Clashes, Refused
from service.domain.vocabulary import BeginsAgain, EventKind, PatientState, PauseCause, TaskSettled
from service.store import outbox, panel
from service.store.audit import Act
from service.store.ids import among
from service.store.session import Where, rows
from service.store.tables import Caregiver, EventRow, Patient, Pause, Plan, Task

ENDED = "patient_ended"
DIED = "patient_died"
FARTHEST_BEGIN = timedelta(days=366)  # farther ahead it is a slip of the pen; common practice, no source
_INSTANT = timedelta(microseconds=1)
_LASTS = (Pause.cause == PauseCause.NOT_IN_CARE, Pause.to_date.is_(None), Pause.cancelled_at.is_(None))


def end_patient(act: Act, patient: Patient, reason: str = ENDED) -> None:
    """Nothing more is expected of the patient, asked or sent, to them or to a caregiver, all in this transaction.

    `reason` is what is written on the messages that were waiting.
    """
    session, now = act.session, act.now
    _hold(act, patient)
    was, patient.state = patient.state, PatientState.ENDED
    patient.dues_at = now  # nothing of the record is due any more
    session.execute(update(Plan).where(Plan.patient_id == patient.id).values(active=False))
    if reason == ENDED:
        contacts.tell_unsent(session, act.clinic_id, patient.id, now)
    outbox.cancel_for_person(session, reason, now, patient_id=patient.id)
    for caregiver_id in session.scalars(select(Caregiver.id).where(Caregiver.patient_id == patient.id)):
        outbox.cancel_for_person(session, reason, now, caregiver_id=caregiver_id)
    if was is PatientState.ACTIVE:
        pauses.add_pause(act, patient, PauseCause.NOT_IN_CARE, localtime.local_date(now, patient.zone), None, "")
    panel.mark_stale(session, [patient.id], now)
    act.note("patient.end", patient)


def end_by_death(act: Act, patient: Patient) -> None:
    """The same, because the patient has died: what was open is closed, whoever had taken it."""
    end_patient(act, patient, DIED)
    close_tasks(act.session, Task.patient_id == patient.id, TaskSettled.PATIENT_DIED, act.now, also_taken=True)


def begin_again(act: Act, patient: Patient, from_date: date, why: BeginsAgain) -> None:
    """Look after a patient again, from the local date `from_date` on: the plan asks from then, silences are watched.

    The pause that the end made is over the day before, and what a death closed is open again. Consents stay as they
    are: without one to messages, nothing is sent. Raises Refused.
    """
    session, now = act.session, act.now
    _hold(act, patient)
    if patient.state is not PatientState.ENDED:
        raise Refused("patient", str(patient.id), "a patient whose care here has ended")
    if patient.erased_at is not None:
        raise Refused("patient", str(patient.id), "a patient who is not erased")
    if (died := entries.died_on(session, patient.id)) is not None:
        raise Clashes("patient", str(patient.id), "one of whom no death is recorded: take that of %(day)s back first",
                      day=died.isoformat())  # fmt: skip
    today = localtime.local_date(now, patient.zone)
    if not today <= from_date <= today + FARTHEST_BEGIN:
        raise Refused("from_date", from_date.isoformat(), "today, or a date of the year ahead")
    patient.state, patient.dues_at = PatientState.ACTIVE, now
    where = localtime.zone(patient.zone)
    plan = session.scalar(select(Plan).where(Plan.patient_id == patient.id).with_for_update())
    if plan is not None:
        plan.active = True
        before = localtime.day_bounds(from_date, where)[0] - _INSTANT
        open_next(plan, where, max(now, before), from_date)  # today's hours, while they last
    session.flush()
    ended = session.scalar(select(Pause).where(Pause.patient_id == patient.id, *_LASTS))
    if ended is not None and from_date <= ended.from_date:
        pauses.end_pause(act, ended, from_date - timedelta(days=1))
    elif ended is not None:
        pauses.move_pause(act, ended, from_date - timedelta(days=1))
    open_again(session, (Task.patient_id == patient.id) & (Task.close_reason == TaskSettled.PATIENT_DIED.value), now)
    panel.mark_stale(session, [patient.id], now)
    act.note("patient.begin_again", patient, from_date=from_date, why=why)


def _hold(act: Act, patient: Patient) -> None:
    """Two ends, or beginnings, at the same time are one after the other: the second sees what the first did."""
    act.session.refresh(patient, with_for_update={"key_share": True})


def last_days(where: Where, ended: Collection[uuid.UUID]) -> dict[uuid.UUID, date]:
    """The last day of care here of these patients, whose care has ended: that of their death, if it was earlier."""
    if not ended:
        return {}
    pause = select(Pause.patient_id, Pause.from_date).where(*_LASTS)
    death = select(EventRow.patient_id, EventRow.from_date).where(
        EventRow.kind == EventKind.DEATH, EventRow.superseded_at.is_(None), EventRow.withdrawn.is_(False)
    )
    found: dict[uuid.UUID, date] = {}
    for query in (pause.where(among(Pause.patient_id, ended)), death.where(among(EventRow.patient_id, ended))):
        for patient_id, day in rows(where).execute(query):
            found[patient_id] = min(day, found.get(patient_id, day))
    return found


def check_in_care(taken: date, last_day: date | None) -> None:
    """That a result was taken on no date after the last day of their care here. Raises Refused."""
    if last_day is not None and taken > last_day:
        until = last_day.isoformat()
        raise Refused("taken_at", taken.isoformat(), "a date up to %(day)s, when care here ended", day=until)
