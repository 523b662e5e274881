"""The history of a pause: who set which dates when, whoever did, readable after each change."""

from __future__ import annotations

import uuid
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import Engine, select

from service.care import pauses
from service.care.pauses import PauseChange, PauseEvent
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind, PauseCause
from service.store.audit import OPERATOR, Act, Actor
from service.store.session import read_session, write_connection, write_session
from service.store.tables import AuditLine, Clinic, Patient, Pause
from tests.ward import open_ward

NOW = datetime(2026, 3, 9, 12, tzinfo=UTC)
LATER = NOW + timedelta(days=3)
MONDAY = date(2026, 3, 9)
DAY = timedelta(days=1)
NURSE = Actor(ActorKind.STAFF, uuid.UUID(int=7))


@pytest.fixture
def patient(engine: Engine) -> Patient:
    with write_session(engine) as session:
        return open_ward(session).patient("Asha Rowan")


def history(engine: Engine, pause: Pause) -> list[PauseChange]:
    with read_session(engine) as session:
        return pauses.history(session, pause.id)


def test_ending_a_pause_keeps_its_old_end_readable(engine: Engine, patient: Patient) -> None:
    with write_session(engine) as session:
        act = Act(session, NURSE, patient.clinic_id, NOW)
        pause = pauses.add_pause(act, patient, PauseCause.AWAY, MONDAY, MONDAY + 9 * DAY, "")
        pauses.move_pause(Act(session, NURSE, patient.clinic_id, NOW + DAY), pause, None)
    with write_session(engine) as session:
        pauses.end_pause(
            Act(session, OPERATOR, patient.clinic_id, LATER), session.get_one(Pause, pause.id), MONDAY + 2 * DAY
        )
    assert history(engine, pause) == [
        PauseChange(NOW, str(NURSE), PauseEvent.ADDED, MONDAY, None, MONDAY + 9 * DAY),
        PauseChange(NOW + DAY, str(NURSE), PauseEvent.MOVED, MONDAY, MONDAY + 9 * DAY, None),
        PauseChange(LATER, "operator", PauseEvent.ENDED, MONDAY, None, MONDAY + 2 * DAY),
    ]


def test_a_pause_that_was_cancelled_says_so_and_keeps_its_dates(engine: Engine, patient: Patient) -> None:
    with write_session(engine) as session:
        act = Act(session, NURSE, patient.clinic_id, NOW)
        pause = pauses.add_pause(act, patient, PauseCause.IN_HOSPITAL, MONDAY, MONDAY + DAY, "")
        pauses.end_pause(act, pause, MONDAY - DAY)
        with pytest.raises(Refused, match="cancelled"):
            pauses.end_pause(act, pause, MONDAY)
    assert history(engine, pause)[1:] == [
        PauseChange(NOW, str(NURSE), PauseEvent.CANCELLED, MONDAY, MONDAY + DAY, MONDAY + DAY)
    ]


def test_a_stay_of_more_than_a_year_can_be_ended_on_a_day_that_has_come(engine: Engine, patient: Patient) -> None:
    """A last day ahead is bounded as a slip of the pen; one that has come is what happened."""
    with write_session(engine) as session:
        act = Act(session, NURSE, patient.clinic_id, NOW)
        stay = pauses.add_pause(act, patient, PauseCause.IN_HOSPITAL, MONDAY - 400 * DAY, None, "")
        with pytest.raises(Refused, match="last_day"):
            pauses.end_pause(act, stay, MONDAY + DAY)
        pauses.end_pause(act, stay, MONDAY - DAY)
    assert stay.to_date == MONDAY - DAY


def test_an_act_writes_its_line_in_plain_values(engine: Engine, patient: Patient) -> None:
    with write_session(engine) as session:
        clinic = session.get_one(Clinic, patient.clinic_id)
        act = Act(session, NURSE, clinic.id, NOW)
        act.note("clinic.change", clinic, of=patient.id, on=MONDAY, at=NOW, why=PauseCause.AWAY, count=2, none=None)
    with read_session(engine) as session:
        line = session.scalars(select(AuditLine).where(AuditLine.action == "clinic.change")).one()
    assert (line.actor_kind, line.actor_id, line.clinic_id, line.at) == (NURSE.kind, NURSE.id, clinic.id, NOW)
    assert (line.subject_kind, line.subject_id) == ("clinic", clinic.id)
    assert line.detail == {
        "of": str(patient.id),
        "on": "2026-03-09",
        "at": NOW.isoformat(),
        "why": "away",
        "count": 2,
        "none": None,
    }


def test_an_act_begun_for_statements_alone_has_no_session(engine: Engine, patient: Patient) -> None:
    with write_connection(engine) as connection:
        act = Act(connection, NURSE, patient.clinic_id, NOW)
        act.note("checkin.record", ("checkin", uuid.uuid4()))
        with pytest.raises(TypeError, match="where"):
            _ = act.session
