"""Whether the service is fit to be used, as a monitor asks it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine

from service.app import create_app
from service.clock import FixedClock, SharedClock, SystemClock
from service.config import Settings
from service.store import heartbeats
from service.store.session import write_session


def findings(
    engine: Engine, folder: Path, *, steered: timedelta = timedelta(0), machine_off: timedelta = timedelta(0)
) -> tuple[int, dict[str, Any]]:
    """What `/readyz` answers in a demo whose clock was moved forward, on a machine whose own clock is off."""
    settings = Settings.from_env({"NEAPTIDE_DATA": str(folder), "NEAPTIDE_DEMO": "yes"})
    clock = SharedClock(folder / "clock-offset")
    clock.advance(steered)
    with write_session(engine) as session:
        heartbeats.record(session, "worker", clock.now(), {}, clock.now())
    app = create_app(settings, engine, clock, {})
    machine = FixedClock(SystemClock().now() + machine_off)
    app.extensions["neaptide"] = replace(app.extensions["neaptide"], machine_clock=machine)
    answer = app.test_client().get("/readyz")
    return answer.status_code, {found["name"]: found for found in answer.get_json()["findings"]}


def test_a_steered_demo_clock_is_no_skew(engine: Engine, tmp_path: Path) -> None:
    status, found = findings(engine, tmp_path, steered=timedelta(days=3))
    assert status == 200
    assert found["clock_skew"]["ok"]


@pytest.mark.parametrize("minutes", [-5, 5])
def test_a_machine_whose_clock_is_not_the_databases_is_not_ready(engine: Engine, tmp_path: Path, minutes: int) -> None:
    """What it is compared with is outside: the database's own clock, read in SQL."""
    status, found = findings(engine, tmp_path, machine_off=timedelta(minutes=minutes))
    assert status == 503
    assert found["clock_skew"]["value"] == pytest.approx(minutes * 60, abs=30)
    assert {name for name, one in found.items() if not one["ok"]} == {"clock_skew"}


def test_the_machines_own_clock_is_the_one_that_is_compared(engine: Engine, tmp_path: Path) -> None:
    settings = Settings.from_env({"NEAPTIDE_DATA": str(tmp_path)})
    app = create_app(settings, engine, FixedClock(SystemClock().now() + timedelta(days=9)), {})
    assert isinstance(app.extensions["neaptide"].machine_clock, SystemClock)
