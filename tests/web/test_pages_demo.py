"""The demo's pages over HTTP: there only in the demo, and nothing in them is pretended."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine, select

from service.domain.readings import NewReading
from service.domain.vocabulary import MessageKind, SilenceCause, Source
from service.intake.readings import record_reading
from service.store.audit import act_of
from service.store.session import read_session, write_session
from service.store.tables import Contact, Message, Patient, Reading, Silence, Staff
from service.web.pages import lives
from service.web.pages.demo import linked
from tests.house import House, open_house, sign_in, token_on, words
from tests.statements import writes_of

pytestmark = pytest.mark.databases("sqlite")


@pytest.fixture
def house(engine: Engine, tmp_path: Path) -> House:
    return open_house(engine, tmp_path, demo=True)


def phone_of(house: House, number: str) -> str:
    with read_session(house.engine) as session:
        return f"/demo/phone/{session.scalars(select(Contact.id).where(Contact.address == number)).one()}"


def act(client: FlaskClient, page: str, path: str, **form: str) -> object:
    """Send a form as its page would."""
    token = token_on(client.get(page).get_data(as_text=True))
    return client.post(path, data={"csrf_token": token, **form})


def test_outside_the_demo_there_is_none(engine: Engine, tmp_path: Path) -> None:
    house = open_house(engine, tmp_path)
    for path in ("/demo/", phone_of(house, house.world.phone(house.asha).number), "/demo/caught-up"):
        assert house.client.get(path).status_code == 404
    assert house.client.post("/demo/clock", data={"by": "day"}).status_code in {400, 404}
    assert "invented" not in house.client.get("/signin").get_data(as_text=True)


def test_every_page_of_the_demo_says_that_its_people_are_invented(house: House) -> None:
    for path in ("/demo/", "/signin", house.link(house.asha), phone_of(house, house.world.phone(house.ben).number)):
        assert "Demo: invented people." in words(house.client.get(path).get_data(as_text=True))


def test_looking_changes_nothing(house: House) -> None:
    with writes_of(house.engine) as writes:
        for path in ("/demo/", phone_of(house, house.world.phone(house.asha).number), "/demo/caught-up"):
            assert house.client.get(path).status_code == 200
    assert writes == []


def test_the_telephones_are_all_listed(house: House) -> None:
    page = house.client.get("/demo/").get_data(as_text=True)
    for person in (house.asha, house.ben):
        assert f'href="{phone_of(house, house.world.phone(person).number)}"' in page
    assert "expected now" in page


def test_a_telephone_shows_what_was_sent_with_links_that_work(house: House) -> None:
    number = house.world.phone(house.asha).number
    page = house.client.get(phone_of(house, number)).get_data(as_text=True)
    (kept,) = house.world.gateway.messages_to(number)
    assert " ".join(kept.body.split("http", 1)[0].split()) in words(page)
    found = re.search(r'<a href="(http://[^"]+/c/[^"]+)"', page)
    assert found is not None
    assert house.client.get(urlsplit(found[1]).path).status_code == 200


def test_a_text_that_is_sent_reaches_the_gateway(house: House) -> None:
    number = house.world.phone(house.asha).number
    path = phone_of(house, number)
    act(house.client, path, f"{path}/reply", body="<b>82.4</b>")
    client = house.client
    act(client, path, f"{path}/reply", body="82.4 b3")
    assert "82.4 b3" in [text.body for text in house.world.gateway.replies_from(number)]
    assert "<b>82.4</b>" not in client.get(path).get_data(as_text=True)


def test_a_reading_goes_through_intake_and_answers_the_window(house: House) -> None:
    path = phone_of(house, house.world.phone(house.asha).number)
    client = house.client
    act(client, path, f"{path}/reading")
    (row,) = house.rows(Reading)
    assert (row.patient_id, row.source) == (house.asha.id, Source.DEMO)
    assert row.pa_systolic >= row.pa_mean >= row.pa_diastolic
    assert house.window().reading_at is not None
    assert "invented reading" in words(client.get(path).get_data(as_text=True))


def test_a_caregiver_has_no_sensor(house: House) -> None:
    path = phone_of(house, house.world.phone(house.ben).number)
    assert act(house.client, path, f"{path}/reading").status_code in {400, 404}
    assert house.rows(Reading) == []


def test_the_clock_moves_as_asked(house: House) -> None:
    before = house.world.now
    client = house.client
    token = token_on(client.get("/demo/").get_data(as_text=True))
    answer = client.post("/demo/clock", data={"csrf_token": token, "by": "hour", "back": "/demo/"})
    assert (answer.status_code, answer.headers["Location"]) == (303, "/demo/")
    assert house.world.now - before == timedelta(hours=1)


def test_a_day_passes_an_hour_at_a_time_and_everybody_is_asked_on_it(house: House) -> None:
    """A day that is leapt over would be one on which nobody was asked, and its silences would say so."""
    before, asha = house.world.now, house.world.phone(house.asha).number
    moved(house, "day")
    assert house.world.now - before == timedelta(days=1)
    kinds = [message.kind for message in house.rows(Message) if message.patient_id == house.asha.id]
    assert {MessageKind.PROMPT, MessageKind.REMINDER, MessageKind.NUDGE} <= set(kinds)
    assert len(house.world.gateway.messages_to(asha)) >= 2
    assert {row.cause for row in house.rows(Silence)} <= {SilenceCause.NO_REPLY}
    # What was never begun is not gone on with.
    assert act(house.client, "/demo/", "/demo/clock", by="on").status_code == 400


def test_moving_the_clock_signs_nobody_out(house: House) -> None:
    house.hire_nurse()
    with write_session(house.engine) as session:
        session.scalars(select(Staff)).one().password_set_at = datetime(
            2000, 1, 1, tzinfo=UTC
        )  # whatever the date is here
    client = house.client
    sign_in(client)
    for _ in range(3):
        act(client, "/demo/", "/demo/clock", by="day", back="/demo/")
    assert client.get("/clinic/review").status_code == 200


def test_event_by_event_one_sees_reminder_and_nudge_happen(house: House) -> None:
    """What the demo is for: prompt, reminder, missed, nudge, each one press further."""
    client = house.client
    token = token_on(client.get("/demo/").get_data(as_text=True))
    asha, ben = house.world.phone(house.asha).number, house.world.phone(house.ben).number
    counts = []
    for _ in range(3):
        client.post("/demo/clock", data={"csrf_token": token, "by": "next", "back": "/demo/"})
        assert client.get("/demo/caught-up").get_json() == {"caught_up": False}
        assert "The worker is busy" in client.get("/demo/").get_data(as_text=True)
        house.world.tick()
        assert client.get("/demo/caught-up").get_json() == {"caught_up": True}
        counts.append(tuple(len(house.world.gateway.messages_to(number)) for number in (asha, ben)))
        if counts[-1] == (2, 1):
            break
    assert counts[0] == (2, 0)  # the reminder
    assert counts[-1] == (2, 1)  # the nudge


def moved(house: House, by: str) -> None:
    client = house.client
    act(client, "/demo/", "/demo/clock", by=by, back="/demo/")
    house.world.tick()
    while "data-goes-on" in client.get("/demo/").get_data(as_text=True):
        act(client, "/demo/", "/demo/clock", by="on", back="/demo/")
        house.world.tick()


def invented(house: House) -> None:
    """Asha is one of the demo's people: her reading of yesterday says so."""
    with write_session(house.engine) as session:
        asha, at = session.get_one(Patient, house.asha.id), house.world.now - timedelta(days=1)
        record_reading(act_of(session, asha, at), NewReading(asha.id, at, 40.0, 20.0, 27.0, source=Source.DEMO))


def test_the_demos_people_live_on_while_the_clock_is_moved(house: House, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(lives, "KEEPS", 1.0)
    monkeypatch.setattr(lives, "BROUGHT", 1.0)  # a day passes by the hour: where hers had gone by, she is asked about
    moved(house, "hour")
    assert house.rows(Reading) == []  # who was not invented with the demo is nobody's puppet
    invented(house)
    first = house.world.now
    moved(house, "day")
    newest = max(house.rows(Reading), key=lambda row: row.taken_at)
    assert first < newest.taken_at == newest.received_at < house.world.now
    (tmp_path / "demo.json").write_text(
        json.dumps({"patient_path": phone_of(house, house.world.phone(house.asha).number)})
    )
    moved(house, "day")
    assert max(row.taken_at for row in house.rows(Reading)) == newest.taken_at  # the visitor plays her


def test_a_caregiver_who_was_asked_may_bring_the_reading_about(house: House, monkeypatch) -> None:
    monkeypatch.setattr(lives, "KEEPS", 0.0)
    monkeypatch.setattr(lives, "BROUGHT", 1.0)
    invented(house)
    ben = house.world.phone(house.ben).number
    while not house.world.gateway.messages_to(ben):
        moved(house, "next")
    assert house.window().reading_at is None
    moved(house, "hour")
    moved(house, "hour")
    reached = house.window().reading_at
    assert reached is not None
    assert timedelta(minutes=15) <= reached - house.world.gateway.messages_to(ben)[0].at <= timedelta(minutes=90)


@pytest.mark.parametrize("back", ["https://elsewhere.example", "//elsewhere.example", "/signin", ""])
def test_the_clock_leads_back_to_the_demo_only(house: House, back: str) -> None:
    client = house.client
    token = token_on(client.get("/demo/").get_data(as_text=True))
    answer = client.post("/demo/clock", data={"csrf_token": token, "by": "hour", "back": back})
    assert answer.headers["Location"] == "/demo/"


def test_a_clock_that_is_asked_for_something_else_stands_still(house: House) -> None:
    before = house.world.now
    client = house.client
    token = token_on(client.get("/demo/").get_data(as_text=True))
    assert client.post("/demo/clock", data={"csrf_token": token, "by": "year"}).status_code == 400
    assert house.world.now == before


@pytest.mark.parametrize(
    ("body", "html"),
    [
        ("See http://127.0.0.1/c/ab.cd.", 'See <a href="http://127.0.0.1/c/ab.cd">http://127.0.0.1/c/ab.cd</a>.'),
        ("<script>", "&lt;script&gt;"),
        ('http://x/"onload=1', '<a href="http://x/">http://x/</a>&#34;onload=1'),
        ("javascript:alert(1)", "javascript:alert(1)"),
    ],
)
def test_only_addresses_become_links(body: str, html: str) -> None:
    assert linked(body) == html
