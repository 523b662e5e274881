"""Links for notices: made by staff, machines and operators of the person's own clinic, audited, and only where they work."""

from __future__ import annotations

import re
import uuid
from datetime import datetime, timedelta
from html import unescape
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine, select
from werkzeug.test import TestResponse

from service.accounts import keys
from service.accounts.staff import add_staff
from service.domain.vocabulary import Channel, ConsentKind, LinkPurpose, Role, Scope
from service.store.audit import OPERATOR, Act
from service.store.session import write_session
from service.store.tables import AuditLine, Caregiver, Consent, Contact, IdempotentCall, Patient, Staff
from service.transports.webpush import WebPush
from tests.builder import building
from tests.house import House, open_house, token_on, words
from tests.pushed import CONTACT, PUSH_KEY, Browser, open_push_house, public_key
from tests.signed_in import sign_in_as
from tests.usecases.test_cli import Run, done, run

pytestmark = pytest.mark.databases("sqlite")

__all__ = ["run"]

MISSING = "the setting NEAPTIDE_PUSH_KEY is missing"


@pytest.fixture
def house(engine: Engine, tmp_path: Path) -> House:
    return open_push_house(engine, tmp_path)


@pytest.fixture
def bare(engine: Engine, tmp_path: Path) -> House:
    """A service without a push key."""
    return open_house(engine, tmp_path)


def nurse(house: House) -> FlaskClient:
    client = house.client
    sign_in_as(client, house.hire_nurse().id, house.world.now)
    return client


def promote(house: House) -> None:
    with write_session(house.engine) as session:
        session.scalars(select(Staff)).one().roles = [Role.NURSE, Role.ADMINISTRATOR]


def machine(
    house: House, path: str, clinic_id: uuid.UUID | None = None, key: str = "", body: dict[str, Any] | None = None
) -> TestResponse:
    with write_session(house.engine) as session:
        _, secret = keys.issue_key(
            Act(session, OPERATOR, clinic_id or house.asha.clinic_id, house.world.now),
            "machine",
            [Scope.ENROL, Scope.CONTACTS],
        )
    headers = {"Authorization": f"Bearer {secret}"} | ({"Idempotency-Key": key} if key else {})
    return house.client.post(f"/api/v1{path}", json=body or {}, headers=headers)


def other_clinic(house: House) -> tuple[uuid.UUID, Patient, Caregiver]:
    """(clinic, its patient, their caregiver)"""
    with building(house.engine, house.world.now) as build:
        clinic = build.clinic("Otherwise Clinic")
        patient = build.patient(clinic, "Cleo Invented")
        return clinic.id, patient, build.caregiver(patient, "Dan Invented")


def made_links(house: House) -> list[tuple[str, str, uuid.UUID | None]]:
    lines = [line for line in house.rows(AuditLine) if line.action == "push_link.make"]
    return sorted(((line.actor_kind.value, line.subject_kind, line.subject_id) for line in lines), reverse=True)


def opens_for(house: House, link: str, person: Patient | Caregiver) -> datetime:
    """The link's end, once it is seen to be this person's and to open."""
    parts = urlsplit(link)
    assert f"{parts.scheme}://{parts.netloc}" == "http://127.0.0.1:8000"
    opened = house.world.link(parts.path.rpartition("/")[2], LinkPurpose.PUSH)
    assert (opened.caregiver_id or opened.patient_id) == person.id
    assert house.client.get(parts.path).status_code == 200
    return opened.until


# --- the patient's page ---------------------------------------------------------------------


@pytest.mark.parametrize("whose", ["patient", "caregiver"])
def test_staff_make_a_link_on_the_patients_page(house: House, whose: str) -> None:
    client, page = nurse(house), f"/clinic/patients/{house.asha.id}"
    person = house.asha if whose == "patient" else house.ben
    told = client.get(page).get_data(as_text=True)
    assert "Ben Brook" in words(told)
    form = {"csrf_token": token_on(told)} | ({"caregiver": str(house.ben.id)} if whose == "caregiver" else {})
    answer = client.post(f"{page}/ways/push-link", data=form)
    shown = answer.get_data(as_text=True)
    found = re.search(r'id="link" readonly rows="4">([^<]+)<', shown)
    assert found is not None
    assert opens_for(house, unescape(found[1]), person) == house.world.now + timedelta(days=7)
    assert answer.headers["Cache-Control"] == "no-store"
    assert made_links(house) == [("staff", whose, person.id)]
    assert person.name in words(shown)


def test_without_a_push_key_the_page_tells_an_administrator_which_setting_is_missing(bare: House) -> None:
    client, page = nurse(bare), f"/clinic/patients/{bare.asha.id}"
    told = client.get(page).get_data(as_text=True)
    assert MISSING not in words(told)  # a nurse can do nothing about it
    promote(bare)
    told = client.get(page).get_data(as_text=True)
    assert MISSING in words(told)
    assert "push-link" not in told
    assert client.post(f"{page}/ways/push-link", data={"csrf_token": token_on(told)}).status_code == 303
    assert "No link was made" in client.get(page).get_data(as_text=True)
    assert made_links(bare) == []


def test_nobody_makes_a_link_for_another_clinics_people(house: House) -> None:
    _, cleo, dan = other_clinic(house)
    client = nurse(house)
    form = {"csrf_token": token_on(client.get(f"/clinic/patients/{house.asha.id}").get_data(as_text=True))}
    assert client.post(f"/clinic/patients/{cleo.id}/ways/push-link", data=form).status_code == 404
    for caregiver in (str(dan.id), "x"):
        answer = client.post(f"/clinic/patients/{house.asha.id}/ways/push-link", data=form | {"caregiver": caregiver})
        assert answer.status_code == 404
    assert made_links(house) == []


def test_a_link_without_the_form_token_is_not_made(house: House) -> None:
    assert nurse(house).post(f"/clinic/patients/{house.asha.id}/ways/push-link").status_code == 400
    assert house.client.post(f"/clinic/patients/{house.asha.id}/ways/push-link").status_code in {302, 303, 400}
    assert made_links(house) == []


def test_a_phone_is_shown_without_its_address_and_another_contact_can_be_put_first(house: House) -> None:
    client, page = nurse(house), f"/clinic/patients/{house.asha.id}"
    house.client.post(house.world.push_link(house.asha), json=Browser().subscription)
    told = client.get(page).get_data(as_text=True)
    assert "push.example" not in told
    assert words(told).index("Notices on their phone") < words(told).index("Text: +64")
    text = next(one for one in house.rows(Contact) if one.patient_id == house.asha.id and one.channel is Channel.TEXT)
    form = {"csrf_token": token_on(told)}
    assert client.post(f"{page}/ways/{text.id}/first", data=form).status_code == 303
    order = sorted((one.position, one.channel) for one in house.rows(Contact) if one.patient_id == house.asha.id)
    assert order == [(0, Channel.TEXT), (1, Channel.WEBPUSH)]
    _, cleo, _ = other_clinic(house)
    with building(house.engine, house.world.now) as build:
        foreign = build.contact(cleo)
    for contact_id in (foreign.id, uuid.uuid4()):
        assert client.post(f"{page}/ways/{contact_id}/first", data=form).status_code == 404
    assert client.post(f"/clinic/patients/{uuid.uuid4()}/ways/{text.id}/first", data=form).status_code == 404


# --- REST -----------------------------------------------------------------------------------


def test_a_machine_makes_links_that_are_kept_nowhere(house: House) -> None:
    for path, person in ((f"/patients/{house.asha.id}", house.asha), (f"/caregivers/{house.ben.id}", house.ben)):
        answer = machine(house, f"{path}/push-link")
        assert answer.status_code == 201
        assert opens_for(house, answer.get_json()["link"], person) == datetime.fromisoformat(answer.get_json()["until"])
    assert made_links(house) == [("key", "patient", house.asha.id), ("key", "caregiver", house.ben.id)]
    assert machine(house, f"/patients/{house.asha.id}/push-link", key="the same").status_code == 201
    assert "/push/" not in str([row.body for row in house.rows(IdempotentCall)])


def test_a_machine_of_another_clinic_finds_nobody(house: House) -> None:
    clinic_id, _, _ = other_clinic(house)
    text = next(one for one in house.rows(Contact) if one.patient_id == house.asha.id)
    for path in (
        f"/patients/{house.asha.id}/push-link", f"/caregivers/{house.ben.id}/push-link", f"/contacts/{text.id}/first",
    ):  # fmt: skip
        assert machine(house, path, clinic_id).status_code == 404
    assert made_links(house) == []


def test_no_link_is_made_without_a_push_key_or_for_somebody_who_takes_no_part(bare: House, house: House) -> None:
    answer = machine(bare, f"/patients/{bare.asha.id}/push-link")
    assert (answer.status_code, MISSING in answer.get_json(force=True)["detail"]) == (409, True)
    house.change(house.ben, active=False)
    assert machine(house, f"/caregivers/{house.ben.id}/push-link").status_code == 422
    assert made_links(house) == []


def test_a_push_contact_is_not_typed_in_by_hand(house: House) -> None:
    """Without a browser's keys it would be an address nobody can be reached at."""
    typed = {"channel": "webpush", "address": "https://push.example/x"}
    answer = machine(house, f"/patients/{house.asha.id}/contacts", body=typed)
    assert answer.status_code == 422
    assert "link" in answer.get_json(force=True)["errors"][0]["accepted"]


# --- the operator ------------------------------------------------------------------------------


def test_an_operator_makes_a_key_and_with_it_a_link(
    house: House, engine: Engine, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    with write_session(engine) as session:
        act = Act(session, OPERATOR, house.asha.clinic_id, house.world.now)
        add_staff(act, "petra@fernmoor.example", "Petra", [Role.NURSE])
    by = ("--as", "petra@fernmoor.example")
    refused = run("api", "POST", f"/patients/{house.asha.clinic_ref}/push-link", *by)
    assert refused.code != 0
    assert MISSING in refused.err

    key = done(run("push", "key")).out
    # What it made is a key to the reference library too (RFC 8292, section 3.2: 65 bytes, uncompressed).
    assert WebPush(key.strip(), CONTACT, lambda: house.world.now).public_key != public_key()
    monkeypatch.setenv("NEAPTIDE_PUSH_KEY", key.strip())
    monkeypatch.setenv("NEAPTIDE_PUSH_CONTACT", CONTACT)
    link = done(run("api", "POST", f"/caregivers/{house.ben.id}/push-link", *by)).json["link"]
    assert re.fullmatch(r"http://127\.0\.0\.1:8000/push/\S{22}", link)
    refused = run("api", "POST", f"/caregivers/{uuid.uuid4()}/push-link", *by)
    assert (refused.code, refused.json["status"]) == (1, 404)
    assert made_links(house) == [("staff", "caregiver", house.ben.id)]


def test_the_public_key_is_the_one_that_the_rfc_gives() -> None:
    # RFC 8291, appendix A: the public key that belongs to the example's private key.
    expected = "BP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8wEqKK6PBru3jl7A8"
    assert public_key() == expected
    assert WebPush(PUSH_KEY, CONTACT, datetime.now).public_key == expected


def test_agreement_to_notices_is_a_consent_of_its_own_over_rest(house: House) -> None:
    agreed = {"kind": "webpush", "given": True, "how": "signed form"}
    answer = machine(house, f"/patients/{house.asha.id}/consents", body=agreed)
    assert answer.status_code == 201
    assert [one.given for one in house.rows(Consent) if one.kind is ConsentKind.WEBPUSH] == [True]
