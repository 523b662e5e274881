"""What a tick costs: against plain SQL, and against the size of the hospital.

Rounds of both sides take turns in one process; CPU time; medians of ratios with
the least and the most. Every database is invented (tests.bench.hospitals).
"""

from __future__ import annotations

import gc
import logging
import shutil
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import structlog
from sqlalchemy import Engine

from service.clock import FixedClock
from service.config import Settings
from service.scheduling import closing, opening, steps
from service.store.session import open_engine
from service.worker import Worker
from tests.bench import hospitals
from tests.bench.hospitals import written
from tests.servers import VAULT

SEVEN = datetime(2026, 3, 1, 18, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
DUE = 1000
ROUNDS = 7


def main() -> None:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    gc.collect()
    gc.freeze()
    gc.disable()
    with tempfile.TemporaryDirectory(prefix="neaptide-bench-") as folder:
        for measure in (tick_vs_raw_sql, tick_idle_growth):
            print(measure(Path(folder)), flush=True)
            gc.collect()


def tick_vs_raw_sql(folder: Path) -> str:
    """Opening 1,000 due windows among 100,000 patients ÷ plain sqlite3 writing the very same rows."""
    minutes = [SEVEN + n * MINUTE for n in range(ROUNDS + 1)]
    ours, theirs = folder / "ours.sqlite3", folder / "theirs.sqlite3"
    hospitals.build(ours, 100_000, minutes, DUE)
    shutil.copy(ours, theirs)
    engine, raw = open_engine(f"sqlite:///{ours}", vault=VAULT), _plain(theirs)
    ratios, spent = [], []
    for minute in minutes:
        own = _cpu(lambda now=minute: _tick(engine, now))
        rows = _rows_written(ours, minute)
        plain = _cpu(lambda some=rows: _write_plainly(raw, some))
        ratios.append(own / plain)
        spent.append((own, plain))
    engine.dispose()
    raw.close()
    own, plain = (statistics.median(side) * 1000 for side in zip(*spent[1:], strict=True))
    return (
        f"tick_vs_raw_sql {_ratio(ratios[1:])} (a tick that opens {DUE:,} windows, with {4 * DUE:,} steps and "
        f"{DUE:,} messages, among 100,000 patients: {own:.0f} ms; plain sqlite3 writing the same rows: {plain:.0f} ms)"
    )


def tick_idle_growth(folder: Path) -> str:
    """A worker's whole tick that finds nothing due, among 1,000,000 patients ÷ among 1,000."""
    sizes = {1_000: folder / "small.sqlite3", 1_000_000: folder / "large.sqlite3"}
    engines, workers = [], {}
    for size, path in sizes.items():
        hospitals.build(path, size, [], 0, reachable=False)
        engines.append(open_engine(f"sqlite:///{path}", vault=VAULT))
        settings = Settings.from_env({"NEAPTIDE_DATA": str(folder)})
        workers[size] = Worker(engines[-1], FixedClock(SEVEN), {}, lambda *_: "", settings)
        workers[size].tick()
    ratios, spent = [], []
    for _ in range(ROUNDS):
        large, small = (_cpu(lambda one=workers[size]: _ticks(one, 40)) / 40 for size in (1_000_000, 1_000))
        ratios.append(large / small)
        spent.append((large, small))
    for engine in engines:
        engine.dispose()
    sizes[1_000_000].unlink()
    large, small = (statistics.median(side) * 1000 for side in zip(*spent, strict=True))
    return f"tick_idle_growth {_ratio(ratios)} (an idle tick at 1,000,000 patients {large:.2f} ms, at 1,000 {small:.2f} ms)"


def _tick(engine: Engine, now: datetime) -> None:
    opening.open_windows(engine, now)
    closing.close_windows(engine, now)
    steps.take_steps(engine, now)


def _ticks(worker: Worker, times: int) -> None:
    for _ in range(times):
        worker.tick()


def _cpu(work: Callable[[], Any]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def _ratio(ratios: Sequence[float]) -> str:
    return f"ratio={statistics.median(ratios):.2f} min={min(ratios):.2f} max={max(ratios):.2f}"


def _plain(path: Path) -> sqlite3.Connection:
    # Set up as the service sets up its own.
    raw = sqlite3.connect(path, isolation_level=None)
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
        raw.execute(f"PRAGMA {pragma}")
    return raw


def _rows_written(path: Path, minute: datetime) -> list[tuple[str, list[tuple[Any, ...]]]]:
    """What the tick at `minute` wrote, as statements and rows ready for executemany."""
    raw = sqlite3.connect(path)
    at = written(minute)
    opened = "SELECT id FROM windows WHERE opens_at = ?"
    found = []
    for table, where in (
        ("windows", "opens_at = ?"),
        ("steps", f"window_id IN ({opened})"),
        ("messages", f"window_id IN ({opened})"),
        ("audit_lines", "at = ?"),
    ):
        rows = raw.execute(f"SELECT * FROM {table} WHERE {where}", (at,)).fetchall()
        found.append((f"INSERT INTO {table} VALUES ({','.join('?' * len(rows[0]))})", rows))
    moved = raw.execute(
        "SELECT next_date, next_open_at, active, id FROM plans WHERE patient_id IN"
        " (SELECT patient_id FROM windows WHERE opens_at = ?)",
        (at,),
    ).fetchall()
    found.append(("UPDATE plans SET next_date = ?, next_open_at = ?, active = ? WHERE id = ?", moved))
    raw.close()
    assert [len(rows) for _, rows in found] == [DUE, 4 * DUE, DUE, 1, DUE]
    return found


def _write_plainly(raw: sqlite3.Connection, some: list[tuple[str, list[tuple[Any, ...]]]]) -> None:
    raw.execute("BEGIN IMMEDIATE")
    for statement, rows in some:
        raw.executemany(statement, rows)
    raw.execute("COMMIT")


if __name__ == "__main__":
    main()
