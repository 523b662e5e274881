"""The API: what it takes, what it refuses and in which words, and whose records it shows."""

from __future__ import annotations

import json
import re
import uuid
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import func, select

from service.domain.diary import QUESTIONS, AnswerKind
from service.domain.tasks import AlarmWritten, as_json
from service.domain.vocabulary import LinkPurpose, Role, Scope
from service.links import Leads, Links
from service.store.audit import Act
from service.store.session import read_session, write_session
from service.store.tables import AccessLine, Base, Checkin, IdempotentCall, Reading, Task, Window
from service.web.api import base
from service.web.problems import KINDS
from tests.web.conftest import House

QUESTION = {one.key: one for one in QUESTIONS}
GOOD_READING = {"patient": "F-1", "taken_at": "2026-11-25T07:10:00+00:00", "pa_systolic": 40, "pa_diastolic": 20}


def is_problem(response: Any, status: int) -> dict[str, Any]:
    """RFC 9457: the media type, and members type, title, status and instance."""
    assert response.status_code == status, response.get_data(as_text=True)
    assert response.mimetype == "application/problem+json"
    body: dict[str, Any] = response.get_json()
    assert body["status"] == status
    assert {"type", "title", "instance"} <= set(body)
    assert body["type"].rpartition("/problems/")[2] in KINDS
    return body


def test_a_patient_is_enrolled_through_the_api_alone(house: House) -> None:
    api = house.machine
    enrolled = api.post("/patients", {"clinic_ref": "F-2", "name": "Noa Invented", "zone": "Australia/Lord_Howe"})
    assert enrolled.status_code == 201
    patient = enrolled.get_json()["id"]
    contact = api.post(f"/patients/{patient}/contacts", {"channel": "text", "address": "+61 491 570 006"})
    assert contact.get_json()["address"] == "+61491570006"
    consent = {"kind": "messages", "given": True, "how": "signed form"}
    assert api.post(f"/patients/{patient}/consents", consent).status_code == 201
    plan = api("PUT", f"/patients/{patient}/plan", {"opens": "07:00", "due": "08:30", "closes": "10:00"})
    # Lord Howe is UTC+11 in November: 07:00 there is 20:00 UTC the day before.
    assert plan.get_json()["next_open_at"] == "2026-11-25T20:00:00+00:00"
    carer = api.post(f"/patients/{patient}/caregivers", {"name": "Kim Invented"}).get_json()["id"]
    assert api.post(f"/caregivers/{carer}/contacts", {"channel": "text", "address": "+61491570157"}).status_code == 201
    both = {"kind": "caregiver", "given": True, "how": "signed form", "caregiver_id": carer}
    assert api.post(f"/patients/{patient}/consents", both).status_code == 201
    paused = api.post(f"/patients/{patient}/pauses", {"cause": "away", "from_date": "2026-12-01"})
    ended = api.post(f"/pauses/{paused.get_json()['id']}/end", {"last_day": "2026-12-03"})
    assert ended.get_json()["to_date"] == "2026-12-03"
    changes = api.get(f"/pauses/{paused.get_json()['id']}/history").get_json()["items"]
    assert [(one["event"], one["from_date"], one["was_to"], one["to_date"]) for one in changes] == [
        ("added", "2026-12-01", None, None),
        ("ended", "2026-12-01", None, "2026-12-03"),
    ]


def test_a_reading_and_its_repeat(house: House) -> None:
    first = house.machine.post("/readings", GOOD_READING)
    again = house.machine.post("/readings", GOOD_READING)
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.get_json() == {"id": first.get_json()["id"], "outcome": "duplicate"}
    listed = house.machine.get(f"/patients/{house.patient_id}/readings").get_json()
    assert listed["total"] == 1
    # (S + 2 D) / 3 of 40/20: CHECK-VALUES, computed; formula in a Thorax table.
    assert listed["items"][0]["pa_mean"] == pytest.approx(26.667, abs=0.01)


def test_a_batch_takes_the_good_rows_and_tells_each_bad_one_by_its_place(house: House) -> None:
    rows = [
        GOOD_READING,
        {**GOOD_READING, "taken_at": "2026-11-24T07:10:00"},
        {**GOOD_READING, "taken_at": "2026-11-23T07:10:00Z", "pa_systolic": 10},
        {**GOOD_READING, "taken_at": "2026-11-22T07:10:00Z", "surprise": 1},
        {**GOOD_READING, "taken_at": "2026-11-21T07:10:00Z", "unit": "kPa", "pa_systolic": 5.3, "pa_diastolic": 2.7},
    ]
    told = house.machine.post("/readings/batch", {"readings": rows}).get_json()
    assert (told["taken"], told["refused"], told["duplicates"]) == (2, 3, 0)
    assert [(row["place"], row["errors"][0]["field"]) for row in told["results"] if "errors" in row] == [
        (1, "taken_at"),
        (2, "pa_systolic"),
        (3, "surprise"),
    ]


def test_a_safety_answer_says_at_once_whom_to_call_and_tells_staff(house: House) -> None:
    answer = house.machine.post("/checkins", {"patient": "F-1", "safety_signs": ["chest_pain"]}).get_json()
    assert answer["safety"] is True
    assert answer["emergency_number"] == "999"
    tasks = house.machine.get("/tasks").get_json()["items"]
    assert [task["kind"] for task in tasks] == ["safety_answer"]


def test_a_weight_in_doubt_is_said_so_and_counts_once_it_is_confirmed(house: House) -> None:
    day = house.clock.now().date()
    for ago, kg in ((2, 82.0), (1, 92.0)):
        new = {"patient": "F-1", "local_date": (day - timedelta(days=ago)).isoformat(), "weight": kg}
        answer = house.machine.post("/checkins", new).get_json()
    assert answer["weight_doubt"] == "far"
    (task,) = house.machine.get("/tasks").get_json()["items"]
    assert task["kind"] == "weight_doubt"
    again = house.machine.post("/checkins", new | {"weight_confirmed": True})
    assert (again.status_code, again.get_json()["weight_doubt"]) == (201, None)


def test_a_check_in_by_the_token_of_a_link_is_of_that_day_and_needs_no_key(house: House) -> None:
    from service.scheduling import opening

    house.clock.set(house.clock.now() + timedelta(days=1))
    opening.open_windows(house.engine, house.clock.now())
    with read_session(house.engine) as session:
        window = session.scalars(select(Window)).one()
    leads, now = Leads(LinkPurpose.CHECKIN, window.clinic_id, window.patient_id, window_id=window.id), house.clock.now()
    with write_session(house.engine) as session:
        token = Links("").make(session, leads, now, now + timedelta(hours=1)).rsplit("/", 1)[1]
    client = house.app.test_client()
    sent = client.post("/api/v1/checkins", json={"token": token, "breathlessness": 3})
    assert (sent.status_code, sent.get_json()["local_date"]) == (201, window.local_date.isoformat())
    house.clock.set(house.clock.now() + timedelta(hours=2))
    forged = token[:5] + ("A" if token[5] != "A" else "B") + token[6:]
    is_problem(client.post("/api/v1/checkins", json={"token": token, "breathlessness": 3}), 403)
    is_problem(client.post("/api/v1/checkins", json={"token": forged, "breathlessness": 3}), 422)


@pytest.mark.parametrize(
    ("path", "body", "field"),
    [
        ("/readings", {**GOOD_READING, "taken_at": "2026-11-25T07:10:00"}, "taken_at"),
        ("/readings", {**GOOD_READING, "taken_at": "2026-11-26T07:10:00Z"}, "taken_at"),
        ("/readings", {**GOOD_READING, "patient": "F\u0000-1"}, "patient"),
        ("/readings", {**GOOD_READING, "patient": "nobody"}, "patient"),
        ("/readings", {**GOOD_READING, "unit": "psi"}, "pressure_unit"),
        ("/readings", {**GOOD_READING, "pa_systolic": 1e400}, "pa_systolic"),
        ("/readings", {**GOOD_READING, "supersedes": 10**40}, "supersedes"),
        ("/readings", {**GOOD_READING, "colour": "red"}, "colour"),
        ("/checkins", {"patient": "F-1", "breathlessness": 11}, "breathlessness"),
        ("/checkins", {"patient": "F-1", "breathlessness": 10**30}, "breathlessness"),
        ("/checkins", {"patient": "F-1", "note": "a\u0000b"}, "note"),
        ("/checkins", {"patient": "F-1"}, "answers"),
        ("/patients", {"clinic_ref": "F-9", "name": "X", "zone": "Moon/Tranquility"}, "zone"),
        ("/patients", {"clinic_ref": "F-1", "name": "X", "zone": "Europe/London"}, "clinic_ref"),
    ],
)
def test_bad_input_is_named_by_field_and_writes_nothing(
    house: House, path: str, body: dict[str, Any], field: str
) -> None:
    house.machine.get("/clinic")  # that the key was used is written once an hour
    before = _rows(house)
    status = 409 if body.get("clinic_ref") == "F-1" else 422  # RFC 9110, 15.5.10: the one stands against what is there
    problem = is_problem(house.machine.post(path, body), status)
    assert field in [error["field"] for error in problem["errors"]]
    assert all(error["accepted"] for error in problem["errors"])
    assert _rows(house) == before


def test_what_cannot_be_read_is_refused_by_its_kind(house: House) -> None:
    client, headers = house.app.test_client(), {"Authorization": f"Bearer {house.secret}"}
    plain = client.post("/api/v1/readings", data="x", content_type="text/plain", headers=headers)
    is_problem(plain, 415)
    broken = client.post("/api/v1/readings", data="{", content_type="application/json", headers=headers)
    is_problem(broken, 400)
    is_problem(client.delete("/api/v1/readings", headers=headers), 405)
    is_problem(client.get("/api/v1/patients/1", headers=headers), 404)
    large = client.post("/api/v1/readings", data="x" * 5_000_000, content_type="application/json", headers=headers)
    is_problem(large, 413)


def test_no_key_a_wrong_key_and_a_revoked_one_open_nothing(house: House) -> None:
    client = house.app.test_client()
    assert is_problem(client.get("/api/v1/patients"), 401)
    for header in ("Bearer nt_wrong", "Basic abc", "Bearer", "Bearer \u00e9"):
        is_problem(client.get("/api/v1/patients", headers={"Authorization": header}), 401)
    admin = house.staff(Role.ADMINISTRATOR)
    keys = admin.get("/api/v1/keys").get_json()["items"]
    from service.accounts.keys import revoke_key
    from service.store.audit import OPERATOR
    from service.store.session import write_session
    from service.store.tables import ApiKey

    with write_session(house.engine) as session:
        revoke_key(
            Act(session, OPERATOR, house.clinic_id, house.clock.now()),
            session.get_one(ApiKey, uuid.UUID(keys[0]["id"])),
        )
    is_problem(house.machine.get("/patients"), 401)


def test_a_key_does_only_what_its_scopes_say(build: Callable[..., House]) -> None:
    reader = build(scopes=(Scope.READINGS,)).machine
    assert reader.post("/readings", GOOD_READING).status_code == 201
    is_problem(reader.get("/patients"), 403)
    is_problem(reader.post("/checkins", {"patient": "F-1", "breathlessness": 1}), 403)


def test_clinical_values_are_set_by_people_not_machines(house: House) -> None:
    limits = {"upper": 25, "lower": 8}
    is_problem(house.machine.post(f"/patients/{house.patient_id}/limits", limits), 403)


@pytest.mark.parametrize("path", ["/readings", "/checkins"])
def test_a_repeat_with_the_same_key_answers_the_same_and_writes_once(house: House, path: str) -> None:
    body = GOOD_READING if path == "/readings" else {"patient": "F-1", "breathlessness": 4}
    first = house.machine.post(path, body, Idempotency_Key="k1")
    again = house.machine.post(path, body, Idempotency_Key="k1")
    assert (again.status_code, again.get_json()) == (first.status_code, first.get_json())
    is_problem(house.machine.post(path, {**body, "patient": "F-9"}, Idempotency_Key="k1"), 422)
    with read_session(house.engine) as session:
        kept = Reading if path == "/readings" else Checkin
        assert session.scalar(select(func.count()).select_from(kept)) == 1


def test_a_refused_request_keeps_no_key(house: House) -> None:
    bad = {**GOOD_READING, "pa_systolic": 1}
    is_problem(house.machine.post("/readings", bad, Idempotency_Key="k2"), 422)
    with read_session(house.engine) as session:
        assert session.scalars(select(IdempotentCall)).all() == []
    assert house.machine.post("/readings", GOOD_READING, Idempotency_Key="k2").status_code == 201


def test_lists_come_in_pages(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(2, 6):
        new = {"clinic_ref": f"F-{number}", "name": f"P{number}", "zone": "Europe/London"}
        assert house.machine.post("/patients", new).status_code == 201
    page = house.machine.get("/patients?page=2&page_size=2").get_json()
    assert (page["total"], page["page"], page["more"], len(page["items"])) == (5, 2, True, 2)
    assert house.machine.get("/patients?page=3&page_size=2").get_json()["more"] is False
    monkeypatch.setattr(base, "MOST_COUNTED", 4)  # a long list is not counted for each page of it
    page = house.machine.get("/patients?page=2&page_size=2").get_json()
    assert (page["total"], page["more"], len(page["items"])) == (None, True, 2)
    assert house.machine.get("/patients?clinic_ref=F-3").get_json()["total"] == 1
    is_problem(house.machine.get("/patients?page=0"), 422)
    is_problem(house.machine.get("/patients?colour=red"), 422)


def test_every_address_with_an_id_is_closed_to_another_clinic(
    build: Callable[..., House], monkeypatch: pytest.MonkeyPatch
) -> None:
    ours, theirs = build("Fernmoor Clinic"), build("Saltholt Clinic")
    machine, admin = theirs.machine, theirs.staff(Role.ADMINISTRATOR)
    nurse = theirs.staff(Role.NURSE)
    from service.store.session import write_session

    with write_session(ours.engine) as session:
        task = Task(
            id=uuid.uuid4(), clinic_id=ours.clinic_id, patient_id=ours.patient_id, kind="silent",
            facts=as_json(AlarmWritten("x", "x", "112")), dedupe_key="x", raised_at=ours.clock.now(), state="open",
        )  # fmt: skip
        session.add(task)
    ids = {
        "patient_id": ours.patient_id,
        "caregiver_id": ours.caregiver_id,
        "task_id": task.id,
        "staff_id": ours.staff_id(Role.NURSE),
        "key_id": ours.staff(Role.ADMINISTRATOR).get("/api/v1/keys").get_json()["items"][0]["id"],
    }
    spec = machine.client.get("/openapi.json").get_json()
    monkeypatch.setitem(theirs.app.config, "WTF_CSRF_METHODS", set())  # forms are tried elsewhere
    walked = 0
    for path, ways in spec["paths"].items():
        if "{" not in path:
            continue
        address = re.sub(r"\{(\w+)\}", lambda m: str(ids.get(m[1], uuid.uuid4())), path)
        for method in ways:
            if method == "parameters":
                continue
            body = _some_body(spec, ways[method])
            for client, headers in (
                (machine.client, {"Authorization": f"Bearer {theirs.secret}"}),
                (admin, {}),
                (nurse, {}),
            ):
                answer = client.open(address, method=method.upper(), json=body, headers=headers)
                assert answer.status_code in {403, 404, 422}, (method, path, answer.get_data(as_text=True))
                assert "Asha" not in answer.get_data(as_text=True)
                walked += answer.status_code == 404
    assert walked >= 20


def test_no_list_shows_another_clinics_rows(build: Callable[..., House]) -> None:
    ours, theirs = build("Fernmoor Clinic"), build("Saltholt Clinic", number="+447700900002")
    ours.machine.post("/readings", GOOD_READING)
    ours.machine.post("/checkins", {"patient": "F-1", "safety_signs": ["fainting"]})
    for path in ("/tasks", "/windows", "/silences", "/messages", "/caregiver-replies"):
        assert theirs.machine.get(path).get_json()["total"] == 0
        is_problem(theirs.machine.get(f"{path}?patient_id={ours.patient_id}"), 404)
    assert theirs.machine.get("/review").get_json()["patients"] == 1


def test_reading_an_address_changes_nothing(house: House) -> None:
    house.machine.post("/readings", GOOD_READING)
    spec = house.app.test_client().get("/openapi.json").get_json()
    clients = [(house.machine.client, {"Authorization": f"Bearer {house.secret}"})]
    clients += [(house.staff(role), {}) for role in (Role.PHYSICIAN, Role.ADMINISTRATOR)]
    before = _rows(house)
    seen = set()
    addresses = [path for path, ways in spec["paths"].items() if "get" in ways]
    addresses += [rule.rule for rule in house.app.url_map.iter_rules() if "GET" in (rule.methods or ())]
    with_ids = [re.sub(r"\{patient_id\}|<uuid:patient_id>", str(house.patient_id), path) for path in addresses]
    for address in sorted({re.sub(r"\{\w+\}|<[^>]+>", "x", path) for path in with_ids}):
        for client, headers in clients:
            seen.add(client.get(address, headers=headers).status_code)
    assert {200, 403} <= seen
    assert not {status for status in seen if status >= 500 and status != 503}
    assert _rows(house) == before


def test_each_kind_of_problem_has_its_page(house: House) -> None:
    # RFC 9457, 3.1.1: a `type` that can be dereferenced should lead to documentation for people.
    reader = house.app.test_client()
    assert reader.get("/openapi.json").get_json()["servers"] == [{"url": "http://localhost"}]
    missing = is_problem(house.machine.get(f"/patients/{uuid.uuid4()}"), 404)
    page = reader.get(missing["type"]).get_data(as_text=True)
    assert KINDS["nothing-here"].title in page
    everything = reader.get("/problems").get_data(as_text=True)
    assert all(kind.title in everything for kind in KINDS.values())
    assert reader.get("/problems/no-such").status_code == 404
    assert reader.get("/docs").status_code == 200


def _rows(house: House) -> dict[str, str]:
    """Everything in every table, so that any change shows; but for who opened what, which reading adds to."""
    told = {}
    with read_session(house.engine) as session:
        for table in set(Base.metadata.sorted_tables) - {AccessLine.__table__, Base.metadata.tables["arrivals"]}:
            rows = session.execute(select(table)).all()
            told[table.name] = json.dumps(sorted(map(str, rows)))
    return told


def _some_body(spec: dict[str, Any], operation: dict[str, Any]) -> dict[str, Any] | None:
    """A body that the schema would take, so that what is refused is the address."""
    bodies = {
        "ContactIn": {"channel": "text", "address": "+447700900009"},
        "ConsentIn": {"kind": "messages", "given": False, "how": "x"},
        "PlanIn": {"opens": "07:00", "due": "08:00", "closes": "09:00"},
        "PauseIn": {"cause": "away", "from_date": "2026-11-25"},
        "PauseEnd": {"last_day": "2026-11-25"},
        "ReferenceIn": {"pa_diastolic": 20},
        "LimitsIn": {"upper": 25},
        "CaregiverIn": {"name": "X"},
        "TaskClose": {"reason": "x"},
    }
    content = operation.get("requestBody", {}).get("content", {}).get("application/json", {})
    name = content.get("schema", {}).get("$ref", "").rsplit("/", 1)[-1]
    return bodies.get(name, {}) if content else None


def test_a_check_in_asks_what_the_diary_asks_within_the_same_bounds(house: House) -> None:
    """The document is made from the diary's table of questions: its bounds are not written a second time."""
    asked = house.app.test_client().get("/openapi.json").get_json()["components"]["schemas"]["CheckinIn"]["properties"]
    assert set(asked) == {one.key for one in QUESTIONS} | {
        "patient",
        "token",
        "local_date",
        "weight_unit",
        "weight_confirmed",
    }
    for one in QUESTIONS:
        if one.kind in (AnswerKind.SCALE, AnswerKind.CHANGE):
            assert (asked[one.key]["minimum"], asked[one.key]["maximum"]) == (one.least, one.most)
    assert asked["swelling"]["enum"] == [*QUESTION["swelling"].options, None]
    assert asked["safety_signs"]["items"]["enum"] == list(QUESTION["safety_signs"].options)


def test_a_move_names_the_planned_dates_that_it_leaves_without_a_window(house: House) -> None:
    # From Honolulu to Kiritimati: 24 hours further on by the IANA tz database, on the same clock.
    patient, api = f"/patients/{house.patient_id}", house.machine
    assert api("PATCH", patient, {"zone": "Pacific/Honolulu"}).get_json()["move"]["to_zone"] == "Pacific/Honolulu"
    assert api("PATCH", patient, {"zone": "Pacific/Honolulu"}).get_json()["move"] is None
    assert api("PATCH", patient, {"name": "Asha Invented"}).get_json()["move"] is None
    hours = {"opens": "07:00", "due": "08:30", "closes": "10:00"}
    plan = api("PUT", f"{patient}/plan", hours).get_json()
    moved = api("PATCH", patient, {"zone": "Pacific/Kiritimati"}).get_json()
    assert moved["zone"] == "Pacific/Kiritimati"
    assert moved["move"]["without_window"] == [plan["next_date"]]
    assert api.get(f"{patient}/moves").get_json()["items"][0] == moved["move"]
    page = house.staff().get(f"/clinic/patients/{house.patient_id}").get_data(as_text=True)
    assert "from Pacific/Honolulu to Pacific/Kiritimati." in page
    assert "has no window: its hours were over there already, so nothing was asked." in page


def test_a_prompt_at_night_is_taken_when_its_hour_is_said_twice(house: House) -> None:
    path, hours = f"/patients/{house.patient_id}/plan", {"opens": "05:30", "due": "06:30", "closes": "08:00"}
    refused = house.machine("PUT", path, hours)
    assert refused.status_code == 422
    (error,) = refused.get_json()["errors"]
    assert error["field"] == "opens_again"
    assert "05:30" in error["accepted"]
    assert house.machine("PUT", path, hours | {"opens_again": "06:30"}).status_code == 422
    assert house.machine("PUT", path, hours | {"opens_again": "05:30"}).get_json()["opens"] == "05:30:00"
