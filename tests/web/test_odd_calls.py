"""Calls that no page of ours makes: values that cannot be, forms of somebody else's, what reaches far long after."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select

from service.accounts.sessions import CONFIRMED_FOR
from service.accounts.staff import add_staff, close_account
from service.domain.vocabulary import ContactState, Role
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import ApiKey, Clinic, Contact, Message
from tests.builder import building
from tests.house import token_on
from tests.web.conftest import House
from tests.web.test_api_edges import with_form_token

pytestmark = pytest.mark.databases("sqlite")
PATIENT = "/clinic/patients/{patient}"
BRACKETS = "[" * 100_000
FAR = "9" * 30


def opened(house: House, role: Role = Role.NURSE) -> tuple[Any, str]:
    """A browser of this role, and its form token."""
    client = house.staff(role)
    return client, token_on(client.get("/password").get_data(as_text=True))


@pytest.mark.parametrize(
    ("role", "path", "form", "status"),
    [
        (Role.NURSE, PATIENT + "/record/arm-pressures", {"arm-systolic": "120"}, 422),
        (Role.NURSE, PATIENT + "/plan/frequency", {"days_a_week": "nan"}, 303),
        (Role.NURSE, PATIENT + "/plan/frequency", {"days_a_week": "1e999"}, 303),
        (Role.NURSE, PATIENT + "/plan/frequency", {"days_a_week": "3", "from_date": "9999-12-31"}, 303),
        (Role.NURSE, "/clinic/drafts", {"form": "/x", "typed": BRACKETS}, 400),
        (Role.NURSE, f"/clinic/messages?before={FAR}", None, 200),
        (Role.ADMINISTRATOR, f"/clinic/audit?after={FAR}", None, 200),
    ],
)
def test_what_cannot_be_is_told_and_no_fault_of_ours(
    house: House, role: Role, path: str, form: dict[str, str] | None, status: int
) -> None:
    client, token = opened(house, role)
    path = path.format(patient=house.patient_id)
    answer = client.get(path) if form is None else client.post(path, data={"csrf_token": token, **form})
    assert answer.status_code == status


def test_what_is_too_large_is_said_to_be(house: House) -> None:
    answer = house.app.test_client().post("/signin", data={"body": "x" * 5_000_000})
    assert answer.status_code == 413
    assert "This is too large" in answer.get_data(as_text=True)


@pytest.mark.databases("sqlite", "postgresql")
def test_a_sign_that_no_database_keeps_is_left_out_of_what_is_begun(house: House) -> None:
    client, token = opened(house)
    answer = client.post("/clinic/enrol", data={"csrf_token": token, "name": "Mara\x00 Invented", "do": "later"})
    assert answer.status_code == 303
    assert "Mara" in client.get("/clinic/enrol").get_data(as_text=True)


def test_a_closed_account_is_sent_no_link_and_that_is_said(house: House) -> None:
    with write_session(house.engine) as session:
        act = Act(session, OPERATOR, house.clinic_id, house.clock.now())
        gone = add_staff(act, "gone@fernmoor.example", "Gone", [Role.NURSE])
        close_account(act, gone)
    client, token = opened(house, Role.ADMINISTRATOR)
    answer = client.post(f"/clinic/colleagues/{gone.id}/reset", data={"csrf_token": token}, follow_redirects=True)
    assert "an account that is open" in answer.get_data(as_text=True)


def test_keys_contacts_and_the_second_step_are_changed_by_whoever_showed_lately_that_it_is_they(house: House) -> None:
    with read_session(house.engine) as session:
        key = session.scalars(select(ApiKey)).one().id
        contact = session.scalars(select(Contact).where(Contact.patient_id == house.patient_id)).first()
    assert contact is not None
    administrator = house.staff(Role.ADMINISTRATOR)
    nurse, hers = opened(house)
    headers = with_form_token(house.app, administrator)
    token = headers["X-CSRFToken"]
    house.clock.advance(CONFIRMED_FOR + timedelta(seconds=1))
    mended = {"csrf_token": hers, "mend": str(contact.id), "address": "+447700900999"}
    patient = f"/clinic/patients/{house.patient_id}"
    reaching = ("upkeep/contacts", "upkeep/caregivers", "upkeep/transfer", "ways/push-link", f"ways/{contact.id}/first")
    told = [
        administrator.post("/clinic/keys", data={"csrf_token": token, "name": "x", "scopes": "review"}),
        administrator.post(f"/clinic/keys/{key}/revoke", data={"csrf_token": token}),
        nurse.post(f"{patient}/upkeep/contacts", data=mended),
        *(nurse.post(f"{patient}/{path}", data={"csrf_token": hers}) for path in reaching),
    ]
    assert {one.headers["Location"].split("?")[0] for one in told} == {"/confirm"}
    for path in (f"patients/{house.patient_id}/contacts", f"patients/{house.patient_id}/caregivers",
                 f"patients/{house.patient_id}/push-link", f"patients/{house.patient_id}/transfers",
                 f"contacts/{contact.id}/first", f"caregivers/{house.caregiver_id}/contacts"):  # fmt: skip
        by_api = nurse.post(f"/api/v1/{path}", json={}, headers={"X-CSRFToken": hers})
        assert (by_api.status_code, "/confirm" in by_api.get_json(force=True)["detail"]) == (403, True), path
    for change, status in (({"second_step": False}, 403), ({"silent_days": 3}, 200)):
        assert administrator.patch("/api/v1/clinic", json=change, headers=headers).status_code == status
    with read_session(house.engine) as session:
        assert [(one.id, one.revoked_at) for one in session.scalars(select(ApiKey))] == [(key, None)]
        assert session.get_one(Contact, contact.id).address == contact.address


def test_a_test_message_goes_to_the_patient_of_the_page_alone(house: House) -> None:
    with building(house.engine, house.clock.now()) as build:
        other = build.patient(build.session.get_one(Clinic, house.clinic_id), ref="F-2", phones=("+447700900044",))
        contact = build.session.scalars(select(Contact).where(Contact.patient_id == other.id)).one()
    assert contact.state is ContactState.OK
    client, token = opened(house)
    answer = client.post(
        f"/clinic/enrol/done/{house.patient_id}/test", data={"csrf_token": token, "contact": str(contact.id)}
    )
    assert answer.status_code == 404
    with read_session(house.engine) as session:
        assert session.scalar(select(Message.id)) is None
