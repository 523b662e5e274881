"""Which clinic a text message is for.

A number that people write to belongs to the clinic whose line it is. Promises that a text
is taken in for that clinic alone; that, where one line serves several clinics and several
know the sender, nothing of it goes to any before the sender has said which they mean, while
a sign of an emergency goes to the staff of all, without the words; and that somebody whose
care has ended somewhere is not spoken for there as long as anybody else has the number.

The question names the clinics by how they sign, as every message of theirs does. What nobody
answers is not kept, and each clinic is asked to check the number's digits: a wrong digit is
how this happens. Which other clinic has the number is told to none of them.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Engine, delete, not_, select, update
from sqlalchemy.orm import Session

from service.care.tasks import raise_task
from service.domain import validation
from service.domain.tasks import AlarmInDoubt, NumberToCheck
from service.domain.texting.vocabulary import plain
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, MessageKind, PatientState, TransferState
from service.intake.texts.replies import (
    TALK_LASTS,
    IncomingText,
    Speaker,
    StaffSpeaker,
    TextOutcome,
    send,
    tell_of_alarm,
)
from service.store.guarded import Due, Tally, Work, Written, work_off
from service.store.identity import new_id
from service.store.quarantine import is_quarantined
from service.store.session import within
from service.store.tables import (
    Caregiver,
    Clinic,
    Contact,
    InboundText,
    MeantClinic,
    Patient,
    Staff,
    Transfer,
    UnplacedText,
)
from service.store.upsert import upsert
from service.words.language import load_language
from service.words.messages import line_which

ASKED_AT_MOST = 2
NEITHER = "0"
# A text of that talk that was set aside may be released days later, and is still for the clinic they meant. Our own
# number, no source.
MEANT_REMEMBERED = timedelta(days=30)


@dataclass(frozen=True)
class Senders:
    """Whoever has the number a text came from: those it can be from.

    `astray`: they are known, but not to the clinic whose line was written to.
    """

    speakers: list[Speaker]
    members: list[StaffSpeaker]
    astray: bool = False

    @property
    def are_in_doubt(self) -> bool:
        """Whether several clinics could be meant, or none."""
        return self.astray or len({speaker.clinic.id for speaker in self.speakers}) > 1


def senders(session: Session, address: str, line: str) -> Senders:
    """Whom a text from this number (E.164) to this line can be from.

    A line that is nobody's, or was not told, may be for any clinic. A clinic without a line of its
    own may be written to on any: that another took one for its own must not make its patients strangers.
    """
    whose = _clinics_of(session, line)
    speakers, members = _speakers(session, address), _members(session, address)
    active = [one for one in speakers if one.patient.state is PatientState.ACTIVE]
    here = [one for one in active if not whose or one.clinic.id in whose]
    here = here or [one for one in active if one.clinic.text_line is None]
    here = here or _moved_on(session, whose, active)
    colleagues = [one for one in members if one.clinic.id in whose] or members
    return Senders(here or active or speakers, colleagues, astray=bool(active) and not here)


def tell_all(text: IncomingText, speakers: Sequence[Speaker], by: Speaker) -> TextOutcome:
    """They are told to call, and the staff of every clinic that it may concern are told without the words."""
    send(text, by, MessageKind.SAFETY)
    tell_in_doubt(text, speakers, by)
    return TextOutcome.SAFETY


def tell_in_doubt(text: IncomingText, speakers: Sequence[Speaker], by: Speaker) -> None:
    """Staff are told of each of these that it may have been them."""
    for one in speakers:
        facts = AlarmInDoubt(text.ref, one.whose, by.clinic.emergency_number)
        tell_of_alarm(text, by, one, facts, f"alarm:{text.ref}:{one.contact.id}")


def _moved_on(session: Session, whose: Collection[uuid.UUID], speakers: Sequence[Speaker]) -> list[Speaker]:
    """Those who were looked after by a clinic of that line, and answer on it what another has taken over."""
    left = select(Transfer.patient_id).where(
        Transfer.patient_id.in_([one.patient.id for one in speakers]),
        Transfer.clinic_id.in_(whose),
        Transfer.state == TransferState.ACCEPTED,
    )
    moved = set(session.scalars(left)) if speakers and whose else set()
    return [one for one in speakers if one.patient.id in moved]


# --- which of several ------------------------------------------------------------------------


def meant(text: IncomingText, address: str, speakers: Sequence[Speaker]) -> list[Speaker]:
    """Those of the clinic that they said they mean, as long as that talk lasts; none where they have not said."""
    said = text.session.scalars(select(MeantClinic).where(MeantClinic.address == address)).first()
    if said is None or said.until <= text.at:
        return []
    those = [one for one in speakers if one.clinic.id == said.clinic_id]
    if those:
        said.until = max(said.until, text.at + TALK_LASTS)
    return those


def hold(text: IncomingText, address: str, speakers: Sequence[Speaker], *, may_ask: bool) -> TextOutcome:
    """Keep a text until they have said which clinic they mean, and ask, twice at most."""
    asked = sum(bool(one.offered) for one in _held(text.session, address))
    agreed = [one for one in speakers if text.agrees(one)]
    asks = may_ask and text.is_news and asked < ASKED_AT_MOST and bool(agreed)
    offered = _by_clinic(speakers)
    text.session.add(
        UnplacedText(
            gateway_ref=text.ref,
            address=address,
            body=text.body,
            said_at=text.at,
            offered=[str(clinic.id) for clinic in offered] if asks else [],
            expires_at=text.now + TALK_LASTS,
        )
    )
    text.session.flush()
    if not asks:
        return TextOutcome.UNPLACED
    words = line_which(load_language(agreed[0].language), _names(offered), again=asked > 0)
    send(text, agreed[0], MessageKind.REPLY, words, about=":which")
    return TextOutcome.ASKED_WHICH


@dataclass(frozen=True)
class Said:
    """What they answered: the speakers of that clinic (none: it is for neither), and the texts that waited for it."""

    speakers: list[Speaker]
    waited: list[UnplacedText]


def answered(text: IncomingText, address: str, speakers: Sequence[Speaker]) -> Said | None:
    """What this text says to the question which clinic is meant; None where it is no answer to that.

    An answer is remembered for the talk, and the texts that waited for it are handed back once.
    """
    waited = _held(text.session, address)
    asked = [one.offered for one in waited if one.offered]
    if not asked:
        return None
    clinic_id = _choice(text.body, [uuid.UUID(one) for one in asked[-1]], speakers)
    if clinic_id is None and _said(text.body) != NEITHER:
        return None
    those = [one for one in speakers if one.clinic.id == clinic_id]
    for one in waited:
        text.session.delete(one)
    if those:
        row = {"id": new_id(), "address": address, "clinic_id": clinic_id, "until": text.at + TALK_LASTS}
        # While the secret is changed, an earlier answer may stand under the key before it, where no conflict finds it.
        text.session.execute(delete(MeantClinic).where(MeantClinic.address == address))
        upsert(text.session, MeantClinic.__table__, [row], ["address"])
    text.session.flush()
    return Said(those, waited)


def ask_to_check(session: Session, speakers: Sequence[Speaker], now: datetime) -> None:
    """The clinics are asked to check this number's digits, each for its own patient, once a day at most."""
    for one in speakers:
        facts = NumberToCheck(one.contact.id, one.whose, unplaced=True)
        key = f"check_number:{one.contact.id}:{now.date().isoformat()}"
        with within(session, one.clinic.id):
            raise_task(session, one.clinic.id, one.patient.id, facts, key, now)


def forget_unplaced(engine: Engine, now: datetime) -> Tally:
    """Let go of the texts of which nobody has said in time which clinic they were for, and tell the clinics so."""
    due: Due = select(UnplacedText.id).where(
        UnplacedText.expires_at <= now, not_(is_quarantined("unplaced_text", UnplacedText.id))
    )
    return work_off(engine, Work("unplaced_text", due, _load, lambda s, rows: _forget(s, rows, now), 100), now)


def forget_meant(session: Session, now: datetime) -> None:
    """Let go of which clinic somebody meant, and of the number with it, long after that talk."""
    session.execute(delete(MeantClinic).where(MeantClinic.until < now - MEANT_REMEMBERED))


def _load(session: Session, due: Due) -> Sequence[UnplacedText]:
    locked = due.with_only_columns(UnplacedText).order_by(UnplacedText.expires_at)
    return session.scalars(locked.with_for_update(skip_locked=True)).all()


def _forget(session: Session, rows: Sequence[UnplacedText], now: datetime) -> Written:
    for row in rows:
        active = [one for one in _speakers(session, row.address) if one.patient.state is PatientState.ACTIVE]
        ask_to_check(session, active, now)
    session.execute(delete(UnplacedText).where(UnplacedText.id.in_([row.id for row in rows])))
    session.execute(
        update(InboundText)
        .where(InboundText.gateway_ref.in_([row.gateway_ref for row in rows]))
        .values(outcome=TextOutcome.FORGOTTEN.value)
    )
    return Written(done=len(rows))


# --- helpers ---------------------------------------------------------------------------------


def _clinics_of(session: Session, line: str) -> set[uuid.UUID]:
    try:
        known = validation.line("to", line)
    except Refused:
        return set()
    return set(session.scalars(select(Clinic.id).where(Clinic.text_line == known)))


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


def _members(session: Session, address: str) -> list[StaffSpeaker]:
    """The members of staff who have this number."""
    rows = session.execute(
        select(Contact, Staff, Clinic)
        .join(Staff, Staff.id == Contact.staff_id)
        .join(Clinic, Clinic.id == Contact.clinic_id)
        .where(Contact.channel == Channel.TEXT, Contact.address == address, Staff.active)
        .order_by(Contact.created_at, Contact.id)
    )
    return [StaffSpeaker(*row) for row in rows]


def _held(session: Session, address: str) -> list[UnplacedText]:
    rows = select(UnplacedText).where(UnplacedText.address == address)
    return list(session.scalars(rows.order_by(UnplacedText.said_at, UnplacedText.id).with_for_update()))


def _by_clinic(speakers: Sequence[Speaker]) -> list[Clinic]:
    return list({speaker.clinic.id: speaker.clinic for speaker in speakers}.values())


def _names(clinics: Sequence[Clinic]) -> list[str]:
    """How the clinics sign; two who sign alike are told apart by the number to call."""
    signed = [clinic.sender_name for clinic in clinics]
    return [
        name if signed.count(name) == 1 else f"{name} ({clinic.contact_line})"
        for name, clinic in zip(signed, clinics, strict=True)
    ]


def _said(body: str) -> str:
    return plain(body).strip(" .!")


def _choice(body: str, offered: Sequence[uuid.UUID], speakers: Sequence[Speaker]) -> uuid.UUID | None:
    """The clinic that they named, by its place in the question or by how it signs."""
    said = _said(body)
    if said.isdecimal() and 1 <= int(said) <= len(offered):
        return offered[int(said) - 1]
    named = [clinic.id for clinic in _by_clinic(speakers) if plain(clinic.sender_name).strip() == said]
    return named[0] if len(named) == 1 and named[0] in offered else None
