"""Databases with many invented patients, written straight into SQLite because only their size matters."""

from __future__ import annotations

import json
import os
import sqlite3
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from service.domain import asking
from service.domain.steps import DEFAULT, as_json
from service.store import migrate
from service.store.session import open_engine
from service.store.tables import ADDRESS
from tests.servers import VAULT

ZONES = ("Pacific/Auckland", "Europe/Madrid", "America/Santiago", "Australia/Lord_Howe")
HISTORY_DAYS = 28
FAR = datetime(2027, 1, 1, tzinfo=UTC)


def written(at: datetime) -> str:
    """An instant as the service stores it on SQLite."""
    return f"{at:%Y-%m-%d %H:%M:%S.%f}"


def sealed(address: str) -> str:
    """A telephone number as the service keeps it."""
    return VAULT.seal(ADDRESS.what, address.encode())


def build(path: Path, patients: int, due: list[datetime], due_each: int, *, reachable: bool = True) -> None:
    """A migrated database of `patients` with plan, and contact and consent unless nobody will be written to.

    At each instant in `due`, `due_each` of them open their window, after four answered
    weeks; the rest not before 2027.
    """
    engine = open_engine(f"sqlite:///{path}", vault=VAULT)
    migrate.upgrade(engine)
    engine.dispose()
    raw = sqlite3.connect(path, isolation_level=None)
    for pragma in ("journal_mode=MEMORY", "synchronous=OFF", "foreign_keys=OFF", "cache_size=-400000"):
        raw.execute(f"PRAGMA {pragma}")
    clinic = uuid.uuid4().hex
    # In order of their keys, which is how a B-tree is quickest to fill.
    ids = sorted(_drawn() for _ in range(patients))
    at = written(datetime(2026, 1, 1, tzinfo=UTC))
    raw.execute("BEGIN")
    raw.execute(
        "INSERT INTO clinics (id, name, zone, language, review_weekday, emergency_number, contact_line, sender_name,"
        " quiet_from, quiet_until, steps, silent_days, silent_again_days, asks, says_back,"
        " asks_again_in_doubt, created_at, start_opens, start_due, start_closes, second_step,"
        " is_invented, noticed_nights, noticed_records, noticed_occasions)"
        " VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,1,?,?,'07:00:00.000000','08:30:00.000000','10:00:00.000000',0,"
        "1,6,20,10)",
        (clinic, "Fernmoor Clinic", "Pacific/Auckland", "en", 0, "111", "09 999 0100", "Fernmoor",
         "21:00:00.000000", "06:30:00.000000", json.dumps(as_json(DEFAULT)), 3, 3, json.dumps(asking.START), False, at),
    )  # fmt: skip
    raw.executemany(
        "INSERT INTO patients (id, clinic_id, clinic_ref, name, zone, language, state, weight_unit, says_back,"
        " withdrawn, enrolled_at) VALUES (?,?,?,'Invented',?,'en','active','kg',1,0,?)",
        ((one, clinic, f"F-{n:07}", zone_of(n), at) for n, one in enumerate(ids)),
    )
    if reachable:
        raw.executemany(
            "INSERT INTO contacts (id, clinic_id, patient_id, channel, address, position, state, created_at)"
            " VALUES (?,?,?,'text',?,0,'ok',?)",
            ((one, clinic, one, sealed(f"+64{n:09}"), at) for n, one in enumerate(ids)),
        )
        raw.executemany(
            "INSERT INTO consents (id, clinic_id, patient_id, kind, given, how, recorded_by, at, seal)"
            " VALUES (?,?,?,'messages',1,'signed form','operator',?,'')",
            ((one, clinic, one, at) for one in ids),
        )
    raw.executemany(
        "INSERT INTO plans (id, clinic_id, patient_id, weekdays, opens, due, closes, wants_reading, wants_checkin,"
        " steps, silent_days, next_date, next_open_at, active, set_at)"
        " VALUES (?,?,?,127,?,?,?,1,1,NULL,NULL,?,?,1,?)",
        (
            (one, clinic, one, *_hours(zone_of(n), opens), at)
            for n, (one, opens) in enumerate(zip(ids, _openings(patients, due, due_each), strict=True))
        ),
    )
    raw.executemany(
        "INSERT INTO windows (id, clinic_id, patient_id, local_date, zone, opens_at, due_at, closes_at, wants_reading,"
        " wants_checkin, state, reading_at, settled_at) VALUES (?,?,?,?,?,?,?,?,1,1,'answered',?,?)",
        (
            row
            for one, opens in zip(ids, _openings(patients, due, due_each), strict=True)
            if opens < FAR
            for row in _past(clinic, one, opens)
        ),
    )
    raw.execute("COMMIT")
    raw.close()


def _drawn() -> str:
    return os.urandom(16).hex()


def _past(clinic: str, patient: str, opens: datetime) -> Iterator[tuple[str, ...]]:
    for day, at in _days_before(opens):
        yield _drawn(), clinic, patient, day, "UTC", at, at, at, at, at


@cache
def _days_before(opens: datetime) -> list[tuple[str, str]]:
    days = [opens - timedelta(days=days) for days in range(1, HISTORY_DAYS + 1)]
    return [(f"{then:%Y-%m-%d}", written(then)) for then in days]


def zone_of(number: int) -> str:
    # Hashed, so that those who are due together live in all of them.
    return ZONES[number * 2654435761 % 2**32 >> 30]


@cache  # a million patients open at some hundred instants
def _hours(zone: str, opens: datetime) -> tuple[str, str, str, str, str]:
    """Opening, due and closing wall time, the local date, and the instant, of a window that opens then."""
    local = opens.astimezone(ZoneInfo(zone))
    marks = (local, local + timedelta(minutes=90), local + timedelta(hours=3))
    opens_at, due_at, closes_at = (f"{mark:%H:%M}:00.000000" for mark in marks)
    return opens_at, due_at, closes_at, f"{local:%Y-%m-%d}", written(opens)


def _openings(patients: int, due: list[datetime], due_each: int) -> Iterator[datetime]:
    # Those who are due together are spread over the table, as they are in life.
    stride = max(1, patients // max(1, len(due) * due_each))
    for n in range(patients):
        place = n // stride
        if n % stride == 0 and place < len(due) * due_each:
            yield due[place % len(due)]
        else:
            yield FAR + timedelta(minutes=n % 600)
