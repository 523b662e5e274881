"""What the record makes due is one task, on its day where the patient lives, and ends with what it asked for."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine

from service.care import entries
from service.domain.record.limits import ResultBeyond
from service.domain.tasks import ChemistryWanted, ContactDue, GoalOver, from_json
from service.domain.validation import Refused
from service.domain.vocabulary import ContactWay, MedicineClass, NoResult, ResultKind, Role, Route, TaskKind, TaskState
from service.enrolling import baselines
from service.intake import results
from service.intake.results import record_results
from service.recording import chemistry, limits, medicines, next_contacts
from service.reviewing import inbox
from service.scheduling.falling_due import raise_due
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Patient, Task
from tests.builder import acting as acting_as
from tests.builder import building
from tests.fernmoor import START, Fernmoor, clinic_of

TODAY = date(2026, 3, 1)  # where the patients live: Auckland
DAY = timedelta(days=1)
MRA = {
    "name": "Spironolactone", "kind": MedicineClass.MRA, "dose": "25", "unit": "mg", "times_a_day": "1",
    "route": Route.ORAL, "from_date": TODAY,
}  # fmt: skip


@pytest.fixture
def ward(engine: Engine) -> Fernmoor:
    with write_session(engine) as session:
        return Fernmoor(engine, clinic_of(session))


@pytest.fixture
def patient(ward: Fernmoor) -> Patient:
    return ward.patient()


def acting(ward: Fernmoor, patient: Patient, do: Any, *args: Any, at: datetime = START, **new: Any) -> Any:
    with write_session(ward.engine) as session:
        act = Act(session, OPERATOR, patient.clinic_id, at)
        return do(act, session.get_one(Patient, patient.id), *args, **new)


def tasks(ward: Fernmoor) -> list[tuple[TaskKind, TaskState]]:
    return [(task.kind, task.state) for task in ward.rows(Task, order=Task.raised_at)]


def test_a_next_contact_is_on_somebodys_list_from_its_day_and_says_when_it_is_overdue(
    ward: Fernmoor, patient: Patient
) -> None:
    with building(ward.engine, START) as build:
        nurse, other = (build.staff(ward.clinic) for _ in range(2))
    new = {"due_on": TODAY + DAY, "way": ContactWay.CALL, "agreed": True}
    planned = acting(ward, patient, next_contacts.plan_contact, **new, staff_id=nurse.id)
    raise_due(ward.engine, START)
    assert tasks(ward) == []
    # Midnight in Auckland is eleven in the morning of the day before, in UTC.
    midnight = datetime(2026, 3, 1, 11, tzinfo=START.tzinfo)
    raise_due(ward.engine, midnight - timedelta(minutes=1))
    assert tasks(ward) == []
    raise_due(ward.engine, midnight)
    (task,) = ward.rows(Task)
    assert (task.kind, task.staff_id, from_json(task.facts).is_overdue) == (TaskKind.NEXT_CONTACT, nurse.id, False)
    with read_session(ward.engine) as session:
        mine, theirs, roles = (
            inbox.inbox(session, ward.clinic.id, whose=whose) for whose in (nurse.id, other.id, Role.NURSE)
        )
    assert ([one.handed_to for one in mine], theirs, roles) == ([nurse.name], [], [])
    raise_due(ward.engine, midnight + DAY)
    raise_due(ward.engine, midnight + 2 * DAY)
    (task,) = ward.rows(Task)
    facts = from_json(task.facts)
    assert isinstance(facts, ContactDue)
    assert facts.is_overdue
    acting(ward, patient, next_contacts.contact_done, planned, TODAY + 2 * DAY, at=midnight + 2 * DAY)
    (task,) = ward.rows(Task)
    assert (task.state, task.close_reason, task.closed_by) == (TaskState.CLOSED, "contact_settled", None)


def test_chemistry_is_a_task_until_a_result_comes_and_again_once_that_is_taken_back(
    ward: Fernmoor, patient: Patient
) -> None:
    """An MRA: chemistry after 1 and 4 weeks (NHS Specialist Pharmacy Service)."""
    acting(ward, patient, medicines.record_medicine, **MRA)
    for days, expected in ((6, []), (7, [(TaskKind.CHEMISTRY_DUE, TaskState.OPEN)])):
        raise_due(ward.engine, START + days * DAY)
        assert tasks(ward) == expected
    (task,) = ward.rows(Task)
    facts = from_json(task.facts)
    assert isinstance(facts, ChemistryWanted)
    assert facts.due.due_on == TODAY + 7 * DAY
    now = START + 8 * DAY
    blood = {"kind": ResultKind.POTASSIUM, "value": "4.9", "taken_at": now}
    row = acting(ward, patient, results.record_result, **blood, at=now)
    assert tasks(ward) == [(TaskKind.CHEMISTRY_DUE, TaskState.CLOSED)]
    acting(ward, patient, entries.withdraw, row, "another person's blood", at=now + timedelta(hours=1))
    assert [state for _, state in tasks(ward)] == [TaskState.CLOSED, TaskState.OPEN]
    # A file's results are looked at with the next tick.
    new = results.NewResult(patient.id, now, "5.1", ResultKind.POTASSIUM)
    record_results(ward.engine, patient.clinic_id, [new], OPERATOR, now + timedelta(hours=2))
    raise_due(ward.engine, now + timedelta(hours=2))
    assert [state for _, state in tasks(ward)] == [TaskState.CLOSED, TaskState.CLOSED]
    raise_due(ward.engine, START + 27 * DAY)
    assert len(tasks(ward)) == 2
    raise_due(ward.engine, START + 28 * DAY)
    assert tasks(ward)[2:] == [(TaskKind.CHEMISTRY_DUE, TaskState.OPEN)]


def test_what_staff_closed_is_not_told_again_and_a_reason_ends_what_is_due(ward: Fernmoor, patient: Patient) -> None:
    with building(ward.engine, START) as build:
        nurse = build.staff(ward.clinic)
    acting(ward, patient, medicines.record_medicine, **MRA)
    due, now = TODAY + 7 * DAY, START + 9 * DAY
    raise_due(ward.engine, now)
    (task,) = ward.rows(Task)
    with write_session(ward.engine) as session:
        inbox.close(acting_as(session, nurse, now), task.id, "asked her surgery for it")
    acting(ward, patient, results.record_result, kind=ResultKind.SODIUM, value="139", taken_at=START, at=now)
    assert len(tasks(ward)) == 1
    for new, field in (
        ({"due_on": due + DAY, "why": NoResult.NOT_WANTED, "note": "no veins"}, "due_on"),
        ({"due_on": due, "why": NoResult.NOT_WANTED}, "note"),
        ({"due_on": due, "why": NoResult.DONE_ELSEWHERE}, "done_on"),
        ({"due_on": due, "why": NoResult.DONE_ELSEWHERE, "done_on": TODAY}, "done_on"),
        ({"due_on": due, "why": NoResult.DONE_ELSEWHERE, "done_on": TODAY + 10 * DAY}, "done_on"),
    ):
        with pytest.raises(Refused) as refused:
            acting(ward, patient, chemistry.record_reason, **new, at=now)
        assert refused.value.field == field
    new = {"due_on": due, "why": NoResult.DONE_ELSEWHERE, "done_on": TODAY + 6 * DAY}
    row = acting(ward, patient, chemistry.record_reason, **new, at=now)
    raise_due(ward.engine, START + 28 * DAY)
    assert [state for _, state in tasks(ward)] == [TaskState.CLOSED, TaskState.OPEN]
    unwanted = {"due_on": TODAY + 28 * DAY, "why": NoResult.NOT_WANTED, "note": "comfort care"}
    acting(ward, patient, chemistry.record_reason, **unwanted, at=START + 29 * DAY)
    assert [state for _, state in tasks(ward)] == [TaskState.CLOSED, TaskState.CLOSED]
    acting(ward, patient, entries.withdraw, row, "it was not hers", at=START + 30 * DAY)
    assert [state for _, state in tasks(ward)] == [TaskState.CLOSED, TaskState.CLOSED]  # staff had closed that one


def test_a_date_on_which_chemistry_is_not_wanted_hides_none_of_a_change_that_began_later(
    ward: Fernmoor, patient: Patient
) -> None:
    """An MRA after 1 and 4 weeks, an ARB after 2 (NHS Specialist Pharmacy Service)."""
    acting(ward, patient, medicines.record_medicine, **MRA)
    unwanted = {"due_on": TODAY + 28 * DAY, "why": NoResult.NOT_WANTED, "note": "seen elsewhere then"}
    acting(ward, patient, chemistry.record_reason, **unwanted, at=START + DAY)
    blood = {"kind": ResultKind.POTASSIUM, "value": "4.9", "taken_at": START + 7 * DAY}
    acting(ward, patient, results.record_result, **blood, at=START + 7 * DAY)
    arb = MRA | {"name": "Losartan", "kind": MedicineClass.ARB, "from_date": TODAY + 14 * DAY}
    acting(ward, patient, medicines.record_medicine, **arb, at=START + 14 * DAY)
    raise_due(ward.engine, START + 28 * DAY)
    (task,) = ward.rows(Task)
    facts = from_json(task.facts)
    assert isinstance(facts, ChemistryWanted)
    assert (facts.due.medicine, facts.due.due_on) == ("Losartan", TODAY + 28 * DAY)


def test_a_goal_that_ran_out_is_one_task_until_a_newer_one_is_set(ward: Fernmoor, patient: Patient) -> None:
    acting(ward, patient, baselines.set_goal, 10.0, 18.0, "below where trouble came", TODAY + DAY)
    raise_due(ward.engine, START + DAY)
    assert tasks(ward) == []
    for days in (2, 3):
        raise_due(ward.engine, START + days * DAY)
    (task,) = ward.rows(Task)
    facts = from_json(task.facts)
    assert isinstance(facts, GoalOver)
    assert (facts.aim.goal.upper, task.kind, task.escalates_at) == (18.0, TaskKind.GOAL_OVER, None)
    acting(ward, patient, baselines.set_goal, None, 17.0, "as before", TODAY + 30 * DAY, at=START + 3 * DAY)
    assert tasks(ward) == [(TaskKind.GOAL_OVER, TaskState.CLOSED)]


def test_a_result_beyond_the_patients_own_limit_calls_today_until_a_newer_one_or_a_person_ends_it(
    ward: Fernmoor, patient: Patient
) -> None:
    def result(value: str, days: int, unit: str | None = None) -> None:
        at = START + days * DAY
        new: dict[str, Any] = {"kind": ResultKind.POTASSIUM, "value": value, "unit": unit, "taken_at": at}
        acting(ward, patient, results.record_result, **new, at=at + timedelta(hours=1))

    result("9", 0)  # nobody typed a limit: none is passed
    assert tasks(ward) == []
    new: dict[str, Any] = {"kind": ResultKind.POTASSIUM, "upper": "5.5", "unit": "mmol/L"}
    for wrong, field in (({"upper": None}, "upper"), ({"lower": "6"}, "lower"), ({"kind": ResultKind.RHYTHM}, "kind")):
        with pytest.raises(Refused) as refused:
            acting(ward, patient, limits.set_result_limit, **new | wrong)
        assert refused.value.field == field
    typed = acting(ward, patient, limits.set_result_limit, **new, at=START + DAY)
    with pytest.raises(Refused, match="correct the one"):
        acting(ward, patient, limits.set_result_limit, **new, at=START + DAY)
    beyond = [(TaskKind.RESULT_LIMIT, TaskState.OPEN)]
    assert tasks(ward) == beyond  # the newest result is beyond it already
    result("5.5", 2)  # at the limit
    ended = [(TaskKind.RESULT_LIMIT, TaskState.CLOSED)]
    assert tasks(ward) == ended
    result("5.8", 3, "meq/L")
    (task,) = ward.rows(Task, Task.state == TaskState.OPEN)
    facts = from_json(task.facts)
    assert isinstance(facts, ResultBeyond)
    assert (facts.value, facts.unit, facts.limit, facts.up, task.escalates_at) == (
        5.8,
        "meq/L",
        5.5,
        True,
        task.raised_at,
    )
    with building(ward.engine, START) as build:
        nurse = build.staff(ward.clinic)
    with write_session(ward.engine) as session:
        inbox.close(acting_as(session, nurse, START + 3 * DAY), task.id, "Repeated today")
    raise_due(ward.engine, START + 4 * DAY)
    assert tasks(ward) == ended * 2  # a person has closed it: it is not told again
    result("6.1", 5)
    assert tasks(ward) == ended * 2 + beyond  # a newer one is
    acting(ward, patient, limits.set_result_limit, **new | {"upper": "6.5"}, corrects=typed, at=START + 6 * DAY)
    assert tasks(ward) == ended * 3
