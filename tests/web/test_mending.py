"""Whatever staff are told has its place to be mended, or none on purpose; and each place is there, for who may open it.

No outside source: the sentences are this service's own.
"""

from __future__ import annotations

import re
import typing
import uuid
from collections.abc import Callable
from html import unescape
from typing import Any

import pytest
from flask import g

from service.care import tasks as care_tasks
from service.domain.review import Lacking
from service.domain.sending import SendReason
from service.domain.steps import as_json, from_json
from service.domain.tasks import LongSilence, NobodyToReach, StartTexted, TaskFacts, Whose
from service.domain.vocabulary import ConsentKind, Role, SilenceCause, StepKind
from service.enrolling import transfers
from service.store.session import write_session
from service.store.tables import Caregiver, Clinic, Patient
from service.web.pages.clinic.mending import NEVER, OF_REASON, OF_TASK, Never, Spot, spots
from tests.builder import building
from tests.web.conftest import House

pytestmark = pytest.mark.databases("sqlite")


def page(house: House, path: str, role: Role = Role.NURSE) -> str:
    answer = house.staff(role).get(path)
    assert answer.status_code == 200, path
    return unescape(answer.get_data(as_text=True))


def test_every_reason_has_its_places_or_none_on_purpose() -> None:
    assert set(OF_TASK) == set(typing.get_args(TaskFacts))
    assert set(OF_REASON) == {*SilenceCause, *Lacking, *SendReason, *Never}
    assert set(NEVER) == set(Never)


def test_every_place_is_a_part_of_a_page(house: House) -> None:
    """But those that are there only while something is to be decided, which have tests of their own."""
    with house.app.test_request_context():
        for place in set(Spot) - {Spot.PROPOSED, Spot.TRANSFER, Spot.INVITATION, Spot.BEGIN}:
            endpoint, part, _ = place.value
            whose = {"patient_id": house.patient_id} if endpoint.startswith("clinic.patient.") else {}
            path = house.app.url_for(endpoint, **whose)
            view: Any = house.app.view_functions[endpoint]
            role = Role.ADMINISTRATOR if view.needs == "administer" else Role.NURSE
            g.pop("staff_now", None)
            assert not part or f'id="{part}"' in page(house, path, role), place


def test_what_the_inbox_and_the_patients_page_tell_leads_to_its_field(house: House) -> None:
    facts: list[TaskFacts] = [
        LongSilence(3, SilenceCause.NOT_ASKED, house.clock.now().date()),
        NobodyToReach(Whose.CAREGIVER, StepKind.NUDGE, uuid.uuid4()),
        StartTexted(uuid.uuid4(), Whose.PATIENT),
    ]
    with write_session(house.engine) as session:
        for number, one in enumerate(facts):
            care_tasks.raise_task(session, house.clinic_id, house.patient_id, one, f"t-{number}", house.clock.now())
    upkeep = f"/clinic/patients/{house.patient_id}/upkeep"
    for path in ("/clinic/inbox", f"/clinic/patients/{house.patient_id}"):
        text = page(house, path)
        wanted = {f"{upkeep}#{place.value[1]}" for one in facts for place in spots(one)}
        assert wanted == {f"{upkeep}#{part}" for part in ("plan", "contacts", "consents")}
        assert all(f'href="{one}"' in text for one in wanted), path


def test_a_caregiver_who_is_never_asked_is_shown_with_the_reason(house: House) -> None:
    """By what lacks, one after the other: agreements, a way to reach them, a step of the follow-up."""
    path = f"/clinic/patients/{house.patient_id}"

    def told() -> list[Never]:
        text = page(house, path)
        return [never for never, words in NEVER.items() if str(words) in text]

    with house.app.test_request_context():
        assert told() == [Never.NOT_BOTH_AGREED]
        with building(house.engine, house.clock.now()) as build:
            patient = build.session.get_one(Patient, house.patient_id)
            caregiver = build.session.get_one(Caregiver, house.caregiver_id)
            build.consent(patient, ConsentKind.CAREGIVER, True, caregiver)
            build.consent(patient, ConsentKind.MESSAGES, True, caregiver)
        assert told() == [Never.NO_WAY]
        with building(house.engine, house.clock.now()) as build:
            build.contact(build.session.get_one(Caregiver, house.caregiver_id))
        assert told() == []
        with write_session(house.engine) as session:
            clinic = session.get_one(Clinic, house.clinic_id)
            clinic.steps = as_json([one for one in from_json(clinic.steps) if one.kind is not StepKind.NUDGE])
        assert told() == [Never.NO_STEP]


def test_a_transfer_is_asked_for_and_accepted_on_pages(house: House, build: Callable[..., House]) -> None:
    there = build("Saltmarsh Clinic", number="+447700900009")
    asked_by, nurse = house.staff(), there.staff()

    def send(client: Any, on: str, to: str, **form: str) -> Any:
        token = re.search(r'name="csrf_token" value="([^"]+)"', client.get(on).get_data(as_text=True))
        assert token is not None
        return client.post(to, data={"csrf_token": unescape(token[1]), **form})

    upkeep = f"/clinic/patients/{house.patient_id}/upkeep"
    answer = send(asked_by, upkeep, f"{upkeep}/transfer", to_clinic_id=str(there.clinic_id), how="signed form")
    assert answer.status_code == 303
    told = unescape(asked_by.get(upkeep).get_data(as_text=True))
    assert "Asked. Until the other clinic accepts, you look after them." in told
    assert "Saltmarsh Clinic was asked" in told
    with write_session(house.engine) as session:
        (one,) = transfers.of_clinic(session, there.clinic_id)
    path = f"/clinic/transfers/{one.transfer.id}"
    assert path in page(there, "/clinic/inbox")
    assert "Asha Invented" not in page(there, "/clinic/inbox")
    seen = nurse.get(path).get_data(as_text=True)
    assert "Asha Invented" in seen
    assert "+447700900001" not in seen  # no more than is needed to answer
    assert nurse.get(upkeep).status_code == 404
    # The number that somebody there has already is refused, and what was typed is still there.
    answer = send(nurse, path, f"{path}/accept", clinic_ref="F-1")
    assert (answer.status_code, 'value="F-1"' in answer.get_data(as_text=True)) == (422, True)
    assert send(nurse, path, f"{path}/accept", clinic_ref="S-2").headers["Location"].endswith(upkeep)
    assert nurse.get(upkeep).status_code == 200
    # Their former clinic reads where they went, on every page of theirs; who does not enrol there, and a stranger, not.
    stranger, reader = build("Saltholt Clinic", number="+447700900010").staff(), house.staff(Role.ADMINISTRATOR)
    for where in (upkeep, f"/clinic/patients/{house.patient_id}"):
        seen = {one: one.get(where) for one in (asked_by, stranger, reader)}
        told = [one for one, answer in seen.items() if "Saltmarsh Clinic looks after them now" in answer.text]
        assert (told, {answer.status_code for answer in seen.values()} - {403}) == ([asked_by], {404})
    assert "you see nothing new of them." in asked_by.get(path).get_data(as_text=True)
    assert send(nurse, "/clinic/inbox", f"{path}/decline", reason="late").status_code == 422
    # And back, by API.
    here = house.machine
    asked = there.machine.post(f"/patients/{house.patient_id}/transfers",
                               {"to_clinic_id": str(house.clinic_id), "how": "by telephone"})  # fmt: skip
    assert asked.status_code == 201
    items = here.get("/transfers").json["items"]
    assert sorted(one["transfer"]["state"] for one in items) == ["accepted", "asked"]
    assert here.post(f"/transfers/{asked.json['id']}/accept", {"clinic_ref": "F-1"}).json["clinic_ref"] == "F-1"
    assert there.machine.get(f"/patients/{house.patient_id}").status_code == 404
    assert there.machine.post(f"/transfers/{asked.json['id']}/decline", {"reason": "x"}).status_code == 404
    names = [one["name"] for one in here.get("/transfers/clinics").json["items"]]
    assert names == ["Saltholt Clinic", "Saltmarsh Clinic"]
