"""A reference over the API: typed, or the mean of the readings of some dates."""

from __future__ import annotations

from datetime import timedelta

from tests.web.conftest import House
from tests.web.test_api import is_problem
from tests.web.test_api_edges import with_form_token


def test_a_reference_may_be_left_to_the_readings_of_a_fortnight(house: House) -> None:
    nurse = house.staff()
    headers = with_form_token(house.app, nurse)
    path = f"/api/v1/patients/{house.patient_id}/references"
    span = {"from_date": "2026-11-01", "to_date": "2026-11-14"}
    first = house.clock.now().replace(day=1, hour=7)
    rows = [
        {
            "patient": "F-1",
            "taken_at": (first + timedelta(days=n)).isoformat(),
            "pa_systolic": 40,
            "pa_diastolic": 18 + n % 2,
            "pa_mean": 27,
        }
        for n in range(10)
    ]
    assert house.machine.post("/readings/batch", {"readings": rows[:6]}).get_json()["taken"] == 6
    told = is_problem(nurse.post(path, json=span, headers=headers), 422)
    assert told["errors"][0]["field"] == "from_date"
    assert house.machine.post("/readings/batch", {"readings": rows}).get_json()["taken"] == 4
    made = nurse.post(path, json=span, headers=headers)
    assert made.status_code == 201, made.get_data(as_text=True)
    # By hand: 18, 19, 18 … over ten dates.
    assert {name: made.get_json()[name] for name in ("pa_diastolic", "pa_mean", "pa_systolic")} == {
        "pa_diastolic": 18.5, "pa_mean": 27.0, "pa_systolic": 40.0,
    }  # fmt: skip
    is_problem(nurse.post(path, json={}, headers=headers), 422)
