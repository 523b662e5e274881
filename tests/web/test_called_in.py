"""What a gateway calls in, behind the wall between clinics: on PostgreSQL the web serves by its own role."""

from __future__ import annotations

import json
from dataclasses import replace

from service.care import contacts
from service.domain.vocabulary import ConsentKind
from service.store.session import read_session
from service.transports.textgateway import signature
from tests.web.conftest import House

SECRET = "a secret of the gateway and ours, nobody else's"
NUMBER = "+447700900001"


def says(house: House, *texts: str) -> None:
    held = house.app.extensions["neaptide"]
    house.app.extensions["neaptide"] = replace(held, settings=replace(held.settings, text_callback_secret=SECRET))
    stamp = str(int(house.clock.now().timestamp()))
    for place, text in enumerate(texts):
        at = house.clock.now().isoformat()
        raw = json.dumps(
            {"replies": [{"reference": f"{text}-{place}", "from": NUMBER, "text": text, "at": at}]}
        ).encode()
        signed = {"Neaptide-Timestamp": stamp, "Neaptide-Signature": signature(SECRET, stamp, raw)}
        answer = house.app.test_client().post(
            "/api/v1/callbacks/text", data=raw, content_type="application/json", headers=signed
        )
        assert answer.status_code == 204, answer.get_data(as_text=True)


def test_a_stop_that_is_called_in_ends_messages_and_a_start_begins_them_again(house: House) -> None:
    def agrees() -> bool:
        with read_session(house.engine) as session:
            return contacts.has_consent(session, house.patient_id, ConsentKind.MESSAGES)

    assert agrees()
    says(house, "STOP")
    assert not agrees()
    says(house, "START")
    assert agrees()
