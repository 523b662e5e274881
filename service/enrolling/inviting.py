"""A patient invited to read, choose and agree by themselves, in place of being typed in: what staff do.

Promises that nobody is enrolled, and nothing is sent daily, before staff have confirmed; that the enrolment is then
the one of `enrolment.enrol`; that a text with the link goes out only after somebody of the clinic has recorded that
this one text was agreed to; and that an invitation which comes to nothing is told, whatever the reason. What was said
by somebody who was not enrolled is let go of in the end. What the invited do: `invited`.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import delete, select
from sqlalchemy import text as sql
from sqlalchemy.orm import Session

from service.care import contacts
from service.domain import localtime, validation
from service.domain.sending import INVITATION
from service.domain.tasks import InvitedOutcome
from service.domain.validation import Refused
from service.domain.vocabulary import (
    Channel,
    ContactState,
    InvitationState,
    MessageKind,
    MessageState,
)
from service.enrolling import enrolment, invited, people
from service.enrolling.enrolment import Agreed, Enrolment, NewHelper
from service.enrolling.people import NewCaregiver, NewContact, NewPatient
from service.enrolling.plans import NewPlan
from service.store import outbox
from service.store.audit import SYSTEM, Act
from service.store.identity import new_id
from service.store.tables import Clinic, Invitation, LinkKey, Message, Patient
from service.words.language import checked_language

LASTS = timedelta(days=14)  # our own numbers, no source
KEPT = timedelta(days=90)  # after it has come to nothing
MOST_TEXTS = 3
TEXT_LASTS = timedelta(hours=24)
HOW = "read and agreed on the page of an invitation"


@dataclass(frozen=True)
class NewInvitation:
    """`name` as staff know it. One of the other two is asked for at the door: the date of birth where it is known."""

    name: str
    born_on: date | None = None
    clinic_ref: str | None = None
    language: str = "en"
    number: str | None = None


@dataclass(frozen=True)
class Confirming:
    """What staff add to what was said; `caregiver_agreed` is how the caregiver agreed, if somebody has asked them."""

    clinic_ref: str
    zone: str
    name: str | None = None
    born_on: date | None = None
    caregiver_agreed: str | None = None
    is_other: bool = False


def invite(act: Act, new: NewInvitation) -> Invitation:
    """Write an invitation; its links are made apart. Raises Refused."""
    clinic = act.session.get_one(Clinic, act.clinic_id)
    if new.born_on is None and not new.clinic_ref:
        raise Refused("born_on", None, "a date of birth, or your number for them: one of both is asked at the door")
    today = localtime.local_date(act.now, clinic.zone)
    if new.born_on is not None and not timedelta(0) < today - new.born_on < timedelta(days=130 * 366):
        raise Refused("born_on", new.born_on.isoformat(), "a date of birth")
    number = new.number
    if number is not None:
        number = people.checked_address("number", Channel.TEXT, number, people.region_of(clinic))
    invitation = Invitation(
        made_by=str(act.actor),
        made_at=act.now,
        until=act.now + LASTS,
        state=InvitationState.OPEN,
        name=validation.text("name", new.name, longest=120),
        born_on=new.born_on,
        clinic_ref=validation.text("clinic_ref", new.clinic_ref, longest=40) if new.clinic_ref else None,
        language=checked_language("language", new.language),
        number=number,
        said={},
    )
    act.add(invitation)
    act.note("invitation.make", invitation)
    return invitation


def note_link(act: Act, invitation: Invitation) -> None:
    """Note that a link was made. Raises Refused where the invitation can no longer be answered."""
    act.session.refresh(invitation, with_for_update=True)
    invited.must_be_open(invitation, act.now)
    act.note("invitation.link", invitation)


def text(act: Act, invitation: Invitation, how: str, channels: Collection[Channel]) -> uuid.UUID:
    """Send the link to the number, after word was given: `how` the person agreed to this one text. The message's id.

    Raises Refused: for one that is over, without a number, to a number that has asked to be left alone, for one
    too many, and where texts are not set up.
    """
    act.session.refresh(invitation, with_for_update=True)
    invited.must_be_open(invitation, act.now)
    if invitation.number is None:
        raise Refused("number", None, "a telephone number on the invitation")
    if Channel.TEXT not in channels:
        raise Refused("number", invitation.number, "a way of sending that this service is set up for")
    invitation.text_agreed_how = validation.text("how", how, longest=200)
    invitation.text_agreed_at, invitation.text_agreed_by = act.now, str(act.actor)
    contact = contacts.of_nobody(act, Channel.TEXT, invitation.number)
    if contact.state is not ContactState.OK:
        raise Refused("number", invitation.number, "a number that works, and has not asked for no more messages")
    sent = texts(act.session, invitation)
    if len(sent) >= MOST_TEXTS or any(one.state is MessageState.QUEUED for one in sent):
        raise Refused("number", invitation.number, "one text at a time, and at most %(most)s", most=MOST_TEXTS)
    act.note("invitation.text_agreed", invitation)
    queued = outbox.enqueue(
        act.session,
        outbox.NewMessage(
            clinic_id=act.clinic_id,
            contact_id=contact.id,
            kind=MessageKind.INVITATION,
            channel=Channel.TEXT,
            dedupe_key=f"{invited.key(invitation)}text:{len(sent)}",
            due_at=act.now,
            expires_at=min(act.now + TEXT_LASTS, invitation.until),
            params={INVITATION: str(invitation.id)},
        ),
        act.now,
    )
    if queued is None:
        raise Refused("number", invitation.number, "one text at a time, and at most %(most)s", most=MOST_TEXTS)
    act.note("invitation.text", ("message", queued), invitation=invitation.id)
    return queued


def texts(session: Session, invitation: Invitation) -> list[Message]:
    """The texts with its link, newest first."""
    of_it = outbox.keyed(f"{invited.key(invitation)}text:")
    theirs = (Message.clinic_id == invitation.clinic_id, Message.kind == MessageKind.INVITATION, of_it)
    return list(session.scalars(select(Message).where(*theirs).order_by(Message.created_at.desc(), Message.id)))


def revoke(act: Act, invitation: Invitation) -> None:
    """Its links open nothing any more, and nothing more of it is sent. Raises Refused for one that led to a patient."""
    act.session.refresh(invitation, with_for_update=True)  # a colleague may be confirming it
    if invitation.state is InvitationState.ENROLLED:
        raise Refused("invitation", str(invitation.id), "an invitation that has not become an enrolment")
    if invitation.state is InvitationState.REVOKED:
        return
    invited.end(act, invitation, InvitationState.REVOKED)
    act.note("invitation.revoke", invitation)


def confirm(act: Act, invitation: Invitation, new: Confirming) -> Patient:
    """Enrol whoever answered, as they said, with what staff add.

    Raises Refused as `enrolment.enrol` does, and for an invitation that was not answered, or was already enrolled.
    """
    session = act.session
    session.refresh(invitation, with_for_update=True)  # of two who press at once the second finds it done
    if invitation.state is not InvitationState.ANSWERED or invitation.said_at is None:
        raise Refused("invitation", str(invitation.id), "an invitation that was answered and is not confirmed yet")
    clinic = session.get_one(Clinic, act.clinic_id)
    said, zone = invited.said(invitation), localtime.zone(new.zone).key
    agreed = Agreed(HOW, localtime.local_date(invitation.said_at, zone))
    enrolled = enrolment.enrol(
        act,
        Enrolment(
            NewPatient(new.clinic_ref, new.name or invitation.name, zone, invitation.language),
            new.born_on or invitation.born_on,
            NewContact(said.channel, said.address),
            agreed,
            _hours(clinic, said),
            _helper(said, agreed, new.caregiver_agreed),
            new.is_other,
        ),
    )
    invitation.patient_id = enrolled.id
    invited.end(act, invitation, InvitationState.ENROLLED)
    act.note("invitation.confirm", invitation, patient=enrolled.id)
    return enrolled


def alike(session: Session, invitation: Invitation) -> list[enrolment.Alike]:
    """Whom the clinic knows that may be the same person."""
    address = invited.said(invitation).address if invitation.state is InvitationState.ANSWERED else invitation.number
    whose = Patient(id=new_id(), clinic_id=invitation.clinic_id, name=invitation.name)
    return enrolment.alike(session, whose, invitation.born_on, address)


def invitations(session: Session, clinic_id: uuid.UUID, states: Collection[InvitationState]) -> list[Invitation]:
    """Those of the clinic in these states, what waits for staff first, and else the newest first."""
    found = session.scalars(
        select(Invitation)
        .where(Invitation.clinic_id == clinic_id, Invitation.state.in_(states))
        .order_by(Invitation.state != InvitationState.ANSWERED, Invitation.made_at.desc(), Invitation.id)
    )
    return list(found)


def close_over(session: Session, now: datetime) -> None:
    """Tell of those that ran out unanswered, and let go of those that came to nothing long ago."""
    over = select(Invitation).where(sql("invitations.state = 'open'"), Invitation.until <= now)
    for invitation in session.scalars(over.with_for_update(skip_locked=True)):
        act = Act(session, SYSTEM, invitation.clinic_id, now)
        invited.end(act, invitation, InvitationState.RUN_OUT)
        invited.tell(act, invitation, InvitedOutcome.NO_ANSWER)
        act.note("invitation.run_out", invitation)
    gone = list(
        session.scalars(
            select(Invitation.id).where(Invitation.ended_at < now - KEPT, sql("invitations.state <> 'enrolled'"))
        )
    )
    if gone:
        session.execute(delete(LinkKey).where(LinkKey.invitation_id.in_(gone)))
        session.execute(delete(Invitation).where(Invitation.id.in_(gone)))


def _hours(clinic: Clinic, said: invited.Chosen) -> NewPlan:
    due, closes = invited.window_from(clinic, said.opens)
    # They chose the hour from those that the clinic offers: that is what saying it twice is for.
    return NewPlan(opens=said.opens, due=due, closes=closes, opens_again=said.opens)


def _helper(said: invited.Chosen, agreed: Agreed, caregiver_agreed: str | None) -> NewHelper | None:
    helper = said.helper
    if helper is None:
        return None
    return NewHelper(
        NewCaregiver(helper.name, helper.relation),
        NewContact(Channel.TEXT, helper.address) if helper.address else None,
        agreed if helper.told else None,
        Agreed(caregiver_agreed) if caregiver_agreed else None,
        agreed if helper.sees else None,
    )
