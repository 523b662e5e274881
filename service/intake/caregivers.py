"""Take in what a caregiver says happened when no reading arrived.

Promises that the answer is kept and shown to staff, that being in hospital, away
or without working equipment excuses the days it covers, and that nobody is nudged
further about that silence. A note that may be an emergency is told at once. Staff have one task of
what one caregiver says of one silence, with the newest answer in it until they close it. A second tap
on the same answer changes nothing; another answer ends what the first one paused, and both stay on record.

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

from sqlalchemy import ColumnElement, exists, func, select, update
from sqlalchemy.orm import Session

from service.care.pauses import add_pause, end_pause, move_pause, pause_on
from service.care.tasks import raise_task, tell_instead
from service.domain import localtime, validation
from service.domain.tasks import LONGEST_QUOTE, AlarmWritten, CaregiverSaid
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
from service.store.tables import (
    Caregiver,
    CaregiverReply,
    Clinic,
    Message,
    Patient,
    Pause,
    Silence,
    Step,
    Task,
    Window,
)
from service.words.language import may_be_emergency

CAUSES = {
    CaregiverAnswer.IN_HOSPITAL: PauseCause.IN_HOSPITAL,
    CaregiverAnswer.AWAY: PauseCause.AWAY,
    CaregiverAnswer.EQUIPMENT: PauseCause.EQUIPMENT,
}
# Days excused when no last day is given; None is until told.
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

    One transaction: the reply, its audit line, the pause with the windows it excuses, the end of
    one that it takes back, the nudges it makes pointless, and a task that tells staff.
    Raises Refused, and writes nothing, for a window that is not this caregiver's
    patient's, a last day before the window's own, or too long a note.
    """
    session, now = act.session, act.now
    caregiver, window = _checked_pair(session, caregiver_id, window_id)
    cause = CAUSES.get(answer)
    _check_until(until, cause, window.local_date)
    note = validation.text("note", " ".join(note.split()), longest=LONGEST_NOTE, shortest=0)
    earlier = newest_reply(session, caregiver_id, window_id)
    if earlier is not None and (earlier.answer, earlier.until, earlier.note) == (answer, until, note):
        pause = pause_on(session, window.patient_id, window.local_date, cause) if cause else None
        return _recorded(earlier.id, IntakeOutcome.DUPLICATE, pause)
    last = session.scalar(select(func.max(CaregiverReply.at)).where(CaregiverReply.window_id == window_id))
    reply = CaregiverReply(
        patient_id=window.patient_id,
        caregiver_id=caregiver_id,
        window_id=window_id,
        answer=answer,
        until=until,
        note=note,
        at=localtime.later(now, last),
    )
    told_of = _told_of(session, caregiver_id, window)  # before a pause takes days out of the silence
    act.add(reply)
    act.note("caregiver.reply", reply, answer=answer, window=window_id)
    _stop_nudging(session, window, now)
    patient = session.get_one(Patient, window.patient_id)
    today = localtime.local_date(now, patient.zone)
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
    _tell_of_note(act, reply, caregiver, earlier)
    if not tell_instead(session, told_of, said, now):
        raise_task(session, window.clinic_id, window.patient_id, said, _key(reply.id), now)
    return _recorded(reply.id, IntakeOutcome.RECORDED, pause)


def _tell_of_note(act: Act, reply: CaregiverReply, caregiver: Caregiver, earlier: CaregiverReply | None) -> None:
    if not may_be_emergency(reply.note) or (earlier is not None and earlier.note == reply.note):
        return
    number = act.session.get_one(Clinic, reply.clinic_id).emergency_number  # on the page that thanks them
    alarm = AlarmWritten(str(reply.id), reply.note[:LONGEST_QUOTE], number, caregiver.name)
    raise_task(act.session, reply.clinic_id, reply.patient_id, alarm, f"alarm_note:{reply.id}", act.now)


def _key(reply_id: uuid.UUID) -> str:
    return f"caregiver_says:{reply_id}"


def _told_of(session: Session, caregiver_id: uuid.UUID, window: Window) -> ColumnElement[bool]:
    """The tasks that told staff what this caregiver said of this window, or of another of the same silence."""
    replies = session.scalars(
        select(CaregiverReply.id)
        .join(Window, Window.id == CaregiverReply.window_id)
        .outerjoin(
            Silence,
            (Silence.patient_id == window.patient_id)
            & (Silence.first_date <= window.local_date)
            & (Silence.last_date >= window.local_date),
        )
        .where(
            CaregiverReply.patient_id == window.patient_id,
            CaregiverReply.caregiver_id == caregiver_id,
            (Window.id == window.id) | Window.local_date.between(Silence.first_date, Silence.last_date),
        )
    )
    return Task.dedupe_key.in_([_key(one) for one in replies])


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
        raise Refused("until", until.isoformat(), "a date from %(least)s to %(most)s", least=first, most=last)


def newest_reply(session: Session, caregiver_id: uuid.UUID, window_id: uuid.UUID) -> CaregiverReply | None:
    """What this caregiver said of this window last."""
    return session.scalars(
        select(CaregiverReply)
        .where(CaregiverReply.caregiver_id == caregiver_id, CaregiverReply.window_id == window_id)
        .order_by(CaregiverReply.at.desc())
        .limit(1)
    ).first()


def reminders_go_on(session: Session, reply: CaregiverReply, today: date) -> bool:
    """Whether this answer comes after one of theirs that had stopped the reminders, and nothing stops them `today`."""
    had_stopped = exists().where(
        CaregiverReply.caregiver_id == reply.caregiver_id,
        CaregiverReply.window_id == reply.window_id,
        CaregiverReply.answer.in_(CAUSES),
    )
    if reply.answer in CAUSES or not session.scalar(select(had_stopped)):
        return False
    return pause_on(session, reply.patient_id, today) is None


def _stop_nudging(session: Session, window: Window, now: datetime) -> None:
    # What waits about other days asks the same: where the patient is.
    about = (Message.patient_id == window.patient_id) & (Message.kind == MessageKind.NUDGE)
    outbox.cancel(session, about, ACKNOWLEDGED, now)
    session.execute(
        update(Step)
        .where(Step.window_id == window.id, Step.kind == StepKind.NUDGE, Step.state == StepState.PENDING)
        .values(state=StepState.CANCELLED, reason=ACKNOWLEDGED, settled_at=now)
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
