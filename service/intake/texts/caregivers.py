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
from service.domain.localtime import local_date
from service.domain.tasks import LONGEST_QUOTE, CaregiverWrote
from service.domain.texting.vocabulary import plain
from service.domain.vocabulary import MessageKind
from service.intake.caregivers import (
    CAUSES,
    LONGEST_DAYS,
    LONGEST_NOTE,
    newest_reply,
    record_caregiver_reply,
    reminders_go_on,
)
from service.intake.texts.replies import (
    IncomingText,
    Speaker,
    TextOutcome,
    answer_emergency,
    begin_talk,
    say,
    send,
)
from service.store.tables import Caregiver, CaregiverReply, Conversation, Message, Window
from service.words.language import load_language, load_parser
from service.words.messages import CAREGIVER_ASK, CAREGIVER_GOES_ON, CAREGIVER_THANKS, NOTHING_ASKED, line_until

ANSWERABLE = timedelta(hours=48)  # after that an answer is more likely about something else
ASKED_AGAIN, THANKED = "caregiver", "thanked"


def take(text: IncomingText, speaker: Speaker, caregiver: Caregiver) -> TextOutcome:
    """Take in one message of a caregiver."""
    session = text.session
    parser = load_parser()
    heard = parser.hear(text.body)
    if heard.alarms:
        return answer_emergency(text, speaker)
    window = _nudged_about(session, caregiver.id, text.at)
    if window is None:
        say(text, speaker, NOTHING_ASKED)
        return TextOutcome.PASSED
    if parser.asks_for_the_list(text.body):
        say(text, speaker, CAREGIVER_ASK)
        return TextOutcome.ASKED
    named = _last_day(text, speaker, window)
    answer = parser.caregiver_answer(text.body)
    if answer is None and named is not None:  # "until 12 Dec", after a 3
        earlier = newest_reply(session, caregiver.id, window.id)
        answer = earlier.answer if earlier is not None and earlier.answer in CAUSES else None
    words = " ".join(text.body.split())
    if answer is not None:
        note = words[:LONGEST_NOTE] if len(words.split()) > 1 else ""
        until = named if answer in CAUSES else None
        reply = record_caregiver_reply(text.act_of(speaker), caregiver.id, window.id, answer, until, note)
        if reply.pause_id is None:
            today = local_date(text.now, speaker.patient.zone)
            goes_on = reminders_go_on(session, session.get_one(CaregiverReply, reply.id), today)
            say(text, speaker, CAREGIVER_GOES_ON if goes_on else CAREGIVER_THANKS)
        else:
            send(text, speaker, MessageKind.REPLY, line_until(load_language(speaker.language), reply.paused_to))
        return TextOutcome.ANSWERED
    if _ask_again(text, speaker, window.id):
        say(text, speaker, CAREGIVER_ASK, again=True)
        return TextOutcome.ASKED_AGAIN
    wrote = CaregiverWrote(text.ref, caregiver.name, words[:LONGEST_QUOTE])
    raise_task(session, speaker.clinic.id, speaker.patient.id, wrote, f"caregiver_wrote:{text.ref}", text.now)
    if _thank(text, speaker, window.id):
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
    today = local_date(text.at, speaker.patient.zone)
    day_first = load_language(speaker.language).day_first
    named = load_parser().days.last_day(plain(text.body), today, day_first=day_first)
    if named is None or named > window.local_date + timedelta(days=LONGEST_DAYS):
        return None
    return named


def _thank(text: IncomingText, speaker: Speaker, window_id: uuid.UUID) -> bool:
    """Note that words are thanked for. False when some were already: a telephone may be answering by itself."""
    of_window = (Conversation.window_id == window_id, Conversation.contact_id == speaker.contact.id)
    talk = text.session.scalars(select(Conversation).where(*of_window)).one()
    if THANKED in talk.asked_again:
        return False
    talk.asked_again = [*talk.asked_again, THANKED]
    text.session.flush()
    return True


def _ask_again(text: IncomingText, speaker: Speaker, window_id: uuid.UUID) -> bool:
    """Note that we ask once more. False when we have already."""
    talk = select(Conversation.id).where(
        Conversation.window_id == window_id, Conversation.contact_id == speaker.contact.id
    )
    if text.session.scalar(talk) is not None:
        return False
    begin_talk(text, speaker, window_id).asked_again = [ASKED_AGAIN]
    text.session.flush()
    return True
