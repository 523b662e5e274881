"""Invented people written as rows of the first layout, as a service of that time left them.

Only the columns that migration 0001 made are named, so the same rows fit every
layout after it.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from sqlalchemy import Connection, Engine, MetaData, Table

from service.domain import asking
from service.domain.steps import DEFAULT, as_json
from service.domain.vocabulary import Channel, ConsentKind, ContactState, PatientState
from service.store import migrate
from service.store.session import open_engine, write_session
from service.store.tables import Base

ZONE = "Atlantic/Reykjavik"  # UTC all year
FIRST = "0001"


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


@cache
def first_layout() -> MetaData:
    """The tables, keys and rules of the first migration, with their columns' types as today's code spells them."""
    then = MetaData()
    with TemporaryDirectory() as folder:
        engine = open_engine(f"sqlite:///{Path(folder) / 'first.sqlite3'}")
        migrate.upgrade(engine, FIRST)
        then.reflect(engine, only=lambda table, _: table != "alembic_version")
        engine.dispose()
    for table in then.tables.values():
        for column in table.c:
            column.type = Base.metadata.tables[table.name].c[column.name].type
            column.server_default = None
    return then


def write_people(engine: Engine, number: int, opens_at: datetime) -> Panel:
    """A clinic and its patients, each with a caregiver, all agreed; every window opens first at `opens_at` (UTC)."""
    tables = first_layout().tables
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
                "created_at": long_ago, "digest_at": None,
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
        "consents": [
            {
                "id": uuid.uuid4(), "patient_id": one.id, "caregiver_id": caregiver, "kind": kind, "given": True,
                "how": "signed form", "recorded_by": "operator", "at": long_ago,
            }
            for one in people
            for caregiver, kind in (
                (None, ConsentKind.MESSAGES),
                (caregivers[one.id], ConsentKind.MESSAGES), (caregivers[one.id], ConsentKind.CAREGIVER),
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
    with write_session(engine) as session:
        for table, given in rows.items():
            _insert(session.connection(), tables[table], [{"clinic_id": clinic, **row} for row in given])
    return Panel(clinic, people)


def _telephone(number: int) -> str:
    """Of the range kept for fiction in every area of the North American plan: 555-0100 to 555-0199."""
    return f"+1{200 + number // 100}55501{number % 100:02}"


def _insert(connection: Connection, table: Table, rows: list[dict[str, Any]]) -> None:
    connection.execute(table.insert(), [{name: row[name] for name in row if name in table.c} for row in rows])
