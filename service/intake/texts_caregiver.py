"""A caregiver's text message: an answer to the nudge they were sent, or words that alarm."""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain import texting
from service.domain.exchange_words import CAREGIVER_ASK, CAREGIVER_THANKS, NOTHING_ASKED
from service.domain.words import MessageKind, TaskKind
from service.intake.caregivers import LONGEST_NOTE, record_caregiver_reply
from service.intake.texts_replies import LONGEST_QUOTE, Speaker, TextOutcome, raise_alarm, say, send
from service.store.tables import Caregiver, Conversation, Message
from service.store.tasks import raise_task

ANSWERABLE = timedelta(hours=48)  # after that an answer is more likely about something else
ASKED_AGAIN = "caregiver"


def take(session: Session, ref: str, speaker: Speaker, caregiver: Caregiver, body: str, now: datetime) -> TextOutcome:
    """Take in one message of a caregiver."""
    heard = texting.hear(body)
    if heard.signs or heard.alarm:
        send(session, speaker, MessageKind.SAFETY, ref, now)
        raise_alarm(session, speaker, ref, body, now)
        return TextOutcome.SAFETY
    window_id = _nudged_about(session, caregiver.id, now)
    if window_id is None:
        say(session, speaker, NOTHING_ASKED, ref, now)
        return TextOutcome.PASSED
    answer = texting.caregiver_answer(body)
    words = " ".join(body.split())
    if answer is not None:
        note = words[:LONGEST_NOTE] if len(words.split()) > 1 else ""
        record_caregiver_reply(session, caregiver.id, window_id, answer, None, note, speaker.actor, now)
        say(session, speaker, CAREGIVER_THANKS, ref, now)
        return TextOutcome.ANSWERED
    if _ask_again(session, speaker, window_id, now):
        say(session, speaker, CAREGIVER_ASK, ref, now, again=True)
        return TextOutcome.ASKED_AGAIN
    _hand_to_staff(session, speaker, caregiver.name, ref, words, now)
    say(session, speaker, CAREGIVER_THANKS, ref, now)
    return TextOutcome.ANSWERED


def _nudged_about(session: Session, caregiver_id: uuid.UUID, now: datetime) -> uuid.UUID | None:
    """The window of the newest nudge that left for this caregiver."""
    return session.scalar(
        select(Message.window_id)
        .where(
            Message.caregiver_id == caregiver_id,
            Message.kind == MessageKind.NUDGE,
            Message.window_id.is_not(None),
            Message.handed_over_at >= now - ANSWERABLE,
        )
        .order_by(Message.handed_over_at.desc())
        .limit(1)
    )


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
        TaskKind.CAREGIVER_SAYS,
        f"{name} wrote, in answer to a nudge: “{words[:LONGEST_QUOTE]}”",
        {"inbound": ref, "caregiver": str(speaker.caregiver_id)},
        f"caregiver_wrote:{ref}",
        now,
    )
