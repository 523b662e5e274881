"""Who can be reached, and who has agreed to be.

Consent is a record, never a flag: written once, never changed, and a withdrawal acted on
at once. The newest line of a kind counts, and none at all means no. So what is recorded
later is later, even when the machine's clock was set back in between: a withdrawal must
never lose to an older yes. One whose seal does not hold says neither: whether they
agreed is not known, so nothing is sent, and staff are told (`in_doubt`, `doubted`).
Only the one that counts is judged when something is sent: it alone says what they want
now, and who is asked anew after an alteration can be written to again. Earlier ones that
were altered, and any that is gone, the nightly check finds (`health.unaltered`).
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection, Mapping
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Select, exists, false, func, or_, select, update
from sqlalchemy.orm import InstrumentedAttribute, Session

from service.care.tasks import raise_task
from service.domain import localtime, validation
from service.domain.tasks import ConsentDoubted, Whose, WordsUnsent
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, ConsentKind, ContactState, MessageKind, MessageState, PatientState
from service.store import outbox, seals
from service.store.audit import Act
from service.store.tables import Caregiver, Consent, Contact, Message, Patient, Staff

Owner = InstrumentedAttribute[uuid.UUID | None]  # Contact.patient_id, .caregiver_id or .staff_id
# At an address of nobody whom the clinic looks after, and of no colleague.
OF_NOBODY = Contact.patient_id.is_(None) & Contact.caregiver_id.is_(None) & Contact.staff_id.is_(None)
LONG_AGO = timedelta(days=3660)  # farther back it is a slip of the pen; common practice, no source
WITHDRAWN = "consent_withdrawn"
ENDED_BY_OWNER = "ended by the person"
# Without these nothing may go to the person. What was meant for a phone of theirs may still go as a text.
STOPS_EVERYTHING = frozenset({ConsentKind.MESSAGES, ConsentKind.CAREGIVER})
# Whose own agreement it is: the caregiver's where one is named, else the patient's.
ONES_OWN = frozenset({ConsentKind.MESSAGES, ConsentKind.WEBPUSH})
PATIENTS_OWN = frozenset({ConsentKind.TRANSFER})  # about no caregiver


def owner(person: Patient | Caregiver | Staff) -> Owner:
    """The column of contacts that names such a person."""
    return {Patient: Contact.patient_id, Caregiver: Contact.caregiver_id, Staff: Contact.staff_id}[type(person)]


def has_consent(
    session: Session, patient_id: uuid.UUID, kind: ConsentKind, caregiver_id: uuid.UUID | None = None
) -> bool:
    """Whether the newest record of this kind says yes, and is as it was written.

    `kind=MESSAGES` with a caregiver is the caregiver's own agreement; without
    one it is the patient's.
    """
    newest = newest_consent(session, patient_id, kind, caregiver_id)
    return newest is not None and newest.given and seals.stands(session, newest)


def newest_consent(
    session: Session, patient_id: uuid.UUID, kind: ConsentKind, caregiver_id: uuid.UUID | None = None
) -> Consent | None:
    """The record of this kind that counts; None where there is none."""
    theirs = Consent.caregiver_id.is_(None) if caregiver_id is None else Consent.caregiver_id == caregiver_id
    return session.scalars(
        select(Consent)
        .where(Consent.patient_id == patient_id, Consent.kind == kind, theirs)
        .order_by(Consent.at.desc(), Consent.id.desc())
        .limit(1)
    ).first()


def patients_who_agreed(session: Session, patient_ids: Collection[uuid.UUID]) -> set[uuid.UUID]:
    """Those of these patients whose newest consent to messages says yes; what is `in_doubt` is not asked. One query."""
    newest = _newest(session, patient_ids, ConsentKind.MESSAGES)
    return {patient_id for (patient_id, caregiver_id), given in newest.items() if caregiver_id is None and given}


def caregivers_who_agreed(session: Session, patient_ids: Collection[uuid.UUID]) -> set[uuid.UUID]:
    """Caregivers of these patients for whom both sides have agreed: patient and caregiver. Two queries."""
    allowed = _newest(session, patient_ids, ConsentKind.CAREGIVER)
    agreed = _newest(session, patient_ids, ConsentKind.MESSAGES)
    return {
        caregiver_id
        for (patient_id, caregiver_id), given in allowed.items()
        if caregiver_id is not None and given and agreed.get((patient_id, caregiver_id), False)
    }


def in_doubt(session: Session, patient_ids: Collection[uuid.UUID]) -> dict[uuid.UUID, uuid.UUID]:
    """Of these patients and their caregivers those of whom nobody knows whether they may be written to.

    The consent that counts is not found as it was written: it, by person. One query.
    """
    of_them = (Consent.patient_id.in_(patient_ids), Consent.kind.in_(STOPS_EVERYTHING))
    rows = session.scalars(select(Consent).where(*of_them).order_by(Consent.at, Consent.id))
    newest = {(row.patient_id, row.caregiver_id, row.kind): row for row in rows}
    return {row.caregiver_id or row.patient_id: row.id for row in newest.values() if not seals.stands(session, row)}


def agrees(kind: ConsentKind, patient_id: Any, caregiver_id: Any = None) -> ColumnElement[bool]:
    """The condition that the newest consent of this kind was given, of columns: for a count of everybody."""
    about = Consent.caregiver_id.is_(None) if caregiver_id is None else Consent.caregiver_id == caregiver_id
    newest = (
        select(Consent.given)
        .where(Consent.patient_id == patient_id, Consent.kind == kind, about)
        .order_by(Consent.at.desc(), Consent.id.desc())
        .limit(1)
        .correlate_except(Consent)
        .scalar_subquery()
    )
    condition: ColumnElement[bool] = func.coalesce(newest, false())
    return condition


def shared_numbers(session: Session, address: str | None = None) -> dict[str, list[Contact]]:
    """Telephone numbers that are alive in more than one clinic, each with its contacts. For the operator alone.

    Alive is the number of a patient who is looked after, of a caregiver of one, or of staff
    with an account. With `address`, only that number (E.164).
    """
    query = select(Contact).where(Contact.channel == Channel.TEXT, _is_alive())
    if address is None:
        several = (
            select(Contact.address)
            .where(Contact.channel == Channel.TEXT)
            .group_by(Contact.address)
            .having(func.count(func.distinct(Contact.clinic_id)) > 1)
        )
        query = query.where(Contact.address.in_(several))
    else:
        query = query.where(Contact.address == address)
    found: dict[str, list[Contact]] = defaultdict(list)
    for contact in session.scalars(query.order_by(Contact.created_at, Contact.id)):
        found[contact.address].append(contact)
    return {number: some for number, some in found.items() if len({one.clinic_id for one in some}) > 1}


def somebody(channel: Channel) -> Select[uuid.UUID]:
    """Finds one contact of this channel that works and whose owner takes part, if there is any."""
    alive = select(Contact.id).where(Contact.channel == channel, Contact.state == ContactState.OK, _is_alive())
    return alive.limit(1)


def _is_alive() -> ColumnElement[bool]:
    """Of a patient who is looked after, of a caregiver of one, or of staff with an account."""
    looked_after = exists().where(Patient.state == PatientState.ACTIVE)
    caring = looked_after.where(Patient.id == Caregiver.patient_id).correlate_except(Patient)
    return or_(
        looked_after.where(Patient.id == Contact.patient_id).correlate_except(Patient),
        exists().where(Caregiver.id == Contact.caregiver_id, Caregiver.active, caring).correlate_except(Caregiver),
        exists().where(Staff.id == Contact.staff_id, Staff.active).correlate_except(Staff),
    )


def reachable(
    session: Session, *, patient_id: uuid.UUID | None = None, caregiver_id: uuid.UUID | None = None
) -> list[Contact]:
    """The working contacts of one person who has agreed to messages, in the order to try them."""
    if caregiver_id is not None:
        caregiver = session.get(Caregiver, caregiver_id)
        if caregiver is None or caregiver_id not in caregivers_who_agreed(session, [caregiver.patient_id]):
            return []
        return working(session, Contact.caregiver_id, caregiver_id)
    if patient_id is None or patient_id not in patients_who_agreed(session, [patient_id]):
        return []
    return working(session, Contact.patient_id, patient_id)


def working(session: Session, owner: Owner, person_id: uuid.UUID) -> list[Contact]:
    """One person's working contacts in the order to try them, whether or not they agreed. One query."""
    return list(session.scalars(_in_order(select(Contact)).where(owner == person_id)))


def of_nobody(act: Act, channel: Channel, address: str) -> Contact:
    """The contact at an address that belongs to nobody whom the clinic looks after; written where there is none.

    A stop that came from there is its state.
    """
    theirs = (Contact.clinic_id == act.clinic_id, Contact.channel == channel, Contact.address == address)
    found = act.session.scalars(select(Contact).where(OF_NOBODY, *theirs).order_by(Contact.created_at)).first()
    if found is None:
        found = Contact(channel=channel, address=address, state=ContactState.OK, created_at=act.now)
        act.add(found)
        act.note("contact.add", found, channel=channel)
    return found


def first_working(
    session: Session, owner: Owner, people: Collection[uuid.UUID]
) -> dict[uuid.UUID, tuple[uuid.UUID, Channel]]:
    """The contact to try first of each person who has a working one: its id and channel. One query."""
    found: dict[uuid.UUID, tuple[uuid.UUID, Channel]] = {}
    if not people:
        return found
    query = _in_order(select(owner, Contact.id, Contact.channel)).where(owner.in_(people))
    for person_id, contact_id, channel in session.connection().execute(query):
        found.setdefault(person_id, (contact_id, channel))
    return found


def introduce(session: Session, messages: Mapping[uuid.UUID, uuid.UUID]) -> None:
    """Note in which message each of these contacts is told who writes to them: message by contact."""
    rows = [{"id": contact_id, "introduced_by": messages[contact_id]} for contact_id in sorted(messages)]
    if rows:
        session.execute(update(Contact), rows)


def _in_order(query: Select[*tuple[Any, ...]]) -> Select[*tuple[Any, ...]]:
    return query.where(Contact.state == ContactState.OK).order_by(Contact.position, Contact.created_at, Contact.id)


def _newest(
    session: Session, patient_ids: Collection[uuid.UUID], kind: ConsentKind
) -> dict[tuple[uuid.UUID, uuid.UUID | None], bool]:
    """(patient, caregiver or None) → what the newest record says."""
    rows = session.execute(
        select(Consent.patient_id, Consent.caregiver_id, Consent.given)
        .where(Consent.patient_id.in_(patient_ids), Consent.kind == kind)
        .order_by(Consent.at, Consent.id)
    )
    return {(patient_id, caregiver_id): given for patient_id, caregiver_id, given in rows}


def standing(session: Session, patient_id: uuid.UUID) -> list[Consent]:
    """The consents of one patient, and about their caregivers, that stand: of each the newest counts."""
    rows = session.scalars(select(Consent).where(Consent.patient_id == patient_id).order_by(Consent.at, Consent.id))
    newest = {(row.kind, row.caregiver_id): row for row in rows}
    return [row for row in newest.values() if row.given]


# --- consent is recorded ---------------------------------------------------------------------


def record_consent(
    act: Act,
    patient: Patient,
    kind: ConsentKind,
    given: bool,
    how: str,
    caregiver: Caregiver | None = None,
    on: date | None = None,
) -> Consent:
    """Record that consent was given, refused or withdrawn, and how.

    Without a caregiver, MESSAGES and WEBPUSH are the patient's own; TRANSFER always is. With one, they are
    the caregiver's agreement for themselves, and the other kinds are what the patient
    allows this caregiver. A withdrawal cancels what is queued, in this transaction;
    that of WEBPUSH ends the person's phone as a contact, and what is queued to it goes
    to the next one. `on` is the date of the form or the talk, where it was another one. What counts is
    what was recorded last. Raises Refused.
    """
    if on is not None and not timedelta(0) <= localtime.local_date(act.now, patient.zone) - on <= LONG_AGO:
        raise Refused("on", on.isoformat(), "today or a date of the last ten years")
    if kind in PATIENTS_OWN and caregiver is not None:
        raise Refused("caregiver", str(caregiver.id), "nobody: this is the patient’s own")
    if kind not in ONES_OWN | PATIENTS_OWN and caregiver is None:
        raise Refused("caregiver", None, "the caregiver whom %(kind)s is about", kind=kind.value)
    if caregiver is not None and caregiver.patient_id != patient.id:
        raise Refused("caregiver", str(caregiver.id), "a caregiver of this patient")
    session, now = act.session, act.now
    caregiver_id = caregiver.id if caregiver else None
    before = newest_consent(session, patient.id, kind, caregiver_id)
    consent = Consent(
        patient_id=patient.id,
        caregiver_id=caregiver_id,
        kind=kind,
        given=given,
        how=validation.text("how", how, longest=200),
        given_on=on,
        recorded_by=str(act.actor),
        at=localtime.later(now, before.at if before else None),
    )
    act.add(seals.sealed(act, consent))
    if not given and kind in STOPS_EVERYTHING:
        if caregiver is None:
            tell_unsent(session, act.clinic_id, patient.id, now)
        outbox.cancel_for_person(session, WITHDRAWN, now, patient_id=patient.id, caregiver_id=caregiver_id)
    action = "consent.give" if given else "consent.withdraw"
    act.note(action, consent, patient=patient.id, kind=kind, caregiver=caregiver_id)
    if kind is ConsentKind.WEBPUSH and not given:
        _end_phones(act, caregiver or patient)
    return consent


def tell_unsent(session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, now: datetime) -> None:
    """What staff wrote to the patient by hand waits, and will not leave: whoever wrote it holds it for said."""
    waiting = select(Message.id, Message.params).where(
        Message.patient_id == patient_id,
        Message.kind == MessageKind.FROM_CLINIC,
        Message.state.in_((MessageState.QUEUED, MessageState.CLAIMED)),
    )
    for message_id, params in session.execute(waiting.order_by(Message.id)):
        raise_task(session, clinic_id, patient_id, *unsent(message_id, params), now)


def doubted(session: Session, clinic_id: uuid.UUID, consent_id: uuid.UUID, now: datetime) -> None:
    """Staff are told, once, of a consent that is not found as it was written: they ask the person."""
    consent = session.get_one(Consent, consent_id)
    facts = ConsentDoubted(consent.id, Whose.PATIENT if consent.caregiver_id is None else Whose.CAREGIVER)
    raise_task(session, clinic_id, consent.patient_id, facts, f"consent_doubted:{consent.id}", now)


def unsent(message_id: uuid.UUID, params: Mapping[str, Any]) -> tuple[WordsUnsent, str]:
    """The task of a message by hand that did not leave, and its occurrence: told once, however it came to be so."""
    return WordsUnsent(message_id, str(params["text"])), f"unsent:{message_id}"


def _end_phones(act: Act, person: Patient | Caregiver) -> None:
    phones = select(Contact).where(owner(person) == person.id, Contact.channel == Channel.WEBPUSH)
    for phone in act.session.scalars(phones.where(Contact.state == ContactState.OK)):
        phone.state, phone.broken_reason = ContactState.BROKEN, ENDED_BY_OWNER
        act.note("contact.end", phone)
    act.session.flush()
