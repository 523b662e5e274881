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
from service.domain.vocabulary import Channel
from service.store import heartbeats
from service.store.session import write_session
from service.transports.mock import MockGateway


def findings(
    engine: Engine,
    folder: Path,
    *,
    steered: timedelta = timedelta(0),
    machine_off: timedelta = timedelta(0),
    is_set_up: bool = True,
) -> tuple[int, str, dict[str, Any]]:
    """What `/readyz` answers in a demo whose clock was moved forward, on a machine whose own clock is off."""
    transports = {Channel.TEXT: MockGateway(folder / "gateway.sqlite3", SystemClock().now)} if is_set_up else {}
    settings = Settings.from_env({"NEAPTIDE_DATA": str(folder), "NEAPTIDE_DEMO": "yes"})
    clock = SharedClock(folder / "clock-offset")
    clock.advance(steered)
    with write_session(engine) as session:
        heartbeats.record(session, "worker", clock.now(), {}, clock.now())
    app = create_app(settings, engine, clock, transports)
    machine = FixedClock(SystemClock().now() + machine_off)
    app.extensions["neaptide"] = replace(app.extensions["neaptide"], machine_clock=machine)
    answer = app.test_client().get("/readyz")
    told = answer.get_json()
    return answer.status_code, told["status"], {found["name"]: found for found in told["findings"]}


def test_a_steered_demo_clock_is_no_skew(engine: Engine, tmp_path: Path) -> None:
    code, status, found = findings(engine, tmp_path, steered=timedelta(days=3))
    assert (code, status) == (200, "ready")
    assert found["clock_skew"]["ok"]


def test_a_service_that_can_send_nothing_is_degraded(engine: Engine, tmp_path: Path) -> None:
    code, status, found = findings(engine, tmp_path, is_set_up=False)
    assert (code, status) == (503, "degraded")
    assert found["ways_out"]["sentence"].startswith("No text gateway is set up, and no mail server is set up")


@pytest.mark.parametrize("minutes", [-5, 5])
def test_a_machine_whose_clock_is_not_the_databases_is_not_ready(engine: Engine, tmp_path: Path, minutes: int) -> None:
    """What it is compared with is outside: the database's own clock, read in SQL."""
    code, status, found = findings(engine, tmp_path, machine_off=timedelta(minutes=minutes))
    assert (code, status) == (503, "not ready")
    assert found["clock_skew"]["value"] == pytest.approx(minutes * 60, abs=30)
    assert {name for name, one in found.items() if not one["ok"]} == {"clock_skew", "nightly_check"}


def test_the_machines_own_clock_is_the_one_that_is_compared(engine: Engine, tmp_path: Path) -> None:
    settings = Settings.from_env({"NEAPTIDE_DATA": str(tmp_path)})
    app = create_app(settings, engine, FixedClock(SystemClock().now() + timedelta(days=9)), {})
    assert isinstance(app.extensions["neaptide"].machine_clock, SystemClock)
