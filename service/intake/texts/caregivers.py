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
from service.intake.texts.replies import LONGEST_QUOTE, Said, Speaker, TextOutcome, raise_alarm, say, send
from service.store.audit import Act
from service.store.tables import Caregiver, CaregiverReply, Conversation, Message, Window
from service.words.language import load_language
from service.words.replies import CAREGIVER_ASK, CAREGIVER_THANKS, NOTHING_ASKED, line_until
from service.words.texting import load_parser

ANSWERABLE = timedelta(hours=48)  # after that an answer is more likely about something else
ASKED_AGAIN = "caregiver"


def take(session: Session, said: Said, speaker: Speaker, caregiver: Caregiver) -> TextOutcome:
    """Take in one message of a caregiver."""
    ref, now = said.ref, said.now
    parser = load_parser()
    heard = parser.hear(said.body)
    if heard.signs or heard.alarm:
        send(session, speaker, MessageKind.SAFETY, ref, now)
        raise_alarm(session, speaker, ref, said.body, now)
        return TextOutcome.SAFETY
    window = _nudged_about(session, caregiver.id, said.at)
    if window is None:
        say(session, speaker, NOTHING_ASKED, ref, now)
        return TextOutcome.PASSED
    if parser.asks_for_the_list(said.body):
        say(session, speaker, CAREGIVER_ASK, ref, now)
        return TextOutcome.ASKED
    named = _last_day(said, speaker, window)
    answer = parser.caregiver_answer(said.body)
    if answer is None and named is not None:
        answer = _paused_before(session, caregiver.id, window.id)  # "until 12 Dec", after a 3
    words = " ".join(said.body.split())
    if answer is not None:
        note = words[:LONGEST_NOTE] if len(words.split()) > 1 else ""
        until = named if answer in CAUSES else None
        kept = record_caregiver_reply(
            Act(session, speaker.actor, speaker.clinic.id, now), caregiver.id, window.id, answer, until, note
        )
        thanks = None if kept.pause_id is None else line_until(load_language(speaker.language), kept.paused_to)
        say(session, speaker, CAREGIVER_THANKS, ref, now, instead=thanks)
        return TextOutcome.ANSWERED
    if _ask_again(session, speaker, window.id, said.at):
        say(session, speaker, CAREGIVER_ASK, ref, now, again=True)
        return TextOutcome.ASKED_AGAIN
    _hand_to_staff(session, speaker, caregiver.name, ref, words, now)
    say(session, speaker, CAREGIVER_THANKS, ref, now)
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


def _last_day(said: Said, speaker: Speaker, window: Window) -> date | None:
    """The last day they name, as the patient's calendar has it; None too when it is more than a page would take."""
    today = local_date(said.at, zone(speaker.patient.zone))
    day_first = load_language(speaker.language).day_first
    named = load_parser().days.last_day(plain(said.body), today, day_first=day_first)
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
            id=uuid.uuid4(), clinic_id=speaker.clinic.id, patient_id=speaker.patient.id,
            contact_id=speaker.contact.id, window_id=window_id, answers={}, asked_again=[ASKED_AGAIN], last_at=now,
        )
    )  # fmt: skip
    session.flush()
    return True


def _hand_to_staff(session: Session, speaker: Speaker, name: str, ref: str, words: str, now: datetime) -> None:
    raise_task(
        session,
        speaker.clinic.id,
        speaker.patient.id,
        CaregiverWrote(ref, name, words[:LONGEST_QUOTE]),
        f"caregiver_wrote:{ref}",
        now,
    )
