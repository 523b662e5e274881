"""What messages cost: writing them against plain SQL, two workers against one, and how late a busy minute gets.

PostgreSQL where NEAPTIDE_TEST_DATABASE_URL names a server; without one its lines say
so. The provider is a transport in the worker's own process that takes 100 ms for
every message. Every patient is invented.
"""

from __future__ import annotations

import gc
import logging
import os
import statistics
import tempfile
import time
import uuid
from collections.abc import Sequence
from contextlib import AbstractContextManager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import structlog
from psycopg.types.json import Jsonb
from sqlalchemy import Engine, delete, event, insert, select, text

from service.clock import SystemClock
from service.delivery import sending
from service.domain.vocabulary import Channel, ConsentKind, ContactState, MessageKind, PatientState
from service.enrolling import clinics
from service.store import migrate, outbox
from service.store.audit import OPERATOR
from service.store.outbox import NewMessage
from service.store.session import open_engine, write_session
from service.store.tables import Clinic, Consent, Contact, Message, MessageEvent, Occurrence, Patient
from service.store.upsert import insert_rows
from service.transports.base import OutgoingText
from tests.servers import VAULT, own_database

SERVER = os.environ.get("NEAPTIDE_TEST_DATABASE_URL")
LONG_AGO = datetime(2026, 1, 1, tzinfo=UTC)
DUE_IN_A_MINUTE = 100_000
A_BATCH = 1_000
TURNS = 5
GATEWAY_SECONDS = 0.1
SCALED, BUSY_MINUTE = 2_000, 10_000
AT_ONCE = 64


def main() -> None:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    gc.collect()
    gc.freeze()
    gc.disable()
    with tempfile.TemporaryDirectory(prefix="neaptide-bench-") as folder:
        sides = [open_engine(f"sqlite:///{Path(folder) / name}.sqlite3", vault=VAULT) for name in ("ours", "theirs")]
        print(enqueue_vs_raw_sql(*sides, "sqlite"), flush=True)
    if SERVER is None:
        reason = "left out: NEAPTIDE_TEST_DATABASE_URL names no PostgreSQL server"
        for name in ("enqueue_vs_raw_sql (postgresql)", "delivery_scaling", "delivery_lateness"):
            print(f"{name} {reason}")
        return
    with _database("ours") as engine:
        with _database("theirs") as other:
            print(enqueue_vs_raw_sql(engine, other, "postgresql"), flush=True)
        _forget(engine)
        people = _people(engine, BUSY_MINUTE)
        print(delivery_scaling(engine, people[:SCALED]), flush=True)
        print(delivery_lateness(engine, people), flush=True)


def enqueue_vs_raw_sql(own: Engine, other: Engine, name: str) -> str:
    """Enqueueing 100,000 messages due in one minute ÷ the driver writing the very same rows by plain SQL.

    In rounds that take turns, each side into a database of its own, which grows.
    """
    migrate.upgrade(own)
    person = _people(own, 1)[0]
    migrate.upgrade(other)
    if name == "sqlite":
        event.listen(other, "connect", lambda connection, _: connection.execute("PRAGMA foreign_keys=OFF"))
        other.dispose()
    else:
        _same_person(own, other)
    ratios, ours, theirs = [], [], []
    for turn in range(TURNS):
        at = LONG_AGO + timedelta(days=turn)
        new = [_message(person, n) for n in range(DUE_IN_A_MINUTE // TURNS)]
        ours.append(_timed(lambda given=new, now=at: _enqueue(own, given, now)))
        theirs.append(_timed(lambda given=_written(own, at): _plain(other, given)))
        ratios.append(ours[-1] / theirs[-1])
    return (
        f"enqueue_vs_raw_sql ratio={statistics.median(ratios):.2f} (at most 3) {name}, {DUE_IN_A_MINUTE:,} due"
        f" in one minute: ours {sum(ours):.1f} s, plain SQL {sum(theirs):.1f} s,"
        f" {TURNS} turns {min(ratios):.2f}–{max(ratios):.2f}"
    )


def _same_person(own: Engine, other: Engine) -> None:
    """Copy clinic, patient and contact, so that the same messages may point at them."""
    with own.connect() as mine, other.begin() as theirs:
        for table in (Clinic.__table__, Patient.__table__, Contact.__table__):
            rows = [dict(row._mapping) for row in mine.execute(select(table))]
            theirs.execute(insert(table), rows)


def delivery_scaling(engine: Engine, people: Sequence[dict[str, Any]]) -> str:
    """Messages a second of two workers ÷ one, with a gateway that takes 100 ms."""
    rates = {}
    for workers in (1, 2):
        _queue(engine, people)
        spent = _work(engine, workers)
        rates[workers] = len(people) / spent
        _forget(engine)
    return (
        f"delivery_scaling ratio={rates[2] / rates[1]:.2f} two workers {rates[2]:,.0f} messages/s,"
        f" one {rates[1]:,.0f}; {AT_ONCE} calls at once in each, gateway 100 ms"
    )


def delivery_lateness(engine: Engine, people: Sequence[dict[str, Any]]) -> str:
    """How late 10,000 messages are that fall due at one instant, to the end of the gateway's answer."""
    due = _queue(engine, people)
    _work(engine, 2)
    with engine.connect() as connection:
        settled = connection.execute(select(Message.settled_at)).scalars().all()
    late = sorted((at - due).total_seconds() for at in settled if at is not None)
    assert len(late) == len(people)
    marks = ", ".join(
        f"{name} {late[min(int(len(late) * part), len(late) - 1)]:.1f} s"
        for name, part in (("half", 0.5), ("95 %", 0.95), ("99 %", 0.99), ("last", 1.0))
    )
    ideal = len(people) / (2 * AT_ONCE / GATEWAY_SECONDS)
    return (
        f"delivery_lateness ratio={late[-1] / ideal:.2f} last one ÷ the gateway's own {ideal:.1f} s;"
        f" {len(people):,} due at one instant, two workers, gateway 100 ms: {marks}"
    )


class Slow:
    """A provider that takes its time."""

    def send(self, text: OutgoingText) -> str:
        time.sleep(GATEWAY_SECONDS)
        return str(text.message_id)


def _work(engine: Engine, workers: int) -> float:
    """Let so many worker processes deliver all that is due. Returns seconds."""
    url = engine.url.render_as_string(hide_password=False)
    engine.dispose()  # a child must not share its parent's connections
    begun = time.perf_counter()
    children = []
    for _ in range(workers):
        child = os.fork()
        if child == 0:
            try:
                own = open_engine(url, vault=VAULT)
                sending.deliver(
                    own, {Channel.TEXT: Slow()}, lambda session, facts, now: "x", SystemClock(), at_once=AT_ONCE
                )
                os._exit(0)
            finally:
                os._exit(1)
        children.append(child)
    for child in children:
        _, status = os.waitpid(child, 0)
        assert status == 0, "a worker failed"
    return time.perf_counter() - begun


def _timed(work: Any) -> float:
    # Wall time: with a server the work is in two processes.
    gc.collect()
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def _enqueue(engine: Engine, new: Sequence[NewMessage], now: datetime) -> None:
    for first in range(0, len(new), A_BATCH):
        with write_session(engine) as session:
            outbox.enqueue_many(session, new[first : first + A_BATCH], now)


Rows = Sequence[tuple[Any, ...]]


def _written(engine: Engine, at: datetime) -> dict[str, tuple[list[str], Rows]]:
    """What `_enqueue` wrote at `at`, by table, as the driver has it: messages, and the occurrences that they are."""
    mark = "?" if engine.dialect.name == "sqlite" else "%s"
    when: Any = f"{at:%Y-%m-%d %H:%M:%S.%f}" if engine.dialect.name == "sqlite" else at
    its = f"(SELECT id FROM messages WHERE created_at = {mark})"
    raw, found = engine.raw_connection(), {}
    cursor = raw.cursor()
    for kind, condition in ((Occurrence, f"message_id IN {its}"), (Message, f"id IN {its}")):
        table: Any = kind.__table__
        names = [column.name for column in table.columns]
        cursor.execute(f"SELECT {', '.join(names)} FROM {table.name} WHERE {condition}", (when,))
        rows = [tuple(row) for row in cursor.fetchall()]
        if engine.dialect.name == "postgresql" and "params" in names:
            place = names.index("params")
            rows = [(*row[:place], Jsonb(row[place]), *row[place + 1 :]) for row in rows]
        found[table.name] = names, rows
    raw.rollback()
    raw.close()
    return found


def _plain(engine: Engine, written: dict[str, tuple[list[str], Rows]]) -> None:
    mark = "?" if engine.dialect.name == "sqlite" else "%s"
    said = {
        name: f"INSERT INTO {name} ({', '.join(names)}) VALUES ({', '.join([mark] * len(names))}) ON CONFLICT DO NOTHING"
        for name, (names, _) in written.items()
    }
    raw = engine.raw_connection()
    cursor = raw.cursor()
    for first in range(0, DUE_IN_A_MINUTE // TURNS, A_BATCH):
        if engine.dialect.name == "sqlite":
            cursor.execute("BEGIN IMMEDIATE")
        for name, (_, rows) in written.items():
            cursor.executemany(said[name], rows[first : first + A_BATCH])
        raw.commit()
    raw.close()


def _message(person: dict[str, Any], number: int) -> NewMessage:
    at = LONG_AGO + timedelta(seconds=number % 60)
    return NewMessage(
        clinic_id=person["clinic_id"], contact_id=person["id"], kind=MessageKind.PROMPT, channel=Channel.TEXT,
        dedupe_key=f"prompt:{uuid.uuid4()}:text", due_at=at, expires_at=at + timedelta(hours=3),
        patient_id=person["patient_id"], params={"asks": ["reading", "checkin"]},
    )  # fmt: skip


def _queue(engine: Engine, people: Sequence[dict[str, Any]]) -> datetime:
    """One message for each, due now."""
    now = SystemClock().now()
    with write_session(engine) as session:
        outbox.enqueue_many(
            session,
            [
                NewMessage(
                    clinic_id=one["clinic_id"], contact_id=one["id"], kind=MessageKind.PROMPT, channel=Channel.TEXT,
                    dedupe_key=f"prompt:{uuid.uuid4()}:text", due_at=now, expires_at=now + timedelta(hours=3),
                    patient_id=one["patient_id"],
                )
                for one in people
            ],
            now,
        )  # fmt: skip
    return now


def _people(engine: Engine, number: int) -> list[dict[str, Any]]:
    """Patients of one clinic with a telephone each, who have agreed. Returns their contacts."""
    with write_session(engine) as session:
        clinic = clinics.enrol_clinic(
            session,
            clinics.NewClinic("Fernmoor Clinic", "Pacific/Auckland", "111", "+64 9 999 0100", "Fernmoor"),
            OPERATOR,
            LONG_AGO,
        )
        patients = [
            {
                "id": uuid.uuid4(), "clinic_id": clinic.id, "clinic_ref": f"F-{n}", "name": "Invented",
                "zone": "Pacific/Auckland", "language": "en", "state": PatientState.ACTIVE, "weight_unit": "kg",
                "says_back": True, "withdrawn": False, "enrolled_at": LONG_AGO,
            }
            for n in range(number)
        ]  # fmt: skip
        contacts = [
            {
                "id": uuid.uuid4(), "clinic_id": clinic.id, "patient_id": patient["id"], "channel": Channel.TEXT,
                "address": f"+64{n:09}", "position": 0, "state": ContactState.OK, "created_at": LONG_AGO,
            }
            for n, patient in enumerate(patients)
        ]  # fmt: skip
        consents = [
            {
                "id": uuid.uuid4(), "clinic_id": clinic.id, "patient_id": patient["id"], "kind": ConsentKind.MESSAGES,
                "given": True, "how": "signed form", "recorded_by": "operator", "at": LONG_AGO, "seal": "",
            }
            for patient in patients
        ]  # fmt: skip
        for table, rows in ((Patient, patients), (Contact, contacts), (Consent, consents)):
            insert_rows(session, table.__table__, rows)
    return contacts


def _forget(engine: Engine) -> None:
    with write_session(engine) as session:
        for table in (MessageEvent, Message, Occurrence):
            session.execute(delete(table))
    if engine.dialect.name == "postgresql":
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.execute(text("VACUUM ANALYZE messages, message_events, occurrences"))


def _database(side: str) -> AbstractContextManager[Engine]:
    """A database of our own on the server."""
    assert SERVER is not None
    return own_database(SERVER, f"neaptide_bench_{os.getpid()}_{side}")
