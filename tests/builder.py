"""The one way in which tests make an invented clinic: through the service's own use cases.

`Builder` works inside one transaction at one moment. The worlds that tests live in
(`tests/world.py`, `post.py`, `fernmoor.py`, `web/conftest.py`, `crash/household.py`)
are thin skins around it: they say which clinic and who is in it. Names, numbers and
places are invented; the numbers are of ranges kept for fiction.
"""

from __future__ import annotations

import itertools
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Any, Protocol

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.care import contacts
from service.domain.rights import GRANTED, Right, rights_of
from service.domain.vocabulary import ActorKind, Channel, ConsentKind, Role
from service.enrolling import clinics, people, plans
from service.store.audit import OPERATOR, Act, Actor
from service.store.session import write_session
from service.store.tables import Caregiver, Clinic, Contact, Patient, Plan, Staff

NUMBERS = itertools.count(100)


class Acting(Protocol):
    """A member of staff, as a row or as whoever is signed in."""

    @property
    def id(self) -> uuid.UUID: ...

    @property
    def clinic_id(self) -> uuid.UUID: ...


def acting(session: Session, staff: Acting, now: datetime) -> Act:
    """An act of that member of staff."""
    return Act(session, Actor(ActorKind.STAFF, staff.id), staff.clinic_id, now)


# What a test's clinic is like where nothing else matters.
LONDON: dict[str, Any] = {"zone": "Europe/London", "emergency_number": "999", "contact_line": "+44 7700 900100"}
AUCKLAND: dict[str, Any] = {
    "zone": "Pacific/Auckland",
    "emergency_number": "111",
    "contact_line": "+64 9 999 0100",
    "quiet_from": time(21),
    "quiet_until": time(6, 30),
}


@dataclass
class Builder:
    """Enrols people into a clinic, each through its use case and with its audit line, at `now`."""

    session: Session
    now: datetime

    def clinic(self, name: str = "Fernmoor Clinic", **settings: Any) -> Clinic:
        new = clinics.NewClinic(name=name, **{"sender_name": "Fernmoor", **LONDON, **settings})
        clinic = clinics.enrol_clinic(self.session, new, OPERATOR, self.now)
        clinic.is_invented = True
        return clinic

    def patient(
        self,
        clinic: Clinic,
        name: str = "Asha Invented",
        *,
        ref: str = "",
        zone: str = "Europe/London",
        phones: tuple[str, ...] = (),
        consent: bool | None = True,
        plan: dict[str, Any] | None = None,
        enrolled_ago: timedelta = timedelta(0),
        **particulars: Any,
    ) -> Patient:
        """A patient enrolled `enrolled_ago`, with text contacts, the consent to messages, and the plan, where given.

        `consent` None records nothing. A follow-up of the first weeks is another one than
        later: `enrolled_ago` of 60 days is past it.
        """
        new = people.NewPatient(clinic_ref=ref or f"F-{next(NUMBERS)}", name=name, zone=zone, **particulars)
        patient = people.enrol_patient(Act(self.session, OPERATOR, clinic.id, self.now - enrolled_ago), new)
        for number in phones:
            self.contact(patient, number)
        if consent is not None:
            self.consent(patient, ConsentKind.MESSAGES, consent)
        if plan is not None:
            self.plan(patient, **plan)
        return patient

    def caregiver(
        self,
        patient: Patient,
        name: str = "Ben Invented",
        *,
        phones: tuple[str, ...] = (),
        allowed: bool | None = True,
        agreed: bool | None = True,
        **particulars: Any,
    ) -> Caregiver:
        """A caregiver with text contacts; `allowed` is the patient's consent, `agreed` the caregiver's own."""
        new = people.NewCaregiver(name=name, **particulars)
        caregiver = people.add_caregiver(Act(self.session, OPERATOR, patient.clinic_id, self.now), patient, new)
        for number in phones:
            self.contact(caregiver, number)
        for kind, given in ((ConsentKind.CAREGIVER, allowed), (ConsentKind.MESSAGES, agreed)):
            if given is not None:
                self.consent(patient, kind, given, caregiver)
        return caregiver

    def contact(
        self, owner: Patient | Caregiver | Staff, address: str = "", channel: Channel = Channel.TEXT
    ) -> Contact:
        new = people.NewContact(channel, address or next_number())
        return people.add_contact(Act(self.session, OPERATOR, owner.clinic_id, self.now), owner, new)

    def consent(self, patient: Patient, kind: ConsentKind, given: bool, caregiver: Caregiver | None = None) -> None:
        contacts.record_consent(
            Act(self.session, OPERATOR, patient.clinic_id, self.now), patient, kind, given, "signed form", caregiver
        )

    def plan(self, patient: Patient, **rule: Any) -> Plan:
        """Seven to ten in the morning, due at half past eight, unless said otherwise."""
        hours = {"opens": time(7), "due": time(8, 30), "closes": time(10), **rule}
        new = plans.NewPlan(**{"opens_again": hours["opens"], **hours})
        return plans.set_plan(Act(self.session, OPERATOR, patient.clinic_id, self.now), patient, new)

    def staff(self, clinic: Clinic, name: str = "Nurse Invented", *roles: Role, phone: str = "") -> Staff:
        """Somebody on call who never signs in: hashing a password takes its time on purpose."""
        member = Staff(
            id=uuid.uuid4(),
            clinic_id=clinic.id,
            email=f"{uuid.uuid4().hex}@fernmoor.example",
            name=name,
            roles=list(roles or [Role.NURSE]),
            grants=carriable(*(roles or [Role.NURSE])),
            password_hash="none",
            password_set_at=self.now,
            created_at=self.now,
        )
        self.session.add(member)
        self.session.flush()
        if phone:
            self.contact(member, phone)
        return member


def carriable(*roles: Role) -> list[Right]:
    """All that a clinic may grant to somebody of these roles."""
    return [right for right, base in GRANTED.items() if base in rights_of(roles)]


def next_number() -> str:
    """A telephone number that nobody else in these tests has."""
    return f"+649999{next(NUMBERS):04}"


@contextmanager
def building(engine: Engine, now: datetime) -> Iterator[Builder]:
    """One transaction at `now`, committed at the end."""
    with write_session(engine) as session:
        yield Builder(session, now)
