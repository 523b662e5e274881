"""A plan told ahead: the operator's printed year, the calendar's address and what lies behind it."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from flask.testing import FlaskClient
from icalendar import Calendar
from sqlalchemy import Engine, delete

from service.app import create_app
from service.care import pauses
from service.clock import FixedClock
from service.commands.plans import plan
from service.config import Settings
from service.domain.validation import Refused
from service.domain.vocabulary import PauseCause
from service.enrolling import people
from service.links import Links, Purpose
from service.store.audit import OPERATOR, Act
from service.store.session import write_session
from service.store.tables import Patient, Plan
from tests.fernmoor import START, Fernmoor, clinic_of

KEY = "a secret that only this test knows, 32+ characters"


@pytest.fixture
def fernmoor(engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Fernmoor:
    monkeypatch.setenv("NEAPTIDE_DATA", str(tmp_path))
    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", engine.url.render_as_string(hide_password=False))
    monkeypatch.setenv("NEAPTIDE_SECRET_KEY", KEY)
    monkeypatch.setenv("NEAPTIDE_BASE_URL", "http://127.0.0.1:8000")
    with write_session(engine) as session:
        clinic = clinic_of(session)
    return Fernmoor(engine, clinic)


@pytest.fixture
def client(fernmoor: Fernmoor) -> FlaskClient:
    return create_app(Settings.from_env(), fernmoor.engine, FixedClock(START), {}).test_client()


def run(*words: str) -> str:
    done = CliRunner().invoke(plan, words, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def test_the_year_is_printed_by_reference_or_id(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient(zone="America/Santiago")
    by_reference = run("show", patient.clinic_ref, "--year", "2026")
    assert f"Fernmoor {patient.clinic_ref}: plan for 2026" in by_reference
    assert patient.name not in by_reference
    # Chile, 2026: back at midnight at the end of 4 April, forward on 6 September (IANA tz database, southamerica).
    assert "Sat  4 April: clocks go back one hour" in by_reference
    assert "Sun  6 September: clocks go forward one hour" in by_reference
    assert run("show", str(patient.id), "--year", "2026") == by_reference


def test_a_patient_who_is_unknown_or_without_a_plan_is_said_so(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    with write_session(fernmoor.engine) as session:
        session.execute(delete(Plan).where(Plan.patient_id == patient.id))
    for named in ("F-unknown", patient.clinic_ref):
        for words in (("show", named, "--year", "2026"), ("feed", named)):
            with pytest.raises(Refused):
                run(*words)


def test_the_printed_address_opens_a_calendar(fernmoor: Fernmoor, client: FlaskClient) -> None:
    patient = fernmoor.patient()
    with write_session(fernmoor.engine) as session:
        pauses.add_pause(
            Act(session, OPERATOR, patient.clinic_id, START),
            patient,
            PauseCause.AWAY,
            date(2026, 3, 4),
            date(2026, 3, 5),
            "",
        )
    address = run("feed", patient.clinic_ref)
    assert address.startswith("http://127.0.0.1:8000/cal/")
    answer = client.get(address.strip().removeprefix("http://127.0.0.1:8000"))
    assert (answer.status_code, answer.mimetype) == (200, "text/calendar")
    assert "private" in answer.headers["Cache-Control"]
    read = Calendar.from_ical(answer.data)
    (series,) = [event for event in read.walk("VEVENT") if "RRULE" in event]
    assert series["DTSTART"].params["TZID"] == "Pacific/Auckland"
    assert f"{series['DTSTART'].dt:%H:%M}" == "07:00"
    assert {one.dt.date() for exdate in series["EXDATE"] for one in exdate.dts} == {date(2026, 3, 4), date(2026, 3, 5)}
    assert patient.name.encode() not in answer.data


def test_an_address_that_is_not_ours_or_is_over_opens_nothing(fernmoor: Fernmoor, client: FlaskClient) -> None:
    patient = fernmoor.patient()
    links = Links(KEY, "http://127.0.0.1:8000")
    over = links.token(Purpose.CALENDAR, patient.id, None, START - timedelta(seconds=1))
    other = links.token(Purpose.CHECKIN, patient.id, None, START + timedelta(days=1))
    good = links.token(Purpose.CALENDAR, patient.id, None, START + timedelta(days=1))
    assert client.get(f"/cal/{over}.ics").status_code == 410
    assert client.get(f"/cal/{other}.ics").status_code == 404
    assert client.get("/cal/nonsense.ics").status_code == 404
    assert client.get(f"/cal/{good}.ics").status_code == 200
    with write_session(fernmoor.engine) as session:
        people.end_patient(
            Act(session, OPERATOR, patient.clinic_id, START),
            session.get_one(Patient, patient.id),
        )
    assert client.get(f"/cal/{good}.ics").status_code == 410
