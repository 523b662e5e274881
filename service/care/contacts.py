"""Who can be reached, and who has agreed to be.

Consent is a record, never a flag: the newest line of a kind counts, and none at
all means no.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from service.domain.vocabulary import ConsentKind, ContactState
from service.store.tables import Caregiver, Consent, Contact


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
        return list(session.scalars(_working().where(Contact.caregiver_id == caregiver_id)))
    if patient_id is None or patient_id not in patients_who_agreed(session, [patient_id]):
        return []
    return list(session.scalars(_working().where(Contact.patient_id == patient_id)))


def working_contacts_of_patients(
    session: Session, patient_ids: Collection[uuid.UUID]
) -> dict[uuid.UUID, list[Contact]]:
    """Each patient's working contacts in order, whether or not they agreed. One query."""
    found: dict[uuid.UUID, list[Contact]] = defaultdict(list)
    for contact in session.scalars(_working().where(Contact.patient_id.in_(patient_ids))):
        if contact.patient_id is not None:
            found[contact.patient_id].append(contact)
    return found


def working_contacts_of_caregivers(
    session: Session, caregiver_ids: Collection[uuid.UUID]
) -> dict[uuid.UUID, list[Contact]]:
    """Each caregiver's working contacts in order, whether or not they agreed. One query."""
    found: dict[uuid.UUID, list[Contact]] = defaultdict(list)
    for contact in session.scalars(_working().where(Contact.caregiver_id.in_(caregiver_ids))):
        if contact.caregiver_id is not None:
            found[contact.caregiver_id].append(contact)
    return found


def working_contacts_of_staff(session: Session, staff_id: uuid.UUID) -> list[Contact]:
    """One member of staff's working contacts in order: they work here, and need not have agreed."""
    return list(session.scalars(_working().where(Contact.staff_id == staff_id)))


def _working() -> Select[Contact]:
    return (
        select(Contact)
        .where(Contact.state == ContactState.OK)
        .order_by(Contact.position, Contact.created_at, Contact.id)
    )


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
