"""Take in what a caregiver says happened when no reading arrived.

Promises that the answer is kept and shown to staff, that being in hospital, away
or without working equipment excuses the days it covers, and that nobody is nudged
further about that silence. A second tap on the same answer changes nothing; another
answer ends what the first one paused, and both stay on record.

Another answer ends what the first one paused altogether on the first day, and from today on
later, because what was said of the days gone by may well have been true; another caregiver who
still says so, and a pause that staff recorded, stand. In hospital lasts until told otherwise; away
and equipment trouble end by themselves (7 and 3 days where no last day is given, at most 366),
so that nobody drops out of sight on one tap. Our own numbers, no source.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from service.care.pauses import add_pause, end_pause, move_pause, pause_on
from service.care.tasks import raise_task
from service.domain import fields, localtime
from service.domain.tasks import CaregiverSaid
from service.domain.validation import Refused
from service.domain.vocabulary import (
    ActorKind,
    CaregiverAnswer,
    IntakeOutcome,
    MessageKind,
    PauseCause,
    StepKind,
    StepState,
)
from service.store import outbox, panel
from service.store.audit import Act, Actor
from service.store.tables import Caregiver, CaregiverReply, Message, Patient, Pause, Silence, Step, Window

CAUSES = {
    CaregiverAnswer.IN_HOSPITAL: PauseCause.IN_HOSPITAL,
    CaregiverAnswer.AWAY: PauseCause.AWAY,
    CaregiverAnswer.EQUIPMENT: PauseCause.EQUIPMENT,
}
# Days excused when no last day is given. A stay in hospital lasts until somebody says it is over;
# the others end by themselves, so that nobody drops out of sight on one tap. Our own choice, no source.
UNTOLD: dict[PauseCause, int | None] = {PauseCause.IN_HOSPITAL: None, PauseCause.AWAY: 7, PauseCause.EQUIPMENT: 3}
LONGEST_DAYS = 366
LONGEST_NOTE = 500
ACKNOWLEDGED = "caregiver_replied"


@dataclass(frozen=True, slots=True)
class RecordedReply:
    """The row that holds what a caregiver said, and the pause it made, if any."""

    id: uuid.UUID
    outcome: IntakeOutcome
    pause_id: uuid.UUID | None
    paused_from: date | None
    paused_to: date | None  # the last day; None is until told


def record_caregiver_reply(
    act: Act,
    caregiver_id: uuid.UUID,
    window_id: uuid.UUID,
    answer: CaregiverAnswer,
    until: date | None,
    note: str,
) -> RecordedReply:
    """Keep one answer to a nudge and everything that follows from it.

    One transaction: the reply, its audit line, the pause with the windows it
    excuses, the end of one that it takes back, the nudges it makes pointless, and
    a task that tells staff.
    Raises Refused, and writes nothing, for a window that is not this caregiver's
    patient's, a last day before the window's own, or too long a note.
    """
    session, now = act.session, act.now
    caregiver, window = _checked_pair(session, caregiver_id, window_id)
    cause = CAUSES.get(answer)
    _check_until(until, cause, window.local_date)
    note = _checked_note(note)
    if (earlier := _said_before(session, caregiver_id, window_id, answer, until, note)) is not None:
        pause = pause_on(session, window.patient_id, window.local_date, cause) if cause else None
        return _recorded(earlier, IntakeOutcome.DUPLICATE, pause)
    silence_id = _silence(session, window)
    reply = CaregiverReply(
        id=uuid.uuid4(),
        clinic_id=window.clinic_id,
        patient_id=window.patient_id,
        caregiver_id=caregiver_id,
        window_id=window_id,
        silence_id=silence_id,
        answer=answer,
        until=until,
        note=note,
        at=_after_the_last(session, window_id, now),
    )
    session.add(reply)
    session.flush()
    act.note("caregiver.reply", reply, answer=answer, window=window_id)
    _stop_nudging(session, window, silence_id, now)
    patient = session.get_one(Patient, window.patient_id)
    today = localtime.local_date(now, localtime.zone(patient.zone))
    ended = _take_back(act, window, reply, today)
    pause = _paused(act, patient, window, cause, until, today) if cause else None
    panel.mark_stale(session, [window.patient_id], now)
    said = CaregiverSaid(
        reply.id,
        caregiver.name,
        answer,
        caregiver.relation or "",
        paused_from=pause.from_date if pause else None,
        paused_to=pause.to_date if pause else None,
        takes_back=pause is None and bool(ended),
        note=note,
    )
    raise_task(session, window.clinic_id, window.patient_id, said, f"caregiver_says:{reply.id}", now)
    return _recorded(reply.id, IntakeOutcome.RECORDED, pause)


def _checked_pair(session: Session, caregiver_id: uuid.UUID, window_id: uuid.UUID) -> tuple[Caregiver, Window]:
    caregiver = session.get(Caregiver, caregiver_id)
    if caregiver is None or not caregiver.active:
        raise Refused("caregiver", str(caregiver_id), "a caregiver who is still named for the patient")
    window = session.get(Window, window_id)
    if window is None or window.patient_id != caregiver.patient_id:
        raise Refused("window", str(window_id), "a day of the patient this caregiver is named for")
    return caregiver, window


def _check_until(until: date | None, cause: PauseCause | None, first: date) -> None:
    if until is None:
        return
    if cause is None:
        raise Refused("until", until.isoformat(), "no date with this answer")
    last = first + timedelta(days=LONGEST_DAYS)
    if not first <= until <= last:
        raise Refused("until", until.isoformat(), f"a date from {first.isoformat()} to {last.isoformat()}")


def _checked_note(note: str) -> str:
    return fields.text("note", " ".join(note.split()), longest=LONGEST_NOTE, shortest=0)


def _said_before(
    session: Session,
    caregiver_id: uuid.UUID,
    window_id: uuid.UUID,
    answer: CaregiverAnswer,
    until: date | None,
    note: str,
) -> uuid.UUID | None:
    """The newest reply of this caregiver to this window, if it says the same."""
    newest = session.scalars(
        select(CaregiverReply)
        .where(CaregiverReply.caregiver_id == caregiver_id, CaregiverReply.window_id == window_id)
        .order_by(CaregiverReply.at.desc())
        .limit(1)
    ).first()
    same = newest is not None and (newest.answer, newest.until, newest.note) == (answer, until, note)
    return newest.id if newest is not None and same else None


def _after_the_last(session: Session, window_id: uuid.UUID, now: datetime) -> datetime:
    # The newest answer counts, so what is said later is later, even when the machine's clock was set back in between.
    last = session.scalar(select(func.max(CaregiverReply.at)).where(CaregiverReply.window_id == window_id))
    return now if last is None else max(now, last + timedelta(microseconds=1))


def _silence(session: Session, window: Window) -> uuid.UUID | None:
    return session.scalar(
        select(Silence.id)
        .where(
            Silence.patient_id == window.patient_id,
            Silence.missed > 0,
            Silence.first_date <= window.local_date,
            Silence.last_date >= window.local_date,
        )
        .limit(1)
    )


def _stop_nudging(session: Session, window: Window, silence_id: uuid.UUID | None, now: datetime) -> None:
    about = Message.window_id == window.id
    if silence_id is not None:
        about = about | (Message.silence_id == silence_id)
    outbox.cancel(session, about & (Message.kind == MessageKind.NUDGE), ACKNOWLEDGED, now)
    session.execute(
        update(Step)
        .where(Step.window_id == window.id, Step.kind == StepKind.NUDGE, Step.state == StepState.PENDING)
        .values(state=StepState.CANCELLED, reason=ACKNOWLEDGED, settled_at=now)
        .execution_options(synchronize_session=False)
    )


def _paused(act: Act, patient: Patient, window: Window, cause: PauseCause, until: date | None, today: date) -> Pause:
    days = UNTOLD[cause]
    last = until if until is not None or days is None else window.local_date + timedelta(days=days - 1)
    pause = pause_on(act.session, patient.id, window.local_date, cause)
    if pause is None:
        return add_pause(act, patient, cause, window.local_date, last, "told by a caregiver")
    was_taken_back = pause.to_date is not None and pause.to_date < today
    if (until is not None or was_taken_back) and pause.to_date != last:
        move_pause(act, pause, last)
    return pause


def _take_back(act: Act, window: Window, reply: CaregiverReply, today: date) -> list[Pause]:
    """End the pauses of answers about this window that no caregiver's newest answer (now `reply`) bears out.

    The days before today stay excused, as was said of them then; on the first day
    the whole pause is taken back. One that staff recorded is theirs to end.
    """
    replies = act.session.execute(
        select(CaregiverReply.caregiver_id, CaregiverReply.answer)
        .where(CaregiverReply.window_id == window.id)
        .order_by(CaregiverReply.at)
    )
    newest = {row.caregiver_id: row.answer for row in replies} | {reply.caregiver_id: reply.answer}
    borne_out = [CAUSES[answer] for answer in newest.values() if answer in CAUSES]
    taken_back = act.session.scalars(
        select(Pause).where(
            Pause.patient_id == window.patient_id,
            Pause.from_date == window.local_date,
            Pause.cancelled_at.is_(None),
            Pause.to_date.is_(None) | (Pause.to_date >= today),
            Pause.recorded_by.in_([str(Actor(ActorKind.CAREGIVER, who)) for who in newest]),
            Pause.cause.not_in(borne_out),
        )
    ).all()
    for pause in taken_back:
        end_pause(act, pause, today - timedelta(days=1))
    return list(taken_back)


def _recorded(reply_id: uuid.UUID, outcome: IntakeOutcome, pause: Pause | None) -> RecordedReply:
    if pause is None:
        return RecordedReply(reply_id, outcome, None, None, None)
    return RecordedReply(reply_id, outcome, pause.id, pause.from_date, pause.to_date)
