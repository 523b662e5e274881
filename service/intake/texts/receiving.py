"""Take in text messages from people: check-ins, caregivers' answers, STOP and its kin, staff's too.

Promises that a message is taken in once however often the gateway tells of it, that
what a stranger writes changes no record and reaches a person (`strangers`), that a sign of
an emergency is answered at once with the number to call and a task for staff, and that
every reply is lock-screen safe and goes only to somebody who has just written; that our own words,
coming back from a telephone that forwards or answers by itself, are nobody's answer and no alarm.

STOP ends messages for everybody who has that number, with one confirmation. START undoes such a STOP
and nothing else: it is no agreement of somebody who never gave one, or who took it back in another way.
From staff it ends what goes to that telephone and to no other contact of theirs, and the clinic is
told at once who is reached there no longer: an open task that nobody hears of is how an emergency
goes unseen. An alarm from staff is a task too. Nothing else that staff text is acted on: no task
is taken on somebody's behalf.
What a person texts is never refused to the gateway, only cut: refused, it would come again for
ever and be read by nobody.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlalchemy import and_, exists, func, select, update
from sqlalchemy.orm import Session

from service.care import contacts
from service.care.tasks import close_tasks, raise_task
from service.domain import validation
from service.domain.tasks import LONGEST_QUOTE, AlarmOfStaff, StaffStopped, StartTexted
from service.domain.texting.parsing import Keyword
from service.domain.validation import storable
from service.domain.vocabulary import (
    CLINICAL_STAFF,
    ConsentKind,
    ContactState,
    MessageKind,
    PatientState,
    TaskKind,
    TaskSettled,
)
from service.intake.texts import caregivers, clinics, patients, strangers
from service.intake.texts.clinics import Said, Senders
from service.intake.texts.replies import (
    STOP_BY_TEXT,
    IncomingText,
    Speaker,
    StaffSpeaker,
    TextOutcome,
    say,
    send,
    tell_of_alarm,
)
from service.store import outbox
from service.store.identity import new_id
from service.store.session import within
from service.store.tables import Contact, InboundText, Message, Staff, Task
from service.store.types import begins
from service.store.upsert import insert_new
from service.words.language import load_parser, may_be_emergency
from service.words.messages import NOTHING_ASKED

LONGEST_COUNTED = 94  # letters of a gateway's name to which a digest and a time are added
# How long the same words under the same name are the same text. Gateways tell again for a day or two; common
# practice, no source.
TOLD_AGAIN, ALARM_TOLD_AGAIN = timedelta(days=2), timedelta(hours=1)
ECHOED_WITHIN = timedelta(days=1)
ASKING = (MessageKind.PROMPT, MessageKind.REMINDER, MessageKind.NUDGE, MessageKind.REPLY)


def take_text(
    session: Session,
    gateway_ref: str,
    from_address: str,
    body: str,
    now: datetime,
    *,
    line: str = "",
    said_at: datetime | None = None,
) -> TextOutcome:
    """Take in one text message and everything that follows from it, in one transaction.

    `gateway_ref` is the gateway's own name for the message; told again, it changes nothing. Another
    text under a name that was there before is another one: some gateways begin to count anew. So are the
    same words under the same name when they come later than a gateway tells again (`TOLD_AGAIN`), and sooner
    where they may be an emergency: a second answer there does less harm than none.
    `line` is what was written to, where the gateway tells that. `said_at` is when it was said,
    for one that is taken in long after (it was set aside, and released): it is about that day,
    and takes back nothing that was said since.
    """
    ref = _first_told_as(session, gateway_ref, from_address, body, now)
    if ref is None:
        return TextOutcome.REPEATED
    text = IncomingText(session, ref, storable(body), now if said_at is None else min(said_at, now), now)
    address = validation.dialled(from_address)
    senders = clinics.senders(session, address, line)
    if not senders.speakers and not senders.members:
        return _note(text, strangers.take(text, from_address, line), None)
    if (echoes := _echoes(text, [*senders.speakers, *senders.members])) is not None:
        return _note(text, TextOutcome.ECHO, echoes)
    by = _last_asked(session, senders.speakers) if senders.speakers else senders.members[0]
    if isinstance(by, Speaker) and senders.are_in_doubt and not _is_order(text):
        return _from_several(text, address, senders, by)
    return _note(text, _heard(text, senders.speakers, senders.members, by), by)


def _note(text: IncomingText, outcome: TextOutcome, by: Speaker | StaffSpeaker | None) -> TextOutcome:
    text.session.execute(
        update(InboundText)
        .where(InboundText.gateway_ref == text.ref)
        .values(outcome=outcome.value, contact_id=None if by is None else by.contact.id)
    )
    return outcome


def _is_order(text: IncomingText) -> bool:
    return load_parser().keyword(text.body) in {Keyword.STOP, Keyword.START, Keyword.HELP}


def _heard(
    text: IncomingText, speakers: list[Speaker], members: list[StaffSpeaker], by: Speaker | StaffSpeaker
) -> TextOutcome:
    word = load_parser().keyword(text.body)
    if word is Keyword.STOP:
        return _stop(text, speakers, members)
    if word is Keyword.START:
        return _start(text, speakers, members)
    if word is Keyword.HELP:
        send(text, by, MessageKind.HELP)
        return TextOutcome.HELPED
    if isinstance(by, StaffSpeaker):
        if may_be_emergency(text.body):
            return _alarm_of_staff(text, members, by)
        if not _has_stopped(by):
            say(text, by, NOTHING_ASKED)
        return TextOutcome.PASSED
    with within(text.session, by.clinic.id):
        outcome = patients.take(text, by) if by.caregiver is None else caregivers.take(text, by, by.caregiver)
    if outcome is TextOutcome.SAFETY:
        others = {one.patient.id: one for one in speakers if one.patient.id != by.patient.id}
        clinics.tell_in_doubt(text, list(others.values()), by)  # who was asked last need not be who wrote
    return outcome


def _alarm_of_staff(text: IncomingText, members: Sequence[StaffSpeaker], by: StaffSpeaker) -> TextOutcome:
    """Their own, or somebody's of whom they know: it is no task of anybody's yet."""
    send(text, by, MessageKind.SAFETY)
    words = " ".join(text.body.split())[:LONGEST_QUOTE]
    for one in members:
        facts = AlarmOfStaff(text.ref, one.staff.name, words, by.clinic.emergency_number)
        tell_of_alarm(text, by, one, facts, f"alarm:{text.ref}:{one.contact.id}")
    return TextOutcome.SAFETY


def _from_several(text: IncomingText, address: str, senders: Senders, by: Speaker) -> TextOutcome:
    """A text that several clinics could be meant by: nothing of it goes to any of them before it is known which."""
    if not senders.astray:
        if those := clinics.meant(text, address, senders.speakers):
            by = _last_asked(text.session, those)
            return _note(text, _heard(text, those, [], by), by)
        if (said := clinics.answered(text, address, senders.speakers)) is not None:
            return _note(text, _chosen(text, senders, said, by), None)
    alarms = may_be_emergency(text.body)
    if alarms:
        clinics.tell_all(text, senders.speakers, by)
    if by.patient.state is PatientState.ENDED or senders.astray:
        if not alarms:
            send(text, by, MessageKind.HELP)
            if senders.astray:  # nothing of it is taken in anywhere, and those who know them are told that it came
                clinics.ask_to_check(text.session, senders.speakers, text.now)
        outcome = TextOutcome.ASTRAY if senders.astray else TextOutcome.NOT_MONITORED
        return _note(text, TextOutcome.SAFETY if alarms else outcome, None)
    held = clinics.hold(text, address, senders.speakers, may_ask=not alarms)
    return _note(text, TextOutcome.SAFETY if alarms else held, None)


def _chosen(text: IncomingText, senders: Senders, said: Said, by: Speaker) -> TextOutcome:
    """They have said which clinic they mean: what waited is taken in there, as what was said when it was said."""
    if not said.speakers:
        clinics.ask_to_check(text.session, senders.speakers, text.now)
        say(text, by, NOTHING_ASKED)
    for one in said.waited:
        waited = IncomingText(text.session, one.gateway_ref, one.body, one.said_at, text.now)
        if not said.speakers:
            _note(waited, TextOutcome.FORGOTTEN, None)
            continue
        whose = _last_asked(text.session, said.speakers)
        _note(waited, _heard(waited, said.speakers, [], whose), whose)
    return TextOutcome.CHOSEN


def _stop(text: IncomingText, speakers: list[Speaker], members: list[StaffSpeaker]) -> TextOutcome:
    """Everybody at this number is sent nothing more; one confirmation goes there, and a second STOP gets none."""
    ended = _end_notices(text, members)
    agreed = [speaker for speaker in speakers if text.agrees(speaker)]
    for speaker in agreed:
        _record(text, speaker, False, STOP_BY_TEXT)
    if agreed:
        send(text, agreed[0], MessageKind.STOPPED)
    elif ended:
        send(text, ended[0], MessageKind.STOPPED)
    return TextOutcome.STOPPED


def _start(text: IncomingText, speakers: list[Speaker], members: list[StaffSpeaker]) -> TextOutcome:
    """Messages begin again for those at this number whom a STOP by text had ended them for.

    A START of the past undoes no withdrawal since then. Whose agreement does not stand for another reason
    is told how to reach the clinic, and the clinic that they asked.
    """
    if speakers and not text.is_news:
        return TextOutcome.PASSED
    _begin_notices(text, members)
    looked_after = [speaker for speaker in speakers if speaker.patient.state is PatientState.ACTIVE]
    for speaker in looked_after:
        newest = contacts.newest_consent(text.session, speaker.patient.id, ConsentKind.MESSAGES, speaker.caregiver_id)
        if newest is not None and not newest.given and newest.how == STOP_BY_TEXT:
            _record(text, speaker, True, "text START")
        elif newest is None or not newest.given:
            facts = StartTexted(speaker.contact.id, speaker.whose)
            key = f"start_texted:{speaker.contact.id}:{text.at.date().isoformat()}"
            with within(text.session, speaker.clinic.id):
                raise_task(text.session, speaker.clinic.id, speaker.patient.id, facts, key, text.now)
    agreed = [speaker for speaker in looked_after if text.agrees(speaker)]
    if speakers and not agreed:
        send(text, speakers[0], MessageKind.HELP)
        return TextOutcome.HELPED
    send(text, (agreed or members)[0], MessageKind.STARTED)
    return TextOutcome.STARTED


def _end_notices(text: IncomingText, members: Sequence[StaffSpeaker]) -> list[StaffSpeaker]:
    """Nothing more goes to these telephones. Returns those to which notices still went.

    What is queued to them stays: at its last look it goes to the person's next contact.
    """
    ended = [member for member in members if not _has_stopped(member)]
    for member in ended:
        with within(text.session, member.clinic.id):
            member.contact.state = ContactState.BROKEN
            member.contact.broken_reason = STOP_BY_TEXT
            text.session.flush()
            text.act_of(member).note("contact.stop", member.contact, staff=member.staff.id)
            raise_task(
                text.session,
                member.clinic.id,
                None,
                StaffStopped(member.contact.id, member.staff.name, _is_last(text.session, member)),
                f"{_key(member)}{text.ref}",
                text.now,
            )
    return ended


def _begin_notices(text: IncomingText, members: Sequence[StaffSpeaker]) -> None:
    """Notices go to these telephones again, where STOP had ended them. One that broke stays broken."""
    for member in members:
        if not _has_stopped(member):
            continue
        with within(text.session, member.clinic.id):
            member.contact.state = ContactState.OK
            member.contact.broken_reason = None
            text.session.flush()
            text.act_of(member).note("contact.start", member.contact)
            raised = and_(
                Task.clinic_id == member.clinic.id,
                Task.kind == TaskKind.BROKEN_CONTACT,
                begins(Task.dedupe_key, _key(member)),
            )
            close_tasks(text.session, raised, TaskSettled.TEXTED_START, text.now)


def _has_stopped(member: StaffSpeaker) -> bool:
    return member.contact.state is ContactState.BROKEN and member.contact.broken_reason == STOP_BY_TEXT


def _is_last(session: Session, member: StaffSpeaker) -> bool:
    """Whether nobody else at the clinic is told of open tasks by a message now."""
    others = session.scalar(
        select(func.count())
        .select_from(Contact)
        .join(Staff, Staff.id == Contact.staff_id)
        .where(
            Contact.clinic_id == member.clinic.id,
            Contact.state == ContactState.OK,
            Staff.active,
            Staff.holds_any(CLINICAL_STAFF),
        )
    )
    return not others


def _key(member: StaffSpeaker) -> str:
    return f"staff_stopped:{member.contact.id}:"


def _record(text: IncomingText, speaker: Speaker, given: bool, how: str) -> None:
    with within(text.session, speaker.clinic.id):
        act = text.act_of(speaker)
        contacts.record_consent(act, speaker.patient, ConsentKind.MESSAGES, given, how, speaker.caregiver)


def _first_told_as(session: Session, gateway_ref: str, sender: str, body: str, now: datetime) -> str | None:
    """The name under which this text is taken in now; None where it was before.

    A name is made from what stood under the one before it, so that two who are told at once make the same.
    """
    said = hashlib.sha256(f"{sender}\n{body}".encode("utf-8", "replace")).hexdigest()[:8]
    lately = now - (ALARM_TOLD_AGAIN if may_be_emergency(body) else TOLD_AGAIN)
    start, name = gateway_ref[:LONGEST_COUNTED], gateway_ref
    while True:
        row = {"id": new_id(), "gateway_ref": name, "said": said, "received_at": now}
        row |= {"outcome": TextOutcome.UNKNOWN.value}
        if insert_new(session, InboundText.__table__, [row], ["gateway_ref"]) == 1:
            return name
        there = (InboundText.gateway_ref == name,)
        before, received_at = session.execute(select(InboundText.said, InboundText.received_at).where(*there)).one()
        if before == said and received_at > lately:
            return None
        if before == said:
            name = f"{start}~{said}~{received_at:%y%m%d%H%M%S}"
        elif name == gateway_ref:
            name = f"{start}~{said}"
        else:
            return None


def _echoes(text: IncomingText, those: Sequence[Speaker | StaffSpeaker]) -> Speaker | StaffSpeaker | None:
    """Whose telephone says, word for word, what we wrote to it within a day."""
    for one in those:
        lately = (
            Message.patient_id == one.patient_id,  # by this and the next an index finds them
            Message.created_at > text.at - ECHOED_WITHIN,
            Message.contact_id == one.contact.id,
        )
        line, sender = one.clinic.text_line or "", one.clinic.sender_name
        ours = outbox.digest(one.contact.address, line, sender, text.body.strip())
        if text.session.scalar(select(exists().where(*lately, Message.said == ours))):
            return one
    return None


def _last_asked(session: Session, speakers: list[Speaker]) -> Speaker:
    """Whom we wrote to last at this number: the answer is most likely theirs."""
    if len(speakers) == 1:
        return speakers[0]
    newest = session.scalar(
        select(Message.contact_id)
        .where(
            Message.patient_id.in_([one.patient.id for one in speakers]),
            Message.contact_id.in_([one.contact.id for one in speakers]),
            Message.kind.in_(ASKING),
            Message.handed_over_at.is_not(None),
        )
        .order_by(Message.handed_over_at.desc())
        .limit(1)
    )
    return next((one for one in speakers if one.contact.id == newest), speakers[0])
