"""A message by hand, from the row, from the patient's page and over the API; and the list that it is chosen from.

No outside source: these are this service's own pages.
"""

from __future__ import annotations

import re

import pytest
from sqlalchemy import select

from service.domain.vocabulary import ConsentKind, MessageKind, Role
from service.store.session import read_session, write_session
from service.store.tables import Message, Patient, Phrase
from tests.builder import Builder
from tests.house import token_on
from tests.web.conftest import House
from tests.web.test_api_edges import with_form_token

pytestmark = pytest.mark.databases("sqlite")


def offered(page: str) -> list[str]:
    return re.findall(r'name="phrase_id" value="([^"]+)"', page)


def sent(house: House) -> list[str]:
    with read_session(house.engine) as session:
        kept = session.scalars(select(Message).where(Message.kind == MessageKind.FROM_CLINIC))
        return [message.params["text"] for message in kept]


@pytest.mark.parametrize("by_script", [False, True])
def test_a_message_goes_out_from_the_row_which_stays_open_and_is_shown_on_the_patients_page(house, by_script) -> None:
    nurse, row = house.staff(), f"/clinic/review/{house.patient_id}"
    page = nurse.get(f"/clinic/review?open={house.patient_id}").get_data(as_text=True)
    form = {"csrf_token": token_on(page), "phrase_id": offered(page)[0]}
    part = {"X-Part": "row"} if by_script else {}
    answer = nurse.post(f"{row}/message", data=form, headers=part, follow_redirects=True).get_data(as_text=True)
    assert "It is on its way." in answer
    assert len(offered(answer)) == 3
    assert sent(house) == ["We have seen your answers. We will call you this afternoon."]
    again = nurse.post(f"/clinic/patients/{house.patient_id}/message", data=form, follow_redirects=True)
    shown = again.get_data(as_text=True)
    assert "Not sent again: the same words went to this patient today." in shown
    assert "Sent by hand, text: queued “We have seen your answers. We will call you this afternoon.”" in shown
    assert len(sent(house)) == 1


def test_where_none_can_leave_that_is_said_and_no_form_is_there(house: House) -> None:
    with write_session(house.engine) as session:
        builder = Builder(session, house.clock.now())
        builder.consent(session.get_one(Patient, house.patient_id), ConsentKind.MESSAGES, False)
    nurse = house.staff()
    for path in (f"/clinic/review?open={house.patient_id}", f"/clinic/patients/{house.patient_id}"):
        page = nurse.get(path).get_data(as_text=True)
        assert "No message can be sent: there is no consent to messages on record." in page
        assert offered(page) == []
    headers = with_form_token(house.app, nurse)
    with read_session(house.engine) as session:
        phrase_id = str(session.scalars(select(Phrase.id)).first())
    path = f"/api/v1/patients/{house.patient_id}/message"
    told = nurse.get(path).get_json()
    assert (told["can_leave"], told["why"]) == (False, "consent_withdrawn")
    refused = nurse.post(path, json={"phrase_id": phrase_id}, headers=headers)
    assert (refused.status_code, refused.get_json()["detail"]) == (409, "it would not leave: consent_withdrawn.")
    assert sent(house) == []


def test_the_list_is_the_administrators_on_the_page_and_over_the_api(house: House) -> None:
    admin = house.staff(Role.ADMINISTRATOR)
    page = admin.get("/clinic/wordings/by-hand/new").get_data(as_text=True)
    form = {"csrf_token": token_on(page), "body-en": "Your pills are ready {name}", "body-es": ""}
    refused = admin.post("/clinic/wordings/by-hand/new", data=form)
    assert refused.status_code == 422
    assert ">Your pills are ready {name}</textarea>" in refused.get_data(as_text=True)
    form["body-en"] = "Your heart pills are ready."
    listed = admin.post("/clinic/wordings/by-hand/new", data=form, follow_redirects=True).get_data(as_text=True)
    assert "Your heart pills are ready." in listed
    headers = with_form_token(house.app, admin)
    phrases = admin.get("/api/v1/phrases").get_json()["items"]
    assert [sorted(one["bodies"]) for one in phrases] == [["en", "es"]] * 3 + [["en"]]
    one = f"/api/v1/phrases/{phrases[-1]['id']}"
    doubtful = admin.get(f"/clinic/wordings/by-hand/{phrases[-1]['id']}").get_data(as_text=True)
    assert "locked screen beside a stranger: heart" in doubtful
    changed = admin.put(one, json={"bodies": {"en": "Please call us: {phone}"}}, headers=headers)
    assert changed.get_json()["bodies"] == {"en": "Please call us: {phone}"}
    assert admin.post(f"{one}/drop", headers=headers).status_code == 200
    assert len(admin.get("/api/v1/phrases").get_json()["items"]) == 3
    nurse = house.staff()
    token = with_form_token(house.app, nurse)
    assert nurse.put(one, json={"bodies": {"en": "No."}}, headers=token).status_code == 403
    assert nurse.get("/clinic/wordings/by-hand/new").status_code == 403
