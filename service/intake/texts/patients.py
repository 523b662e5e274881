"""A patient's text message: what was given is kept at once, then the next question is asked.

The day's check-in is the truth of what is answered, however it came; the
conversation only remembers what was asked, and after its end each text is told what was kept of it
and as what; words that nothing asked for reach a person too. Every message that gives something
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

from service.care.tasks import raise_task
from service.domain import diary
from service.domain.diary import LONGEST_NOTE, Answers, NewCheckin
from service.domain.localtime import local_date
from service.domain.tasks import LONGEST_QUOTE, PatientWrote
from service.domain.texting import conversation
from service.domain.texting.conversation import WEIGHT_CHECK, Exchange, Move, Say
from service.domain.vocabulary import MessageKind, PatientState, Source, Urgency
from service.intake.checkins import questions_of, record_checkin
from service.intake.texts.replies import (
    TALK_LASTS,
    IncomingText,
    Speaker,
    TextOutcome,
    answer_emergency,
    begin_talk,
    send,
)
from service.store.tables import Checkin, Conversation, Window
from service.words import replies
from service.words.language import load_language, load_parser
from service.words.messages import NOTED, NOTHING_ASKED, READ_LATER, STILL_CALL, THANKS, line, line_weight

PASSED = "passed:"


def take(text: IncomingText, speaker: Speaker) -> TextOutcome:
    """Take in one message of a patient."""
    if speaker.patient.state is not PatientState.ACTIVE:
        return _after_the_end(text, speaker)
    day, window_id, talk = _talk(text.session, speaker, text.at)
    checkin = _checkin_of(text.session, speaker.patient.id, day)
    asks = questions_of(text.session, speaker.clinic.asks, speaker.patient.id, day)
    exchange, unit = replace(_exchange(checkin, talk), asks=asks), speaker.patient.weight_unit
    if window_id is None:
        exchange = replace(exchange, over=True)  # nothing is asked, and what comes is taken all the same
    if exchange.asking == WEIGHT_CHECK and checkin is not None and checkin.weight_unit:
        unit = checkin.weight_unit
    move = conversation.take(load_parser(), exchange, text.body, unit)
    if checkin is not None and checkin.answered_at > text.at:
        move = _without_what_was_said_since(checkin, move)
    can_ask = window_id is not None and text.is_news
    answers = Answers()
    if move.answers or move.note or move.weight_said is not None:
        answers = _joined(checkin, move, unit)
        new = NewCheckin(speaker.patient.id, answers, day, Source.TEXT)
        recorded = record_checkin(text.act_of(speaker), new)
        if move.say is Say.CALL_CLINIC and recorded.urgency is Urgency.EMERGENCY:
            move = replace(move, say=Say.SAFETY)  # with what was said before today
        if recorded.weight_doubt is not None and can_ask and conversation.may_check_weight(move):
            move = conversation.check_weight(move)
            doubt = recorded.weight_doubt
    if window_id is not None:
        _remember(text, talk or begin_talk(text, speaker, window_id), move.exchange)
    if move.say is Say.CHECK_WEIGHT:
        send(text, speaker, MessageKind.REPLY, line_weight(load_language(speaker.language), answers, doubt))
        return TextOutcome.ASKED_AGAIN
    told_to_call = checkin is not None and bool(checkin.safety_signs)
    if move.note and exchange.over:
        _tell_of_words(text, speaker, day)
    is_last = can_ask and not exchange.over
    return _answer(text, speaker, move, is_last=is_last, can_ask=can_ask, told_to_call=told_to_call)


def _without_what_was_said_since(checkin: Checkin, move: Move) -> Move:
    """A message taken in late adds to the day, and replaces nothing newer. A sign of an emergency still alarms."""
    new = {key: value for key, value in move.answers.items() if getattr(checkin, _column(key)) is None}
    if move.say in {Say.SAFETY, Say.CALL_CLINIC} and "safety_signs" not in new:
        move = replace(
            move, say=Say.SAFETY, alarm=True
        )  # which signs, no check-in holds: a needless call does less harm
    return replace(move, answers=new)


def _tell_of_words(text: IncomingText, speaker: Speaker, day: date) -> None:
    """Words that nothing asked for may ask something themselves: a person is to read them, once a day."""
    words = " ".join(text.body.split())[:LONGEST_QUOTE]
    key = f"patient_says:{speaker.contact.id}:{day.isoformat()}"
    raise_task(text.session, speaker.clinic.id, speaker.patient.id, PatientWrote(text.ref, day, words), key, text.now)


def _answer(
    text: IncomingText, speaker: Speaker, move: Move, *, is_last: bool, can_ask: bool, told_to_call: bool
) -> TextOutcome:
    """`is_last`: this text may end the asking; what comes after the end is told what became of it, and no more."""
    gave = bool(move.answers or move.note)
    if move.say is Say.SAFETY:
        return answer_emergency(text, speaker, tell_staff=move.alarm)
    if move.say is Say.CALL_CLINIC:
        send(text, speaker, MessageKind.CALL_CLINIC)
        return TextOutcome.SAME_DAY
    if move.say is Say.THANKS or not can_ask or move.about is None:
        ending = THANKS if is_last else READ_LATER if move.note else NOTED if gave else NOTHING_ASKED
        # "That is all" would take back the call that a sign earlier today asked for.
        _say(text, speaker, move, STILL_CALL if told_to_call else ending)
        return TextOutcome.ANSWERED if gave else TextOutcome.PASSED
    again = move.say is Say.ASK_AGAIN
    _say(text, speaker, move, move.about, again=again)
    if again:
        return TextOutcome.ASKED_AGAIN
    return TextOutcome.ANSWERED if gave else TextOutcome.ASKED


def _say(text: IncomingText, speaker: Speaker, move: Move, key: str, *, again: bool = False) -> None:
    """One of our lines, after what was understood and what was not, unless clinic or patient wants no repeating."""
    language = load_language(speaker.language)
    parts = []
    if speaker.clinic.says_back and speaker.patient.says_back:
        unit = move.weight_unit or speaker.patient.weight_unit
        parts.append(replies.understood(language, move.answers, unit))
        if not move.all_read:
            parts.append(replies.not_understood(language, after=bool(move.answers), kept=bool(move.note)))
    if not (key == NOTED and any(parts)):
        parts.append(line(language, key, again=again))
    send(text, speaker, MessageKind.REPLY, " ".join(part for part in parts if part))


def _after_the_end(text: IncomingText, speaker: Speaker) -> TextOutcome:
    heard = load_parser().hear(text.body)
    if heard.alarms:
        return answer_emergency(text, speaker)
    send(text, speaker, MessageKind.HELP)
    return TextOutcome.NOT_MONITORED


def _talk(session: Session, speaker: Speaker, at: datetime) -> tuple[date, uuid.UUID | None, Conversation | None]:
    """The day a message tells of, its window if it has one, and the talk so far."""
    today = local_date(at, speaker.patient.zone)
    rows = session.execute(
        select(Window.local_date, Window.id, Window.closes_at, Conversation)
        .outerjoin(
            Conversation, (Conversation.window_id == Window.id) & (Conversation.contact_id == speaker.contact.id)
        )
        .where(
            Window.patient_id == speaker.patient.id,
            Window.local_date.between(today - timedelta(days=1), today + timedelta(days=1)),
            Window.opens_at <= at,
        )
        .order_by(Window.local_date.desc())
    ).all()
    for day, window_id, closes_at, talk in rows:
        goes_on = talk is not None and talk.closed_at is None and talk.last_at >= at - TALK_LASTS
        # One that is still open where the patient has moved away from may be of another date than today.
        if day == today or goes_on or at < closes_at:
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
    if move.weight_said is not None:
        answers = diary.weight_said(answers, move.weight_said)
    given: dict[str, Any] = dict(move.answers)
    if "weight" in given:
        given["weight_unit"] = move.weight_unit or own_unit
        given["weight_confirmed"] = move.weight_confirmed
    if "safety_signs" in given:
        # Two signs told one after the other are together: only "none" takes a sign back.
        signs = tuple(given["safety_signs"])
        given["safety_signs"] = signs and tuple(dict.fromkeys((*(answers.safety_signs or ()), *signs)))
    if move.note:
        given["note"] = "; ".join(part for part in (answers.note, move.note) if part)[:LONGEST_NOTE]
    return replace(answers, **given)


def _remember(text: IncomingText, talk: Conversation, where: Exchange) -> None:
    talk.answers = {key: True for key in conversation.ORDER if key in where.answered}  # which, not what
    talk.asking = where.asking
    talk.asked_again = sorted(where.asked_again) + sorted(f"{PASSED}{key}" for key in where.passed)
    talk.last_at = max(talk.last_at, text.at)
    talk.closed_at = text.at if where.over else None
    text.session.flush()


def _column(key: str) -> str:
    return "weight_kg" if key == "weight" else key
