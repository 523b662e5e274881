"""The clinic's pages in Chromium: both widths, no breach of the policy, axe silent, a whole review by keyboard."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page
from pypdf import PdfReader
from sqlalchemy import Engine, func, select

from service.clock import FixedClock
from service.config import Settings
from service.domain.vocabulary import Outcome, PauseCause, SilenceCause, TaskKind, TaskState
from service.reviewing import refreshing
from service.store.session import read_session, write_session
from service.store.tables import Clinic, SignOff, Task
from tests.browser.conftest import Served, served, violations
from tests.served import serve
from tests.signed_in import sign_in_as
from tests.ward import NOW, open_ward, ward_of

pytestmark = pytest.mark.browser
QUIET = [18.0, 18.4, 17.6, 18.2, 17.8] * 7


@dataclass
class Desk(Served):
    """A served clinic, and a browser that is signed in to it."""

    cookie: str = field(kw_only=True)
    engine: Engine = field(kw_only=True)
    ids: dict[str, str] = field(kw_only=True)

    def page(self, *, width: int = 1280, height: int = 900, **options: Any) -> Page:
        page = super().page(width=width, height=height, **options)
        page.context.add_cookies([{"name": "neaptide", "value": self.cookie, "url": self.url}])
        return page


@pytest.fixture
def desk(engine: Engine, tmp_path: Path, browser: Browser) -> Iterator[Desk]:
    with write_session(engine) as session:
        ward = open_ward(session)
        rise = [*QUIET[:-14], *[18 + 0.5 * day for day in range(14)]]
        people = {
            "Asha": ward.patient(
                "Asha Okoro", pressures=rise, reference=18.0, weights=[80.0] * 20, breathlessness=[1] * 30
            ),
            "Ben": ward.patient("Ben Lindqvist", pressures=QUIET, reference=18.0, upper=25.0),
            "Cara": ward.patient("Cara Moss", pressures=[*QUIET[:-4], None, None, None, None], reference=18.0),
            "Dina": ward.patient("Dina Hale", zone="America/Argentina/Buenos_Aires"),
        }
        ward.silence(people["Cara"], 4, SilenceCause.NO_REPLY)
        ward.pause(people["Dina"], PauseCause.AWAY, ward.today(people["Dina"]), None)
        ward.task(people["Ben"], TaskKind.SAFETY_ANSWER, "Answered that there is chest pain.")
        ward.nurse.password_set_at = NOW - timedelta(days=1)
        nurse_id = ward.nurse.id
        ids = {name: str(patient.id) for name, patient in people.items()}
    refreshing.refresh(engine, NOW)
    settings = Settings.from_env(
        {"NEAPTIDE_DATA": str(tmp_path), "NEAPTIDE_SECRET_KEY": "a secret that only this test knows, 32+ characters"}
    )
    app = serve(settings, engine, FixedClock(NOW), {})
    client = app.test_client()
    sign_in_as(client, nurse_id, NOW)
    cookie = client.get_cookie("neaptide")
    assert cookie is not None
    with served(app) as url:
        made = Desk(url, browser, cookie=cookie.value, engine=engine, ids=ids)
        yield made
        made.closes()


def paths(desk: Desk) -> list[str]:
    return [
        "/clinic/review",
        f"/clinic/review?open={desk.ids['Ben']}",
        f"/clinic/patients/{desk.ids['Asha']}",
        f"/clinic/patients/{desk.ids['Dina']}?days=90",
        "/clinic/inbox",
        "/clinic/patients",
        "/clinic/silences",
        "/clinic/measures",
        "/clinic/records",
    ]


@pytest.mark.parametrize(("width", "scheme"), [(360, "dark"), (1280, "light")])
def test_every_page_fits_breaks_no_policy_and_axe_finds_nothing(desk, width, scheme):
    page = desk.page(width=width, scheme=scheme)
    for path in paths(desk):
        page.goto(desk.url + path)
        page.wait_for_load_state("networkidle")
        assert page.url == desk.url + path  # and not the page to sign in
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
        assert violations(page) == [], path


def test_a_day_is_told_under_the_pointer_and_history_stands_behind_tabs_that_script_alone_folds(desk):
    page = desk.page()
    weights: list[float] = []
    listener = page.context.new_cdp_session(page)
    listener.send("Network.enable")
    listener.on("Network.loadingFinished", lambda done: weights.append(done["encodedDataLength"]))
    page.goto(f"{desk.url}/clinic/patients/{desk.ids['Asha']}")
    page.wait_for_load_state("networkidle")
    assert 0 < sum(weights) <= 90_000  # the bound is this service's own
    box = page.locator("figure.timeline img").bounding_box()
    assert box is not None
    assert box["y"] + 400 <= 900  # the pressures, within the first screen
    page.mouse.move(box["x"] + 400, box["y"] + 120)
    assert "PA diastolic" in page.inner_text(".day-box")
    told = page.locator(".day-box").bounding_box()
    assert told is not None
    page.mouse.move(told["x"] + 20, told["y"] + 20)
    page.mouse.down()
    page.mouse.move(told["x"] + 320, told["y"] + 220)
    page.mouse.up()
    page.mouse.move(box["x"] + 200, box["y"] + 120)
    put = page.locator(".day-box").bounding_box()
    assert put is not None
    assert (put["x"] - told["x"], put["y"] - told["y"]) == (300, 200)  # it stays where it was put
    assert page.locator("#past").is_visible()
    assert not page.locator("#heard").is_visible()
    page.click("[data-tabs] a[href='#heard']")
    assert page.locator("#heard").is_visible()
    assert not page.locator("#past").is_visible()
    page.goto(f"{desk.url}/clinic/patients/{desk.ids['Asha']}?days=30#plan")
    assert page.locator("#plan").is_visible()
    plain = desk.page(script=False)
    plain.goto(f"{desk.url}/clinic/patients/{desk.ids['Asha']}")
    assert all(plain.locator(f"#{name}").is_visible() for name in ("past", "sent", "heard", "ways", "plan"))


def test_a_whole_review_is_walked_by_keyboard_alone(desk):
    page = desk.page()
    page.goto(f"{desk.url}/clinic/review")
    page.keyboard.press("n")
    names = []
    for outcome in ("Called", "Adjusted", "Could not reach", "Visit"):
        names.append(page.evaluate("document.activeElement.querySelector('[data-open]').textContent"))
        page.keyboard.press("s")
        page.wait_for_selector("form.sign select:focus")
        page.keyboard.type(outcome[:4])
        page.keyboard.press("Tab")
        page.keyboard.type(f"Note about {names[-1]}, with n and s in it")
        page.keyboard.press("Shift+Tab")
        page.keyboard.press("Enter")
        # The focus is on the next row to do, without a reload, and nothing was skipped.
        page.wait_for_selector("[data-row]:focus" if len(names) == 4 else "[data-to-do]:focus")
    assert page.locator(".row.signed").count() == 4
    assert sorted(names) == ["Asha Okoro", "Ben Lindqvist", "Cara Moss", "Dina Hale"]
    assert names[0] == "Ben Lindqvist"  # the safety answer first
    assert "4 of 4 signed" in page.inner_text(".coverage")
    with read_session(desk.engine) as session:
        outcomes = set(session.scalars(select(SignOff.outcome)))
    assert outcomes == {Outcome.CALLED, Outcome.ADJUSTED, Outcome.NOT_REACHED, Outcome.VISIT_ARRANGED}


def test_an_urgent_row_is_refused_without_a_word_keeps_what_was_typed_and_is_taken_back_by_a_key(desk):
    page = desk.page()
    page.goto(f"{desk.url}/clinic/review")
    page.keyboard.press("n")
    page.keyboard.press("s")
    page.wait_for_selector("form.sign select:focus")
    page.keyboard.type("No")
    page.keyboard.press("Enter")
    page.wait_for_selector("form.sign textarea:focus")
    assert "alone is not enough" in page.inner_text(".inside .told.wrong")
    assert page.input_value("form.sign select") == "no_change"
    page.keyboard.type("Rang; she is well cared for.")
    page.keyboard.press("Shift+Tab")
    page.route("**/sign", lambda route: route.abort())
    page.keyboard.press("Enter")
    page.wait_for_selector(".news-line.wrong")
    assert "nothing was kept" in page.inner_text("#said")
    assert page.input_value("form.sign textarea") == "Rang; she is well cared for."
    page.unroute("**/sign")
    desk.complaints.clear()
    page.keyboard.press("Enter")
    page.wait_for_selector("[data-to-do]:focus")
    assert "“Rang; she is well cared for.”" in page.inner_text(".row.signed")
    assert "1 of 4 signed" in page.inner_text(".coverage")
    page.keyboard.press("z")
    page.wait_for_selector(".row.call_today:focus")
    assert "0 of 4 signed" in page.inner_text(".coverage")
    with read_session(desk.engine) as session:
        assert session.scalar(select(func.count()).where(Task.state == TaskState.OPEN)) == 1


def test_thirty_patients_are_three_screens_ninety_keys_and_120_kilobytes_at_most(desk):
    # The bounds are this service's own: a weekly review of thirty people that is done in ten minutes.
    rise = [*QUIET[:-14], *[18 + 0.5 * day for day in range(14)]]
    kinds = [(rise, [1] * 30), (QUIET, [1] * 30), ([*QUIET[:-4], None, None, None, None], []), (QUIET, [1] * 30)]
    with write_session(desk.engine) as session:
        ward = ward_of(session, session.scalars(select(Clinic.id)).one())
        for number in range(26):
            pressures, breathlessness = kinds[number % 4]
            ward.patient(f"Patient {number}", pressures=pressures, breathlessness=breathlessness, reference=18.0)
    refreshing.refresh(desk.engine, NOW)
    page = desk.page()
    weights: list[float] = []
    listener = page.context.new_cdp_session(page)
    listener.send("Network.enable")
    listener.on("Network.loadingFinished", lambda done: weights.append(done["encodedDataLength"]))
    page.goto(f"{desk.url}/clinic/review")
    page.wait_for_load_state("networkidle")
    assert page.locator("[data-row]").count() == 30
    assert 0 < sum(weights) <= 120_000
    lowest = page.evaluate(
        "Math.max(...[...document.querySelectorAll('.why')].map((why) => why.getBoundingClientRect().bottom))"
    )
    assert lowest <= 3 * 900
    heights = page.evaluate("[...document.querySelectorAll('.row')].map((row) => row.getBoundingClientRect().height)")
    assert all(56 <= height <= 64 for height in heights)

    assert violations(page) == []  # the block of the settled among the rest

    keys = 1
    page.keyboard.press("n")
    while page.locator("[data-to-do]").count():
        page.keyboard.press("s")
        page.wait_for_selector("form.sign select:focus")
        page.keyboard.press("c")  # called
        page.keyboard.press("Enter")
        keys += 3
        page.wait_for_selector("[data-to-do]:focus, #together:focus")
    page.wait_for_selector("#together button:enabled")
    page.keyboard.press("Enter")
    page.wait_for_selector("#together", state="hidden")
    assert "30 of 30 signed" in page.inner_text(".coverage")
    assert keys + 1 <= 90


def test_keys_open_a_patient_lead_on_and_can_be_switched_off(desk):
    page = desk.page()
    page.goto(f"{desk.url}/clinic/review")
    page.keyboard.press("n")
    page.keyboard.press("n")
    with page.expect_navigation():
        page.keyboard.press("o")
    assert page.inner_text("h1").startswith("Asha Okoro")
    page.keyboard.press("s")
    assert page.evaluate("document.activeElement.id") == "sign"
    with page.expect_navigation():
        page.keyboard.press("n")
    assert not page.inner_text("h1").startswith("Asha Okoro")
    page.uncheck("#keys-on")
    page.evaluate("document.activeElement.blur()")
    before = page.url
    page.keyboard.press("n")
    page.wait_for_timeout(150)
    assert page.url == before
    page.goto(f"{desk.url}/clinic/review")
    page.keyboard.press("n")
    assert page.evaluate("document.activeElement === document.body")


def test_a_letter_typed_into_a_field_moves_nothing(desk):
    page = desk.page()
    page.goto(f"{desk.url}/clinic/review")
    page.focus("#f-name")
    page.keyboard.type("nsp")
    assert page.input_value("#f-name") == "nsp"
    assert page.locator("form.sign").count() == 0


def test_without_script_a_patient_is_found_read_and_signed_and_a_task_closed(desk):
    page = desk.page(width=360, script=False)
    page.goto(f"{desk.url}/clinic/review")
    page.fill("#f-name", "okoro")
    page.click("form.sieve button")
    assert page.locator("[data-row]").count() == 1
    page.click("a[data-sign]")
    assert "Pressure up" in page.inner_text(".inside")
    page.select_option("form.sign select", "called")
    page.fill("form.sign textarea", "Spoke to her.")
    page.click("form.sign button")
    assert "Signed. What was on the page is kept with it." in page.inner_text("[role=status]")
    page.goto(f"{desk.url}/clinic/inbox")
    page.locator(".task .close > summary").first.click()
    page.fill("input[name=reason] >> nth=0", "Rang; ambulance called.")
    page.click(".task form.sign button >> nth=0")
    with read_session(desk.engine) as session:
        assert session.scalar(select(func.count()).where(Task.state == TaskState.CLOSED)) == 1
        assert session.scalar(select(func.count()).select_from(SignOff)) == 1


def test_the_patient_page_prints_without_forms_and_keeps_its_table(desk):
    page = desk.page(script=False)
    page.goto(f"{desk.url}/clinic/patients/{desk.ids['Asha']}")
    page.emulate_media(media="print")
    assert not page.locator("form.sign").first.is_visible()
    assert page.locator("figure.timeline img").is_visible()
    for paper in ("A4", "Letter"):
        printed = [leaf.extract_text() for leaf in PdfReader(io.BytesIO(page.pdf(format=paper))).pages]
        assert "PA systolic" in printed[0]
        assert "Asha Okoro" in printed[0]
        assert "Every day as a table" in printed[-1] or "Heart rate" in printed[-1]
