"""Databases as full as after months of use: one patient's days as the service wrote them, multiplied by SQL.

`lived` lets the service write two days of one patient, one answered and one missed, with everything that follows
from them: windows, steps, messages and their history, audit lines, readings, diary, a silence. `multiply`
copies these rows for every patient and day, with other ids, keys, dates and pressures; about 15 of 100 days
are missed. Everybody is invented, and alike: only how many there are matters. What came on a day has ids of that day
before this machine's, and so lies in its month where tables lie by month; and it lies behind what came before, as
where a service wrote it day by day. Each patient's days together would have a clinic's rows of one date lie far apart:
read by index, PostgreSQL counts a page for each of them, by bitmap one for each page, and which it takes hangs on how
many pages a table of all has.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import product
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Date, Engine, delete, select, text

from service.reviewing import refreshing
from service.store.identity import new_id
from service.store.outbox import RECURS_WITHIN
from service.store.session import connect, gather_statistics, write_session
from service.store.tables import (
    MONTHLY,
    AuditLine,
    Base,
    Caregiver,
    CarriedStateRow,
    Checkin,
    Consent,
    Contact,
    LinkKey,
    Message,
    MessageEvent,
    Occurrence,
    PanelRow,
    Patient,
    Plan,
    Reading,
    Reference,
    Silence,
    Step,
    Window,
)
from service.store.types import Id, UTCDateTime
from tests.bench import hospitals
from tests.world import World

PEOPLE = (Patient, Caregiver, Contact, Consent, Plan, Reference, PanelRow, CarriedStateRow)
DELIVERY = (Step, Message, MessageEvent, Occurrence, LinkKey, AuditLine)
DAYS = (Window, Step, Message, MessageEvent, Occurrence, Reading, Checkin, AuditLine, Silence, LinkKey)
ONCE = {
    "dedupe_key": 120,
    "key_hash": 32,
    "clinic_ref": 20,
    "provider_ref": 80,
}  # unique beside ids; what is kept of each
OF_PERSON = {"patient_id", "contact_id", "caregiver_id"}
FILLER = 300  # patients of every other clinic
MARKS = 100_000  # beyond the days of any size: what was written on one day has one mark, the day's
DAY_MS = 24 * 3600 * 1000
DAY_KINDS = ((False, "answered"), (True, "missed"))


@dataclass(frozen=True)
class Sizes:
    """How many patients, over how many days; `measured` are the sizes of the clinics that are looked at."""

    patients: int
    days: int
    measured: tuple[int, ...] = (30, 300)
    delivery_days: int | None = None  # of steps, messages, their history, links and audit lines; None: of all

    def of_at_most(self, largest: int) -> Sizes:
        """The same, of which the larger measured clinic has so many."""
        return replace(self, measured=(largest // 10, largest))


@dataclass(frozen=True)
class Lived:
    """The rows to multiply: one patient, and what came on a day that was answered and on one that was missed."""

    world: World
    patient_id: str
    answered: date
    missed: date


def lived(engine: Engine, folder: Path) -> Lived:
    """Two days of one patient and their caregiver, up to the next morning at seven.

    They have a reference, as after a year, so that nobody is asked to decide on one where the days are many.
    """
    world = World(engine, folder)
    world.begins("2026-11-21T12:00", "UTC")
    asha = world.patient("Asha Invented", zone="UTC", enrolled=timedelta(days=500))
    world.caregiver(asha, "Ben Invented")
    with write_session(engine) as session:
        by = {"set_by": "operator", "set_at": world.now - timedelta(days=400)}
        session.add(Reference(clinic_id=asha.clinic_id, patient_id=asha.id, pa_diastolic=18.0, **by))
    world.at(asha, "07:30")
    world.reading(asha)
    world.checks_in(asha, weight=80.0)
    answered = world.now.date()
    world.at(asha, "23:59")
    world.at(asha, "06:30")
    missed = world.now.date()
    world.at(asha, "23:59")
    world.at(asha, "06:59")
    world.reading(asha, taken_at=world.now - timedelta(minutes=5))  # its silence is over
    with write_session(engine) as session:
        session.execute(delete(Reading).where(Reading.received_at >= world.now))  # which belongs to neither day
    refreshing.refresh(engine, world.now)
    return Lived(world, str(asha.id), answered, missed)


def multiply(engine: Engine, seed: Lived, sizes: Sizes) -> dict[int, uuid.UUID]:
    """Fill the database. Returns the id of each measured clinic by its size."""
    sql = _Sql(engine.dialect.name == "sqlite")
    with connect(engine) as connection:
        if sql.on_sqlite:
            for pragma in ("synchronous=OFF", "foreign_keys=OFF", "cache_size=-400000"):
                connection.exec_driver_sql(f"PRAGMA {pragma}")
        else:
            connection.exec_driver_sql("SET session_replication_role = replica; SET statement_timeout = 0")
            _make_months(connection, sizes.days)
        clinics = _people(connection, sizes)
        for table in PEOPLE:
            connection.exec_driver_sql(
                f"CREATE TEMPORARY TABLE own_{table.__tablename__} AS SELECT * FROM {table.__tablename__}"
            )
        for table, (missed, day) in product(DAYS, DAY_KINDS):
            on = seed.missed if missed else seed.answered
            named, where = table.__tablename__, _of_day(table, on)
            connection.exec_driver_sql(f"CREATE TEMPORARY TABLE {day}_{named} AS SELECT * FROM {named} t WHERE {where}")
        with _bare(connection, sql):
            _copy_clinics(connection, sql)
            for table in PEOPLE:
                _copy(connection, sql, table.__table__, "own", "bench_people p")
            for table, (missed, day) in product(DAYS, DAY_KINDS):
                last = sizes.delivery_days if table in DELIVERY and sizes.delivery_days else sizes.days
                if table is Occurrence:  # older ones have been let go
                    last = min(last, RECURS_WITHIN.days + 1)
                of_kind = f"((p.n * 7 + d.d * 3) % 20 < 3) = {'true' if missed else 'false'}"
                among = f"(SELECT * FROM bench_days WHERE d <= {last}) d JOIN bench_people p ON {of_kind}"
                _copy(connection, sql, table.__table__, day, among)
        connection.exec_driver_sql(f"UPDATE arrivals SET number = number + {MARKS}")
        connection.exec_driver_sql("DROP TABLE bench_people")
        connection.exec_driver_sql("DROP TABLE bench_days")
        connection.commit()
        connection.invalidate()  # its settings are not for whoever would get it next
    gather_statistics(engine)
    if not sql.on_sqlite:
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.exec_driver_sql("SET statement_timeout = 0")
            connection.exec_driver_sql("VACUUM ANALYZE")
            connection.invalidate()
    return clinics


@contextmanager
def _bare(connection: Connection, sql: _Sql) -> Iterator[None]:
    """Without indexes, and on SQLite without what marks each row, while rows are written; they are made at the end.

    PostgreSQL's session was told already to let triggers be.
    """
    tables = ", ".join(f"'{table.__tablename__}'" for table in (*PEOPLE, *DAYS))
    if sql.on_sqlite:
        made = f"FROM sqlite_master WHERE sql IS NOT NULL AND tbl_name IN ({tables})"
        asked = f"SELECT type, name, sql {made} AND type IN ('index', 'trigger') ORDER BY type"
    else:
        made = f"FROM pg_indexes WHERE schemaname = 'public' AND tablename IN ({tables})"
        asked = f"SELECT 'index', indexname, indexdef {made} AND indexname NOT IN (SELECT conname FROM pg_constraint)"
        connection.exec_driver_sql("SET maintenance_work_mem = '256MB'; SET work_mem = '256MB'")
    found = connection.exec_driver_sql(asked).all()
    for kind, name, _ in found:
        connection.exec_driver_sql(f"DROP {kind} {name}")
    yield
    for *_, statement in found:
        connection.exec_driver_sql(re.sub(r"( ON) ONLY ", r"\1 ", statement))  # of the months too


def _people(connection: Connection, sizes: Sizes) -> dict[int, uuid.UUID]:
    """Who is multiplied, and on which days: n, the number of their clinic, k, and their telephone's."""
    connection.exec_driver_sql("CREATE TABLE bench_people (n integer PRIMARY KEY, k integer, address text)")
    connection.exec_driver_sql("CREATE TABLE bench_days (d integer PRIMARY KEY)")
    rows: list[dict[str, int | str]] = []
    clinics, n = {}, 1
    for k, size in enumerate(sizes.measured, 1):
        rows += [{"n": n + i, "k": k} for i in range(size)]
        clinics[size], n = k, n + size
    rows += [{"n": i, "k": 100 + (i - n) // FILLER} for i in range(n, sizes.patients + 1)]
    for row in rows:
        row["address"] = hospitals.sealed(f"+44{7_000_000_000 + int(row['n'])}")
    connection.execute(text("INSERT INTO bench_people (n, k, address) VALUES (:n, :k, :address)"), rows)
    connection.execute(text("INSERT INTO bench_days (d) VALUES (:d)"), [{"d": d} for d in range(sizes.days, 0, -1)])
    named = connection.execute(select(Base.metadata.tables["clinics"].c.id)).scalar_one()
    return {size: uuid.UUID(f"c{named.hex[1:8]}{k:08x}{named.hex[16:]}") for size, k in clinics.items()}


def _make_months(connection: Connection, days: int) -> None:
    """Those that are over: the service makes them ahead."""
    this = "date_trunc('month', now() AT TIME ZONE 'UTC')"
    for back, table in product(range(1, days // 28 + 2), MONTHLY):
        begins, ends = (f"(({this} - interval '{n} months') AT TIME ZONE 'UTC')" for n in (back, back - 1))
        name = connection.exec_driver_sql(f"SELECT to_char({begins} AT TIME ZONE 'UTC', '_YYYY_MM')").scalar_one()
        connection.exec_driver_sql(
            f"CREATE TABLE months.{table}{name} PARTITION OF public.{table}"
            f" FOR VALUES FROM (months.first_id({begins})) TO (months.first_id({ends}))"
        )


class _Sql:
    """The few words in which the two databases differ."""

    def __init__(self, on_sqlite: bool) -> None:
        self.on_sqlite = on_sqlite
        self._today = new_id().int >> 80  # milliseconds since 1970

    def of_person(self, column: str) -> str:
        """An id that keeps its own second half, behind the patient's number."""
        if self.on_sqlite:
            return f"(printf('%016x', p.n) || substr({column}, 17))"
        return f"(lpad(to_hex(p.n), 16, '0') || right(replace({column}::text, '-', ''), 16))::uuid"

    def of_day(self, column: str) -> str:
        """An id as that day's are (RFC 9562, section 5.7): its time, the patient's number, and the end of its own."""
        at = f"({self._today} - CAST(d.d AS bigint) * {DAY_MS})"
        if self.on_sqlite:
            of_patient = "substr(n, 1, 3) || '8' || substr(n, 4)"
            numbered = f"(SELECT {of_patient} FROM (SELECT printf('%05x', p.n) AS n))"
            return f"(printf('%012x', {at}) || '7' || {numbered} || substr({column}, 20))"
        numbered = "overlay(lpad(to_hex(p.n), 5, '0') placing '8' from 4 for 0)"
        own = f"right(replace({column}::text, '-', ''), 13)"
        return f"(lpad(to_hex({at}), 12, '0') || '7' || {numbered} || {own})::uuid"

    def clinic(self, column: str) -> str:
        if self.on_sqlite:
            return f"('c' || substr({column}, 2, 7) || printf('%08x', p.k) || substr({column}, 17))"
        plain = f"replace({column}::text, '-', '')"
        return f"('c' || substr({plain}, 2, 7) || lpad(to_hex(p.k), 8, '0') || right({plain}, 16))::uuid"

    def later(self, column: str, days: str, *, is_date: bool) -> str:
        if self.on_sqlite:
            moved = f"date(t.{column}, ({days}) || ' days')"
            return moved if is_date else f"({moved} || substr(t.{column}, 11))"
        return f"(t.{column} + {days})" if is_date else f"(t.{column} + ({days}) * interval '1 day')"


def _of_day(table: type[Base], day: date) -> str:
    """Which rows came on that day, as a condition on `t`."""
    on = f"= '{day}'"
    if table in (Window, Reading, Checkin):
        return f"t.local_date {on}"
    if table is Silence:
        return f"t.first_date {on}"
    if table in (Step, Message, LinkKey):
        return f"t.window_id IN (SELECT id FROM windows WHERE local_date {on})"
    if table in (MessageEvent, Occurrence):
        of_day = f"SELECT m.id FROM messages m JOIN windows w ON w.id = m.window_id WHERE w.local_date {on}"
        return f"t.message_id IN ({of_day})"
    return f"date(t.at) {on}"


def _copy_clinics(connection: Connection, sql: _Sql) -> None:
    table = Base.metadata.tables["clinics"]
    columns = [column.name for column in table.columns]
    values = [sql.clinic("t.id") if name == "id" else f"t.{name}" for name in columns]
    connection.exec_driver_sql(
        f"INSERT INTO clinics ({', '.join(columns)}) SELECT {', '.join(values)}"
        " FROM (SELECT DISTINCT k FROM bench_people) p CROSS JOIN clinics t"
    )


def _copy(connection: Connection, sql: _Sql, table: Any, day: str, among: str) -> None:
    columns = [column.name for column in table.columns]
    values = [_value(sql, table, name, day) for name in columns]
    copied = f"SELECT {', '.join(values)} FROM {among} CROSS JOIN {day}_{table.name} t"
    ordered = "p.n" if day == "own" else "d.d DESC, p.n"
    connection.execute(text(f"INSERT INTO {table.name} ({', '.join(columns)}) {copied} ORDER BY {ordered}"))


def _value(sql: _Sql, table: Any, name: str, day: str) -> str:
    column, person, by_day = table.c[name], sql.of_person(f"t.{name}"), day != "own"
    ago = 1 if day == "missed" else 2  # the missed day was the last before today, the answered one before that
    shift = f"{ago} - d.d"
    if name == "clinic_id":
        return sql.clinic("t.clinic_id")
    if name in OF_PERSON or (name == "id" and not by_day):
        return person
    if isinstance(column.type, Id):
        is_ours = by_day and name not in {"staff_id", "actor_id", "claim_token", "supersedes_id"}
        return sql.of_day(f"t.{name}") if is_ours else f"t.{name}"
    if name in ONCE:
        return f"(substr(t.{name}, 1, {ONCE[name]}) || ':' || p.n" + (" || ':' || d.d)" if by_day else ")")
    if name == "mark" and by_day:
        return f"{MARKS} - d.d"
    if name == "address":
        return "p.address"
    if by_day and name in {"pa_diastolic", "pa_mean", "pa_systolic"}:
        return f"(t.{name} + ((p.n * 13 + d.d * 7) % 9) * 0.5 - 2)"
    if by_day and isinstance(column.type, UTCDateTime):
        return sql.later(name, shift, is_date=False)
    if by_day and isinstance(column.type, Date):
        return sql.later(name, shift, is_date=True)
    return f"t.{name}"
