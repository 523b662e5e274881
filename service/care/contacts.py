"""Who can be reached, and who has agreed to be.

Consent is a record, never a flag: the newest line of a kind counts, and none at
all means no.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from service.domain.vocabulary import Channel, ConsentKind, ContactState
from service.store.tables import Caregiver, Consent, Contact

Owner = InstrumentedAttribute[uuid.UUID | None]  # Contact.patient_id, .caregiver_id or .staff_id


def has_consent(
    session: Session, patient_id: uuid.UUID, kind: ConsentKind, caregiver_id: uuid.UUID | None = None
) -> bool:
    """Whether the newest record of this kind says yes.

    `kind=MESSAGES` with a caregiver is the caregiver's own agreement; without
    one it is the patient's.
    """
    return _newest(session, [patient_id], kind).get((patient_id, caregiver_id), False)


def patients_who_agreed(session: Session, patient_ids: Collection[uuid.UUID]) -> set[uuid.UUID]:
    """Those of these patients whose consent to messages stands. One query."""
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
