"""A phone that shows notices: set up by its own person, by a link that staff made for that person alone.

A link is used up by the first phone that it sets up; that phone may come back by it, another needs a
new link. Whoever set it up, the person is told on their other channel: it may have been somebody else.

Promises that the phone is a contact only together with the person's recorded
agreement to it, and that one person has one such phone: a new one takes the place of
the last. The subscription is checked by the transport that will send to it, before.

Agreement to notices is a consent of its own beside the one to messages: STOP and a withdrawal
of messages stop notices too, while ending notices leaves texts as they were. The link sets a
phone up for seven days (our own number) and ends the notices for as long as they come: whoever
holds it could set up a phone of their own, while nobody is harmed by an end. A new phone comes
first in the person's order, since only the first working contact is written to; staff may put
another first. A phone that was ended is a broken contact with that reason, not a state of its own.
"""

from __future__ import annotations

import hmac
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care import contacts, tasks
from service.domain.tasks import PhoneUntold, Whose
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, ConsentKind, ContactState, MessageKind, PatientState
from service.enrolling.people import put_first
from service.store import outbox
from service.store.audit import Act, act_of
from service.store.tables import Caregiver, Clinic, Contact, LinkKey, Patient
from service.words.language import load_language
from service.words.messages import line_phone

LINK_LASTS = timedelta(days=7)  # whoever holds the link could set up a phone of their own; our own number, no source
BROWSERS_OWN = frozenset({"p256dh", "auth"})  # W3C Push API, `PushEncryptionKeyName`
TOLD_WITHIN = timedelta(hours=12)
HOW = "pressed the button on their own phone"
HOW_ENDED = "ended it on their own page"

Person = Patient | Caregiver


class Begun(StrEnum):
    """What became of a subscription."""

    NEW = "new"
    CHANGED = "changed"  # another phone, or the same with other keys
    SAME = "same"  # nothing was written
    USED = "used"  # refused: the link has set another phone up
    OVER = "over"  # refused: the link was revoked meanwhile


def note_link(act: Act, person: Person) -> datetime:
    """Note that a link was made for this person. Returns its end. Raises Refused for one who takes no part."""
    _must_take_part(act.session, person)
    act.note("push_link.make", person)
    return act.now + LINK_LASTS


@dataclass(frozen=True)
class Subscription:
    """What a browser gives: where to send, the keys, and the one it had before, by endpoint and secret, if any."""

    endpoint: str
    keys: Mapping[str, Any]
    was: tuple[str, str] | None = None


def begin_phone(session: Session, person: Person, link_id: uuid.UUID, new: Subscription, now: datetime) -> Begun:
    """Send notices to this subscription from now on, in place of the person's last one.

    1. Hold the person's row, so that two presses at once make one contact.
    2. Write the contact, or change the one there is; the same again writes nothing.
    3. Put it first: the person asked for notices, and what is not delivered goes on to the others.
    4. Record the agreement, if it does not stand already.
    5. Use the link up, and tell the person on their other channel, where it is a phone we did not know.
    Raises Refused for somebody who takes no part any more.
    """
    session.execute(select(type(person).id).where(type(person).id == person.id).with_for_update())
    _must_take_part(session, person)
    act = act_of(session, person, now)
    patient, caregiver = _both(session, person)
    phone = phone_of(session, person)
    agreed = _agrees(session, person)
    works = phone is not None and phone.state is ContactState.OK
    endpoint, keys = new.endpoint, new.keys
    link = session.scalars(select(LinkKey).where(LinkKey.id == link_id).with_for_update()).one()
    if link.revoked_at is not None:  # since the page looked, in a transaction of its own
        return Begun.OVER
    is_known = phone is not None and _is_same_phone(phone, new)
    if link.used_at is not None and not is_known:
        return Begun.USED
    if phone is not None and works and agreed and (phone.address, phone.secret) == (endpoint, dict(keys)):
        return Begun.SAME
    begun = Begun.NEW if phone is None else Begun.CHANGED
    if phone is None:
        phone = Contact(
            clinic_id=person.clinic_id,
            channel=Channel.WEBPUSH,
            created_at=now,
            address=endpoint,
            **{f"{_kind(person)}_id": person.id},
        )
        session.add(phone)
    _point(phone, endpoint, keys)
    session.flush()
    action = "contact.add" if begun is Begun.NEW else "contact.renew"
    act.note(action, phone, channel=phone.channel, **{f"{_kind(person)}_id": person.id})
    if not works:
        put_first(act, phone)
    if not agreed:
        contacts.record_consent(act, patient, ConsentKind.WEBPUSH, True, HOW, caregiver)
    link.used_at = link.used_at or now
    if not is_known:
        phone.changed_at = None if begun is Begun.NEW else now
        _tell_elsewhere(act, person, link, phone, begun)
    session.flush()
    return begun


def _is_same_phone(phone: Contact, new: Subscription) -> bool:
    """Whether a browser has the subscription that we know, or shows that it had it: nobody else knows its secret."""
    if phone.address == new.endpoint:
        return True
    known = str((phone.secret or {}).get("auth", ""))
    return (
        new.was is not None and phone.address == new.was[0] and hmac.compare_digest(known.encode(), new.was[1].encode())
    )


def _tell_elsewhere(act: Act, person: Person, link: LinkKey, phone: Contact, begun: Begun) -> None:
    """Tell the person that a phone was set up, at once and not by that phone.

    Whoever has no other way is asked by staff, where it took another phone's place.
    """
    others = contacts.working(act.session, contacts.owner(person), person.id)
    other = next((one for one in others if one.channel is not Channel.WEBPUSH), None)
    patient, caregiver = _both(act.session, person)
    if other is None:
        if begun is Begun.CHANGED:
            facts = PhoneUntold(phone.id, Whose(_kind(person)))
            tasks.raise_task(act.session, person.clinic_id, patient.id, facts, f"phone_set_up:{link.id}", act.now)
        return
    clinic = act.session.get_one(Clinic, person.clinic_id)
    outbox.enqueue(
        act.session,
        outbox.NewMessage(
            clinic_id=person.clinic_id,
            contact_id=other.id,
            kind=MessageKind.REPLY,
            channel=other.channel,
            dedupe_key=f"phone_set_up:{link.id}",
            due_at=act.now,
            expires_at=act.now + TOLD_WITHIN,
            patient_id=patient.id,
            caregiver_id=caregiver.id if caregiver else None,
            params={"text": line_phone(load_language(person.language), clinic.contact_line)},
        ),
        act.now,
    )


def end_phone(session: Session, person: Person, now: datetime) -> bool:
    """Send no more notices to this person's phone: contact and agreement end together. Whether there was anything."""
    phone = phone_of(session, person)
    if not _agrees(session, person) and (phone is None or phone.state is not ContactState.OK):
        return False
    patient, caregiver = _both(session, person)
    contacts.record_consent(act_of(session, person, now), patient, ConsentKind.WEBPUSH, False, HOW_ENDED, caregiver)
    return True


def renew_phone(session: Session, was: tuple[str, str], endpoint: str, keys: Mapping[str, Any], now: datetime) -> int:
    """A browser has exchanged its subscription. `was` is the old endpoint and its `auth` secret: nobody else has both.

    Returns how many contacts follow, of people whose agreement still stands; 0 for a subscription nobody knows.
    """
    old_endpoint, old_auth = was
    found = session.scalars(
        select(Contact).where(Contact.channel == Channel.WEBPUSH, Contact.address == old_endpoint).with_for_update()
    ).all()
    renewed = 0
    for phone in found:
        secret = phone.secret or {}
        known = str(secret.get("auth", ""))
        person = _person(session, phone)
        if person is None or not hmac.compare_digest(known.encode(), old_auth.encode()) or not _agrees(session, person):
            continue
        # The browser has exchanged what it had: whatever else was kept with it is still so.
        _point(phone, endpoint, {**keys, **{name: value for name, value in secret.items() if name not in BROWSERS_OWN}})
        act = act_of(session, person, now)
        act.note("contact.renew", phone, channel=phone.channel, **{f"{_kind(person)}_id": person.id})
        renewed += 1
    session.flush()
    return renewed


def phone_of(session: Session, person: Person) -> Contact | None:
    """The person's phone for notices, whether or not it still works."""
    return session.scalars(
        select(Contact)
        .where(contacts.owner(person) == person.id, Contact.channel == Channel.WEBPUSH)
        .order_by(Contact.created_at.desc(), Contact.id)
        .limit(1)
    ).first()


def _must_take_part(session: Session, person: Person) -> None:
    patient, caregiver = _both(session, person)
    if patient.state is not PatientState.ACTIVE or (caregiver is not None and not caregiver.active):
        raise Refused(_kind(person), str(person.id), "somebody who takes part now")


def _agrees(session: Session, person: Person) -> bool:
    if isinstance(person, Patient):
        return contacts.has_consent(session, person.id, ConsentKind.WEBPUSH)
    return contacts.has_consent(session, person.patient_id, ConsentKind.WEBPUSH, person.id)


def _point(phone: Contact, endpoint: str, keys: Mapping[str, Any]) -> None:
    phone.address, phone.secret = endpoint, dict(keys)
    phone.state, phone.broken_reason = ContactState.OK, None


def _person(session: Session, phone: Contact) -> Person | None:
    if phone.caregiver_id is not None:
        return session.get(Caregiver, phone.caregiver_id)
    return None if phone.patient_id is None else session.get(Patient, phone.patient_id)


def _both(session: Session, person: Person) -> tuple[Patient, Caregiver | None]:
    if isinstance(person, Patient):
        return person, None
    return session.get_one(Patient, person.patient_id), person


def _kind(person: Person) -> str:
    return "patient" if isinstance(person, Patient) else "caregiver"
