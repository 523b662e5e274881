"""The review over the API: what a machine may read, what only a person may sign, and how no is said."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine

from service.accounts.keys import issue_key
from service.clock import FixedClock
from service.config import Settings
from service.domain import seals
from service.domain.vocabulary import Role, Scope, SilenceCause, TaskKind
from service.reviewing import refreshing
from service.store.audit import OPERATOR, Act
from service.store.session import write_session
from service.store.tables import Patient, Staff
from tests.copies import made_once
from tests.served import serve
from tests.signed_in import sign_in_as
from tests.ward import NOW, open_ward, ward_of

WROTE = "They wrote: “Chest pain was answered.”. They were told at once to call 112. Call them."

QUIET = [18.0, 18.4, 17.6, 18.2, 17.8] * 7


@dataclass
class Machine:
    client: FlaskClient
    keys: dict[str, str]
    staff: dict[str, uuid.UUID]
    ids: dict[str, uuid.UUID]
    clinic: uuid.UUID

    def get(self, path: str, key: str = "review", status: int = 200) -> Any:
        answer = self.client.get(f"/api/v1{path}", headers={"Authorization": f"Bearer {self.keys[key]}"})
        assert answer.status_code == status, answer.get_data(as_text=True)
        return answer.get_json()

    def post(self, path: str, body: dict[str, Any], who: str = "nurse", key: str | None = None) -> Any:
        """As a signed-in person, from a page of ours: with the session's form token."""
        sign_in_as(self.client, self.staff[who], NOW)
        page = self.client.get("/clinic/review").get_data(as_text=True)
        token = page.split('name="csrf_token" value="')[1].split('"')[0]
        headers = {"X-CSRFToken": token} | ({"Idempotency-Key": key} if key else {})
        return self.client.post(f"/api/v1{path}", json=body, headers=headers)


@dataclass
class Enrolled:
    keys: dict[str, str]
    staff: dict[str, uuid.UUID]
    ids: dict[str, uuid.UUID]
    clinic: uuid.UUID


def _enrolled(engine: Engine) -> Enrolled:
    with write_session(engine) as session:
        ward = open_ward(session)
        ids = {
            "Asha": ward.patient("Asha", pressures=[*QUIET[:-1], None], reference=18.0, weights=[80.0] * 30),
            "Cara": ward.patient("Cara", pressures=[*QUIET[:-4], None, None, None, None]),
            "Dina": ward.patient("Dina"),
            "Elin": ward.patient(
                "Elin", pressures=QUIET, reference=18.0, breathlessness=[*[1] * 20, 5, 6, 6, *[None] * 6]
            ),
        }
        ward.silence(ids["Cara"], 4, SilenceCause.NOT_ASKED)
        ward.task(ids["Asha"], TaskKind.SAFETY_ANSWER, "Chest pain was answered.")
        staff = {
            "nurse": ward.nurse.id,
            "doctor": ward.staff("Rowan Pell", Role.PHYSICIAN).id,
            "clerk": ward.staff("Noa Finch", Role.ADMINISTRATOR, Role.READ_ONLY).id,
        }
        for person in staff.values():
            session.get_one(Staff, person).password_set_at = NOW - timedelta(days=1)
        other = open_ward(session)
        keys = {
            name: issue_key(Act(session, OPERATOR, clinic, NOW), name, scopes)[1]
            for name, clinic, scopes in (
                ("review", ward.clinic.id, [Scope.REVIEW]),
                ("readings", ward.clinic.id, [Scope.READINGS]),
                ("other", other.clinic.id, [Scope.REVIEW]),
            )
        }
        enrolled = Enrolled(keys, staff, {name: patient.id for name, patient in ids.items()}, ward.clinic.id)
    refreshing.refresh(engine, NOW)
    return enrolled


@pytest.fixture
def machine(engine: Engine, tmp_path: Path) -> Machine:
    enrolled = made_once(engine, "the review over the API", lambda: _enrolled(engine))
    settings = Settings.from_env(
        {"NEAPTIDE_DATA": str(tmp_path), "NEAPTIDE_SECRET_KEY": "a secret that only this test knows, 32+ characters"}
    )
    client = serve(settings, engine, FixedClock(NOW), {}).test_client()
    return Machine(client, **vars(enrolled))


def test_the_panel_has_four_lanes_everybody_and_the_reason_in_words(machine):
    told = machine.get("/review")
    assert [lane["lane"] for lane in told["lanes"]] == ["call_today", "look_closely", "not_heard_from", "settled"]
    found = {entry["name"]: (lane["lane"], entry) for lane in told["lanes"] for entry in lane["patients"]}
    assert set(found) == {"Asha", "Cara", "Dina", "Elin"}
    lane, asha = found["Asha"]
    assert (lane, asha["why"]) == ("call_today", WROTE)
    assert asha["adherence"] == {"received": 29, "expected": 30, "excused": 0}
    assert found["Cara"][1]["silence"]["cause"] == "not_asked"
    assert found["Dina"][1]["why"].startswith("No reading yet since enrolment")
    assert (told["week"], told["signed"], told["patients"]) == ("2026-11-23", 0, 4)


def test_one_lane_can_be_asked_for_and_no_other_word_is_one(machine):
    told = machine.get("/review?lane=not_heard_from")
    assert [lane["lane"] for lane in told["lanes"]] == ["not_heard_from"]
    assert machine.get("/review?lane=red", status=422)["status"] == 422


def test_the_days_of_a_patient_are_joined_and_keep_days_with_one_half(machine):
    told = machine.get(f"/patients/{machine.ids['Asha']}/review?days=3")
    assert [day["day"] for day in told["days"]] == ["2026-11-23", "2026-11-24", "2026-11-25"]
    assert told["days"][-1]["pa_diastolic"] is None
    assert told["days"][-1]["weight_kg"] == 80.0
    assert told["days"][-1]["window"] == "missed"


def test_a_review_is_signed_by_a_person_once_and_a_repeat_of_the_call_answers_the_same(machine):
    path = f"/patients/{machine.ids['Asha']}/sign-offs"
    seen = machine.get(f"/patients/{machine.ids['Asha']}/review")["entry"]["seen"]
    body = {"outcome": "called", "note": "Rang her.", "seen": seen}
    first = machine.post(path, body, key="once-1")
    assert first.status_code == 201, first.get_data(as_text=True)
    again = machine.post(path, body, key="once-1")
    assert (again.status_code, again.get_json()) == (201, first.get_json())
    second = machine.post(path, body, who="doctor")
    assert second.status_code == 409
    assert "Imogen Vale" in second.get_json()["detail"]
    (kept,) = machine.get(path)["items"]
    assert kept["frozen"]["why"] == WROTE
    assert kept["frozen_hash"] == seals.fingerprint(kept["frozen"])
    assert (kept["later_values"], kept["additions"]) == ([], [])


def test_what_came_since_is_listed_to_do_and_an_addition_answers_it_once(machine, engine):
    ill = machine.ids["Dina"]
    signed = machine.post(f"/patients/{ill}/sign-offs", {"outcome": "not_reached", "seen": "0" * 16})
    assert signed.status_code == 409
    (entry,) = [one for one in _entries(machine) if one["name"] == "Dina"]
    signed = machine.post(f"/patients/{ill}/sign-offs", {"outcome": "not_reached", "seen": entry["seen"]}).get_json()
    assert "Dina" not in [one["name"] for one in _entries(machine, "?to_do=true")]
    with write_session(engine) as session:
        ward = ward_of(session, machine.clinic)
        ward.task(session.get_one(Patient, ill), TaskKind.SAFETY_ANSWER, "I fainted.")
    (entry,) = [one for one in _entries(machine, "?to_do=true") if one["name"] == "Dina"]
    assert entry["since_signed"].startswith("Signed 25 November; since then: They wrote: “I fainted.”")
    assert machine.get("/review")["to_do"] == 4
    path = f"/sign-offs/{signed['id']}/additions"
    body = {"outcome": "called", "note": "Rang her.", "seen": entry["seen"]}
    first = machine.post(path, body, key="add-1")
    assert first.status_code == 201, first.get_data(as_text=True)
    assert (first.get_json()["number"], first.get_json()["frozen"]["lane"]) == (1, "call_today")
    assert machine.post(path, body, key="add-1").get_json() == first.get_json()
    assert machine.post(path, body).get_json()["id"] == first.get_json()["id"]  # a double click without a key
    second = machine.post(path, body, who="doctor")
    assert (second.status_code, "Imogen Vale" in second.get_json()["detail"]) == (409, True)
    (kept,) = machine.get(f"/patients/{ill}/sign-offs")["items"]
    assert [one["note"] for one in kept["additions"]] == ["Rang her."]
    assert "Dina" not in [one["name"] for one in _entries(machine, "?to_do=true")]
    assert machine.post(path, body, who="clerk").status_code == 403


def _entries(machine: Machine, query: str = "") -> list[dict[str, Any]]:
    return [entry for lane in machine.get(f"/review{query}")["lanes"] for entry in lane["patients"]]


def test_staff_close_a_symptom_episode_with_a_reason_and_it_stops_holding_the_lane(machine):
    ill, path = machine.ids["Elin"], f"/patients/{machine.ids['Elin']}/closed-episodes"
    before = machine.get(f"/patients/{ill}/review")["entry"]
    assert (before["lane"], before["diary"]["knowledge"]) == ("call_today", "changed")
    assert before["symptoms"].startswith("more breathless (6 of 10, usual 1)")
    assert machine.post(path, {"kind": "worse_symptoms", "reason": " "}).status_code == 422
    assert machine.post(path, {"kind": "rising", "reason": "Seen"}).status_code == 422
    assert machine.post(path, {"kind": "weight_gain", "reason": "Seen"}).status_code == 409
    assert machine.post(path, {"kind": "worse_symptoms", "reason": "Seen"}, who="clerk").status_code == 403
    closed = machine.post(path, {"kind": "worse_symptoms", "reason": "Visited: a cold.", "new_usual": True})
    assert closed.status_code == 201, closed.get_data(as_text=True)
    assert machine.get(path)["items"] == [closed.get_json()]
    assert closed.get_json() == {
        "id": closed.get_json()["id"],
        "kind": "worse_symptoms",
        "closed_on": "2026-11-25",
        "known_to": "2026-11-19",
        "reason": "Visited: a cold.",
        "by": "Imogen Vale",
        "new_usual": True,
    }
    after = machine.get(f"/patients/{ill}/review")["entry"]
    # Closed is not well: nobody knows how she feels.
    assert (after["lane"], after["diary"]["knowledge"]) == ("look_closely", "too_little")
    assert machine.post(path, {"kind": "worse_symptoms", "reason": "Again"}).status_code == 409


def test_what_must_be_opened_is_signed_with_its_mark_and_a_word_and_taken_back_by_its_signer(machine):
    path = f"/patients/{machine.ids['Asha']}/sign-offs"
    entry = machine.get(f"/patients/{machine.ids['Asha']}/review")["entry"]
    assert entry["must_be_opened"]
    for body in ({"outcome": "called"}, {"outcome": "no_change", "seen": entry["seen"]}):
        assert machine.post(path, body).status_code == 422
    signed = machine.post(path, {"outcome": "called", "seen": entry["seen"]}).get_json()
    back = f"/sign-offs/{signed['id']}/take-back"
    assert machine.post(back, {}, who="doctor").status_code == 409
    assert [machine.post(back, {}).status_code for _ in range(2)] == [200, 200]
    assert machine.get(path)["items"] == []
    more = {"outcome": "called", "note": "Rang.", "seen": entry["seen"]}
    assert machine.post(f"/sign-offs/{signed['id']}/additions", more).status_code == 409


def test_neither_an_administrator_nor_a_machine_signs(machine):
    path = f"/patients/{machine.ids['Asha']}/sign-offs"
    assert machine.post(path, {"outcome": "called"}, who="clerk").status_code == 403
    with machine.client.session_transaction() as kept:
        kept.clear()
    answer = machine.client.post(
        f"/api/v1{path}", json={"outcome": "called"}, headers={"Authorization": f"Bearer {machine.keys['review']}"}
    )
    assert answer.status_code == 403
    assert answer.mimetype == "application/problem+json"


def test_an_adjustment_is_recorded_corrected_and_followed_up(machine):
    path = f"/patients/{machine.ids['Asha']}/adjustments"
    first = machine.post(
        path, {"kind": "medicine", "what": "20 mg", "made_on": "2026-11-20", "follow_up_on": "2026-11-27"}
    ).get_json()
    second = machine.post(
        path,
        {
            "kind": "medicine",
            "what": "40 mg",
            "made_on": "2026-11-20",
            "follow_up_on": "2026-11-27",
            "corrects": first["id"],
        },
    ).get_json()
    assert [made["what"] for made in machine.get(path)["items"]] == ["40 mg"]
    done = machine.post(f"/adjustments/{second['id']}/followed-up", {})
    assert done.get_json()["followed_up_at"] is not None
    assert machine.post(f"/adjustments/{first['id']}/followed-up", {}).status_code == 409
    stale = machine.post(path, {"kind": "diet", "what": "x", "made_on": "2026-11-20", "corrects": first["id"]})
    assert stale.status_code == 422


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"outcome": "cured"},
        {"outcome": "called", "note": "a\x00b"},
        {"outcome": "called", "next_look": "2020-01-01"},
        {"outcome": "called", "surprise": 1},
    ],
)
def test_what_cannot_be_signed_is_a_problem_that_names_the_field(machine, body):
    answer = machine.post(f"/patients/{machine.ids['Asha']}/sign-offs", body)
    assert answer.status_code == 422
    assert answer.mimetype == "application/problem+json"


def test_no_scope_no_review_and_nothing_crosses_clinics(machine):
    machine.get("/review", key="readings", status=403)
    assert machine.get("/review", key="other")["patients"] == 0
    for rest in ("/review", "/sign-offs", "/adjustments"):
        machine.get(f"/patients/{machine.ids['Asha']}{rest}", key="other", status=404)


def test_an_urgent_task_needs_words_to_be_closed_by_api_too(machine, engine):
    with write_session(engine) as session:
        ward = ward_of(session, machine.clinic)
        who = session.get_one(Patient, machine.ids["Asha"])
        urgent, quiet = (ward.task(who, kind, "words").id for kind in (TaskKind.ABOVE_LIMIT, TaskKind.SILENT))
    refused = machine.post(f"/tasks/{urgent}/close", {})
    assert (refused.status_code, refused.get_json()["errors"][0]["field"]) == (422, "reason")
    assert machine.post(f"/tasks/{urgent}/close", {"reason": "Rang."}).get_json()["close_reason"] == "Rang."
    assert machine.post(f"/tasks/{quiet}/close", {"promised": "2026-11-28"}).get_json()["state"] == "closed"


def test_coverage_and_measures_can_be_read(machine):
    seen = machine.get(f"/patients/{machine.ids['Asha']}/review")["entry"]["seen"]
    machine.post(f"/patients/{machine.ids['Asha']}/sign-offs", {"outcome": "called", "seen": seen})
    week = machine.get("/review/coverage")["weeks"][0]
    assert (week["first"], week["signed"], week["unsigned"]) == ("2026-11-23", 1, ["Cara", "Dina", "Elin"])
    told = machine.get("/review/measures")["lately"]
    assert told["readings"]["whole"] >= told["readings"]["part"] > 0
