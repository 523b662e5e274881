"""Nothing on a page or in a message is hard-coded: in a language made from the messages, all of it is disguised."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, time
from pathlib import Path
from urllib.parse import urlsplit
from uuid import UUID

import pytest
from sqlalchemy import Engine, select

from service import links
from service.domain.localtime import zone
from service.domain.plan import PlanAhead, PlanRule
from service.domain.vocabulary import MessageKind
from service.enrolling import inviting
from service.reports import yearsheet
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Contact
from service.web import frame
from service.words import messages
from service.words.language import Language, checked_language
from tests.house import House, open_house
from tests.pseudo import CODE, MIRRORED, disguised, pseudo_language, words_left
from tests.pushed import open_push_house

pytestmark = pytest.mark.databases("sqlite")

# What is nobody's language: the service's name, units, the invented people and their clinic.
NAMES = ("Neaptide", "kg lb", "Fernmoor Clinic", "Asha Ben")
STATIC = Path(frame.__file__).parent / "static"


@pytest.fixture
def pseudo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Language]:
    with pseudo_language(tmp_path / "words", monkeypatch) as spoken:
        yield spoken


@pytest.fixture
def house(pseudo: Language, engine: Engine, tmp_path: Path) -> House:
    opened = open_house(engine, tmp_path)
    opened.change(opened.asha, language=CODE)
    opened.change(opened.ben, language=CODE)
    return opened


def see(house: House, path: str) -> str:
    page: str = house.client.get(path, headers={"Accept-Language": CODE}).get_data(as_text=True)
    assert f'<html lang="{CODE}"' in page
    return page


def test_the_disguise_leaves_placeholders_and_is_seen_through() -> None:
    assert disguised("At %(day)s, {sender} <b>rests</b>") == "⟦Àt %(day)s, {sender} <b>résts</b>⟧"


def test_the_search_finds_what_nobody_translated(pseudo: Language) -> None:
    page = f"<p>{disguised('Hello')} Asha</p><button aria-label='Close it'>{disguised('Close')}</button>plain"
    assert words_left(page, NAMES) == ["plain", "Close", "it"]


def test_the_check_in_page(house: House) -> None:
    link = house.link(house.asha)
    assert words_left(see(house, link), NAMES) == []
    refused = house.client.post(link, data={"weight": "8x", "breathlessness": "3"}).get_data(as_text=True)
    assert words_left(refused, NAMES) == []
    alarmed = house.client.post(link, data={"safety_signs": "chest_pain"})
    assert words_left(see(house, alarmed.headers["Location"]), NAMES) == []
    assert words_left(see(house, link), NAMES) == []


def test_a_page_runs_the_way_its_language_is_written(
    engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pseudo_language(tmp_path / "words", monkeypatch, MIRRORED):
        house = open_house(engine, tmp_path)
        assert '<html lang="en" dir="ltr">' in house.client.get("/signin").get_data(as_text=True)
        house.change(house.asha, language=MIRRORED)
        assert '<html lang="ur" dir="rtl">' in house.client.get(house.link(house.asha)).get_data(as_text=True)


def test_no_style_sheet_names_a_side_of_the_page() -> None:
    """CSS Logical Properties and Values (W3C): start and end follow the language."""
    sides = re.compile(r"(margin|padding|border)-(left|right)|(text-align|float): (left|right)|[\s;{](left|right):")
    sheets = {path.name: path.read_text() for path in STATIC.glob("*.css")}
    assert "neaptide.css" in sheets
    assert {name: found[0] for name, sheet in sheets.items() if (found := sides.search(sheet))} == {}


def test_the_caregivers_page(house: House) -> None:
    path = house.nudged()
    assert words_left(see(house, path), NAMES) == []
    house.client.post(path, data={"answer": "away"})
    assert words_left(see(house, f"{path}/thanks"), NAMES) == []


@pytest.mark.parametrize("path", ["/signin", "/nowhere", "/c/not-a-link", "/g/not-a-link", "/push/not-a-link"])
def test_signing_in_and_pages_that_say_no(house: House, path: str) -> None:
    assert words_left(see(house, path), NAMES) == []


def test_a_calendar_that_is_not_there(house: House) -> None:
    answer = house.client.get("/cal/not-a-link.ics", headers={"Accept-Language": CODE})
    assert words_left(answer.get_data(as_text=True), NAMES) == []


def test_the_page_for_notices(pseudo: Language, engine: Engine, tmp_path: Path) -> None:
    house = open_push_house(engine, tmp_path)
    for person in (house.asha, house.ben):
        house.change(person, language=CODE)
        assert words_left(see(house, house.world.push_link(person)), NAMES) == []


def test_the_pages_of_an_invitation(house: House) -> None:
    with write_session(house.engine) as session:
        act = Act(session, OPERATOR, house.asha.clinic_id, house.world.now)
        made = inviting.invite(act, inviting.NewInvitation("Asha", date(1948, 3, 9), language=CODE))
        path = urlsplit(links.make_invitation_link(act, house.world.links, made)).path
    names = (*NAMES, "English español", "New Zealand")
    assert words_left(see(house, path), names) == []
    browser = house.client
    browser.post(path, data={"day": "9", "month": "3", "year": "1948"})
    for step, chosen in (
        ("read", {}),
        ("agree", {"messages": "yes"}),
        ("reach", {"channel": "text", "address": "+64999900777", "opens": "09:30"}),
        ("helper", {"is_there": "yes", "name": "Ben", "told": "yes", "sees": "no"}),
        ("check", {}),
        ("no", {}),
    ):
        assert words_left(browser.get(f"{path}/{step}").get_data(as_text=True), names) == [], step
        if chosen:
            browser.post(f"{path}/{step}", data=chosen)
    browser.post(f"{path}/check")
    assert words_left(browser.get(f"{path}/end").get_data(as_text=True), names) == []


def test_the_demos_pages(pseudo: Language, engine: Engine, tmp_path: Path) -> None:
    house = open_house(engine, tmp_path, demo=True)
    names = (
        *NAMES,
        "Asha Brook Ben Brook Pacific Auckland en",
        "Fernmoor here as agreed with you we write when a reading is due We never ask for money or passwords",
        "To check that it is us call good morning Time for today s reading and check in Or just reply STOP to stop",
    )
    assert words_left(see(house, "/demo/"), names) == []
    with read_session(engine) as session:
        asked = session.scalars(select(Contact.id).where(Contact.address == house.world.phone(house.asha).number)).one()
    assert words_left(re.sub(r">https?://[^<]*<", "><", see(house, f"/demo/phone/{asked}")), names) == []


@pytest.mark.parametrize("kind", MessageKind)
def test_every_message(pseudo: Language, kind: MessageKind) -> None:
    for body in (
        messages.wording(pseudo, kind),
        messages.alone(pseudo, kind),
        *messages.by_text(pseudo, kind, ("reading", "checkin")),
        messages.notice(pseudo, kind, None, dict.fromkeys(messages.PLACEHOLDERS[kind], "1")),
    ):
        assert words_left(body) == []


def test_every_reply(pseudo: Language) -> None:
    for key in messages.lines(pseudo):
        assert words_left(messages.line(pseudo, key, again=True)) == []
    assert words_left(messages.line_until(pseudo, None)) == []
    dated = messages.line_until(pseudo, date(2026, 11, 25))
    assert words_left(dated) == []
    assert f"25 {pseudo.months[10]}" in dated  # in the months of the language's own locale


def test_the_printed_year(pseudo: Language) -> None:
    rule = PlanRule(0b0101011, time(7), time(8, 30), time(10))
    pauses = ((date(2026, 3, 2), date(2026, 3, 3)),)
    since, place = datetime(2026, 1, 1, tzinfo=UTC), zone("Pacific/Auckland")
    sheet = PlanAhead(UUID(int=7), UUID(int=8), "F-1", "en", place, True, rule, since, since, "Fernmoor", pauses)
    assert words_left(yearsheet.write(pseudo, sheet, 2026), ("F Fernmoor", *pseudo.short_weekdays)) == []


def test_a_language_is_added_by_adding_a_folder(house: House) -> None:
    """Enrolled in it, prompted, answered and thanked in it; nothing in the code names it."""
    assert checked_language("language", CODE) == CODE
    phone = house.world.phone(house.asha)
    house.world.at(house.asha, "08:00")
    phone.texts("hello")
    phone.texts("STOP")
    said = [kept.body for kept in house.world.gateway.messages_to(phone.number)][1:]
    assert len(said) >= 2
    for body in said:
        assert words_left(re.sub(r"https?://\S+", "", body), NAMES) == []
