"""The API's edges: who may borrow whose rights, what repeats answer, and bodies made to break a reader."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from typing import Any

import pytest
from flask import Flask, session
from flask.testing import FlaskClient
from flask_wtf.csrf import generate_csrf
from sqlalchemy import func, select

from service.accounts import hashing, keys, signin
from service.accounts.signin import Denied, NotIn
from service.accounts.throttle import Origin
from service.domain.vocabulary import ContactState, Role, Scope
from service.enrolling import people
from service.keyring import Keyring
from service.store.audit import OPERATOR, Act
from service.store.session import connect, read_session, write_session
from service.store.tables import ApiKey, Contact, IdempotentCall, Patient, Reading, SignInAttempt
from tests.web.conftest import MORNING, House
from tests.web.test_api import GOOD_READING, is_problem


def with_form_token(app: Flask, client: FlaskClient) -> dict[str, str]:
    """The header by which our own pages show that a request is theirs."""
    with app.test_request_context():
        token = generate_csrf()
        raw = session["csrf_token"]
    with client.session_transaction() as kept:
        kept["csrf_token"] = raw
    return {"X-CSRFToken": token}


def post_raw(house: House, path: str, body: str | bytes) -> Any:
    headers = {"Authorization": f"Bearer {house.secret}"}
    return house.app.test_client().post(f"/api/v1{path}", data=body, content_type="application/json", headers=headers)


# --- whose rights -----------------------------------------------------------------------


def test_a_key_beside_a_session_borrows_no_rights_from_the_person(build: Callable[..., House]) -> None:
    ours, theirs = build("Fernmoor Clinic", scopes=(Scope.READINGS,)), build("Saltholt Clinic")
    browser = theirs.staff(Role.ADMINISTRATOR)  # an administrator, but of another clinic than the key's
    header = {"Authorization": f"Bearer {ours.secret}"}
    is_problem(browser.post("/api/v1/keys", json={"name": "k", "scopes": ["enrol"]}, headers=header), 403)
    is_problem(browser.get("/api/v1/staff", headers=header), 403)
    with read_session(ours.engine) as session:
        keys = session.scalar(select(func.count(ApiKey.id)).where(ApiKey.clinic_id == ours.clinic_id))
    assert keys == 1


def test_whoever_brings_no_key_learns_nothing_of_what_is_wrong_with_the_body(house: House) -> None:
    client = house.app.test_client()
    for path in ("/readings", "/patients", "/readings/batch", "/keys"):
        problem = is_problem(client.post(f"/api/v1{path}", json={"surprise": 1}), 401)
        assert "errors" not in problem


def test_an_administrator_adds_staff_and_keys_over_a_session(house: House) -> None:
    browser = house.staff(Role.ADMINISTRATOR)
    headers = with_form_token(house.app, browser)
    new = {"email": "New@Fernmoor.example", "name": "Kit Invented", "roles": ["nurse"]}
    added = browser.post("/api/v1/staff", json=new, headers=headers)
    assert (added.status_code, added.get_json()["mailed"]) == (201, False)
    assert "/invited/" in added.get_json()["link"]  # no mail is set up: to be handed over by hand
    issued = browser.post("/api/v1/keys", json={"name": "bridge", "scopes": ["readings"]}, headers=headers).get_json()
    machine = house.app.test_client()
    bearer = {"Authorization": f"Bearer {issued['secret']}"}
    assert machine.post("/api/v1/readings", json=GOOD_READING, headers=bearer).status_code == 201
    assert browser.post(f"/api/v1/keys/{issued['id']}/revoke", json={}, headers=headers).status_code == 200
    is_problem(machine.post("/api/v1/readings", json=GOOD_READING, headers=bearer), 401)
    listed = browser.get("/api/v1/keys").get_json()["items"]
    assert all("secret" not in key for key in listed)


def test_a_language_is_chosen_for_oneself_and_by_an_administrator_for_anybody(house: House) -> None:
    nurse, clerk = house.staff(Role.NURSE), house.staff(Role.ADMINISTRATOR)
    own, other = (f"/api/v1/staff/{house.staff_id(role)}" for role in (Role.NURSE, Role.PHYSICIAN))
    headers = with_form_token(house.app, nurse)
    assert nurse.patch(own, json={"language": "es"}, headers=headers).get_json()["language"] == "es"
    is_problem(nurse.patch(other, json={"language": "es"}, headers=headers), 403)
    headers = with_form_token(house.app, clerk)
    assert clerk.patch(other, json={"language": "es"}, headers=headers).status_code == 200
    assert clerk.patch(own, json={"language": None}, headers=headers).get_json()["language"] is None
    problem = is_problem(clerk.patch(own, json={"language": "xx"}, headers=headers), 422)
    assert problem["errors"] == [{"field": "language", "value": "xx", "accepted": "one of en, es, or none"}]


def test_where_staff_are_told_of_alarms_is_the_administrators_to_say_and_no_machines(house: House) -> None:
    browser, path = house.staff(Role.ADMINISTRATOR), f"/api/v1/staff/{house.staff_id(Role.NURSE)}/contacts"
    headers, bearer = with_form_token(house.app, browser), {"Authorization": f"Bearer {house.secret}"}
    new = {"channel": "text", "address": "+1 202 555 0150"}
    is_problem(house.app.test_client().post(path, json=new, headers=bearer), 403)
    added = browser.post(path, json=new, headers=headers).get_json()
    assert added["address"] == "+12025550150"
    assert [one["id"] for one in browser.get(path).get_json()["items"]] == [added["id"]]
    machine = house.app.test_client()
    for call, said in ((machine.patch, {"address": "+12025550151"}), (machine.post, {})):
        place = f"/api/v1/contacts/{added['id']}" + ("" if said else "/first")
        is_problem(call(place, json=said, headers=bearer), 404)
    elsewhere = f"/api/v1/staff/{house.staff_id(Role.PHYSICIAN)}/contacts/{added['id']}/end"
    is_problem(browser.post(elsewhere, json={}, headers=headers), 404)
    ended = browser.post(f"{path}/{added['id']}/end", json={}, headers=headers)
    assert (ended.status_code, ended.get_json()["state"]) == (200, "broken")


def test_the_secret_of_a_key_is_told_once_whatever_is_repeated(house: House) -> None:
    browser = house.staff(Role.ADMINISTRATOR)
    headers = {**with_form_token(house.app, browser), "Idempotency-Key": "issue-1"}
    body = {"name": "bridge", "scopes": ["readings"]}
    first = browser.post("/api/v1/keys", json=body, headers=headers)
    assert first.status_code == 201
    is_problem(browser.post("/api/v1/keys", json=body, headers=headers), 409)
    with read_session(house.engine) as session:
        kept = session.scalars(select(IdempotentCall)).one()
    assert first.get_json()["secret"] not in str(kept.body)


# --- repeats ------------------------------------------------------------------------------


def test_a_repeated_batch_answers_as_the_first_did(house: House) -> None:
    body = {"readings": [GOOD_READING, {**GOOD_READING, "pa_systolic": 1}]}
    first = house.machine.post("/readings/batch", body, Idempotency_Key="b1")
    again = house.machine.post("/readings/batch", body, Idempotency_Key="b1")
    assert first.get_json()["taken"] == 1
    assert again.get_json() == first.get_json()
    assert house.machine.post("/readings/batch", body).get_json()["duplicates"] == 1
    is_problem(house.machine.post("/readings/batch", {"readings": [GOOD_READING]}, Idempotency_Key="b1"), 422)
    with read_session(house.engine) as session:
        assert session.scalar(select(func.count(Reading.id))) == 1


def test_two_machines_may_use_the_same_key(build: Callable[..., House]) -> None:
    ours, theirs = build("Fernmoor Clinic"), build("Saltholt Clinic")
    answers = [house.machine.post("/readings", GOOD_READING, Idempotency_Key="1") for house in (ours, theirs)]
    assert [answer.status_code for answer in answers] == [201, 201]
    assert answers[0].get_json()["id"] != answers[1].get_json()["id"]


@pytest.mark.parametrize("key", ["", "x" * 121, "caf\u00e9", "a\tb"])
def test_a_key_that_cannot_be_kept_is_refused(house: House, key: str) -> None:
    problem = is_problem(house.machine.post("/readings", GOOD_READING, Idempotency_Key=key), 422)
    assert problem["errors"][0]["field"] == "Idempotency-Key"


# --- bodies made to break a reader -----------------------------------------------------------


@pytest.mark.parametrize(
    "body",
    ["[" * 100_000, '{"patient": ' + "9" * 5_000 + "}", b"\xff\xfe{", "{,}", '{"patient": "F-1"'],
    ids=["nested", "digits", "bytes", "comma", "cut off"],
)
def test_a_body_that_cannot_be_read_is_a_bad_request(house: House, body: str | bytes) -> None:
    is_problem(post_raw(house, "/readings", body), 400)


@pytest.mark.parametrize("body", ["null", "[]", '"text"', "7", '{"patient": "\\ud800", "taken_at": "x"}'])
def test_a_body_of_another_shape_is_refused(house: House, body: str) -> None:
    is_problem(post_raw(house, "/readings", body), 422)


@pytest.mark.parametrize(
    ("method", "path", "body", "field"),
    [
        ("POST", "/readings", {**GOOD_READING, "taken_at": "0001-01-01T00:00:00+14:00"}, "taken_at"),
        ("POST", "/readings", {**GOOD_READING, "taken_at": "9999-12-31T23:59:59-14:00"}, "taken_at"),
        ("POST", "/checkins", {"patient": "F-1", "local_date": "0001-01-01", "tiredness": 1}, "local_date"),
        ("POST", "/patients/{id}/pauses", {"cause": "away", "from_date": "0001-01-01"}, "from_date"),
        ("POST", "/patients/{id}/pauses", {"cause": "away", "from_date": "9999-12-31"}, "from_date"),
        ("POST", "/patients/{id}/contacts", {"channel": "text", "address": "09 999 0100"}, "address"),
        ("POST", "/patients/{id}/consents", {"kind": "caregiver", "given": True, "how": "x"}, "caregiver"),
        ("PATCH", "/patients/{id}", {"zone": "../../etc/passwd"}, "zone"),
        ("PATCH", "/patients/{id}", {"name": "Asha\u0000"}, "name"),
        ("PUT", "/patients/{id}/plan", {"opens": "07:00", "due": "06:00", "closes": "10:00"}, "due"),
        ("PUT", "/patients/{id}/plan", {"opens": "07:00", "due": "08:00+02:00", "closes": "10:00"}, "due"),
        ("POST", "/readings", {**GOOD_READING, "pa_systolic": 272}, "pa_systolic"),
        (
            "PUT",
            "/patients/{id}/plan",
            {
                "opens": "07:00", "due": "08:00", "closes": "10:00",
                "steps": [{"kind": ["x"], "anchor": {}, "after_minutes": True}],
            },
            "steps.0.kind",
        ),
    ],
)  # fmt: skip
def test_values_at_the_edge_are_refused_by_field(house: House, method: str, path: str, body: Any, field: str) -> None:
    problem = is_problem(house.machine(method, path.format(id=house.patient_id), body), 422)
    assert field in [error["field"] for error in problem["errors"]]


def test_a_patient_who_has_ended_is_given_no_plan(house: House) -> None:
    assert house.machine.post(f"/patients/{house.patient_id}/end", {}).get_json()["state"] == "ended"
    plan = {"opens": "07:00", "due": "08:00", "closes": "10:00"}
    problem = is_problem(house.machine("PUT", f"/patients/{house.patient_id}/plan", plan), 422)
    assert problem["errors"][0]["field"] == "patient"


def test_care_begins_again_and_says_which_consents_stand(house: House) -> None:
    path, new = f"/patients/{house.patient_id}", {"from_date": "2026-11-30", "why": "came_back"}
    is_problem(house.machine.post(f"{path}/begin-again", new), 422)  # it has not ended
    house.machine.post(f"{path}/end", {})
    for wrong, field in ({"why": "bored"}, "why"), ({"from_date": "2026-11-01"}, "from_date"):
        problem = is_problem(house.machine.post(f"{path}/begin-again", new | wrong), 422)
        assert field in [error["field"] for error in problem["errors"]]
    begun = house.machine.post(f"{path}/begin-again", new).get_json()
    assert begun["state"] == "active"
    assert ("messages", None) in [(one["kind"], one["caregiver_id"]) for one in begun["consents"]]
    pause = {"cause": "not_in_care", "from_date": "2026-11-30"}  # no pause that anybody enters
    assert is_problem(house.machine.post(f"{path}/pauses", pause), 422)["errors"][0]["field"] == "cause"


def test_the_same_reference_written_by_somebody_else_at_this_moment_is_a_conflict(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What PostgreSQL lets happen: both looked, neither saw the other, and the unique index decides."""
    real = people.enrol_patient

    def late(act: Act, new: Any) -> Patient:
        twin = real(act, people.NewPatient("F-8", "X", "UTC"))
        twin.clinic_ref = new.clinic_ref
        act.session.flush()
        return twin

    monkeypatch.setattr("service.enrolling.people.enrol_patient", late)
    is_problem(house.machine.post("/patients", {"clinic_ref": "F-1", "name": "X", "zone": "UTC"}), 409)


def test_a_broken_contact_is_mended_and_tried_again(build: Callable[..., House]) -> None:
    house, theirs = build("Fernmoor Clinic"), build("Saltholt Clinic")
    contact = house.machine.get(f"/patients/{house.patient_id}/contacts").get_json()["items"][0]
    with write_session(house.engine) as session:
        held = session.get_one(Contact, uuid.UUID(contact["id"]))
        held.state, held.broken_reason = ContactState.BROKEN, "unknown number"
    path = f"/contacts/{contact['id']}"
    is_problem(theirs.machine("PATCH", path, {"address": "+447700900124"}), 404)
    is_problem(house.machine("PATCH", path, {"address": "soon"}), 422)
    mended = house.machine("PATCH", path, {"address": "+44 7700 900124"}).get_json()
    assert (mended["address"], mended["state"], mended["broken_reason"]) == ("+447700900124", "ok", None)


# --- signing in -------------------------------------------------------------------------------


def test_tries_are_counted_before_they_are_known_to_be_wrong(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Many at once would otherwise all be checked against the same count."""
    counted: list[int] = []

    def look(_kept: object, _password: str) -> frozenset[str]:
        with read_session(house.engine) as session:
            counted.append(session.scalar(select(func.count(SignInAttempt.id))) or 0)
        return frozenset()

    monkeypatch.setattr(hashing, "matching", look)
    answers = [
        signin.sign_in(house.engine, "a@fernmoor.example", "x", MORNING, Origin("203.0.113.7")) for _ in range(6)
    ]
    assert counted == [1, 2, 3, 4, 5]
    assert answers[-1] == Denied(NotIn.TOO_MANY, 15)


def test_a_name_that_no_database_can_hold_is_simply_wrong(house: House) -> None:
    assert signin.sign_in(house.engine, "a\x00@fernmoor.example", "x\x00", MORNING, Origin("")) == Denied(NotIn.WRONG)


def test_a_revoked_key_is_not_found(house: House) -> None:
    with write_session(house.engine) as session:
        key = session.scalars(select(ApiKey).where(ApiKey.secret_hash == keys.hash_of(house.secret))).one()
        keys.revoke_key(Act(session, OPERATOR, key.clinic_id, MORNING), key)
    with connect(house.engine) as connection:
        assert keys.check_key(connection, house.secret, "127.0.0.1", MORNING, Keyring("x")) is None
