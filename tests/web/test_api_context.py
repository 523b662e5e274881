"""Goals, tags by date and acceptances over the API: people set them, machines read them.

No outside source: these are the service's own promises.
"""

from __future__ import annotations

from datetime import timedelta

from tests.web.conftest import House
from tests.web.test_api import is_problem
from tests.web.test_api_edges import with_form_token


def test_a_goal_is_set_listed_and_ended_by_clinical_staff(house: House) -> None:
    nurse = house.staff()
    headers = with_form_token(house.app, nurse)
    path = f"/api/v1/patients/{house.patient_id}/goals"
    until = house.clock.now().date().isoformat()
    made = nurse.post(path, json={"upper": 20, "why": "as agreed", "until": until}, headers=headers)
    assert made.status_code == 201, made.get_data(as_text=True)
    assert (made.get_json()["upper"], made.get_json()["lower"], made.get_json()["ended_at"]) == (20.0, None, None)
    assert house.machine.get(f"/patients/{house.patient_id}/goals").get_json()["total"] == 1
    ended = nurse.post(f"/api/v1/goals/{made.get_json()['id']}/end", json={}, headers=headers)
    assert ended.get_json()["ended_at"] is not None
    told = is_problem(nurse.post(path, json={"why": "nothing", "until": until}, headers=headers), 422)
    assert told["errors"][0]["field"] == "upper"


def test_a_tag_is_recorded_ended_and_refused_by_field(house: House) -> None:
    nurse = house.staff()
    headers = with_form_token(house.app, nurse)
    path = f"/api/v1/patients/{house.patient_id}/context-tags"
    today = house.clock.now().date().isoformat()
    made = nurse.post(path, json={"kind": "travel", "from_date": today}, headers=headers)
    assert made.status_code == 201, made.get_data(as_text=True)
    assert made.get_json()["to_date"] is None
    ended = nurse.post(
        f"/api/v1/context-tags/{made.get_json()['id']}/end", json={"last_day": today}, headers=headers
    ).get_json()
    assert ended["to_date"] == today
    wrong = nurse.post(path, json={"kind": "recalibrated", "from_date": today}, headers=headers)
    assert is_problem(wrong, 422)["errors"][0]["field"] == "offset_mmhg"
    assert house.machine.get(f"/patients/{house.patient_id}/context-tags").get_json()["total"] == 1


def test_machines_set_neither_and_what_is_not_high_cannot_be_accepted(house: House) -> None:
    today = house.clock.now().date().isoformat()
    for path in ("goals", "context-tags", "acceptances"):
        assert house.machine.post(f"/patients/{house.patient_id}/{path}", {}).status_code == 403
    nurse = house.staff()
    headers = with_form_token(house.app, nurse)
    path = f"/api/v1/patients/{house.patient_id}/acceptances"
    wrong = nurse.post(path, json={"reason": "known", "until": today}, headers=headers)
    assert is_problem(wrong, 422)["errors"][0]["field"] == "patient"
    assert house.machine.get(f"/patients/{house.patient_id}/acceptances").get_json()["total"] == 0


def test_a_plan_has_phases_and_the_days_ahead_are_told(house: House) -> None:
    path = f"/patients/{house.patient_id}/plan"
    nurse = house.staff()
    headers = with_form_token(house.app, nurse)
    first = house.clock.now().date() + timedelta(days=2)
    new = {"opens": "07:00", "due": "08:30", "closes": "10:00", "days_a_week": 3,
           "phases": [{"from_date": first.isoformat(), "to_date": None, "weekdays": [first.weekday()]}]}  # fmt: skip
    answer = nurse.put(f"/api/v1{path}", json=new, headers=headers)
    assert answer.status_code == 200, answer.text
    plan = answer.get_json()
    assert (plan["weekdays"], [one["weekdays"] for one in plan["phases"]]) == ([0, 2, 4], [[first.weekday()]])
    ahead = house.machine.get(f"{path}/ahead?days=17").get_json()["items"]
    told = [one["day"] for one in ahead if one["day"] >= first.isoformat()]
    assert told[:2] == [(first + timedelta(days=days)).isoformat() for days in (0, 7)]
    wrong = new | {"weekdays": [0]}
    assert nurse.put(f"/api/v1{path}", json=wrong, headers=headers).get_json()["errors"][0]["field"] == "days_a_week"
