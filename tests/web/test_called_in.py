"""What a gateway calls in, behind the wall between clinics: on PostgreSQL the web serves by its own role."""

from __future__ import annotations

import json
import uuid
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, update

from service.care import contacts
from service.domain.vocabulary import ConsentKind, MessageState
from service.store.session import read_session, write_session
from service.store.tables import DeadLetter, InboundText, Message, QuarantinedRow
from service.transports.textgateway import signature
from service.web.services import Services
from tests.builder import building
from tests.house import House as Visited
from tests.house import open_house
from tests.web.conftest import House

SECRET = "a secret of the gateway and ours, nobody else's"
NUMBER = "+447700900001"


def call(house: House | Visited, body: dict[str, Any]) -> None:
    """As the gateway calls: signed, and one that is told of as often as it is not answered well."""
    stamp, raw = str(int(services_of(house).clock.now().timestamp())), json.dumps(body).encode()
    signed = {"Neaptide-Timestamp": stamp, "Neaptide-Signature": signature(SECRET, stamp, raw)}
    answer = house.app.test_client().post(
        "/api/v1/callbacks/text", data=raw, content_type="application/json", headers=signed
    )
    assert answer.status_code == 204, answer.get_data(as_text=True)


def services_of(house: House | Visited) -> Services:
    held: Services = house.app.extensions["neaptide"]
    return held


def says(house: House | Visited, *texts: str, number: str = NUMBER) -> None:
    held = services_of(house)
    house.app.extensions["neaptide"] = replace(held, settings=replace(held.settings, text_callback_secret=SECRET))
    for text in texts:
        call(
            house,
            {
                "replies": [
                    {"reference": uuid.uuid4().hex, "from": number, "text": text, "at": held.clock.now().isoformat()}
                ]
            },
        )


def test_a_stop_that_is_called_in_ends_messages_and_a_start_begins_them_again(house: House) -> None:
    def agrees() -> bool:
        with read_session(house.engine) as session:
            return contacts.has_consent(session, house.patient_id, ConsentKind.MESSAGES)

    assert agrees()
    says(house, "STOP")
    assert not agrees()
    says(house, "START")
    assert agrees()


@pytest.fixture
def visited(engine: Engine, tmp_path: Path) -> Visited:
    return open_house(engine, tmp_path, NEAPTIDE_TEXT_CALLBACK_SECRET=SECRET)


def test_every_kind_of_text_and_receipt_is_taken_in_by_a_web_that_sees_one_clinic_at_a_time(visited: Visited) -> None:
    """By what became of each, as `service.intake.texts` tells it; what could not be taken in would be a dead letter."""
    world, shared = visited.world, "+64999900799"
    noa = world.staff("Noa")
    with building(visited.engine, world.now) as build:
        build.patient(world._clinic or build.clinic(), "Ida Brook", phones=(shared,))
        build.patient(build.clinic("Saltholt Clinic", sender_name="Saltholt"), "Ada Otherwise", phones=(shared,))
    asha, ben, nurse = (world.phone(one).number for one in (visited.asha, visited.ben, noa))

    def became(number: str, *texts: str) -> list[str]:
        says(visited, *texts, number=number)
        return [row.outcome for row in visited.rows(InboundText)[-len(texts) :]]

    assert became(asha, "HELP", "82.4", "chest pain") == ["helped", "answered", "safety"]
    visited.nudged()
    assert became(ben, "help me", "not sure, sorry", "2", "she fainted") == [
        "safety",
        "asked_again",
        "answered",
        "safety",
    ]
    assert became(nurse, "are you there", "chest pain", "STOP", "START") == ["passed", "safety", "stopped", "started"]
    assert became("+64999900798", "hello", "chest pain", "STOP") == ["stranger", "safety", "stopped"]
    assert became(shared, "chest pain", "82.4", "2", "84", "HELP") == [
        "safety",
        "answered",
        "chosen",
        "answered",
        "helped",
    ]
    assert became(shared, "STOP", "START") == ["stopped", "started"]
    sent = {one.clinic_id: one.id for one in visited.rows(Message) if one.staff_id is None}.values()
    with write_session(visited.engine) as session:
        session.execute(update(Message).where(Message.id.in_(sent)).values(state=MessageState.UNCERTAIN))
    of_both_and_of_none = [
        {"id": str(one), "outcome": "failed", "at": world.now.isoformat()} for one in (*sent, noa.id)
    ]
    call(visited, {"receipts": of_both_and_of_none})
    assert [one.state for one in visited.rows(Message) if one.id in sent] == [MessageState.FAILED] * 2
    assert (visited.rows(DeadLetter), visited.rows(QuarantinedRow)) == ([], [])
