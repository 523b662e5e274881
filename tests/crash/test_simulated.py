"""Seeded weeks of mishaps at the outbox: see simulation.py for what happens and what must hold."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.crash.simulation import check, run


@pytest.mark.parametrize("seed", range(1_000_000, 1_000_030))
def test_whatever_happens_the_promise_holds(engine: Engine, tmp_path: Path, seed: int) -> None:
    told = run(engine, tmp_path / "unused.sqlite3", seed)
    check(told)
    assert told.written
