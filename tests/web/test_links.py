"""Links: keys nobody can guess, kept as digests, of one purpose, revoked by staff, and in no log."""

from __future__ import annotations

import hashlib
import re
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, select, text

from service.accounts import keys
from service.domain.vocabulary import LinkPurpose, Scope
from service.links import REMEMBERED, Leads, forget_over, is_over
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Base, LinkKey
from tests.builder import building
from tests.house import House, open_house, token_on, words
from tests.signed_in import sign_in_as
from tests.statements import statements_of

pytestmark = pytest.mark.databases("sqlite")

PATHS = ["c", "g", "i", "push"]


@pytest.fixture
def house(engine: Engine, tmp_path: Path) -> House:
    return open_house(engine, tmp_path)


def key_in(path: str) -> str:
    return path.rpartition("/")[2]


def test_a_key_is_128_random_bits_and_no_two_are_alike(house: House) -> None:
    house.world.at(house.asha, "10:01")
    bodies = [kept.body for kept in house.world.gateway.messages()]
    found = [match[1] for body in bodies for match in re.finditer(r"/[cg]/(\S+)", body)]
    assert len(found) == len(set(found)) > 1
    # RFC 4648, section 5: 16 bytes are 22 characters of the URL-safe alphabet.
    assert all(re.fullmatch(r"[A-Za-z0-9_-]{22}", key) for key in found)


def test_the_database_has_the_digest_and_nowhere_the_key(house: House, engine: Engine) -> None:
    key = key_in(house.link(house.asha))
    with read_session(engine) as session:
        held = session.scalars(select(LinkKey)).all()
        every = [
            str(row) for table in Base.metadata.sorted_tables for row in session.execute(text(f"SELECT * FROM {table}"))
        ]
    assert hashlib.sha256(key.encode()).hexdigest() in {row.key_hash for row in held}
    assert held[0].window_id == house.window().id
    assert held[0].patient_id == house.asha.id
    assert [row for row in every if key in row] == []


def test_a_key_opens_its_own_page_and_none_of_another_purpose(house: House) -> None:
    mine = {"c": house.link(house.asha), "g": house.nudged(), "push": house.world.push_link(house.asha)}
    for letter, path in mine.items():
        for other in PATHS:
            status = house.client.get(f"/{other}/{key_in(path)}").status_code
            assert (status == 200) == (other == letter), (letter, other)
            assert status in {200, 404}
    assert house.client.get(f"/cal/{key_in(mine['c'])}.ics").status_code == 404


def test_a_key_that_is_none_costs_the_same_work_whatever_it_looks_like(house: House, engine: Engine) -> None:
    """One look at an index for each: nothing tells a near miss, or a key of another purpose, from nonsense."""
    key = key_in(house.link(house.asha))
    counted = []
    for tried in (key[:-1] + ("A" if key[-1] != "A" else "B"), key + "x", "x", "x" * 5000, "%00", "é" * 22):
        with statements_of(engine) as said:
            assert house.client.get(f"/c/{tried}").status_code == 404
        counted.append(said)
    with statements_of(engine) as said:
        assert house.client.get(f"/g/{key}").status_code == 404
    counted.append(said)
    assert all(one == counted[0] for one in counted)
    assert len([one for one in counted[0] if "link_keys" in one]) == 1


def test_staff_revoke_every_link_of_a_patient_and_the_next_message_has_a_new_one(house: House) -> None:
    old = [house.link(house.asha), house.nudged(), house.world.push_link(house.ben)]
    client, page = house.client, f"/clinic/patients/{house.asha.id}"
    sign_in_as(client, house.hire_nurse().id, house.world.now)
    asked = client.get(f"{page}/ways/revoke-links").get_data(as_text=True)
    assert "a telephone is lost" in words(asked)
    assert [house.client.get(path).status_code for path in old] == [200, 200, 200]  # asking changes nothing
    assert client.post(f"{page}/ways/revoke-links", data={"csrf_token": token_on(asked)}).status_code == 303
    assert "open nothing any more" in words(client.get(page).get_data(as_text=True))
    for path in old:
        answer = house.client.get(path)
        assert answer.status_code == 410
        assert "+64 9 999 0100" in answer.get_data(as_text=True)  # whom to call
        assert house.client.post(path, data={"tiredness": "1", "answer": "away"}).status_code == 410
    assert house.checkins() == []
    (line,) = [line for line in house.rows(AuditLine) if line.action == "links.revoke"]
    assert (line.subject_id, line.actor_kind.value, line.detail["links"] >= 3) == (house.asha.id, "staff", True)
    house.world.at(house.asha, "07:30")
    assert house.client.get(house.link(house.asha)).status_code == 200


def test_a_machine_revokes_links_of_its_own_clinics_patients_alone(house: House) -> None:
    path = house.link(house.asha)
    with building(house.engine, house.world.now) as build:
        other = build.clinic("Otherwise Clinic")
    for clinic_id, status, opens in ((other.id, 404, 200), (house.asha.clinic_id, 200, 410)):
        with write_session(house.engine) as session:
            act = Act(session, OPERATOR, clinic_id, house.world.now)
            _, secret = keys.issue_key(act, "machine", [Scope.ENROL])
        answer = house.client.post(
            f"/api/v1/patients/{house.asha.id}/links/revoke", headers={"Authorization": f"Bearer {secret}"}
        )
        assert answer.status_code == status
        assert house.client.get(path).status_code == opens
        sent = house.client.post("/api/v1/checkins", json={"token": key_in(path), "breathlessness": 3})
        assert sent.status_code == (201 if opens == 200 else 403)
    assert answer.get_json()["links"] >= 1


def test_a_link_that_is_long_over_is_let_go_of_and_others_stay(house: House) -> None:
    world, day = house.world, timedelta(days=1)
    with write_session(house.engine) as session:
        whose = house.asha.clinic_id, house.asha.id
        made = {
            purpose: key_in(world.links.make(session, Leads(purpose, *whose), world.now, world.now + day))
            for purpose in LinkPurpose
        }
    later = world.now + day + REMEMBERED
    for now, left in ((later, 5), (later + timedelta(seconds=1), 2)):
        with write_session(house.engine) as session:
            forget_over(session, now)
            hashes = set(session.scalars(select(LinkKey.key_hash)))
        kept = {one for one, key in made.items() if hashlib.sha256(key.encode()).hexdigest() in hashes}
        assert len(kept) == left
    assert kept == {LinkPurpose.PUSH, LinkPurpose.CALENDAR}  # ends notices as long as they come; says that it has ended
    assert is_over(world.link(made[LinkPurpose.PUSH], LinkPurpose.PUSH), world.now + day)
