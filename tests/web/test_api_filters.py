"""Lists of the API, narrowed: each filter keeps what fits and nothing else, and says so when it is mistyped."""

from __future__ import annotations

import uuid
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select

from service.domain.vocabulary import Role
from service.scheduling import closing, opening, steps
from service.store.session import read_session
from service.store.tables import AuditLine
from tests.web.conftest import House
from tests.web.test_api import is_problem


@pytest.fixture
def missed(house: House) -> House:
    """Three days on: two missed windows and one that is open, and a second patient who has ended."""
    enrolled = house.machine.post("/patients", {"clinic_ref": "F-2", "name": "Cy", "zone": "Europe/London"})
    assert house.machine.post(f"/patients/{enrolled.get_json()['id']}/end", {}).status_code == 200
    for _ in range(3):
        work_on(house)
    return house


def work_on(house: House, hours: int = 24) -> None:
    house.clock.set(house.clock.now() + timedelta(hours=hours))
    opening.open_windows(house.engine, house.clock.now())
    closing.close_windows(house.engine, house.clock.now())
    steps.take_steps(house.engine, house.clock.now())


def found(house: House, path: str) -> list[Any]:
    answer = house.machine.get(path)
    assert answer.status_code == 200, answer.get_data(as_text=True)
    body = answer.get_json()
    assert body["total"] == len(body["items"])
    return list(body["items"])


def test_patients_by_state_reference_and_silence(missed: House) -> None:
    refs = {query: [one["clinic_ref"] for one in found(missed, f"/patients?{query}")] for query in (
        "state=active", "state=ended", "silent=true", "silent=false", "state=active&silent=false", "clinic_ref=F-2",
    )}  # fmt: skip
    assert refs == {
        "state=active": ["F-1"],
        "state=ended": ["F-2"],
        "silent=true": ["F-1"],
        "silent=false": ["F-2"],
        "state=active&silent=false": [],
        "clinic_ref=F-2": ["F-2"],
    }


def test_windows_by_state_and_dates(missed: House) -> None:
    def days(query: str) -> list[str]:
        return [one["local_date"] for one in found(missed, f"/windows?{query}")]

    assert days("") == ["2026-11-28", "2026-11-27", "2026-11-26"]
    assert days("state=open") == ["2026-11-28"]
    assert days("state=missed") == ["2026-11-27", "2026-11-26"]
    assert days("from_date=2026-11-27") == ["2026-11-28", "2026-11-27"]
    assert days("to_date=2026-11-27") == ["2026-11-27", "2026-11-26"]
    assert days(f"from_date=2026-11-27&to_date=2026-11-27&patient_id={missed.patient_id}") == ["2026-11-27"]


def test_silences_that_go_on_or_have_ended(missed: House) -> None:
    assert [one["missed"] for one in found(missed, "/silences?open=true")] == [2]
    assert found(missed, "/silences?open=false") == []
    taken_at = missed.clock.now() - timedelta(minutes=5)
    sent = {"patient": "F-1", "taken_at": taken_at.isoformat(), "pa_systolic": 40, "pa_diastolic": 20}
    assert missed.machine.post("/readings", sent).status_code == 201
    assert found(missed, "/silences?open=true") == []
    assert len(found(missed, "/silences?open=false")) == 1


def test_messages_by_state_kind_and_patient(missed: House) -> None:
    everything = found(missed, "/messages")
    for name in ("state", "kind"):
        for value in {one[name] for one in everything}:
            kept = found(missed, f"/messages?{name}={value}")
            assert kept == [one for one in everything if one[name] == value]
    assert everything
    assert found(missed, "/messages?kind=nudge") == []
    assert found(missed, f"/messages?patient_id={missed.patient_id}") == everything


def test_tasks_by_state_and_kind(missed: House) -> None:
    missed.machine.post("/checkins", {"patient": "F-1", "safety_signs": ["chest_pain"]})
    assert [one["kind"] for one in found(missed, "/tasks?kind=safety_answer")] == ["safety_answer"]
    assert found(missed, "/tasks?kind=safety_answer&state=closed") == []
    assert "safety_answer" in [one["kind"] for one in found(missed, "/tasks?state=open")]


def test_the_audit_of_one_record(missed: House) -> None:
    admin = missed.staff(Role.ADMINISTRATOR)
    told = admin.get(f"/api/v1/audit?subject_id={missed.patient_id}").get_json()["items"]
    assert {line["subject_id"] for line in told} == {str(missed.patient_id)}
    assert "patient.enrol" in [line["action"] for line in told]
    assert admin.get(f"/api/v1/audit?subject_id={uuid.uuid4()}").get_json()["total"] == 0


@pytest.mark.parametrize(
    "path",
    [
        "/patients?state=gone", "/patients?silent=perhaps", f"/patients?clinic_ref={'x' * 41}", "/windows?state=shut", "/windows?from_date=yesterday",
        "/silences?open=2", "/messages?kind=letter", "/messages?state=lost", "/tasks?kind=x", "/tasks?until=2026-01-01",
    ],
)  # fmt: skip
def test_a_filter_that_cannot_be_is_refused_by_name(house: House, path: str) -> None:
    name = path.partition("?")[2].partition("=")[0]
    assert name in str(is_problem(house.machine.get(path), 422)["errors"])


# --- a caregiver who looks out for the patient no longer ------------------------------------


def agreed(house: House) -> None:
    for kind in ("caregiver", "messages"):
        body = {"kind": kind, "given": True, "how": "form", "caregiver_id": str(house.caregiver_id)}
        assert house.machine.post(f"/patients/{house.patient_id}/consents", body).status_code == 201


def test_a_caregiver_is_ended_by_the_api_once_and_for_all(house: House) -> None:
    agreed(house)
    ended = house.machine.post(f"/caregivers/{house.caregiver_id}/end", {})
    assert (ended.status_code, ended.get_json()["active"]) == (200, False)
    again = house.machine.post(f"/caregivers/{house.caregiver_id}/end", {})
    assert again.get_json() == ended.get_json()
    consents = house.machine.get(f"/patients/{house.patient_id}/consents").get_json()["items"]
    withdrawn = [one["kind"] for one in consents if one["caregiver_id"] and not one["given"]]
    assert sorted(withdrawn) == ["caregiver", "messages"]
    with read_session(house.engine) as session:
        lines = session.scalars(select(AuditLine).where(AuditLine.subject_id == house.caregiver_id)).all()
        assert [line.action for line in lines].count("caregiver.end") == 1
    assert house.machine.get(f"/patients/{house.patient_id}/caregivers").get_json()["items"][0]["active"] is False


def test_what_is_queued_to_them_is_cancelled_by_name_and_nothing_more_is_written(house: House) -> None:
    agreed(house)
    number = {"channel": "text", "address": "+447700900002"}
    assert house.machine.post(f"/caregivers/{house.caregiver_id}/contacts", number).status_code == 201
    work_on(house)
    work_on(house, hours=3)  # the window has closed: Ben is asked
    assert [one["state"] for one in found(house, "/messages?kind=nudge")] == ["queued"]
    assert house.machine.post(f"/caregivers/{house.caregiver_id}/end", {}).status_code == 200
    told = found(house, "/messages?kind=nudge")
    assert [(one["state"], one["reason"]) for one in told] == [("cancelled", "caregiver_ended")]
    work_on(house)
    assert found(house, "/messages?kind=nudge") == told
