"""What a CSV file of readings costs to take in, as a ratio taken in one run.

`import_vs_raw`: rows a second of our import ÷ those of `csv` and `executemany`
writing the same rows into the same table, indexes and settings, unchecked. Ours
also reads instants, units and zones, judges each reading, finds repeats, follows
windows and silences, watches limits and writes the audit trail.
Both sides alternate, five rounds, process CPU time, median with least and most.
"""

from __future__ import annotations

import csv
import gc
import random
import shutil
import sqlite3
import statistics
import tempfile
import time
import uuid
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from datetime import time as wall
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy import Engine, insert

from service.domain import asking
from service.domain.vocabulary import WindowState
from service.filing.importing import READINGS_AT_ONCE, Intake, import_readings
from service.store import migrate
from service.store.audit import OPERATOR
from service.store.session import open_engine, write_session
from service.store.tables import Clinic, Patient, Window
from tests.servers import VAULT

ROUNDS = 5
PEOPLE, DAYS = 300, 60
ZONES = ("Europe/London", "Europe/Madrid", "America/New_York", "Pacific/Auckland", "Asia/Kolkata")
NOW = datetime(2026, 11, 25, 23, 0, tzinfo=UTC)
COLUMNS = (
    "id", "clinic_id", "patient_id", "taken_at", "received_at", "local_date", "pa_systolic", "pa_diastolic", "pa_mean",
    "mean_is_derived", "heart_rate", "posture", "source", "source_ref", "unit_given", "remarks", "supersedes_id",
    "superseded_at",
)  # fmt: skip


def main() -> None:
    """Print the ratio, and what a second import of the same file costs."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        blank, clinic_id, people = _clinic(folder)
        history = folder / "history.csv"
        _write(history, people, range(DAYS))
        today = folder / "today.csv"
        _write(today, people, range(1))
        gc.collect()
        gc.freeze()
        gc.disable()
        ratios, ours = [], []
        for _ in range(ROUNDS):
            mine = _on_a_copy(blank, lambda path: _ours(path, clinic_id, history))
            raw = _on_a_copy(blank, lambda path: _raw(path, clinic_id, people, history))
            ratios.append(raw / mine)
            ours.append(PEOPLE * DAYS / mine)
            gc.collect()
        print(
            f"import_vs_raw ratio={statistics.median(ratios):.2f} min={min(ratios):.2f} max={max(ratios):.2f}"
            f" ({statistics.median(ours):,.0f} rows a second of CPU, {PEOPLE * DAYS:,} rows)"
        )
        _print_day(blank, clinic_id, today)


def _print_day(blank: Path, clinic_id: uuid.UUID, today: Path) -> None:
    """One day's file, each row the answer to an open window."""
    spent = [_on_a_copy(blank, lambda path: _ours(path, clinic_id, today)) for _ in range(ROUNDS)]
    print(f"import_one_day {1e6 * statistics.median(spent) / PEOPLE:.0f} µs a reading, each answering an open window")


def _on_a_copy(blank: Path, run: Callable[[Path], float]) -> float:
    copy = blank.with_name("copy.sqlite3")
    for left in blank.parent.glob("copy.sqlite3*"):
        left.unlink()
    shutil.copy(blank, copy)
    return run(copy)


def _ours(path: Path, clinic_id: uuid.UUID, file: Path) -> float:
    engine = open_engine(f"sqlite:///{path}", vault=VAULT)
    with engine.connect():
        pass
    began = time.process_time()
    report = import_readings(Intake(engine, clinic_id, OPERATOR, NOW), file)
    spent = time.process_time() - began
    engine.dispose()
    if report.refused or report.taken != report.rows:
        raise SystemExit(f"the import refused {len(report.refused)} rows: {report.refused[:1]}")
    return spent


def _raw(path: Path, clinic_id: uuid.UUID, people: dict[str, tuple[uuid.UUID, str]], file: Path) -> float:
    ids = {ref: patient_id.hex for ref, (patient_id, _) in people.items()}
    insert_row = f"INSERT INTO readings ({', '.join(COLUMNS)}) VALUES ({', '.join('?' * len(COLUMNS))})"
    received = NOW.strftime("%Y-%m-%d %H:%M:%S.000000")
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
            database.execute(f"PRAGMA {pragma}")
        began = time.process_time()
        with file.open(encoding="utf-8", newline="") as text:
            reader = csv.reader(text)
            next(reader)
            rows = []
            for ref, taken_at, systolic, diastolic, mean, rate, unit in reader:
                rows.append(
                    (
                        uuid.uuid4().hex, clinic_id.hex, ids[ref], taken_at, received, taken_at[:10],
                        float(systolic), float(diastolic), float(mean), 0, float(rate),
                        None, "file", None, unit, "[]", None, None,
                    )
                )  # fmt: skip
                if len(rows) == READINGS_AT_ONCE:
                    _commit(database, insert_row, rows)
                    rows = []
            _commit(database, insert_row, rows)
        return time.process_time() - began


def _commit(database: sqlite3.Connection, statement: str, rows: list[tuple[object, ...]]) -> None:
    database.execute("BEGIN IMMEDIATE")
    database.executemany(statement, rows)
    database.execute("COMMIT")


def _clinic(folder: Path) -> tuple[Path, uuid.UUID, dict[str, tuple[uuid.UUID, str]]]:
    """An invented clinic whose patients have a window open today; a file to be copied."""
    path = folder / "blank.sqlite3"
    engine = open_engine(f"sqlite:///{path}", vault=VAULT)
    migrate.upgrade(engine)
    clinic_id = uuid.uuid4()
    people = {f"F{number:05d}": (uuid.uuid4(), ZONES[number % len(ZONES)]) for number in range(PEOPLE)}
    _enrol(engine, clinic_id, people)
    with engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    engine.dispose()
    return path, clinic_id, people


def _enrol(engine: Engine, clinic_id: uuid.UUID, people: dict[str, tuple[uuid.UUID, str]]) -> None:
    with write_session(engine) as session:
        session.execute(
            insert(Clinic).values(
                id=clinic_id, name="Fernmoor Clinic (invented)", zone=ZONES[0], language="en", review_weekday=0,
                emergency_number="112", contact_line="+441632960000", sender_name="Fernmoor", quiet_from=wall(21),
                quiet_until=wall(8), steps=[], asks=asking.START, silent_days=3, silent_again_days=3,
                asks_again_in_doubt=False, created_at=NOW,
            )
        )  # fmt: skip
        session.execute(
            insert(Patient),
            [
                {
                    "id": patient_id, "clinic_id": clinic_id, "clinic_ref": ref, "name": ref, "zone": zone,
                    "language": "en", "weight_unit": "kg", "enrolled_at": NOW,
                }
                for ref, (patient_id, zone) in people.items()
            ],
        )  # fmt: skip
        session.execute(insert(Window), [_window(clinic_id, *person) for person in people.values()])


def _window(clinic_id: uuid.UUID, patient_id: uuid.UUID, zone: str) -> dict[str, object]:
    day = _taken_at(0, zone).date()
    return {
        "clinic_id": clinic_id, "patient_id": patient_id, "local_date": day, "zone": zone, "opens_at": NOW,
        "due_at": NOW, "closes_at": NOW + timedelta(hours=3), "wants_reading": True, "wants_checkin": True,
        "state": WindowState.OPEN,
    }  # fmt: skip


def _taken_at(ago: int, zone: str) -> datetime:
    day = NOW.astimezone(ZoneInfo(zone)).date() - timedelta(days=ago + 1)
    return datetime.combine(day, wall(7, 12), ZoneInfo(zone))


def _write(file: Path, people: dict[str, tuple[uuid.UUID, str]], days: range) -> None:
    chance = random.Random(3)
    with file.open("w", encoding="utf-8", newline="") as text:
        writer = csv.writer(text)
        writer.writerow(
            ["patient", "taken_at", "pa_systolic", "pa_diastolic", "pa_mean", "heart_rate", "pressure_unit"]
        )
        for ago in reversed(days):
            for ref, (_, zone) in people.items():
                low = chance.gauss(18, 3)
                taken_at = _taken_at(ago, zone) + timedelta(seconds=chance.randrange(3600))
                writer.writerow(
                    [ref, taken_at.isoformat(), f"{low + 20:.1f}", f"{low:.1f}", f"{low + 7:.1f}",
                     chance.randrange(55, 95), "mm[Hg]"]
                )  # fmt: skip
