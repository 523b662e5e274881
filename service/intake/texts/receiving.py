"""Take in text messages from people: check-ins, caregivers' answers, STOP and its kin, staff's too.

Promises that a message is taken in once however often the gateway tells of it, that
an unknown number changes nothing, that a sign of an emergency is answered at once
with the number to call and a task for staff, and that every reply is lock-screen
safe and goes only to somebody who has just written.

STOP ends messages for everybody who has that number, with one confirmation; START undoes it.
What a person texts is never refused to the gateway, only cut: refused, it would come again for
ever and be read by nobody.
"""

from __future__ import annotations

import re
import uuid
from datetime import datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.care import contacts
from service.care.consents import record_consent
from service.domain.texting.parsing import Keyword
from service.domain.validation import storable
from service.domain.vocabulary import Channel, ConsentKind, MessageKind
from service.intake.texts import caregivers, patients, staff
from service.intake.texts.replies import IncomingText, Speaker, StaffSpeaker, TextOutcome, send
from service.store.tables import Caregiver, Clinic, Contact, InboundText, Message, Patient
from service.store.upsert import insert_new
from service.words.texting import load_parser

ASKING = (MessageKind.PROMPT, MessageKind.REMINDER, MessageKind.NUDGE, MessageKind.REPLY)


def take_text(
    session: Session,
    gateway_ref: str,
    from_address: str,
    body: str,
    now: datetime,
    *,
    said_at: datetime | None = None,
) -> TextOutcome:
    """Take in one text message and everything that follows from it, in one transaction.

    `gateway_ref` is the gateway's own name for the message; told again, it changes nothing.
    `said_at` is when it was said, for one that is taken in long after (it was set aside, and
    released): it is about that day, and takes back nothing that was said since.
    """
    if not _is_first(session, gateway_ref, now):
        return TextOutcome.REPEATED
    text = IncomingText(session, gateway_ref, storable(body), now if said_at is None else min(said_at, now), now)
    address = _e164(from_address)
    speakers, members = _speakers(session, address), staff.speakers(session, address)
    outcome, contact_id = TextOutcome.UNKNOWN, None
    if speakers:
        speaker = speakers[0] if len(speakers) == 1 else _last_asked(session, speakers)
        outcome, contact_id = _heard(text, speakers, speaker, members), speaker.contact.id
    elif members:
        outcome, contact_id = staff.take(text, members, load_parser().keyword(text.body)), members[0].contact.id
    session.execute(
        update(InboundText)
        .where(InboundText.gateway_ref == gateway_ref)
        .values(outcome=outcome.value, contact_id=contact_id)
        .execution_options(synchronize_session=False)
    )
    return outcome


def _heard(text: IncomingText, speakers: list[Speaker], speaker: Speaker, members: list[StaffSpeaker]) -> TextOutcome:
    word = load_parser().keyword(text.body)
    if word is Keyword.STOP:
        return _stop(text, speakers, members)
    if word is Keyword.START:
        return _start(text, speakers, members)
    if word is Keyword.HELP:
        send(text, speaker, MessageKind.HELP)
        return TextOutcome.HELPED
    if speaker.caregiver is not None:
        return caregivers.take(text, speaker, speaker.caregiver)
    return patients.take(text, speaker)


def _stop(text: IncomingText, speakers: list[Speaker], members: list[StaffSpeaker]) -> TextOutcome:
    """Everybody at this number is sent nothing more; one confirmation goes there, and a second STOP gets none."""
    ended = staff.stop(text, members)
    agreed = [speaker for speaker in speakers if _agrees(text, speaker)]
    for speaker in agreed:
        _record(text, speaker, False, "text STOP")
    if agreed:
        send(text, agreed[0], MessageKind.STOPPED)
    elif ended:
        send(text, ended[0], MessageKind.STOPPED)
    return TextOutcome.STOPPED


def _start(text: IncomingText, speakers: list[Speaker], members: list[StaffSpeaker]) -> TextOutcome:
    """Messages begin again for everybody at this number. A START of the past undoes no withdrawal since then."""
    if not text.is_news:
        return TextOutcome.PASSED
    staff.start(text, members)
    for speaker in speakers:
        if not _agrees(text, speaker):
            _record(text, speaker, True, "text START")
    send(text, speakers[0], MessageKind.STARTED)
    return TextOutcome.STARTED


def _agrees(text: IncomingText, speaker: Speaker) -> bool:
    return contacts.has_consent(text.session, speaker.patient.id, ConsentKind.MESSAGES, speaker.caregiver_id)


def _record(text: IncomingText, speaker: Speaker, given: bool, how: str) -> None:
    record_consent(text.act_of(speaker), speaker.patient, ConsentKind.MESSAGES, given, how, speaker.caregiver)


def _is_first(session: Session, gateway_ref: str, now: datetime) -> bool:
    row = {"id": uuid.uuid4(), "gateway_ref": gateway_ref, "received_at": now, "outcome": TextOutcome.UNKNOWN.value}
    return insert_new(session, InboundText.__table__, [row], ["gateway_ref"]) == 1


def _speakers(session: Session, address: str) -> list[Speaker]:
    """The patients and caregivers who have this number, patients first. Two people may share a telephone."""
    rows = session.execute(
        select(Contact, Caregiver, Patient, Clinic)
        .outerjoin(Caregiver, Caregiver.id == Contact.caregiver_id)
        .join(Patient, (Patient.id == Contact.patient_id) | (Patient.id == Caregiver.patient_id))
        .join(Clinic, Clinic.id == Contact.clinic_id)
        .where(Contact.channel == Channel.TEXT, Contact.address == address)
        .order_by(Contact.patient_id.is_(None), Contact.created_at, Contact.id)
    )
    return [Speaker(*row) for row in rows if row.Caregiver is None or row.Caregiver.active]


def _last_asked(session: Session, speakers: list[Speaker]) -> Speaker:
    """Whom we wrote to last at this number: the answer is most likely theirs."""
    newest = session.scalar(
        select(Message.contact_id)
        .where(
            Message.contact_id.in_([one.contact.id for one in speakers]),
            Message.kind.in_(ASKING),
            Message.handed_over_at.is_not(None),
        )
        .order_by(Message.handed_over_at.desc())
        .limit(1)
    )
    return next((one for one in speakers if one.contact.id == newest), speakers[0])


def _e164(address: str) -> str:
    digits = re.sub(r"[^0-9+]", "", address)
    return f"+{digits[2:]}" if digits.startswith("00") else digits
