"""Invented people written as rows, many in a statement; what is not named here is as the tables have it by themselves."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Any

from sqlalchemy import Engine, insert

from service.domain import asking
from service.domain.steps import DEFAULT, as_json
from service.domain.vocabulary import Channel, ConsentKind, ContactState, PatientState
from service.keyring import Keyring
from service.store.audit import OPERATOR, Act
from service.store.seals import sealed
from service.store.session import SEALER, write_session
from service.store.tables import Base, Consent
from tests.servers import SECRET

ZONE = "Atlantic/Reykjavik"  # UTC all year


@dataclass(frozen=True)
class Person:
    """A patient, the number of the patient's telephone and that of the caregiver's."""

    id: uuid.UUID
    phone: str
    caregiver_phone: str


@dataclass(frozen=True)
class Panel:
    clinic_id: uuid.UUID
    people: list[Person]


def write_people(engine: Engine, number: int, opens_at: datetime) -> Panel:
    """A clinic and its patients, each with a caregiver, all agreed; every window opens first at `opens_at` (UTC)."""
    long_ago = opens_at - timedelta(days=100)
    clinic = uuid.uuid4()
    people = [Person(uuid.uuid4(), _telephone(n), _telephone(10_000 + n)) for n in range(number)]
    caregivers = {one.id: uuid.uuid4() for one in people}
    rows: dict[str, list[dict[str, Any]]] = {
        "clinics": [
            {
                "id": clinic, "name": "Fernmoor Clinic", "zone": ZONE, "language": "en", "review_weekday": 0,
                "emergency_number": "112", "contact_line": "+1 202 555 0100", "sender_name": "Fernmoor",
                "quiet_from": time(21), "quiet_until": time(6), "steps": as_json(DEFAULT), "silent_days": 1,
                "silent_again_days": 3, "asks": asking.START, "says_back": True, "asks_again_in_doubt": False,
                "created_at": long_ago, "digest_at": None, "is_invented": True,
            }
        ],
        "patients": [
            {
                "id": one.id, "clinic_ref": f"F-{n}", "name": "Invented", "zone": ZONE, "language": "en",
                "state": PatientState.ACTIVE, "weight_unit": "kg", "says_back": True, "enrolled_at": long_ago,
            }
            for n, one in enumerate(people)
        ],
        "caregivers": [
            {
                "id": caregivers[one.id], "patient_id": one.id, "name": "Invented", "relation": "", "zone": ZONE,
                "language": "en", "position": 0, "active": True, "created_at": long_ago,
            }
            for one in people
        ],
        "contacts": [
            {
                "id": uuid.uuid4(), "patient_id": patient, "caregiver_id": caregiver, "channel": Channel.TEXT,
                "address": phone, "position": 0, "state": ContactState.OK, "created_at": long_ago,
            }
            for one in people
            for patient, caregiver, phone in (
                (one.id, None, one.phone), (None, caregivers[one.id], one.caregiver_phone),
            )
        ],
        "plans": [
            {
                "id": uuid.uuid4(), "patient_id": one.id, "weekdays": 127, "opens": time(7), "due": time(8),
                "closes": time(9), "wants_reading": True, "wants_checkin": True, "next_date": opens_at.date(),
                "next_open_at": opens_at, "active": True, "set_at": long_ago,
            }
            for one in people
        ],
    }  # fmt: skip
    # A consent is gone by where its seal holds: that of the processes, whose key is not the test's own.
    of_processes = engine.execution_options(**{SEALER: Keyring(SECRET).sealer()})
    with write_session(of_processes) as session:
        for table, given in rows.items():
            of_clinic = {} if table == "clinics" else {"clinic_id": clinic}
            session.connection().execute(insert(Base.metadata.tables[table]), [{**of_clinic, **row} for row in given])
        act = Act(session, OPERATOR, clinic, long_ago)
        session.add_all(
            sealed(act, Consent(patient_id=one.id, caregiver_id=caregiver, kind=kind, given=True, how="signed form",
                                recorded_by="operator", at=long_ago))
            for one in people
            for caregiver, kind in (
                (None, ConsentKind.MESSAGES),
                (caregivers[one.id], ConsentKind.MESSAGES), (caregivers[one.id], ConsentKind.CAREGIVER),
            )
        )  # fmt: skip
    return Panel(clinic, people)


def _telephone(number: int) -> str:
    """Of the range kept for fiction in every area of the North American plan: 555-0100 to 555-0199."""
    return f"+1{200 + number // 100}55501{number % 100:02}"
