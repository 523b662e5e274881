"""The tables that benches fill by hand are the service's own: a new column is met here, not in the next measurement."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from service.store import migrate
from service.store.session import open_engine
from tests.bench import bench_delivery, bench_tick, hospitals
from tests.servers import VAULT


def test_what_the_benches_fill_is_what_the_service_reads(tmp_path: Path) -> None:
    path = tmp_path / "hospital.sqlite3"
    hospitals.build(path, 3, [bench_tick.SEVEN], 2)
    with closing(sqlite3.connect(path)) as raw:
        for table in ("clinics", "patients", "contacts", "consents", "plans", "windows"):
            assert raw.execute(f"SELECT count(*) FROM {table}").fetchone()[0], table
    engine = open_engine(f"sqlite:///{tmp_path / 'people.sqlite3'}", vault=VAULT)
    migrate.upgrade(engine)
    assert len(bench_delivery._people(engine, 2)) == 2
    engine.dispose()
