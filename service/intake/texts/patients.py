"""A patient's text message: what was given is kept at once, then the next question is asked.

The day's check-in is the truth of what is answered, however it came; the
conversation only remembers what was asked. Every message that gives something
makes a new check-in that supersedes the one before, so that what was given counts
even when the rest never comes.
"""

from __future__ import annotations

import uuid
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain import diary
from service.domain.diary import LONGEST_NOTE, Answers, NewCheckin
from service.domain.localtime import local_date, zone
from service.domain.texting import conversation
from service.domain.texting.conversation import Exchange, Move, Say
from service.domain.vocabulary import MessageKind, PatientState, Source
from service.intake.checkins import record_checkin
from service.intake.texts.replies import TALK_LASTS, Said, Speaker, TextOutcome, raise_alarm, say, send
from service.store.audit import Act
from service.store.tables import Checkin, Conversation, Window
from service.words.replies import NOTED, NOTHING_ASKED, THANKS
from service.words.texting import load_parser

PASSED = "passed:"


def take(session: Session, said: Said, speaker: Speaker) -> TextOutcome:
    """Take in one message of a patient."""
    if speaker.patient.state is not PatientState.ACTIVE:
        return _after_the_end(session, said, speaker)
    day, window_id, talk = _talk(session, speaker, said.at)
    kept = _kept(session, speaker.patient.id, day)
    move = conversation.take(load_parser(), _exchange(kept, talk), said.body, speaker.patient.weight_unit)
    if kept is not None and kept.answered_at > said.at:
        move = _without_what_was_said_since(kept, move)
    if move.answers or move.note:
        answers = _joined(kept, move, speaker.patient.weight_unit)
        new = NewCheckin(speaker.patient.id, answers, day, Source.TEXT)
        record_checkin(Act(session, speaker.actor, speaker.clinic.id, said.now), new)
    if window_id is not None:
        _remember(session, speaker, window_id, talk, move.exchange, said.at)
    return _answer(session, said, speaker, move, can_ask=window_id is not None and said.is_news)


def _without_what_was_said_since(kept: Checkin, move: Move) -> Move:
    """A message taken in late adds to the day, and replaces nothing newer. A sign of an emergency still alarms."""
    new = {key: value for key, value in move.answers.items() if getattr(kept, _column(key)) is None}
    alarm = move.alarm or (move.say is Say.SAFETY and "safety_signs" not in new)
    return replace(move, answers=new, alarm=alarm)


def _answer(session: Session, said: Said, speaker: Speaker, move: Move, *, can_ask: bool) -> TextOutcome:
    ref, now = said.ref, said.now
    gave = bool(move.answers or move.note)
    if move.say is Say.SAFETY:
        send(session, speaker, MessageKind.SAFETY, ref, now)
        if move.alarm:
            raise_alarm(session, speaker, ref, said.body, now)
        return TextOutcome.SAFETY
    if move.say is Say.THANKS or not can_ask or move.about is None:
        say(session, speaker, THANKS if can_ask else NOTED if gave else NOTHING_ASKED, ref, now)
        return TextOutcome.ANSWERED if gave else TextOutcome.PASSED
    again = move.say is Say.ASK_AGAIN
    say(session, speaker, move.about, ref, now, again=again)
    if again:
        return TextOutcome.ASKED_AGAIN
    return TextOutcome.ANSWERED if gave else TextOutcome.ASKED


def _after_the_end(session: Session, said: Said, speaker: Speaker) -> TextOutcome:
    heard = load_parser().hear(said.body)
    if heard.signs or heard.alarm:
        send(session, speaker, MessageKind.SAFETY, said.ref, said.now)
        raise_alarm(session, speaker, said.ref, said.body, said.now)
        return TextOutcome.SAFETY
    send(session, speaker, MessageKind.HELP, said.ref, said.now)
    return TextOutcome.NOT_MONITORED


def _talk(session: Session, speaker: Speaker, at: datetime) -> tuple[date, uuid.UUID | None, Conversation | None]:
    """The day a message tells of, its window if it has one, and the talk so far."""
    today = local_date(at, zone(speaker.patient.zone))
    rows = session.execute(
        select(Window.local_date, Window.id, Conversation)
        .outerjoin(
            Conversation, (Conversation.window_id == Window.id) & (Conversation.contact_id == speaker.contact.id)
        )
        .where(
            Window.patient_id == speaker.patient.id,
            Window.local_date.between(today - timedelta(days=1), today),
            Window.opens_at <= at,
        )
        .order_by(Window.local_date.desc())
    ).all()
    for day, window_id, talk in rows:
        goes_on = talk is not None and talk.closed_at is None and talk.last_at >= at - TALK_LASTS
        if day == today or goes_on:
            return day, window_id, talk
    return today, None, None


def _kept(session: Session, patient_id: uuid.UUID, day: date) -> Checkin | None:
    return session.scalars(
        select(Checkin).where(
            Checkin.patient_id == patient_id, Checkin.local_date == day, Checkin.superseded_at.is_(None)
        )
    ).first()


def _exchange(kept: Checkin | None, talk: Conversation | None) -> Exchange:
    answered = {key for key in conversation.ORDER if kept is not None and getattr(kept, _column(key)) is not None}
    if talk is None:
        return Exchange(frozenset(answered))
    told = [str(one) for one in talk.asked_again]
    return Exchange(
        answered=frozenset(answered),
        asking=talk.asking,
        asked_again=frozenset(one for one in told if not one.startswith(PASSED)),
        passed=frozenset(one.removeprefix(PASSED) for one in told if one.startswith(PASSED)),
        over=talk.closed_at is not None,
    )


def _joined(kept: Checkin | None, move: Move, own_unit: str) -> Answers:
    """The day's answers with what this message adds; what it says anew replaces what was there."""
    answers = Answers() if kept is None else diary.from_columns(kept)
    given: dict[str, Any] = dict(move.answers)
    if "weight" in given:
        given["weight_unit"] = move.weight_unit or own_unit
    if "safety_signs" in given:
        given["safety_signs"] = tuple(given["safety_signs"])
    if move.note:
        given["note"] = "; ".join(part for part in (answers.note, move.note) if part)[:LONGEST_NOTE]
    return replace(answers, **given)


def _remember(
    session: Session,
    speaker: Speaker,
    window_id: uuid.UUID,
    talk: Conversation | None,
    where: Exchange,
    at: datetime,
) -> None:
    if talk is None:
        talk = Conversation(
            id=uuid.uuid4(), clinic_id=speaker.clinic.id, patient_id=speaker.patient.id,
            contact_id=speaker.contact.id, window_id=window_id, last_at=at,
        )  # fmt: skip
        session.add(talk)
    talk.answers = {key: True for key in conversation.ORDER if key in where.answered}  # which, not what
    talk.asking = where.asking
    talk.asked_again = sorted(where.asked_again) + sorted(f"{PASSED}{key}" for key in where.passed)
    talk.last_at = max(talk.last_at, at)
    talk.closed_at = at if where.over else None
    session.flush()


def _column(key: str) -> str:
    return "weight_kg" if key == "weight" else key
