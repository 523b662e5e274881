"""A settled fortnight is proposed to staff once, with both figures, and stands as reference once they accept it."""

from __future__ import annotations

import uuid
from datetime import timedelta

import numpy as np
import pytest
from sqlalchemy import Engine, select

from service.domain.signals.facts import ProposalReason
from service.domain.tasks import ReferenceProposed, from_json
from service.domain.vocabulary import TaskKind, TaskSettled, TaskState
from service.enrolling import baselines
from service.reviewing import inbox, proposing, refreshing
from service.reviewing.panel import gather
from service.store import panel
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Clinic, PanelRow, Patient, Reference, Task
from tests import inwords
from tests.builder import acting
from tests.ward import NOW, open_ward, ward_of


def brought_down(seed: int = 3) -> list[float | None]:
    """Enrolled at 28, brought down over four weeks, and at 18 for six: invented, with 1.2 mmHg of noise."""
    course = np.concatenate([np.full(20, 28.0), np.linspace(28, 18, 28), np.full(45, 18.0)])
    return [round(float(value), 1) for value in course + np.random.default_rng(seed).normal(0, 1.2, len(course))]


@pytest.fixture
def brought(engine: Engine) -> uuid.UUID:
    """Such a patient, with their row made."""
    with write_session(engine) as session:
        patient_id = open_ward(session).patient("Asha", pressures=brought_down()).id
    made(engine)
    return patient_id


def made(engine: Engine) -> None:
    """Everybody's row, as of NOW."""
    refreshing.rebuild(engine, NOW)
    refreshing.refresh(engine, NOW)


def tasks(engine: Engine) -> list[Task]:
    with read_session(engine) as session:
        wanted = Task.kind == TaskKind.REFERENCE_PROPOSAL
        return list(session.scalars(select(Task).where(wanted).order_by(Task.raised_at)))


def refreshed(engine: Engine, patient_id: uuid.UUID, days: int = 0) -> None:
    now = NOW + timedelta(days=days)
    with write_session(engine) as session:
        panel.mark_stale(session, [patient_id], now)
    refreshing.refresh(engine, now)


def goes_on(engine: Engine, patient_id: uuid.UUID, level: float, days: int, *, first: int = 1) -> None:
    random = np.random.default_rng(9)
    with write_session(engine) as session:
        patient = session.get_one(Patient, patient_id)
        ward = ward_of(session, patient.clinic_id)
        for ahead in range(first, first + days):
            day = ward.today(patient) + timedelta(days=ahead)
            ward.reading(patient, day, round(level + random.normal(0, 1.2), 1))


def test_the_row_that_proposes_is_written_by_the_same_pass(engine):
    with write_session(engine) as session:
        open_ward(session).patient("Asha", pressures=brought_down())
    refreshing.refresh(engine, NOW)
    assert tasks(engine)
    with read_session(engine) as session:
        assert session.scalars(select(PanelRow)).one().facts


def test_a_fortnight_that_has_settled_elsewhere_is_one_task_with_both_figures(engine, brought):
    (task,) = tasks(engine)
    facts = from_json(task.facts)
    assert isinstance(facts, ReferenceProposed)
    assert facts.proposal.why is ProposalReason.DIFFERS
    assert facts.proposal.value == pytest.approx(18.0, abs=1.0)
    assert facts.proposal.reference == pytest.approx(28.0, abs=1.0)
    assert not facts.proposal.is_set
    said = inwords.task(task)
    assert said.startswith("Steady from ")
    assert "No reference was accepted: the first settled fortnight's mean of" in said
    refreshed(engine, brought)
    refreshed(engine, brought, days=1)
    assert len(tasks(engine)) == 1
    with read_session(engine) as session:
        row = session.scalars(select(PanelRow)).one()
        waiting = proposing.waiting(session, brought)
    assert waiting is not None
    assert (waiting.task_id, waiting.proposal) == (task.id, facts.proposal)
    assert "broken" not in row.facts["trend"]["picture"]["pressure"]  # to have been treated well is no warning


def test_the_accepted_fortnight_keeps_its_own_standard_deviation_and_settles_the_task(engine, brought):
    (task,) = tasks(engine)
    proposal = from_json(task.facts).proposal
    with write_session(engine) as session:
        patient = session.get_one(Patient, brought)
        act = Act(session, OPERATOR, patient.clinic_id, NOW)
        baselines.set_reference(act, patient, None, None, None, proposal.from_day, proposal.to_day)
    with read_session(engine) as session:
        reference = session.scalars(select(Reference)).one()
        todays = {brought: NOW.date()}
        worked = refreshing.work_out(session, reference.clinic_id, todays)[brought].worked
    # What the rows' mean and its standard deviation come to is what the engine had found.
    assert reference.pa_diastolic == pytest.approx(proposal.value, abs=0.051)
    assert reference.sd == pytest.approx(proposal.sd, abs=0.001)
    assert worked is not None
    judged = worked.assessment.picture.pressure.reference
    assert judged is not None
    assert (judged.value, judged.sd, judged.is_set) == (reference.pa_diastolic, reference.sd, True)
    assert worked.assessment.proposal is None
    (task,) = tasks(engine)
    assert (task.state, task.close_reason) == (TaskState.CLOSED, TaskSettled.REFERENCE_SET)
    refreshed(engine, brought)
    assert len(tasks(engine)) == 1


def test_what_somebody_kept_the_reference_against_is_not_asked_again_until_it_is_another(engine, brought):
    (task,) = tasks(engine)
    with write_session(engine) as session:
        patient = session.get_one(Patient, brought)
        nurse = ward_of(session, patient.clinic_id).nurse
        inbox.close(acting(session, nurse, NOW), task.id, "Still being treated.")
    goes_on(engine, brought, 18.0, 20)
    refreshed(engine, brought, days=20)
    assert len(tasks(engine)) == 1
    goes_on(engine, brought, 22.0, 40, first=21)
    refreshed(engine, brought, days=60)
    kept, new = tasks(engine)
    assert (kept.state, new.state) == (TaskState.CLOSED, TaskState.OPEN)
    assert from_json(new.facts).proposal.value == pytest.approx(22.0, abs=1.0)


def test_a_reference_from_days_that_moved_is_asked_about_where_it_settled_a_little_elsewhere(engine):
    with write_session(engine) as session:
        ward, patients = open_ward(session), {}
        # Mean of the first fortnight 20: Asha settles 1.5 under it, Ben at it, and Cleo's fortnight only seems to move.
        for name, begins, settles in (("Asha", 22.5, 18.5), ("Ben", 22.5, 20.0), ("Cleo", 20.8, 18.5)):
            course = np.concatenate([np.linspace(begins, 40 - begins, 14), np.full(45, settles)])
            noise = np.random.default_rng(4).normal(0, 1.0, len(course))
            patient = ward.patient(name, pressures=[round(float(value), 1) for value in course + noise])
            first = ward.today(patient) - timedelta(days=len(course) - 1)
            act = Act(session, OPERATOR, ward.clinic.id, NOW)
            baselines.set_reference(act, patient, None, None, None, first, first + timedelta(days=13))
            patients[name] = patient.id
    made(engine)
    (task,) = tasks(engine)
    assert task.patient_id == patients["Asha"]
    assert from_json(task.facts).proposal.why is ProposalReason.WAS_MOVING
    assert "The pressure was moving on the days that the reference was taken from." in inwords.task(task)


def test_nothing_is_proposed_while_the_pressure_moves_or_stays_where_the_reference_is(engine):
    random = np.random.default_rng(2)
    steady = [round(18 + random.normal(0, 1.2), 1) for _ in range(80)]
    rising = [round(18 + max(0, day - 50) * 0.3 + random.normal(0, 1.2), 1) for day in range(80)]
    with write_session(engine) as session:
        ward = open_ward(session)
        ward.patient("Asha", pressures=steady)
        ward.patient("Ben", pressures=rising)
    made(engine)
    assert tasks(engine) == []


def test_a_proposal_moves_nobody_out_of_their_lane(engine, brought):
    assert len(tasks(engine)) == 1
    with write_session(engine) as session:
        (entry,) = gather(session, session.scalars(select(Clinic)).one(), NOW, brought)
    assert TaskKind.REFERENCE_PROPOSAL in {task.kind for task in entry.tasks}
    assert not any("accept this fortnight" in reason for reason in inwords.reasons(entry))
