"""Ending a caregiver on the clinic's pages: asked first, done by a button, and never across clinics."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import unescape

import pytest

from service.domain.vocabulary import Role
from service.store.session import read_session
from service.store.tables import Caregiver
from tests.web.conftest import House

pytestmark = pytest.mark.databases("sqlite")


def is_active(house: House) -> bool:
    with read_session(house.engine) as session:
        return session.get_one(Caregiver, house.caregiver_id).active


def test_a_caregiver_is_ended_after_asking(house: House) -> None:
    client = house.staff(Role.NURSE)
    patient = f"/clinic/patients/{house.patient_id}"
    address = f"{patient}/caregivers/{house.caregiver_id}/end"
    assert address in client.get(patient).get_data(as_text=True)
    asked = client.get(address).get_data(as_text=True)
    assert "is sent nothing about Asha Invented" in asked
    assert is_active(house)  # looking changes nothing
    token = re.search(r'name="csrf_token" value="([^"]+)"', asked)
    assert token is not None
    answer = client.post(address, data={"csrf_token": unescape(token[1])})
    assert (answer.status_code, answer.headers["Location"]) == (303, f"{patient}#ways")
    assert not is_active(house)
    assert address not in client.get(patient).get_data(as_text=True)
    assert "<button>Yes" not in client.get(address).get_data(as_text=True)


def test_another_clinics_caregiver_is_not_there_to_end(build: Callable[..., House]) -> None:
    ours, theirs = build("Fernmoor Clinic"), build("Saltholt Clinic")
    client = theirs.staff(Role.NURSE)
    for patient_id in (ours.patient_id, theirs.patient_id):
        assert client.get(f"/clinic/patients/{patient_id}/caregivers/{ours.caregiver_id}/end").status_code == 404
    assert is_active(ours)
