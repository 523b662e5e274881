"""A fortnight proposed as reference, on the patient's page and over the API: accepted, kept, or another typed."""

from __future__ import annotations

import re
import uuid
from dataclasses import dataclass, replace
from datetime import date
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine, select

from service.accounts.keys import issue_key
from service.clock import FixedClock
from service.config import Settings
from service.domain.tasks import as_json, from_json
from service.domain.vocabulary import Role, Scope, TaskKind, TaskState
from service.reviewing import refreshing
from service.store import panel as panel_rows
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Reference, Task
from service.words.sentences import tasks as sentences
from tests.copies import made_once
from tests.inwords import ENGLISH
from tests.served import serve
from tests.signed_in import sign_in_as
from tests.ward import NOW, open_ward

pytestmark = pytest.mark.databases("sqlite")


@dataclass
class Desk:
    """A clinic with somebody brought down from 28 to 18 mmHg (invented), and a nurse before their page."""

    engine: Engine
    client: FlaskClient
    patient: uuid.UUID
    clinic: uuid.UUID
    key: str

    @property
    def page(self) -> str:
        return f"/clinic/patients/{self.patient}"

    def reads(self) -> str:
        return unescape(self.client.get(self.page).get_data(as_text=True))

    def decides(self, status: int = 303, **form: str) -> str:
        """Sends the card's form and reads the page after it."""
        shown = self.reads()
        token = re.search(r'name="csrf_token" value="([^"]+)"', shown)
        task = re.search(r'name="task" value="([^"]+)"', shown)
        assert token is not None
        given = {"csrf_token": token[1], "task": task[1] if task else str(uuid.uuid4()), **form}
        assert self.client.post(f"{self.page}/reference", data=given).status_code == status
        return self.reads()

    def asks(self, path: str, status: int = 200) -> Any:
        answer = self.client.get(f"/api/v1{path}", headers={"Authorization": f"Bearer {self.key}"})
        assert answer.status_code == status, answer.get_data(as_text=True)
        return answer.get_json()

    @property
    def references(self) -> list[Reference]:
        with read_session(self.engine) as session:
            return list(session.scalars(select(Reference)))

    @property
    def task(self) -> Task:
        with read_session(self.engine) as session:
            return session.scalars(select(Task).where(Task.kind == TaskKind.REFERENCE_PROPOSAL)).one()


def _brought_down(engine: Engine) -> tuple[uuid.UUID, uuid.UUID, uuid.UUID, str]:
    course = np.concatenate([np.full(20, 28.0), np.linspace(28, 18, 28), np.full(45, 18.0)])
    noise = np.random.default_rng(3).normal(0, 1.2, len(course))
    with write_session(engine) as session:
        ward = open_ward(session)
        patient = ward.patient("Asha", pressures=[round(float(value), 1) for value in course + noise])
        nurse = ward.staff("Nurse", Role.NURSE)
        _, key = issue_key(Act(session, OPERATOR, ward.clinic.id, NOW), "machine", (Scope.REVIEW,))
        made = patient.id, ward.clinic.id, nurse.id, key
    refreshing.rebuild(engine, NOW)
    refreshing.refresh(engine, NOW)
    return made


@pytest.fixture
def desk(engine: Engine, tmp_path: Path) -> Desk:
    patient_id, clinic_id, nurse_id, key = made_once(engine, "brought down", lambda: _brought_down(engine))
    client = serve(Settings.from_env({"NEAPTIDE_DATA": str(tmp_path)}), engine, FixedClock(NOW), {}).test_client()
    sign_in_as(client, nurse_id, NOW)
    return Desk(engine, client, patient_id, clinic_id, key)


def test_the_card_shows_both_figures_and_the_days_and_accepting_sets_the_reference(desk):
    shown = desk.reads()
    assert "Decide on the reference" in shown
    assert "No reference was accepted: the first settled fortnight's mean of 27.8 mmHg stands in for it." in shown
    assert re.search(r"Steady from \d+ \w+ to \d+ \w+ at a mean of 18\.\d mmHg", shown)
    assert 'class="strip"' in shown
    after = desk.decides(decision="accept")
    (reference,) = desk.references
    assert 17.0 < reference.pa_diastolic < 19.0
    assert reference.sd is not None
    assert reference.to_date - reference.from_date >= date(2026, 1, 14) - date(2026, 1, 1)
    assert "Decided." in after
    assert "Decide on the reference" not in after
    assert desk.task.state is TaskState.CLOSED
    with read_session(desk.engine) as session:
        line = session.scalars(select(AuditLine).where(AuditLine.action == "reference.set")).one()
    assert line.actor_kind.value == "staff"


def test_a_proposal_that_the_pressure_has_left_says_where_it_is_now(desk):
    left = re.compile(r"The pressure has left that level since: it is at about 1[78](\.\d)? mmHg now\.")
    assert not left.search(desk.reads())
    with write_session(desk.engine) as session:
        task = session.scalars(select(Task).where(Task.kind == TaskKind.REFERENCE_PROPOSAL)).one()
        facts = from_json(task.facts)
        task.facts = as_json(replace(facts, proposal=replace(facts.proposal, value=23.5)))
        panel_rows.mark_stale(session, [desk.patient], NOW)
    refreshing.refresh(desk.engine, NOW)
    assert left.search(desk.reads())


def test_a_mean_that_is_the_reference_in_figures_is_not_told_as_nothing_under_it(desk):
    facts = from_json(desk.task.facts)
    proposal = replace(facts.proposal, value=14.0, reference=14.02)
    said = sentences.task(ENGLISH, replace(facts, proposal=proposal))
    assert "at a mean of 14 mmHg, which is what counts now." in said


def test_keeping_needs_a_reason_and_sets_nothing(desk):
    assert "Not changed" in desk.decides(decision="keep", reason=" ")
    assert desk.task.state is TaskState.OPEN
    desk.decides(decision="keep", reason="Still being treated.")
    assert desk.references == []
    assert (desk.task.state, desk.task.close_reason) == (TaskState.CLOSED, "Still being treated.")
    desk.decides(404, decision="accept")  # another's task, or none: nothing is said of it


def test_a_typed_reference_is_checked_as_everywhere(desk):
    assert "Not changed" in desk.decides(decision="type", pa_diastolic="soon")
    assert "Not changed" in desk.decides(decision="type", pa_diastolic="")
    assert "Not changed" in desk.decides(decision="type", pa_diastolic="20", pa_mean="15")
    desk.decides(decision="type", pa_diastolic="17.5", pa_mean="25")
    (reference,) = desk.references
    assert (reference.pa_diastolic, reference.pa_mean, reference.sd) == (17.5, 25.0, None)
    assert desk.task.state is TaskState.CLOSED


def test_a_decision_that_is_none_changes_nothing_and_one_made_before_stands(desk):
    assert "Not changed" in desk.decides(decision="")
    task = desk.task
    desk.decides(decision="accept")
    assert "Somebody has decided this already." in desk.decides(decision="keep", task=str(task.id), reason="Late.")
    assert len(desk.references) == 1
    desk.decides(404, decision="accept", task="no id")


def test_a_machine_reads_what_is_proposed_and_nothing_once_it_is_decided(desk):
    told = desk.asks(f"/patients/{desk.patient}/reference-proposal")
    assert told["task_id"] == str(desk.task.id)
    assert told["why"] == "differs"
    assert told["is_set"] is False
    assert told["value"] == pytest.approx(18.0, abs=1.0)
    assert told["reference"] == pytest.approx(28.0, abs=1.0)
    (listed,) = desk.asks("/tasks?kind=reference_proposal")["items"]
    assert listed["sentence"].startswith("Steady from ")
    desk.decides(decision="accept")
    desk.asks(f"/patients/{desk.patient}/reference-proposal", 404)
    (reference,) = desk.asks(f"/patients/{desk.patient}/references")["items"]
    assert reference["sd"] == pytest.approx(told["sd"], abs=0.001)
