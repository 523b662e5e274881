"""The plan on the patient's page: how closely somebody is followed, and hours that would suit, never imposed."""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta
from html import unescape
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine

from service.accounts.staff import add_staff
from service.clock import FixedClock
from service.config import Settings
from service.domain.plan import EVERY_DAY, MOST_PHASES, PlanPhase, phases_as_json
from service.domain.vocabulary import Role
from service.scheduling import opening
from service.store.audit import OPERATOR, Act
from service.store.session import write_session
from service.store.tables import AuditLine, Patient, Plan, Reading
from tests.fernmoor import START, Fernmoor, clinic_of, reading_row
from tests.served import serve
from tests.signed_in import sign_in_as

pytestmark = pytest.mark.databases("sqlite")

AUCKLAND = timedelta(hours=13)  # in summer
DAY = timedelta(days=1)


@pytest.fixture
def fernmoor(engine: Engine) -> Fernmoor:
    with write_session(engine) as session:
        clinic = clinic_of(session)
    return Fernmoor(engine, clinic)


@pytest.fixture
def late_riser(fernmoor: Fernmoor) -> Patient:
    """Asked at seven, reminded at half past eight, and measuring at about twenty past ten."""
    patient = fernmoor.patient()
    with write_session(fernmoor.engine) as session:
        for n in range(1, 21):
            day = date(2026, 3, 1) - n * DAY
            taken_at = datetime.combine(day, time(10, 10 + n % 3 * 10), START.tzinfo) - AUCKLAND
            session.add(Reading(**(reading_row(patient, day, taken_at) | {"taken_at": taken_at})))
    return patient


def browser(fernmoor: Fernmoor, tmp_path: Path, role: Role = Role.NURSE) -> FlaskClient:
    settings = Settings.from_env({"NEAPTIDE_DATA": str(tmp_path)})
    with write_session(fernmoor.engine) as session:
        staff = add_staff(
            Act(session, OPERATOR, fernmoor.clinic.id, START),
            "nurse@fernmoor.example",
            "Nurse",
            [role],
        )
    client = serve(settings, fernmoor.engine, FixedClock(START), {}).test_client()
    sign_in_as(client, staff.id, START)
    return client


def send(client: FlaskClient, page: str, **form: str) -> int:
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get(page).get_data(as_text=True))
    assert token is not None
    return client.post(f"{page}/plan/hours", data={"csrf_token": unescape(token[1]), **form}).status_code


def test_hours_that_would_suit_are_shown_and_used_when_staff_say_so(
    fernmoor: Fernmoor, late_riser: Patient, tmp_path: Path
) -> None:
    client = browser(fernmoor, tmp_path)
    page = f"/clinic/patients/{late_riser.id}"
    told = client.get(page).get_data(as_text=True)
    assert "Usually measures at about 10:20 (20 readings): 09:15 to 12:15, reminder 10:45, would suit better." in told
    (plan,) = fernmoor.rows(Plan)
    assert plan.opens == time(7)  # looking at the page has changed nothing

    shown = {
        name: found[1]
        for name in ("opens", "due", "closes")
        if (found := re.search(rf'name="{name}" value="([^"]+)"', told))
    }
    assert send(client, page, **shown) == 303
    (plan,) = fernmoor.rows(Plan)
    assert (plan.opens, plan.due, plan.closes) == (time(9, 15), time(10, 45), time(12, 15))
    set_by = [line.actor_kind.value for line in fernmoor.rows(AuditLine, AuditLine.action == "plan.set")]
    assert sorted(set_by) == ["operator", "staff"]  # enrolled with one, and now given another
    told = client.get(page).get_data(as_text=True)
    assert "would suit better" not in told
    assert "09:15 to 12:15 on their clock, reminder 10:45." in told


def test_hours_that_cannot_be_met_change_nothing(fernmoor: Fernmoor, late_riser: Patient, tmp_path: Path) -> None:
    client = browser(fernmoor, tmp_path)
    page = f"/clinic/patients/{late_riser.id}"
    for wrong in (
        {"opens": "noon", "due": "12:00", "closes": "13:00"},
        {"opens": "12:00", "due": "11:00", "closes": "13:00"},
    ):
        assert send(client, page, **wrong) == 303
        assert "Not changed" in client.get(page).get_data(as_text=True)
    (plan,) = fernmoor.rows(Plan)
    assert plan.opens == time(7)


def test_another_clinics_patient_cannot_be_touched(fernmoor: Fernmoor, late_riser: Patient, tmp_path: Path) -> None:
    with write_session(fernmoor.engine) as session:
        other = Fernmoor(fernmoor.engine, clinic_of(session))
    client = browser(other, tmp_path)
    own = other.patient()
    token = re.search(
        r'name="csrf_token" value="([^"]+)"', client.get(f"/clinic/patients/{own.id}").get_data(as_text=True)
    )
    assert token is not None
    form = {"csrf_token": unescape(token[1]), "opens": "12:00", "due": "12:30", "closes": "13:00"}
    assert client.post(f"/clinic/patients/{late_riser.id}/plan/hours", data=form).status_code == 404
    assert fernmoor.rows(Plan, Plan.patient_id == late_riser.id)[0].opens == time(7)


def test_the_page_says_how_closely_somebody_is_followed_and_why(fernmoor: Fernmoor, tmp_path: Path) -> None:
    patient = fernmoor.patient(enrolled=timedelta(0))
    opening.open_windows(fernmoor.engine, START + timedelta(hours=10))
    told = browser(fernmoor, tmp_path).get(f"/clinic/patients/{patient.id}").get_data(as_text=True)
    assert "Closer follow-up in the first two weeks" in told


def test_how_often_is_set_by_weekdays_by_number_and_for_some_dates(fernmoor: Fernmoor, tmp_path: Path) -> None:
    patient = fernmoor.patient()
    nurse = browser(fernmoor, tmp_path)
    path = f"/clinic/patients/{patient.id}"

    def send(**form: object) -> str:
        token = re.search(r'name="csrf_token" value="([^"]+)"', nurse.get(path).get_data(as_text=True))
        assert token is not None
        nurse.post(f"{path}/plan/frequency", data={"csrf_token": token[1], **form})
        return unescape(nurse.get(path).get_data(as_text=True))

    assert "Every day. Asked on each of the next seven days." in send(weekdays=list("0123456"))
    assert "Monday, Wednesday and Friday. Asked in the next seven days on Monday, Wednesday and Friday." in send(
        days_a_week="3"
    )
    page = send(weekdays=["1", "3"], from_date="2026-03-02", to_date="2026-03-15")
    assert "Tuesday and Thursday from 2 March to 15 March" in page
    assert "Asked in the next seven days on Tuesday and Thursday." in page
    assert "Not changed" in send(weekdays=["1"], from_date="2026-03-10")  # these dates have weekdays already
    assert "Not changed" in send()
    assert "Tuesday and Thursday from" not in send(drop="2026-03-02")
    (plan,) = fernmoor.rows(Plan)
    assert (plan.weekdays, plan.phases) == (0b0010101, None)
    # Dates that are over take up no room: a plan has at most so many.
    over = [PlanPhase(date(2025, 1, day), date(2025, 1, day), EVERY_DAY) for day in range(1, MOST_PHASES + 1)]
    with write_session(fernmoor.engine) as session:
        session.get_one(Plan, plan.id).phases = phases_as_json(over)
    assert "Every day from 3 March, until told" in send(weekdays=list("0123456"), from_date="2026-03-03")
    (plan,) = fernmoor.rows(Plan)
    assert [one["from_date"] for one in plan.phases or ()] == ["2026-03-03"]
