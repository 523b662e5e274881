"""`neaptide review` and `audit verify`: what nobody marked, altered or took away is found, and told once."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sqlalchemy import delete, select, update

from service.cli import cli
from service.config import Settings
from service.domain.validation import Refused
from service.domain.vocabulary import Outcome, Role, TaskKind
from service.health import heads, invariants
from service.reviewing import refreshing, signing
from service.store import chain, migrate
from service.store.session import open_engine, read_session, write_session
from service.store.tables import AuditLine, PanelRow, Reading, SignOff, Task
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


def test_what_was_altered_behind_the_services_back_is_named_and_told_to_the_administrators_once(run, tmp_path):
    engine = open_engine(f"sqlite:///{tmp_path / 'review.sqlite3'}", sealer=Settings.from_env().keys.sealer())
    migrate.upgrade(engine)
    now = datetime.now(UTC)
    before = now - timedelta(days=1)
    with write_session(engine) as session:
        ward = open_ward(session, now=before)
        asha, ben = (ward.patient(name, pressures=QUIET).id for name in ("Asha Okoro", "Ben Ade"))
        clinic_id = ward.clinic.id
    refreshing.refresh(engine, before)
    with write_session(engine) as session:
        act = acting(session, ward_of(session, clinic_id).nurse, before)
        altered, gone = (signing.sign(act, who, Outcome.CALLED, "Rang.", None).id for who in (asha, ben))
    chain.seal_new(engine, before)
    assert [head.chain for head in heads.take(engine, tmp_path, now)] == [clinic_id]
    assert heads.take(engine, tmp_path, now) == []  # once a day
    (kept,) = (json.loads(line) for line in (tmp_path / heads.FILE).read_text().splitlines())
    assert (tmp_path / heads.FILE).stat().st_mode & 0o077 == 0

    def go(*words: str) -> tuple[int, str]:
        done = CliRunner().invoke(cli, list(words))
        return done.exit_code, done.output

    assert json.loads(go("audit", "heads")[1])["seal"] == kept["seal"]
    code, said = go("audit", "verify")
    assert (code, "2 lines compared with their seals, 0 things wrong" in said) == (0, True)
    (none := tmp_path / "none.jsonl").write_text("no head\n")
    refused = CliRunner().invoke(cli, ["audit", "verify", "--heads", str(none)]).exception
    assert (type(refused), getattr(refused, "field", "")) == (
        Refused,
        "heads",
    )  # of a file without any nothing is compared
    with none.open("a") as mixed:
        mixed.write(f"{json.dumps(kept)}\n")
    code, said = go("audit", "verify", "--heads", str(none))
    assert (code, f"{none}: line 1 is no head" in said) == (4, True)
    with write_session(engine) as session:
        session.execute(update(SignOff).where(SignOff.id == altered).values(note="All well."))
        session.execute(delete(SignOff).where(SignOff.id == gone))
        (line,) = session.scalars(select(AuditLine).where(AuditLine.subject_id == altered))
        session.execute(update(AuditLine).where(AuditLine.id == line.id).values(actor_id=None))
    code, said = go("audit", "verify")
    assert (code, f"line {line.number} ({line.id}, review.sign" in said) == (4, True)
    _, said = go("doctor", "--deep")
    assert f"a sealed record is not as it was written: sign_off {altered} is altered" in said
    assert f"tells of is gone: {gone}" in said
    assert f"deep.trail_altered: Clinic {clinic_id}" in said
    for night in (now, now + timedelta(days=1)):
        invariants.check_nightly(engine, night, lambda: None, tmp_path)
    with read_session(engine) as session:
        found = session.scalars(select(Task).where(Task.kind == TaskKind.CHECK_FOUND, Task.patient_id.is_(None))).all()
        last = invariants.last_check(session)
    assert [(task.clinic_id, task.role) for task in found] == [(clinic_id, Role.ADMINISTRATOR)] * 2
    assert last is not None
    assert (last.found["record_altered"], last.found["trail_altered"]) == (2, 1)
