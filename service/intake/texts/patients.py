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
from service.intake.texts.replies import TALK_LASTS, IncomingText, Speaker, TextOutcome, raise_alarm, say, send
from service.store.tables import Checkin, Conversation, Window
from service.words.replies import NOTED, NOTHING_ASKED, THANKS
from service.words.texting import load_parser

PASSED = "passed:"


def take(text: IncomingText, speaker: Speaker) -> TextOutcome:
    """Take in one message of a patient."""
    if speaker.patient.state is not PatientState.ACTIVE:
        return _after_the_end(text, speaker)
    day, window_id, talk = _talk(text.session, speaker, text.at)
    checkin = _checkin_of(text.session, speaker.patient.id, day)
    move = conversation.take(load_parser(), _exchange(checkin, talk), text.body, speaker.patient.weight_unit)
    if checkin is not None and checkin.answered_at > text.at:
        move = _without_what_was_said_since(checkin, move)
    if move.answers or move.note:
        answers = _joined(checkin, move, speaker.patient.weight_unit)
        new = NewCheckin(speaker.patient.id, answers, day, Source.TEXT)
        record_checkin(text.act_of(speaker), new)
    if window_id is not None:
        _remember(text.session, speaker, window_id, talk, move.exchange, text.at)
    return _answer(text, speaker, move, can_ask=window_id is not None and text.is_news)


def _without_what_was_said_since(checkin: Checkin, move: Move) -> Move:
    """A message taken in late adds to the day, and replaces nothing newer. A sign of an emergency still alarms."""
    new = {key: value for key, value in move.answers.items() if getattr(checkin, _column(key)) is None}
    alarm = move.alarm or (move.say is Say.SAFETY and "safety_signs" not in new)
    return replace(move, answers=new, alarm=alarm)


def _answer(text: IncomingText, speaker: Speaker, move: Move, *, can_ask: bool) -> TextOutcome:
    gave = bool(move.answers or move.note)
    if move.say is Say.SAFETY:
        send(text, speaker, MessageKind.SAFETY)
        if move.alarm:
            raise_alarm(text, speaker)
        return TextOutcome.SAFETY
    if move.say is Say.THANKS or not can_ask or move.about is None:
        say(text, speaker, THANKS if can_ask else NOTED if gave else NOTHING_ASKED)
        return TextOutcome.ANSWERED if gave else TextOutcome.PASSED
    again = move.say is Say.ASK_AGAIN
    say(text, speaker, move.about, again=again)
    if again:
        return TextOutcome.ASKED_AGAIN
    return TextOutcome.ANSWERED if gave else TextOutcome.ASKED


def _after_the_end(text: IncomingText, speaker: Speaker) -> TextOutcome:
    heard = load_parser().hear(text.body)
    if heard.signs or heard.alarm:
        send(text, speaker, MessageKind.SAFETY)
        raise_alarm(text, speaker)
        return TextOutcome.SAFETY
    send(text, speaker, MessageKind.HELP)
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


def _checkin_of(session: Session, patient_id: uuid.UUID, day: date) -> Checkin | None:
    return session.scalars(
        select(Checkin).where(
            Checkin.patient_id == patient_id, Checkin.local_date == day, Checkin.superseded_at.is_(None)
        )
    ).first()


def _exchange(checkin: Checkin | None, talk: Conversation | None) -> Exchange:
    answered = {key for key in conversation.ORDER if checkin is not None and getattr(checkin, _column(key)) is not None}
    if talk is None:
        return Exchange(frozenset(answered))
    asked_again = [str(key) for key in talk.asked_again]
    return Exchange(
        answered=frozenset(answered),
        asking=talk.asking,
        asked_again=frozenset(key for key in asked_again if not key.startswith(PASSED)),
        passed=frozenset(key.removeprefix(PASSED) for key in asked_again if key.startswith(PASSED)),
        over=talk.closed_at is not None,
    )


def _joined(checkin: Checkin | None, move: Move, own_unit: str) -> Answers:
    """The day's answers with what this message adds; what it says anew replaces what was there."""
    answers = Answers() if checkin is None else diary.from_columns(checkin)
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
            id=uuid.uuid4(),
            clinic_id=speaker.clinic.id,
            patient_id=speaker.patient.id,
            contact_id=speaker.contact.id,
            window_id=window_id,
            last_at=at,
        )
        session.add(talk)
    talk.answers = {key: True for key in conversation.ORDER if key in where.answered}  # which, not what
    talk.asking = where.asking
    talk.asked_again = sorted(where.asked_again) + sorted(f"{PASSED}{key}" for key in where.passed)
    talk.last_at = max(talk.last_at, at)
    talk.closed_at = at if where.over else None
    session.flush()


def _column(key: str) -> str:
    return "weight_kg" if key == "weight" else key
