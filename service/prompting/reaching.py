"""Whom a step can speak to: patients and caregivers, with the address to try first."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from service.care import contacts
from service.domain.steps import Reach
from service.domain.vocabulary import Channel, ContactState
from service.store.tables import Caregiver, Contact


@dataclass(frozen=True)
class Address:
    """The first working contact of one person; `caregiver_id` is None for the patient's own."""

    contact_id: uuid.UUID
    channel: Channel
    caregiver_id: uuid.UUID | None = None


@dataclass(frozen=True)
class Reached:
    """Whether anybody can be reached, and who, in the order to ask them."""

    reach: Reach
    addresses: tuple[Address, ...] = ()


def patients(session: Session, patient_ids: Collection[uuid.UUID]) -> dict[uuid.UUID, Reached]:
    """How each patient can be reached. Two queries."""
    if not patient_ids:
        return {}
    agreed = contacts.patients_who_agreed(session, patient_ids)
    first = _first_working(session, Contact.patient_id, patient_ids)
    return {one: _reached(one in agreed, first.get(one)) for one in patient_ids}


def caregivers(session: Session, patient_ids: Collection[uuid.UUID]) -> dict[uuid.UUID, Reached]:
    """The caregivers of each patient who may be told and can be, in the clinic's order. Four queries."""
    if not patient_ids:
        return {}
    of_patient: dict[uuid.UUID, list[uuid.UUID]] = defaultdict(list)
    for patient_id, caregiver_id in session.execute(
        select(Caregiver.patient_id, Caregiver.id)
        .where(Caregiver.patient_id.in_(patient_ids), Caregiver.active)
        .order_by(Caregiver.position, Caregiver.created_at, Caregiver.id)
    ):
        of_patient[patient_id].append(caregiver_id)
    agreed = contacts.caregivers_who_agreed(session, patient_ids)
    first = _first_working(session, Contact.caregiver_id, [one for some in of_patient.values() for one in some])
    return {one: _any_reached(of_patient[one], agreed, first) for one in patient_ids}


def _reached(agreed: bool, contact: tuple[uuid.UUID, Channel] | None) -> Reached:
    if not agreed:
        return Reached(Reach.NO_CONSENT)
    if contact is None:
        return Reached(Reach.NO_CONTACT)
    return Reached(Reach.YES, (Address(*contact),))


def _any_reached(
    some: Collection[uuid.UUID], agreed: Collection[uuid.UUID], first: dict[uuid.UUID, tuple[uuid.UUID, Channel]]
) -> Reached:
    if not some:
        return Reached(Reach.NOBODY)
    allowed = [one for one in some if one in agreed]
    if not allowed:
        return Reached(Reach.NO_CONSENT)
    addresses = tuple(Address(*first[one], one) for one in allowed if one in first)
    return Reached(Reach.YES if addresses else Reach.NO_CONTACT, addresses)


def _first_working(
    session: Session, owner: InstrumentedAttribute[uuid.UUID | None], owners: Collection[uuid.UUID]
) -> dict[uuid.UUID, tuple[uuid.UUID, Channel]]:
    found: dict[uuid.UUID, tuple[uuid.UUID, Channel]] = {}
    if not owners:
        return found
    query: Select[*tuple[Any, ...]] = (
        select(owner, Contact.id, Contact.channel)
        .where(owner.in_(owners), Contact.state == ContactState.OK)
        .order_by(Contact.position, Contact.created_at, Contact.id)
    )
    for person, contact_id, channel in session.connection().execute(query):
        found.setdefault(person, (contact_id, channel))
    return found
