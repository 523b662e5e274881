"""The clinic's pages in Chromium: both widths, no breach of the policy, axe silent, a whole review by keyboard."""

from __future__ import annotations

import io
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from playwright.sync_api import Browser, Page
from pypdf import PdfReader
from sqlalchemy import Engine, func, select

from service.clock import FixedClock
from service.config import Settings
from service.domain.vocabulary import Outcome, PauseCause, Role, SilenceCause, TaskKind, TaskState
from service.reviewing import refreshing
from service.store.session import read_session, write_session
from service.store.tables import Clinic, FormDraft, SignOff, Staff, Task
from tests.browser.conftest import Served, served, violations, width_of
from tests.copies import made_once
from tests.pseudo import MIRRORED, pseudo_language
from tests.served import serve
from tests.signed_in import sign_in_as
from tests.ward import NOW, open_ward, ward_of

pytestmark = pytest.mark.browser
QUIET = [18.0, 18.4, 17.6, 18.2, 17.8] * 7


@dataclass
class Desk(Served):
    """A served clinic, and a browser that is signed in to it."""

    app: Flask = field(kw_only=True)
    nurse: uuid.UUID = field(kw_only=True)
    engine: Engine = field(kw_only=True)
    ids: dict[str, str] = field(kw_only=True)

    def page(self, *, width: int = 1280, height: int = 900, **options: Any) -> Page:
        page = super().page(width=width, height=height, **options)
        self.enters(page)
        return page

    def enters(self, page: Page) -> None:
        """Sign the nurse in on this window."""
        client = self.app.test_client()
        sign_in_as(client, self.nurse, NOW)
        cookie = client.get_cookie("neaptide")
        assert cookie is not None
        page.context.add_cookies([{"name": "neaptide", "value": cookie.value, "url": self.url}])

    def becomes(self, *roles: Role, language: str | None = None) -> None:
        with write_session(self.engine) as session:
            account = session.get_one(Staff, self.nurse)
            account.roles, account.language = [role.value for role in roles], language


def laid(engine: Engine) -> tuple[uuid.UUID, dict[str, str]]:
    """Four patients whose rows of the review are made: the nurse's id, and theirs by their first names."""
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
        ward.nurse.name = "Dr Emmanuela Okoro-Vanderhoeven"
        nurse_id = ward.nurse.id
        ids = {name: str(patient.id) for name, patient in people.items()}
    refreshing.refresh(engine, NOW)
    return nurse_id, ids


@pytest.fixture
def desk(engine: Engine, tmp_path: Path, browser: Browser) -> Iterator[Desk]:
    nurse_id, ids = made_once(engine, "a desk", lambda: laid(engine))
    settings = Settings.from_env(
        {"NEAPTIDE_DATA": str(tmp_path), "NEAPTIDE_SECRET_KEY": "a secret that only this test knows, 32+ characters"}
    )
    app = serve(settings, engine, FixedClock(NOW), {})
    with served(app) as url:
        made = Desk(url, browser, app=app, nurse=nurse_id, engine=engine, ids=ids)
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
        f"/clinic/patients/{desk.ids['Asha']}/record",
        f"/clinic/patients/{desk.ids['Asha']}/upkeep",
        f"/clinic/patients/{desk.ids['Asha']}/ways/revoke-links",
        "/clinic/enrol",
        "/clinic/files",
        "/clinic/messages",
        "/clinic/settings",
        "/clinic/keys",
        "/clinic/audit",
        "/clinic/colleagues",
        "/clinic/rules",
        "/clinic/wordings",
        "/clinic/wordings/es/prompt",
        "/password",
    ]


EVERYBODY = (Role.NURSE, Role.PHYSICIAN, Role.ADMINISTRATOR)
# 640 px: what a window of 1280 px shows at 200 % zoom (WCAG 2.2, 1.4.4).
WIDTHS = (1280, 768, 640, 360)


# Text that was squeezed into a column of a few letters.
SQUEEZED = """() => [...document.querySelectorAll('main li, main p, main dd')]
    .filter((one) => one.checkVisibility() && one.firstChild && (one.firstChild.data || "").trim().length > 30)
    .filter((one) => one.getBoundingClientRect().width < 70).map((one) => one.innerText.slice(0, 40))"""


def wide(page: Page) -> list[object]:
    """The widths at which the page is wider than the window, and what is squeezed there."""
    found: list[object] = []
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        if width_of(page) > width:
            found.append(width)
        found += [(width, text) for text in page.evaluate(SQUEEZED)]
    return found


@pytest.mark.parametrize(("language", "width", "scheme"), [("en", 360, "dark"), ("es", 1280, "light")])
def test_every_page_fits_breaks_no_policy_and_axe_finds_nothing(desk, language, width, scheme):
    desk.becomes(*EVERYBODY, language=language)
    page = desk.page(scheme=scheme)
    for path in paths(desk):
        page.goto(desk.url + path)
        assert page.url == desk.url + path  # and not the page to sign in
        assert page.get_attribute("html", "lang") == language
        assert wide(page) == [], path
        page.set_viewport_size({"width": width, "height": 900})
        assert violations(page) == [], path


def test_without_script_every_page_fits_and_whatever_a_key_reaches_shows_it(desk):
    desk.becomes(*EVERYBODY)
    page = desk.page(script=False)
    for path in paths(desk):
        page.set_viewport_size({"width": 1280, "height": 900})
        page.goto(desk.url + path)
        reached = []
        for _ in range(12):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement === document.body"):
                break  # past the last
            reached.append(page.evaluate(FOCUS))
        assert len({one[0] for one in reached}) > 3, path
        assert [one for one in reached if one[1] < 2] == [], path
        assert wide(page) == [], path


FOCUS = """() => { const one = document.activeElement, style = getComputedStyle(one);
    return [one.outerHTML.slice(0, 120), style.outlineStyle === 'none' ? 0 : parseFloat(style.outlineWidth)]; }"""


def test_in_a_language_written_from_the_right_every_page_turns_and_fits(desk, tmp_path, monkeypatch):
    with pseudo_language(tmp_path / "words", monkeypatch, MIRRORED):
        desk.becomes(*EVERYBODY, language=MIRRORED)
        page = desk.page()
        for path in paths(desk):
            page.goto(desk.url + path)
            assert wide(page) == [], path
            page.set_viewport_size({"width": 1280, "height": 900})
            edges = page.evaluate(
                "[...document.querySelectorAll('.mast a')].map((a) => a.getBoundingClientRect().right)"
            )
            assert edges[0] > edges[-1] or len(edges) == 1, path


def test_typing_counts_as_use_and_what_was_typed_is_there_after_signing_in_again(desk):
    page, address = desk.page(), f"{desk.url}/clinic/patients/{desk.ids['Asha']}"
    page.clock.install()
    page.goto(address)
    note, box = page.locator("form.sign textarea").first, page.locator("#idle")
    page.clock.fast_forward("13:30")
    with page.expect_response("**/still-here"):
        note.press_sequentially("Rang her")
    page.clock.fast_forward("13:30")
    assert box.is_hidden()  # 27 minutes, and somebody was there
    page.mouse.wheel(0, 300)
    page.clock.fast_forward("15:05")
    page.wait_for_url("**/signin?ended=idle")
    assert "Rang" not in page.evaluate("JSON.stringify([localStorage, sessionStorage])")
    desk.enters(page)
    page.goto(address)
    page.wait_for_selector(".draft")
    assert note.input_value() == "Rang her"
    page.select_option("form.sign select", "called")
    page.click("form.sign button:not([name])")
    page.wait_for_selector(".told.good")
    with read_session(desk.engine) as session:
        assert session.scalars(select(SignOff)).one().note == "Rang her"
        assert session.scalars(select(FormDraft)).all() == []


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
    page.evaluate("scrollTo({ top: 700, behavior: 'instant' })")
    assert page.evaluate("scrollY") > 400
    column = page.evaluate("document.querySelector('.column').getBoundingClientRect().toJSON()")
    assert column["top"] >= 0  # why, and the form to sign with, stay on the screen
    assert column["height"] <= 900
    page.evaluate("scrollTo({ top: 0, behavior: 'instant' })")
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

    page.set_viewport_size({"width": 360, "height": 780})
    cards = page.evaluate("[...document.querySelectorAll('.row')].map((row) => row.getBoundingClientRect().height)")
    assert max(cards) <= 100  # two lines of words, one of pictures, and at most one more
    smallest = page.evaluate("""Math.min(...[...document.querySelectorAll('.row .strip text')].map((text) =>
        parseFloat(getComputedStyle(text).fontSize) * text.getScreenCTM().a))""")
    assert smallest >= 12
    page.set_viewport_size({"width": 1280, "height": 900})

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


def test_an_opened_row_of_the_review_prints_over_the_papers_whole_width(desk):
    page = desk.page(script=False, width=688)  # A4 less the margins, at 96 px an inch
    page.goto(f"{desk.url}/clinic/review?open={desk.ids['Ben']}")
    page.emulate_media(media="print")
    row, told = (page.locator(which).first.bounding_box() for which in (".inside", ".inside .full > :first-child"))
    assert row is not None
    assert told is not None
    assert told["width"] > 0.9 * row["width"]


def test_the_patient_page_prints_without_forms_and_keeps_its_table(desk):
    page = desk.page(script=False)
    page.goto(f"{desk.url}/clinic/patients/{desk.ids['Asha']}")
    page.emulate_media(media="print")
    assert not page.locator("form.sign").first.is_visible()
    assert page.locator("figure.timeline img").is_visible()
    for paper in ("A4", "Letter"):
        leaves = PdfReader(io.BytesIO(page.pdf(format=paper))).pages
        printed = [" ".join(leaf.extract_text().split()) for leaf in leaves]
        assert "PA systolic" in printed[0]
        assert "Asha Okoro" in printed[0]
        assert "Every day as a table" in printed[-1] or "Heart rate" in printed[-1]
