"""The record over the API: entered, corrected, taken back. No outside source: the service's own promises."""

from __future__ import annotations

import re
from datetime import date, timedelta

import pytest
from flask.testing import FlaskClient

from service.domain.vocabulary import Role
from tests.web.conftest import House
from tests.web.test_api import is_problem
from tests.web.test_api_edges import with_form_token


def test_the_contacts_still_to_come_are_listed_for_all_for_a_role_and_for_whoever_asks(house: House) -> None:
    nurse, physician = house.staff(), house.staff(Role.PHYSICIAN)
    headers, today = with_form_token(house.app, nurse), house.clock.now().date()
    ours = f"/api/v1/patients/{house.patient_id}/next-contacts"
    for ahead, whose in (
        (5, {"role": "physician"}),
        (3, {"role": "nurse"}),
        (4, {"staff_id": str(house.staff_id(Role.NURSE))}),
    ):
        day = (today + timedelta(days=ahead)).isoformat()
        assert nurse.post(ours, json={"due_on": day, "way": "visit", **whose}, headers=headers).status_code == 201

    def ahead(asks: FlaskClient, query: str = "") -> list[int]:
        items = asks.get(f"/api/v1/next-contacts{query}").get_json()["items"]
        assert {item["patient_id"] for item in items} <= {str(house.patient_id)}
        return [(date.fromisoformat(item["due_on"]) - today).days for item in items]

    assert ahead(nurse) == [3, 4, 5]
    assert ahead(nurse, "?mine=true") == [3, 4]
    assert ahead(physician, "?mine=true") == [5]
    assert ahead(physician, f"?staff_id={house.staff_id(Role.NURSE)}") == [4]
    first = nurse.get("/api/v1/next-contacts?role=nurse").get_json()["items"][0]["id"]
    handed = {"due_on": today.isoformat(), "role": "physician"}
    assert nurse.post(f"/api/v1/next-contacts/{first}/correct", json=handed, headers=headers).status_code == 201
    assert ahead(physician, "?mine=true") == [0, 5]
    assert house.machine.get("/next-contacts").get_json()["total"] == 3
    told = is_problem(house.machine.get("/next-contacts?mine=true"), 422)
    assert told["errors"][0]["field"] == "mine"


@pytest.mark.parametrize(
    ("name", "new", "other"),
    [
        ("events", {"kind": "urgent_visit"}, {"kind": "iv_diuretic"}),
        ("medicines", {"name": "Invented", "kind": "other", "dose": "1", "times_a_day": "2"}, {"dose": "2"}),
        ("result-limits", {"kind": "potassium", "upper": "5.5"}, {"upper": "5.8"}),
        ("results", {"code": "2823-3", "value": "4.1"}, {"value": "4.7"}),
        ("next-contacts", {"role": "nurse"}, {"role": "physician"}),
    ],
)
def test_an_entry_is_entered_corrected_and_taken_back(
    house: House, name: str, new: dict[str, str], other: dict[str, str]
) -> None:
    nurse = house.staff()
    headers = with_form_token(house.app, nurse)
    today = house.clock.now().date().isoformat()
    new |= {
        "results": {"taken_at": house.clock.now().isoformat()}, "next-contacts": {"due_on": today}, "result-limits": {},
    }.get(name, {"from_date": today})  # fmt: skip
    ours = f"/patients/{house.patient_id}/{name}"
    made = nurse.post(f"/api/v1{ours}", json=new, headers=headers)
    assert made.status_code == 201, made.get_data(as_text=True)
    first = made.get_json()["id"]
    mended = nurse.post(f"/api/v1/{name}/{first}/correct", json=new | other, headers=headers).get_json()
    assert mended["supersedes_id"] == first
    told = is_problem(nurse.post(f"/api/v1/{name}/{first}/correct", json=new, headers=headers), 422)
    assert told["errors"][0]["field"] == "id"
    listed = house.machine.get(ours).get_json()["items"]
    assert [item["id"] for item in listed] == [mended["id"]]
    nurse.post(f"/api/v1/{name}/{mended['id']}/withdraw", json={"reason": "never so"}, headers=headers)
    assert house.machine.get(ours).get_json()["total"] == 0
    assert house.machine.get(f"{ours}?all=true").get_json()["total"] == 3
    assert house.machine.post(ours, new).status_code == (201 if name == "results" else 403)


def test_what_is_known_of_the_person_is_set_whole(house: House) -> None:
    path = f"/patients/{house.patient_id}/person"
    assert house.machine.get(path).get_json()["items"] == []
    nurse = house.staff()
    headers = with_form_token(house.app, nurse)
    known = {"born_on": "1948-05-11", "sex": "female", "dialysis_days": [0, 2, 4], "device": "pacemaker",
             "fluid_ml": 1500, "sodium_mg": 2000}  # fmt: skip
    assert nurse.put(f"/api/v1{path}", json=known, headers=headers).status_code == 200
    (item,) = house.machine.get(path).get_json()["items"]
    assert {name: item[name] for name in known} == known
    told = is_problem(nurse.put(f"/api/v1{path}", json={"born_on": "2101-01-01"}, headers=headers), 422)
    assert told["errors"][0]["field"] == "born_on"


def test_the_record_of_today_joins_what_was_entered(house: House) -> None:
    nurse = house.staff()
    headers = with_form_token(house.app, nurse)
    ours, now = f"/api/v1/patients/{house.patient_id}", house.clock.now()
    course = {"name": "Torasemide", "kind": "loop_diuretic", "dose": "20", "times_a_day": "1",
              "from_date": now.date().isoformat()}  # fmt: skip
    assert nurse.post(f"{ours}/medicines", json=course, headers=headers).status_code == 201
    blood = {"code": "2160-0", "value": "0.9", "taken_at": now.isoformat()}
    assert nurse.post(f"{ours}/results", json=blood, headers=headers).status_code == 201
    shown = nurse.get(f"{ours}/record").get_json()
    assert (shown["loop"]["mg"], shown["loop"]["factors"]) == ("40", {"torasemide oral": "2"})
    assert [(one["kind"], one["value"], one["compared"]) for one in shown["newest"]] == [("creatinine", "0.9", "79.56")]
    assert [one["medicine"] for one in shown["due"]] == ["Torasemide"]
    assert (shown["egfr"], shown["injury"], shown["contact"]) == (None, None, None)


def test_a_second_course_and_a_death_ask_for_a_word_more(house: House) -> None:
    nurse = house.staff()
    headers = with_form_token(house.app, nurse)
    ours, today = f"/api/v1/patients/{house.patient_id}", house.clock.now().date()
    course = {"name": "Invented", "kind": "other", "dose": "1", "times_a_day": "2",
              "from_date": (today - timedelta(days=3)).isoformat()}  # fmt: skip
    again = course | {"dose": "2", "from_date": today.isoformat()}
    assert nurse.post(f"{ours}/medicines", json=course, headers=headers).status_code == 201
    told = is_problem(nurse.post(f"{ours}/medicines", json=again, headers=headers), 422)
    assert told["errors"][0]["field"] == "earlier"
    assert nurse.post(f"{ours}/medicines", json=again | {"earlier": "ended"}, headers=headers).status_code == 201
    listed = {item["dose"]: item["to_date"] for item in house.machine.get(f"{ours[7:]}/medicines").get_json()["items"]}
    assert listed == {"1": (today - timedelta(days=1)).isoformat(), "2": None}
    death = {"kind": "death", "from_date": today.isoformat()}
    told = is_problem(nurse.post(f"{ours}/events", json=death, headers=headers), 422)
    assert told["errors"][0]["field"] == "confirmed"
    assert house.machine.get(ours[7:]).get_json()["state"] == "active"
    assert nurse.post(f"{ours}/events", json=death | {"confirmed": True}, headers=headers).status_code == 201
    assert house.machine.get(ours[7:]).get_json()["state"] == "ended"


def test_a_key_for_results_enters_results_and_opens_nothing_else(house: House) -> None:
    browser = house.staff(Role.ADMINISTRATOR)
    headers = with_form_token(house.app, browser)
    issued = browser.post("/api/v1/keys", json={"name": "laboratory", "scopes": ["results"]}, headers=headers)
    machine, bearer = house.app.test_client(), {"Authorization": f"Bearer {issued.get_json()['secret']}"}
    blood = {"code": "2823-3", "value": "4.1", "taken_at": house.clock.now().isoformat()}
    single = f"/api/v1/patients/{house.patient_id}/results"
    nurse = house.staff()
    assert (
        nurse.post(single, json=blood | {"note": "Haemolysed?"}, headers=with_form_token(house.app, nurse)).status_code
        == 201
    )
    there = machine.post(single, json=blood, headers=bearer)  # it is there already: what staff wrote is theirs
    assert (there.status_code, there.get_json()["note"], there.get_json()["entered_by"]) == (201, "", "")
    other = machine.post(single, json=blood | {"value": "9"}, headers=bearer)
    assert (other.status_code, "4.1" in other.get_data(as_text=True)) == (422, False)
    rows = [blood | {"patient": str(house.patient_id)}, blood | {"patient": str(house.patient_id), "value": "5"},
            blood | {"patient": "nobody"}, {"patient": str(house.patient_id)}]  # fmt: skip
    batch = machine.post("/api/v1/results/batch", json={"results": rows}, headers=bearer).get_json()
    assert (batch["taken"], batch["duplicates"], batch["refused"]) == (0, 1, 3)
    assert [[error["field"] for error in row.get("errors", ())][:1] for row in batch["results"]] == [
        [], ["value"], ["patient"], ["value"],
    ]  # fmt: skip
    assert "4.1" not in str(batch["results"][1])
    refused = 0
    for rule in house.app.url_map.iter_rules():
        if not rule.rule.startswith("/api/v1/") or "callbacks" in rule.rule or rule.rule.endswith(("openapi.json",)):
            continue
        path = re.sub(r"<(?:\w+:)?\w+>", str(house.patient_id), rule.rule)
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}:
            answer = machine.open(path, method=method, json={} if method != "GET" else None, headers=bearer)
            if method != "POST" or not rule.rule.endswith(("/results", "/results/batch", "/token")):
                assert answer.status_code == 403, (method, path, answer.status_code)
                refused += 1
    assert refused > 60
