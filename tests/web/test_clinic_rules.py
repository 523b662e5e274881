"""The clinic's own rules for the record: read from a plain form, refused by field, and gone back to the start."""

from __future__ import annotations

import re
from html import unescape

import pytest

from service.domain.record import rules
from service.domain.record.aftercare import Aftercare
from service.domain.vocabulary import MedicineClass, Paper, Role
from service.store.session import read_session
from service.store.tables import Clinic
from tests.signed_in import sign_in_as
from tests.web.conftest import House

pytestmark = pytest.mark.databases("sqlite")
PAGE = "/clinic/rules"


def test_an_administrator_sets_what_follows_a_stay_and_goes_back_to_the_start(house: House) -> None:
    browser = house.staff(Role.ADMINISTRATOR)

    def send(expected: int, **changed: str) -> str:
        page = browser.get(PAGE).get_data(as_text=True)
        known = dict(re.findall(r'<input[^>]* name="([^"]+)" value="([^"]*)"', page))
        (factors,) = re.findall(r"<textarea[^>]*>([^<]*)<", page)
        form = known | {"loop_factors": unescape(factors), "contact_role": "nurse"} | changed
        answer = browser.post(PAGE, data=form)
        assert answer.status_code == expected
        return unescape(answer.get_data(as_text=True))

    def kept() -> rules.RecordRules:
        with read_session(house.engine) as session:
            return rules.from_json(session.get_one(Clinic, house.clinic_id).record_rules)

    start = rules.from_json(None)
    send(303)
    assert kept() == start  # what the page shows is what is in force
    send(303, call_days="", visit_weeks="2, 4", watched_days="14", daily_days="7", closer_days="21",
         contact_role="physician", chemistry_mra="7", loop_factors="Torasemide oral: 4\nfurosemide iv: 1,5")  # fmt: skip
    assert kept().aftercare == Aftercare(None, (2, 4), Role.PHYSICIAN, 14, 7, 21)
    assert kept().chemistry_days[MedicineClass.MRA] == (7,)
    assert {which: str(factor) for which, factor in kept().loop_factors.items()} == {
        "torasemide oral": "4", "furosemide iv": "1.5",
    }  # fmt: skip
    refused = send(422, visit_weeks="2, soon")
    assert "Visits after so many weeks: accepted is whole numbers" in refused
    assert 'value="2, soon"' in refused
    assert "Days with a lower bar for a rise: accepted is" in send(422, watched_days="500")
    send(303, do="start")
    assert kept() == start
    send(303, do="paper", paper="letter")
    assert "Paper on which records are printed: accepted is one of the list" in send(422, do="paper", paper="papyrus")
    with read_session(house.engine) as session:
        clinic = session.get_one(Clinic, house.clinic_id)
        assert (clinic.paper, clinic.record_rules) == (Paper.LETTER, None)


def test_a_nurse_does_not_set_the_clinics_rules(house: House) -> None:
    client = house.app.test_client()
    sign_in_as(client, house.staff_id(Role.NURSE), house.clock.now())
    assert client.get(PAGE).status_code == 403
