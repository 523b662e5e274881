"""A plan told ahead: the operator's printed year, the calendar's address and what lies behind it."""

from __future__ import annotations

from datetime import date, time, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from flask.testing import FlaskClient
from icalendar import Calendar
from sqlalchemy import Engine, delete

from service.care import ending, pauses
from service.clock import FixedClock
from service.commands.plans import plan
from service.config import Settings
from service.domain.plan import EVERY_DAY, phases_from_json
from service.domain.validation import Refused
from service.domain.vocabulary import LinkPurpose, PauseCause
from service.enrolling.plans import NewPlan, plan_ahead, set_plan, windows_to_come
from service.links import Leads, Links
from service.reports import calendars
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Patient, Plan
from tests.fernmoor import MONDAY, SEVEN, START, Fernmoor, clinic_of, tick
from tests.served import serve

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
    return serve(Settings.from_env(), fernmoor.engine, FixedClock(START), {}).test_client()


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


def key_of(fernmoor: Fernmoor, patient: Patient, purpose: LinkPurpose, lasts: timedelta) -> str:
    leads = Leads(purpose, patient.clinic_id, patient.id)
    with write_session(fernmoor.engine) as session:
        return Links("").make(session, leads, START, START + lasts).rpartition("/")[2]


def test_an_address_that_is_not_ours_or_is_over_opens_nothing(fernmoor: Fernmoor, client: FlaskClient) -> None:
    patient = fernmoor.patient()
    over = key_of(fernmoor, patient, LinkPurpose.CALENDAR, timedelta(seconds=-1))
    other = key_of(fernmoor, patient, LinkPurpose.CHECKIN, timedelta(days=1))
    good = key_of(fernmoor, patient, LinkPurpose.CALENDAR, timedelta(days=1))
    assert client.get(f"/cal/{over}.ics").status_code == 410
    assert client.get(f"/cal/{other}.ics").status_code == 404
    assert client.get("/cal/nonsense.ics").status_code == 404
    assert client.get(f"/cal/{good}.ics").status_code == 200
    with write_session(fernmoor.engine) as session:
        ending.end_patient(
            Act(session, OPERATOR, patient.clinic_id, START),
            session.get_one(Patient, patient.id),
        )
    assert client.get(f"/cal/{good}.ics").status_code == 410


def test_a_plan_that_is_set_after_its_hour_asks_from_the_next_day_on(fernmoor: Fernmoor) -> None:
    asked, late = fernmoor.patient(), fernmoor.patient()
    eight = SEVEN + timedelta(hours=1)
    with write_session(fernmoor.engine) as session:
        session.execute(delete(Plan).where(Plan.patient_id == late.id))
    tick(fernmoor.engine, SEVEN)
    with write_session(fernmoor.engine) as session:
        new = NewPlan(weekdays=EVERY_DAY, opens=time(7), due=time(8, 30), closes=time(10))
        set_plan(Act(session, OPERATOR, late.clinic_id, eight), session.get_one(Patient, late.id), new)
    with read_session(fernmoor.engine) as session:
        first = [windows_to_come(session, patient.id, eight, 7)[0].day for patient in (asked, late)]
    assert first == [MONDAY, MONDAY + timedelta(days=1)]


def test_dates_of_a_phase_stand_in_the_calendar_and_no_others(fernmoor: Fernmoor) -> None:
    """A Monday plan that asks on Tuesday and Thursday in one week of April 2026; RFC 5545 says what an EXDATE takes out."""
    phase = {"from_date": "2026-04-06", "to_date": "2026-04-12", "weekdays": [1, 3], "after_stay": False}
    patient = fernmoor.patient(plan={"weekdays": 1, "phases": phases_from_json([phase])})
    assert "2026-04-06 to 2026-04-12: " in run("show", patient.clinic_ref)
    with read_session(fernmoor.engine) as session:
        ahead = plan_ahead(session, patient.id)
    assert ahead is not None
    series, *alone = Calendar.from_ical(calendars.write(ahead)).walk("VEVENT")
    out = series["exdate"]
    left_out = {one.dt.date() for each in (out if isinstance(out, list) else [out]) for one in each.dts}
    assert left_out == {date(2026, 4, 6)}
    assert [event.decoded("dtstart").astimezone(ahead.zone).date() for event in alone] == [
        date(2026, 4, 7), date(2026, 4, 9),
    ]  # fmt: skip
