"""A caregiver's text message: an answer to the nudge they were sent, perhaps with a last day, or words that alarm.

A last day is read beside the answer or after it, and the caregiver is told which day was kept.
What is past, unclear or two days is not guessed: the usual length holds, and staff read the words.
"""

from __future__ import annotations

import uuid
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care.tasks import raise_task
from service.domain.localtime import local_date, zone
from service.domain.tasks import CaregiverWrote
from service.domain.texting.vocabulary import plain
from service.domain.vocabulary import CaregiverAnswer, MessageKind
from service.intake.caregivers import CAUSES, LONGEST_DAYS, LONGEST_NOTE, record_caregiver_reply
from service.intake.texts.replies import LONGEST_QUOTE, IncomingText, Speaker, TextOutcome, raise_alarm, say, send
from service.store.tables import Caregiver, CaregiverReply, Conversation, Message, Window
from service.words.language import load_language
from service.words.replies import CAREGIVER_ASK, CAREGIVER_THANKS, NOTHING_ASKED, line_until
from service.words.texting import load_parser

ANSWERABLE = timedelta(hours=48)  # after that an answer is more likely about something else
ASKED_AGAIN = "caregiver"


def take(text: IncomingText, speaker: Speaker, caregiver: Caregiver) -> TextOutcome:
    """Take in one message of a caregiver."""
    session = text.session
    parser = load_parser()
    heard = parser.hear(text.body)
    if heard.signs or heard.alarm:
        send(text, speaker, MessageKind.SAFETY)
        raise_alarm(text, speaker)
        return TextOutcome.SAFETY
    window = _nudged_about(session, caregiver.id, text.at)
    if window is None:
        say(text, speaker, NOTHING_ASKED)
        return TextOutcome.PASSED
    if parser.asks_for_the_list(text.body):
        say(text, speaker, CAREGIVER_ASK)
        return TextOutcome.ASKED
    named = _last_day(text, speaker, window)
    answer = parser.caregiver_answer(text.body)
    if answer is None and named is not None:
        answer = _paused_before(session, caregiver.id, window.id)  # "until 12 Dec", after a 3
    words = " ".join(text.body.split())
    if answer is not None:
        note = words[:LONGEST_NOTE] if len(words.split()) > 1 else ""
        until = named if answer in CAUSES else None
        reply = record_caregiver_reply(text.act_of(speaker), caregiver.id, window.id, answer, until, note)
        if reply.pause_id is None:
            say(text, speaker, CAREGIVER_THANKS)
        else:
            send(text, speaker, MessageKind.REPLY, line_until(load_language(speaker.language), reply.paused_to))
        return TextOutcome.ANSWERED
    if _ask_again(session, speaker, window.id, text.at):
        say(text, speaker, CAREGIVER_ASK, again=True)
        return TextOutcome.ASKED_AGAIN
    _hand_to_staff(text, speaker, caregiver.name, words)
    say(text, speaker, CAREGIVER_THANKS)
    return TextOutcome.ANSWERED


def _nudged_about(session: Session, caregiver_id: uuid.UUID, at: datetime) -> Window | None:
    """The window of the newest nudge that had left for this caregiver when they wrote."""
    return session.scalars(
        select(Window)
        .join(Message, Message.window_id == Window.id)
        .where(
            Message.caregiver_id == caregiver_id,
            Message.kind == MessageKind.NUDGE,
            Message.handed_over_at.between(at - ANSWERABLE, at),
        )
        .order_by(Message.handed_over_at.desc())
        .limit(1)
    ).first()


def _last_day(text: IncomingText, speaker: Speaker, window: Window) -> date | None:
    """The last day they name, as the patient's calendar has it; None too when it is more than a page would take."""
    today = local_date(text.at, zone(speaker.patient.zone))
    day_first = load_language(speaker.language).day_first
    named = load_parser().days.last_day(plain(text.body), today, day_first=day_first)
    if named is None or named > window.local_date + timedelta(days=LONGEST_DAYS):
        return None
    return named


def _paused_before(session: Session, caregiver_id: uuid.UUID, window_id: uuid.UUID) -> CaregiverAnswer | None:
    """What they said of this window last, if it is an answer that a last day belongs to."""
    newest = session.scalar(
        select(CaregiverReply.answer)
        .where(CaregiverReply.caregiver_id == caregiver_id, CaregiverReply.window_id == window_id)
        .order_by(CaregiverReply.at.desc())
        .limit(1)
    )
    return newest if newest in CAUSES else None


def _ask_again(session: Session, speaker: Speaker, window_id: uuid.UUID, now: datetime) -> bool:
    """Note that we ask once more. False when we have already."""
    talk = session.scalars(
        select(Conversation).where(Conversation.window_id == window_id, Conversation.contact_id == speaker.contact.id)
    ).first()
    if talk is not None:
        return False
    session.add(
        Conversation(
            id=uuid.uuid4(),
            clinic_id=speaker.clinic.id,
            patient_id=speaker.patient.id,
            contact_id=speaker.contact.id,
            window_id=window_id,
            answers={},
            asked_again=[ASKED_AGAIN],
            last_at=now,
        )
    )
    session.flush()
    return True


def _hand_to_staff(text: IncomingText, speaker: Speaker, name: str, words: str) -> None:
    raise_task(
        text.session,
        speaker.clinic.id,
        speaker.patient.id,
        CaregiverWrote(text.ref, name, words[:LONGEST_QUOTE]),
        f"caregiver_wrote:{text.ref}",
        text.now,
    )
