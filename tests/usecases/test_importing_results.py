"""Results from a file: every refused row named by its line, the good ones taken, and twice is no harm."""

from __future__ import annotations

import io
import threading
import uuid
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, func, select

from service.domain.record.results import NewResult
from service.domain.validation import Refused
from service.domain.vocabulary import ArmPosture, IntakeOutcome, ResultKind
from service.filing.importing import Intake, import_results
from service.intake import results
from service.store.audit import OPERATOR, Act
from service.store.session import open_engine, read_session, write_session
from service.store.tables import AuditLine, Patient, ResultRow
from tests.conftest import SERVER
from tests.fernmoor import START, Fernmoor, clinic_of
from tests.servers import VAULT


@pytest.fixture
def patient(engine: Engine) -> Patient:
    with write_session(engine) as session:
        clinic = clinic_of(session)
    return Fernmoor(engine, clinic).patient()


def test_ten_thousand_results_and_every_refusal_by_its_line(engine: Engine, patient: Patient) -> None:
    """Every hundredth row is wrong in one of four ways (invented); the codes and units are LOINC's and UCUM's."""
    wrong = ("8385-7,4.1,", "2823-3,41,", "2823-3,4.1,mg/dL", "2823-3,many,")
    lines = ["patient,taken_at,code,value,unit"]
    for number in range(10_000):
        hour = f"2025-{1 + number // 1000:02d}-{1 + number // 40 % 25:02d}T{number // 2 % 20:02d}:{number % 2 * 30:02d}"
        cells = wrong[number // 100 % 4] if number % 100 == 99 else "2160-0,1.1,mg/dL" if number % 2 else "2823-3,4.1,"
        lines.append(f"{patient.clinic_ref},{hour}:{number // 1000:02d}+13:00,{cells}")
    file = io.BytesIO("\n".join(lines).encode())
    report = import_results(Intake(engine, patient.clinic_id, OPERATOR, START), file)
    assert [refusal.line for refusal in report.refused] == [number + 2 for number in range(99, 10_000, 100)]
    assert [refusal.field for refusal in report.refused[:4]] == ["code", "value", "unit", "value"]
    assert (report.rows, report.taken + report.duplicates, report.refused_rows) == (10_000, 9_900, 100)
    again = import_results(Intake(engine, patient.clinic_id, OPERATOR, START), file)
    assert (again.taken, again.duplicates) == (0, 9_900)
    with read_session(engine) as session:
        assert session.scalar(select(func.count(ResultRow.id))) == report.taken
        assert set(session.scalars(select(ResultRow.kind))) == {ResultKind.CREATININE, ResultKind.POTASSIUM}
        counted = [line.detail["results"] for line in session.scalars(
            select(AuditLine).where(AuditLine.action == "results.import"))]  # fmt: skip
    assert sum(counted) == report.taken


def test_another_value_of_one_moment_is_refused_and_a_dry_run_writes_nothing(engine: Engine, patient: Patient) -> None:
    head, row = "patient;taken_at;kind;value;unit", f"{patient.clinic_ref};2026-02-01T09:00+13:00;potassium"
    file = io.BytesIO(f"{head}\n{row};4,4;\n{row};5,4;\n{row};4.4;mmol/L\nX;2026-02-01;potassium;4;\n".encode())
    tried = import_results(Intake(engine, patient.clinic_id, OPERATOR, START, dry_run=True), file)
    with read_session(engine) as session:
        assert session.scalar(select(func.count(ResultRow.id))) == 0
    done = import_results(Intake(engine, patient.clinic_id, OPERATOR, START), file)
    for report in (tried, done):
        assert (report.taken, report.duplicates) == (1, 1)
        assert [(refusal.line, refusal.field) for refusal in report.refused] == [(3, "value"), (5, "patient")]
    assert "4.4 mmol/L" in done.refused[0].accepted


@pytest.mark.postgres
@pytest.mark.skipif(SERVER is None, reason="needs NEAPTIDE_TEST_DATABASE_URL")
def test_two_imports_of_the_same_results_in_one_moment_keep_one_of_each(
    engine: Engine, patient: Patient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both have looked before either writes; they write in opposite order, and in one place another value."""
    both, write = threading.Barrier(2), results._written

    def together(*given: Any) -> Any:
        both.wait(30)
        return write(*given)

    monkeypatch.setattr(results, "_written", together)
    new = [NewResult(patient.id, START - timedelta(hours=hour), "4.1", ResultKind.POTASSIUM) for hour in range(40)]
    other = [replace(new[0], value="5.9"), *new[1:]][::-1]
    said: list[list[IntakeOutcome | Refused]] = []

    def take(rows: list[NewResult]) -> None:
        own = open_engine(engine.url.render_as_string(hide_password=False), vault=VAULT)
        said.append(results.record_results(own, patient.clinic_id, rows, OPERATOR, START))
        own.dispose()

    threads = [threading.Thread(target=take, args=(rows,)) for rows in (new, other)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    with read_session(engine) as session:
        assert session.scalar(select(func.count(ResultRow.id))) == len(new)
        lines = session.scalars(select(AuditLine).where(AuditLine.action == "results.import")).all()
    assert sum(line.detail["results"] for line in lines) == len(new)
    everything = [one for outcomes in said for one in outcomes]
    assert everything.count(IntakeOutcome.RECORDED) == len(new)
    assert everything.count(IntakeOutcome.DUPLICATE) == len(new) - 1
    assert [one.field for one in everything if isinstance(one, Refused)] == ["value"]


def test_a_result_entered_by_itself_is_kept_once_and_another_value_is_a_correction(
    engine: Engine, patient: Patient
) -> None:
    def enter(value: str, **more: Any) -> uuid.UUID:
        with write_session(engine) as session:
            act = Act(session, OPERATOR, patient.clinic_id, START)
            whose = session.get_one(Patient, patient.id)
            new = {"taken_at": START, "kind": ResultKind.SYSTOLIC, "value": value} | more
            return results.record_result(act, whose, **new).id

    lying = {"posture": ArmPosture.LYING}
    first = enter("120", **lying)
    assert enter("120", **lying) == first
    assert enter("104", posture=ArmPosture.STANDING) != enter("118") != first  # a pair, and one of no posture
    with pytest.raises(Refused) as refused:
        enter("121", **lying)
    assert "120 mmHg" in refused.value.accepted
    with read_session(engine) as session:
        was = session.get_one(ResultRow, first)
    assert enter("121", **lying, corrects=was) != first
