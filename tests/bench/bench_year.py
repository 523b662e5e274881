"""What grows: every use case on full tables, of more patients, and of longer ago.

`year_NAME_growth ratio=`: work at ten times the patients ÷ work, clinics of the same size and days of the same number;
`year_NAME_age ratio=`: at 365 days ÷ at 60, and on PostgreSQL (`year_pg`) at forty months ÷ at two; `year_review_size
ratio=`: the review of a clinic of 3,000 ÷ of 300. Each for one unit of the thing itself: a page of a list, a patient of
a review, a patient's day of an export or of the period that the measures tell, a patient of all where all are asked
about. Work is SQLite's own count of virtual-machine steps; on PostgreSQL rows and pages read of the service's own
tables, by the statistics it keeps (not of its catalogue, which each new connection reads anew, the same for any size).
CPU time stands beside it. Where a statement of the service reads all of a table that grows with everybody, or all of a
month of one, by SQLite's plan on these very tables, or by PostgreSQL's, it is named, and the measurement fails; as it
does where work grows by more than 1.3, or CPU time by more than 2.

Not among `deploy/bench` without a name: it builds some gigabytes, in memory where there is /dev/shm, and takes
twenty minutes. `deploy/bench year --small` does it with a tenth of the patients.
"""

from __future__ import annotations

import gc
import json
import logging
import os
import re
import shutil
import statistics
import sys
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import structlog
from flask.testing import FlaskClient
from sqlalchemy import Engine, event, select, update

from service.accounts import keys
from service.config import Settings
from service.domain.readings import NewReading
from service.domain.vocabulary import Channel, LinkPurpose, Role, Scope
from service.filing.importing import Intake, import_readings
from service.health import checks, metrics
from service.intake.readings import record_readings
from service.links import Leads, Links
from service.reviewing import measuring, placing, refreshing
from service.scheduling import closing, opening, steps
from service.store import migrate, panel
from service.store.audit import OPERATOR, Act
from service.store.due import LATELY
from service.store.identity import none_made_within
from service.store.ids import among
from service.store.migrations.roles import WORKER
from service.store.session import open_engine, read_session, write_session
from service.store.tables import AuditLine, Clinic, Message, Patient, Plan, Window
from service.store.wall import WEB
from tests import scans
from tests.bench import years
from tests.bench.years import Lived, Sizes
from tests.builder import building
from tests.served import serve
from tests.servers import SECRET, VAULT, as_role, faces, let_go, make_roles, own_database
from tests.signed_in import sign_in_as

SERVER = os.environ.get("NEAPTIDE_TEST_DATABASE_URL")
EVERY = 50  # SQLite's steps between two counts
WORK_BAR, CPU_BAR = 1.3, 2.0
MONTH = re.compile(r"_(?:\d{4}_\d{2}|rest)$")  # what a month's own table is called behind the name of its table
LITTLE = 2_000  # steps, or rows and pages: below it a ratio says nothing
TIMES = 3
SINCE = timedelta(minutes=2)  # the rows that are multiplied were written
# What may be done again is measured on connections to PostgreSQL that have done it so often before, as those of a server
# that has been up for a minute: each reads once the first page of every index of every month, to plan by, and makes its own
# plans until it has seen a statement ten times (psycopg's prepare_threshold, PostgreSQL's plan_cache_mode). Beside what is
# done for `LITTLE` people or more that is nothing.
KNOWN = 11
MONTHLY_PATIENTS = 200  # of whom PostgreSQL has forty months: there each month is a table of its own
READ = """SELECT sum(coalesce(seq_tup_read, 0) + coalesce(idx_tup_fetch, 0) + coalesce(heap_blks_read, 0)
 + coalesce(heap_blks_hit, 0) + coalesce(idx_blks_read, 0) + coalesce(idx_blks_hit, 0) + coalesce(toast_blks_read, 0)
 + coalesce(toast_blks_hit, 0)) FROM pg_stat_user_tables JOIN pg_statio_user_tables USING (relid)"""
MOST_SEQUENTIAL = 5_000  # rows: PostgreSQL may well read a smaller table whole
# Seconds of CPU for each patient of all; asked of so many, since what it looks at beside people costs the same for any.
DOCTOR_BAR, DOCTOR_FROM = 2.0 / 100_000, 10_000


def main() -> None:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    gc.disable()
    less = 10 if "--small" in sys.argv else 1
    with tempfile.TemporaryDirectory(prefix="neaptide-year-", dir=_room()) as name:
        grows = sqlite(Path(name), less)
        if SERVER is None:
            print("year (postgresql) left out: NEAPTIDE_TEST_DATABASE_URL names no PostgreSQL server")
        else:
            grows |= postgresql(Path(name), less)
    if grows:
        raise SystemExit("something grows with everybody, or with age")


def sqlite(folder: Path, less: int) -> bool:
    """Measure on SQLite, with so many times fewer patients. Whether something grows."""
    small, large, old = Sizes(1000 // less, 60), Sizes(10_000 // less, 60), Sizes(1000 // less, 365)
    small, large, old = (one.of_at_most(300 // less) for one in (small, large, old))
    large = replace(large, measured=(*large.measured, 3000 // less))
    costs = [_on_sqlite(folder / str(number), sizes) for number, sizes in enumerate((small, large, old))]
    grows = _tell("year", "growth", costs[0], costs[1], f"{large.patients:,} patients ÷ {small.patients:,}")
    grows |= _tell_one("year_review_size", costs[1].cases["review"], costs[1].cases["review_huge"], "3,000 ÷ 300")
    return grows | _tell("year", "age", costs[0], costs[2], f"{old.days} days ÷ {small.days}")


def postgresql(folder: Path, less: int) -> bool:
    """The same there, where old days lie in months of their own."""
    # Of a thousand patients a clinic of 300 is a third, and what is small PostgreSQL reads whole, at fewer pages
    # than by an index: so the smaller one is as large as SQLite's larger.
    few, many = (Sizes(patients // less, 30, delivery_days=2) for patients in (10_000, 100_000))
    young, aged = (Sizes(MONTHLY_PATIENTS, days) for days in (60, 1200 // less))
    sizes = *(one.of_at_most(300 // less) for one in (few, many)), *(one.of_at_most(60) for one in (young, aged))
    costs = (_on_postgresql(folder / f"pg{number}", one) for number, one in enumerate(sizes))
    grows = _tell("year_pg", "growth", next(costs), next(costs), f"{many.patients:,} patients ÷ {few.patients:,}")
    return grows | _tell("year_pg", "age", next(costs), next(costs), f"{aged.days} days ÷ {young.days}")


def _room() -> str | None:
    """Where some gigabytes are written quickest, and wear nothing out."""
    return "/dev/shm" if Path("/dev/shm").is_dir() and shutil.disk_usage("/dev/shm").free > 12e9 else None  # noqa: S108


@dataclass
class Cost:
    """What one use case came to, for one unit of what it does."""

    work: float
    cpu: float
    unit: str
    times: float  # that unit, in what was measured


@dataclass
class Costs:
    cases: dict[str, Cost] = field(default_factory=dict)
    scans: list[str] = field(default_factory=list)


def _on_sqlite(folder: Path, sizes: Sizes) -> Costs:
    folder.mkdir()
    engine = open_engine(f"sqlite:///{folder / 'year.sqlite3'}", vault=VAULT)
    counted = [0]

    def count() -> int:
        counted[0] += EVERY
        return 0

    event.listen(engine, "connect", lambda connection, _record: connection.set_progress_handler(count, EVERY))
    try:
        return _measure(engine, folder, sizes, lambda: counted[0])
    finally:
        engine.dispose()
        shutil.rmtree(folder)


def _on_postgresql(folder: Path, sizes: Sizes) -> Costs:
    folder.mkdir()
    with own_database(str(SERVER), f"neaptide_year_{os.getpid()}") as engine:
        try:
            return _measure(engine, folder, sizes, partial(_rows_and_pages, engine))
        finally:
            let_go()


def _rows_and_pages(engine: Engine) -> int:
    """What has been read so far of the service's tables."""
    for face in faces(engine):
        face.dispose()  # a connection's own counts are added to the database's when it ends
    time.sleep(0.2)
    with engine.connect() as connection:
        return int(connection.exec_driver_sql(READ).scalar_one())


def _measure(engine: Engine, folder: Path, sizes: Sizes, counted: Callable[[], int]) -> Costs:
    migrate.upgrade(engine)
    if engine.dialect.name == "postgresql":  # served as in a large installation: each part in its own role
        make_roles(engine)
        engine.dispose()
    began, seed = time.monotonic(), years.lived(engine, folder)
    measured = years.multiply(engine, seed, sizes)
    bytes_each = (
        f", {(folder / 'year.sqlite3').stat().st_size / 1e6:,.0f} MB" if engine.dialect.name == "sqlite" else ""
    )
    print(
        f"   {engine.dialect.name}: {sizes.patients:,} patients, {sizes.days} days"
        f" ({time.monotonic() - began:.0f} s{bytes_each})",
        flush=True,
    )
    costs = Costs()
    # Beforehand, since it reads whole histories: of a clinic that is a third of all there is PostgreSQL may do so by
    # reading all of them, and what is asked again for the newest days alone would be told of by that plan.
    ids = _made_of_own_days(engine, _looked_at(measured), seed.world.now + SINCE)
    with _explained(engine, costs):
        for name, unit, each, times, case in _cases(engine, folder, seed, measured, sizes, ids):
            at_first, known = 0, 0
            if times > 1:
                case()  # what is made once in a process is made
                if engine.dialect.name == "postgresql" and each < LITTLE:
                    at_first, known = _work(counted, case, KNOWN), KNOWN
            spent: list[float] = []
            work = (_work(counted, case, known + times, spent) - at_first) / times / each
            costs.cases[name] = Cost(work, statistics.median(spent) / each, unit, each)
    return costs


def _work(counted: Callable[[], int], case: Callable[[], object], times: int, spent: list[float] | None = None) -> int:
    before = counted()
    for _ in range(times):
        start = time.process_time()
        case()
        if spent is not None:
            spent.append(time.process_time() - start)
    return counted() - before


Case = tuple[str, str, int, int, Callable[[], object]]  # name, unit, how many of it, how often, what is done


def _looked_at(measured: dict[int, uuid.UUID]) -> uuid.UUID:
    """The clinic of which all is measured: the larger of the two."""
    _, large, *_ = sorted(measured)
    return measured[large]


def _cases(
    engine: Engine,
    folder: Path,
    seed: Lived,
    measured: dict[int, uuid.UUID],
    sizes: Sizes,
    ids: list[uuid.UUID],
) -> Iterator[Case]:
    large, now, clinic_id = len(ids), seed.world.now + SINCE, _looked_at(measured)
    world, work = seed.world, as_role(engine, WORKER)
    world.clock.set(now - timedelta(minutes=10))
    yield "tick_idle", "tick", 1, TIMES, world.worker.tick
    world.clock.set(now)
    yield "open", "window", large, 1, lambda: opening.open_windows(work, now)
    yield "refresh", "patient", large, 1, lambda: refreshing.catch_up(work, lambda: now)
    yield "tick_busy", "prompt", large, 1, world.worker.tick
    for name, size in zip(("review_small", "review", "review_huge"), sorted(measured), strict=False):
        page = _doors(engine, folder, world, measured[size])[0]
        yield name, "patient", size, TIMES, lambda page=page: _get(page, "/clinic/patients")
    desk, machine, phone = _doors(engine, folder, world, clinic_id)
    yield from _pages(engine, desk, machine, clinic_id, ids, now, sizes)
    yield from _taken_in(engine, folder, machine, phone, clinic_id, ids, now)
    over = now + timedelta(hours=5)
    yield "close", "window", large, 1, lambda: closing.close_windows(work, over)
    yield "follow_up", "window", large, 1, lambda: steps.take_steps(work, over, since=none_made_within(LATELY))
    yield "readyz", "answer", 1, TIMES, lambda: checks.readiness(engine, now)
    yield "metrics", "answer", 1, TIMES, lambda: metrics.exposition(engine, now)
    examined = partial(checks.examine, engine, now, channels=frozenset({Channel.TEXT}))
    yield "doctor", "patient of all", sizes.patients, TIMES, examined


def _made_of_own_days(engine: Engine, clinic_id: uuid.UUID, now: datetime) -> list[uuid.UUID]:
    """The clinic's patients; every state was copied from one patient's: theirs are made of their own days anew."""
    work = as_role(engine, WORKER)
    with read_session(engine) as session:
        ids = list(session.scalars(select(Patient.id).where(Patient.clinic_id == clinic_id).order_by(Patient.id)))
    with write_session(engine) as session:
        panel.mark_stale(session, ids, now, date.min)
    refreshing.catch_up(work, lambda: now)
    with write_session(engine) as session:
        session.execute(update(Plan).where(Plan.clinic_id != clinic_id).values(next_open_at=now + timedelta(days=1)))
        panel.mark_stale(session, ids, now, now.date())
    if engine.dialect.name == "postgresql":  # whose own service for this, after so many changes, tests may have off
        with engine.begin() as connection:
            connection.exec_driver_sql("ANALYZE plans, panel_rows")
    return ids


def _pages(
    engine: Engine,
    desk: FlaskClient,
    machine: FlaskClient,
    clinic_id: uuid.UUID,
    ids: list[uuid.UUID],
    now: datetime,
    sizes: Sizes,
) -> Iterator[Case]:
    """What staff look at, and machines ask for."""
    large, told = len(ids), min(sizes.days, measuring.WEEKS * 7)  # the measures' period, as far as there are days
    for name, path in (
        ("patient_page", f"/clinic/patients/{ids[5]}?days=30"),
        ("inbox", "/clinic/inbox"),
        ("sent", "/clinic/messages"),
        ("sent_deep", f"/clinic/messages?before={_old(engine, Message, Message.created_at, clinic_id)}"),
        ("audit_list", "/clinic/audit"),
        ("audit_deep", f"/clinic/audit?before={_old(engine, AuditLine, AuditLine.at, clinic_id)}"),
        ("silences", "/clinic/silences"),
    ):
        yield name, "page", 1, TIMES, partial(_get, desk, path)
    yield "measures", "patient's day", large * told, 1, partial(_get, desk, "/clinic/measures")
    week = f"/clinic/records/week/{_week(engine, clinic_id, now)}.pdf"
    yield "week_pdf", "patient", large, 1, partial(_get, desk, week)
    yield "export", "patient's day", large * sizes.days, 1, partial(_get, desk, "/clinic/records/joined.csv")
    for name, path in (
        ("api_windows", "/api/v1/windows?page=30"),
        ("api_arrivals", "/api/v1/windows?updated_since=start"),
        ("api_messages", "/api/v1/messages"),
    ):
        yield name, "page", 1, TIMES, partial(_get, machine, path)


def _taken_in(
    engine: Engine,
    folder: Path,
    machine: FlaskClient,
    phone: FlaskClient,
    clinic_id: uuid.UUID,
    ids: list[uuid.UUID],
    now: datetime,
) -> Iterator[Case]:
    """What patients and machines send."""
    tenth, half = len(ids) // 10, len(ids) // 2
    some, others, more = ids[:tenth], ids[half : half + tenth], ids[tenth:half]
    yield "checkin", "check-in", tenth, 1, lambda: [_checks_in(machine, one) for one in some]
    links = _links(engine, clinic_id, others, now)
    yield "form", "check-in by link", tenth, 1, lambda: [_fills_in(phone, link) for link in links]
    yield "reading", "reading", tenth, 1, lambda: [_reads(machine, one, now.isoformat()) for one in some]
    later = [NewReading(one, now, 36.0, 18.0) for one in more]
    yield "batch", "reading", len(later), 1, lambda: record_readings(engine, clinic_id, later, OPERATOR, now)
    with read_session(engine) as session:
        of_clinic = select(Patient.clinic_ref).where(Patient.clinic_id == clinic_id)
        refs = session.scalars(of_clinic.order_by(Patient.id).limit(half)).all()
    file, taken = folder / "readings.csv", (now - timedelta(hours=1)).isoformat()
    rows = "".join(f"{ref},{taken},36,18,mm[Hg]\n" for ref in refs)
    file.write_text(f"patient,taken_at,pa_systolic,pa_diastolic,pressure_unit\n{rows}")
    yield "import", "reading", half, 1, lambda: import_readings(Intake(engine, clinic_id, OPERATOR, now), file)


def _doors(engine: Engine, folder: Path, world: Any, clinic_id: uuid.UUID) -> tuple[FlaskClient, ...]:
    """A browser with staff signed in, a machine with a key, and a patient's telephone."""
    settings = Settings.from_env(
        {"NEAPTIDE_DATA": str(folder), "NEAPTIDE_SECRET_KEY": SECRET, "NEAPTIDE_BASE_URL": "http://localhost"}
    )
    app = serve(settings, engine, world.clock, {Channel.TEXT: world.gateway})
    with building(engine, world.now) as build:
        staff_id = build.staff(build.session.get_one(Clinic, clinic_id), "Nurse Invented", *Role).id
        act = Act(build.session, OPERATOR, clinic_id, world.now)
        _, secret = keys.issue_key(act, "machine", tuple(Scope))
    desk, machine = app.test_client(), app.test_client()
    sign_in_as(desk, staff_id, world.now)
    machine.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {secret}"
    return desk, machine, app.test_client()


def _get(client: FlaskClient, path: str) -> None:
    answer = client.get(path, follow_redirects=True)
    assert answer.status_code == 200, f"{path}: {answer.status_code}"
    answer.get_data()


def _checks_in(machine: FlaskClient, patient_id: uuid.UUID) -> None:
    said = {"patient": str(patient_id), "breathlessness": 2, "safety_signs": []}
    answer = machine.post("/api/v1/checkins", json=said)
    assert answer.status_code == 201, answer.text


def _fills_in(phone: FlaskClient, link: str) -> None:
    """Form, answers, thanks."""
    _get(phone, link)
    answer = phone.post(link, data={"weight": "80", "weight_unit": "kg", "breathlessness": "2", "safety_signs": "none"})
    assert answer.status_code == 303, answer.text
    _get(phone, f"{link}/thanks")


def _links(engine: Engine, clinic_id: uuid.UUID, ids: list[uuid.UUID], now: datetime) -> list[str]:
    """The addresses by which these patients fill in today's form, without the host."""
    links, until = Links(""), now + timedelta(days=1)
    with write_session(engine) as session:
        windows = select(Window.patient_id, Window.id).where(among(Window.patient_id, ids))
        today = session.execute(windows.where(Window.local_date == now.date())).all()
        leads = [Leads(LinkPurpose.CHECKIN, clinic_id, who, window_id=window_id) for who, window_id in today]
        return [links.make(session, one, now, until) for one in leads]


def _reads(machine: FlaskClient, patient_id: uuid.UUID, taken_at: str) -> None:
    said = {"patient": str(patient_id), "taken_at": taken_at, "pa_systolic": 36.0, "pa_diastolic": 18.0}
    answer = machine.post("/api/v1/readings", json=said)
    assert answer.status_code == 201, answer.text


def _old(engine: Engine, table: Any, order: Any, clinic_id: uuid.UUID) -> uuid.UUID:
    """A row of the first day: all but fifty stand before it."""
    of_clinic = select(table.id).where(table.clinic_id == clinic_id)
    with read_session(engine) as session:
        return session.scalars(of_clinic.order_by(order).offset(50).limit(1)).one()


def _week(engine: Engine, clinic_id: uuid.UUID, now: Any) -> str:
    with read_session(engine) as session:
        return placing.current_week(session.get_one(Clinic, clinic_id), now).isoformat()


# --- what a statement reads whole ---------------------------------------------------------------


@contextmanager
def _explained(engine: Engine, costs: Costs) -> Iterator[None]:
    """Every statement of the service, by the plan that the database makes on these tables. Once each."""
    known: set[str] = set()

    def before(connection: Any, _cursor: object, statement: str, parameters: Any, _context: object, many: bool) -> None:
        if statement in known or re.match(r"\s*(EXPLAIN|SET|PRAGMA|VACUUM)", statement):
            return
        known.add(statement)
        given = parameters[0] if many and isinstance(parameters, list) else parameters
        if engine.dialect.name == "sqlite":
            try:
                scans.look(connection, statement, given)
            except scans.ReadsAll as error:
                costs.scans.append(str(error))
        elif re.match(r"\s*(WITH|SELECT)", statement):
            costs.scans += _sequential(connection, statement, given)

    of_service = {as_role(engine, WEB), as_role(engine, WORKER), engine}
    for one in of_service:
        event.listen(one, "before_cursor_execute", before)
    try:
        yield
    finally:
        for one in of_service:
            event.remove(one, "before_cursor_execute", before)


def _sequential(connection: Any, statement: str, parameters: Any) -> Iterator[str]:
    asking, *on_behalf_of = scans.asked_by() or [""]
    whole = asking.startswith(tuple(scans.WHOLE)) or not scans.WHOLE.keys().isdisjoint(on_behalf_of)
    if whole or not asking.startswith("service/"):
        return
    driver = connection.connection.dbapi_connection
    with driver.cursor() as cursor:
        (plan,) = cursor.execute(f"EXPLAIN (FORMAT JSON, VERBOSE) {statement}", parameters).fetchone()
        waiting = [(json.loads(plan) if isinstance(plan, str) else plan)[0]["Plan"]]
        while waiting:
            node = waiting.pop()
            waiting += node.get("Plans", [])
            if node["Node Type"] == "Seq Scan" and MONTH.sub("", node["Relation Name"]) in scans.GROWING:
                read = f"{node['Schema']}.{node['Relation Name']}"
                (rows,) = cursor.execute(
                    "SELECT reltuples FROM pg_class WHERE oid = to_regclass(%s)", (read,)
                ).fetchone() or (0,)
                if rows > MOST_SEQUENTIAL:
                    yield f"{asking} reads all {rows:,.0f} of {read}:\n{statement}"


def _tell(of: str, what: str, one: Costs, other: Costs, how: str) -> bool:
    """Print the ratios; whether one is beyond its bar, or something is read whole."""
    beyond = False
    for name in [name for name in one.cases if name in other.cases]:
        beyond |= _tell_one(f"{of}_{name}_{what}", one.cases[name], other.cases[name], how)
    if (doctor := other.cases["doctor"]).times >= DOCTOR_FROM and doctor.cpu > DOCTOR_BAR:
        beyond = True
        print(f"{of}_doctor: {doctor.cpu * 1e6:,.1f} µs a patient of all, beyond the bar", flush=True)
    for told in dict.fromkeys(other.scans):  # a clinic that is a third of all there is may well have it all read
        print(f"{of}: {told}", flush=True)
    return beyond or bool(other.scans)


def _tell_one(name: str, less: Cost, more: Cost, how: str) -> bool:
    ratio, cpu = more.work / max(less.work, 1), more.cpu / less.cpu
    grows = more.work * more.times > LITTLE and (ratio > WORK_BAR or cpu > CPU_BAR)
    print(
        f"{name} ratio={ratio:.2f} cpu={cpu:.2f} ({how}; {more.cpu * 1e6:,.1f} µs a {more.unit},"
        f" {more.work:,.1f} steps{', beyond the bar' if grows else ''})",
        flush=True,
    )
    return grows


if __name__ == "__main__":
    main()
