"""`neaptide review`: the audit finds a row that nobody marked, and a rebuild makes it right."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sqlalchemy import delete, select

from service.cli import cli
from service.config import Settings
from service.domain.vocabulary import Outcome
from service.reviewing import refreshing, signing
from service.store import migrate
from service.store.session import open_engine, read_session, write_session
from service.store.tables import PanelRow, Reading
from tests.builder import acting
from tests.ward import open_ward, ward_of

QUIET = [18.0, 18.4, 17.6, 18.2, 17.8] * 8


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("NEAPTIDE_DATA", str(tmp_path))
    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", f"sqlite:///{tmp_path / 'review.sqlite3'}")

    def go(*words: str) -> Result:
        return CliRunner().invoke(cli, ["review", *words])

    return go


def test_the_audit_finds_what_nobody_marked_and_a_rebuild_makes_it_right(run, tmp_path):
    engine = open_engine(f"sqlite:///{tmp_path / 'review.sqlite3'}", sealer=Settings.from_env().keys.sealer())
    migrate.upgrade(engine)
    now = datetime.now(UTC)  # the command asks the machine
    with write_session(engine) as session:
        ward = open_ward(session, now=now)
        patient_id = ward.patient("Asha Okoro", pressures=QUIET).id
        clinic_id = ward.clinic.id
    with write_session(engine) as session:
        session.execute(delete(PanelRow))  # as after a restore: no row is carried
    assert run("rebuild").output == "1 rows made, 0 set aside\n"
    with write_session(engine) as session:
        signing.sign(acting(session, ward_of(session, clinic_id).nurse, now), patient_id, Outcome.CALLED, "", None)
    refreshing.refresh(engine, now)
    well = run("audit")
    assert well.exit_code == 0
    assert "1 signed records, 0 whose seal does not hold, 0 placed otherwise" in well.output
    with write_session(engine) as session:
        # In the row itself: a second reading of a date counts only near the patient's usual hour.
        newest = session.scalars(select(Reading).order_by(Reading.taken_at.desc()).limit(1)).one()
        newest.pa_systolic, newest.pa_mean, newest.pa_diastolic = 62.0, 50.0, 44.0
    found = run("audit")
    assert found.exit_code == 4
    assert str(patient_id) in found.output
    assert "Asha" not in found.output
    assert run("rebuild").exit_code == 0
    assert run("audit").exit_code == 0
    with read_session(engine) as session:
        assert refreshing.differing(session, clinic_id, now) == []
    engine.dispose()
