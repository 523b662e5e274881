"""A clinic begins with nothing but `neaptide setup`'s invitation, and does all else by its pages, in Chromium.

Everything is real but the clock and the gateway: the installation is written into an empty folder, and from
the administrator's first step to a signed review nobody is at a terminal and no machine calls. Everybody goes
where a page leads; no address is typed but those that people were given: an invitation's, a message's link, the
page to sign in. The passkeys are those of Chromium's virtual authenticator (W3C Web Authentication, Level 3,
section 11). The second walk is in Spanish, at 360 px, and done by keys alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from service.clock import FixedClock
from service.commands import setup
from service.config import Settings
from service.domain import localtime
from service.domain.vocabulary import Channel, ConsentKind, Outcome
from service.links import Links
from service.store.session import open_engine
from service.transports.base import Transport
from service.transports.mock import MockGateway
from service.words.language import load_language
from service.worker import Worker, links_for
from tests.browser.conftest import HERE, Served, served, violations, width_of
from tests.browser.test_passkeys import with_device
from tests.served import serve
from tests.servers import SECRET
from tests.usecases.test_cli import Run, run
from tests.usecases.test_setup import ME, set_up
from tests.world import LINK

__all__ = ["run"]
pytestmark = [pytest.mark.browser, pytest.mark.databases("sqlite"), pytest.mark.slow]

ZONE = "America/Chicago"
MOST_TABS = 200  # more than any page here has places to stop at
BEGINS = datetime(2026, 11, 20, 15, 0, tzinfo=UTC)  # a Friday, nine in the morning there
PATIENT, CAREGIVER = "+1 202 555 0101", "+1 202 555 0102"


ANSWERS: dict[str, Any] = {
    "user": ME, "wrapper": "", "units": False, "NEAPTIDE_TRUST_PROXY": False,
    "clinic_name": "Fernmoor Clinic", "clinic_zone": ZONE, "clinic_emergency_number": "911",
    "clinic_contact_line": "+1 202 555 0100", "clinic_sender_name": "Fernmoor",
    "administrator_name": "Petra Lindqvale", "administrator_email": "petra@fernmoor.example",
}  # fmt: skip


class Person:
    """Somebody at a window of their own, who finds what is there by its words, in their language."""

    def __init__(self, page: Page, language: str, *, by_keys: bool) -> None:
        self.page, self._by_keys = page, by_keys
        self.words, self.counted = load_language(language).gettext, load_language(language).ngettext

    def follows(self, english: str, **more: object) -> None:
        with self.page.expect_navigation():
            self.press(self.page.get_by_role("link", name=self.words(english, **more)).locator("visible=true").first)
        self.looks()

    def presses(self, english: str, **more: object) -> None:
        with self.page.expect_navigation():
            self.press(self.page.get_by_role("button", name=self.words(english, **more)).locator("visible=true").first)
        self.looks()

    def opens(self, english: str) -> None:
        self.press(self.page.locator("summary", has_text=self.words(english)).locator("visible=true").first)

    def types(self, english: str, text: str, within: str = "main") -> None:
        box = self.page.locator(within).get_by_label(self.words(english), exact=True).locator("visible=true").first
        if self._by_keys:
            self._reach(box)
            self.page.keyboard.press("Control+a")
            self.page.keyboard.type(text)
        else:
            box.fill(text)

    def picks(self, english: str, value: str) -> None:
        """Choose the option that sends this value."""
        box = self.page.get_by_label(self.words(english), exact=True).locator("visible=true").first
        if self._by_keys:
            self._reach(box)
            self.page.keyboard.type(box.locator(f"option[value='{value}']").inner_text())
            self.page.keyboard.press("Tab")
        else:
            box.select_option(value)
        expect(box).to_have_value(value)

    def ticks(self, english: str, **more: object) -> None:
        box = self.page.get_by_label(self.words(english, **more)).locator("visible=true").first
        if self._by_keys:
            self._reach(box)
            self.page.keyboard.press("Space")
        else:
            box.check()
        expect(box).to_be_checked()

    def reads(self, english: str, **more: object) -> None:
        expect(self.page.get_by_text(self.words(english, **more)).locator("visible=true").first).to_be_visible()

    def looks(self) -> None:
        """Nothing reaches past the window's edge."""
        assert width_of(self.page) <= self.page.evaluate("innerWidth"), self.page.url

    def press(self, one: Locator) -> None:
        if self._by_keys:
            self._reach(one)
            self.page.keyboard.press("Enter")
        else:
            one.click()

    def _reach(self, one: Locator) -> None:
        """Tab on until it has the focus."""
        sought = one.element_handle()
        for _ in range(MOST_TABS):
            if sought.evaluate("one => one === document.activeElement"):
                return
            self.page.keyboard.press("Tab")
        pytest.fail(f"no key reaches {one} on {self.page.url}")


@dataclass
class Begun(Served):
    """An installation that nobody has been in yet, its worker, and the telephones that its messages go to."""

    invitation: str = field(kw_only=True)
    clock: FixedClock = field(kw_only=True)
    gateway: MockGateway = field(kw_only=True)
    worker: Worker = field(kw_only=True)
    language: str = field(kw_only=True)
    by_keys: bool = field(kw_only=True)

    def comes(self, *, script: bool = True) -> Person:
        """Somebody with a device of their own."""
        page = self.page(width=360 if self.by_keys else 1280, script=script, locale=self.language)
        if script:
            with_device(page)
        return Person(page, self.language, by_keys=self.by_keys)

    def becomes(self, day: int, at: str) -> None:
        """It is this hour of the clinic's, so many days after the first; the worker has seen to what is due."""
        date = localtime.local_date(BEGINS, ZONE) + timedelta(days=day)
        self.clock.set(localtime.first_instant(date, time.fromisoformat(at), localtime.zone(ZONE)))
        self.works()

    def works(self) -> None:
        self.worker.tick()
        self.worker.tick()  # what a receipt says is taken in by the next
        self.worker.maintain()

    def link_to(self, number: str) -> str:
        """The link of the newest message on this telephone."""
        found = LINK.search(self.gateway.messages_to(number.replace(" ", ""))[-1].body)
        assert found is not None
        return found[0]


@pytest.fixture(params=[("en", False), ("es", True)], ids=["desk", "keys"])
def begun(
    request: pytest.FixtureRequest, run: Run, tmp_path: Path, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Begun]:
    language, by_keys = request.param
    apps: list[Any] = []
    clock, folder = FixedClock(BEGINS), tmp_path / "data"
    with served(lambda *call: apps[0](*call)) as at:  # type: ignore[arg-type]
        url = at.replace(HERE, "http://localhost")
        monkeypatch.setattr(setup, "SystemClock", lambda: clock)
        monkeypatch.setattr(setup.Setup, "_try", lambda _: None)  # what it tries at its end is tried in test_setup
        said = set_up(run, tmp_path, ANSWERS | {
            "settings": str(tmp_path / "neaptide.env"), "NEAPTIDE_DATA": str(folder), "NEAPTIDE_BASE_URL": url,
            "NEAPTIDE_SECRET_KEY": SECRET, "clinic_language": language,
        })  # fmt: skip
        assert said.code == 0, said.err
        invitation = re.search(r"http\S+/invited/\S+", said.out)
        assert invitation is not None
        settings = Settings.from_env(
            {"NEAPTIDE_DATA": str(folder), "NEAPTIDE_BASE_URL": url, "NEAPTIDE_SECRET_KEY": SECRET}
        )
        engine = open_engine(f"sqlite:///{folder}/neaptide.sqlite3")
        gateway = MockGateway(folder / "gateway.sqlite3", clock.now)
        ways: dict[Channel, Transport] = {Channel.TEXT: gateway}
        apps.append(serve(settings, engine, clock, ways))
        worker = Worker(engine, clock, ways, links_for(Links(url)), settings, name="walk")
        made = Begun(url, browser, invitation=invitation[0], clock=clock, gateway=gateway, worker=worker,
                     language=language, by_keys=by_keys)  # fmt: skip
        yield made
        made.closes()
        worker.finish()
        engine.dispose()


def test_from_the_first_invitation_to_a_signed_review(begun: Begun) -> None:
    petra, nora = begun.comes(), begun.comes()
    petra.page.goto(begun.invitation)
    petra.presses("Set a passkey and sign in")
    petra.follows("Colleagues")
    petra.types("Name", "Nora Quill")
    petra.types("E-mail address", "nora@fernmoor.example")
    petra.ticks("nurse")
    petra.presses("Invite")
    nora.page.goto(petra.page.locator("section[aria-labelledby=told] code").inner_text())
    nora.presses("Set a passkey and sign in")
    enrols(nora, begun)
    records_another_consent(nora)
    the_day_goes_by(begun)

    begun.becomes(2, "08:00")
    nora.page.reload()
    nora.presses("Sign in with a passkey")
    takes_in_a_reading(nora)
    begun.works()
    reviews(nora)


def enrols(nora: Person, begun: Begun) -> None:
    """From the empty review, with a caregiver, to a test message that arrived."""
    nora.follows("Enrol a patient")
    nora.types("Name", "Mara Invented")
    nora.types("Your number for them", "F-1")
    nora.presses("Go on")
    nora.types("Telephone", PATIENT)
    nora.types("How they agreed to messages", nora.words("signed form"))
    nora.presses("Go on")
    nora.opens("A caregiver, if there is one")
    helper = "section[aria-labelledby=hours] details"
    nora.types("Name", "Luz Invented", helper)
    nora.types("Telephone", CAREGIVER, helper)
    nora.ticks("The patient agrees that they are told of a missed reading")
    nora.types("How the caregiver agreed to messages", nora.words("spoken, by telephone"))
    nora.presses("Enrol")
    nora.reads("First prompt: tomorrow %(time)s, on their clock.", time="07:00")
    nora.presses("Send a test message")
    begun.works()
    nora.follows("Look again")
    nora.reads("arrived: there is a receipt")
    nora.follows("To the page of %(name)s", name="Mara Invented")


def records_another_consent(nora: Person) -> None:
    nora.follows("Upkeep: particulars, plan, pauses, limits")
    nora.opens("Record a consent, or its end")
    nora.picks("To what", ConsentKind.CAREGIVER_VALUES)
    luz = nora.page.get_by_label(nora.words("Of, or about"), exact=True).locator("option", has_text="Luz")
    nora.picks("Of, or about", luz.get_attribute("value") or "")
    nora.picks("Given", "yes")
    nora.types("How", nora.words("spoken, face to face"), "form[action$='/consents']")
    nora.presses("Record a consent, or its end")
    # told and shown, by the patient; messages, each for themselves
    expect(nora.page.locator("section[aria-labelledby=consents] > ul > li")).to_have_count(4)


def the_day_goes_by(begun: Begun) -> None:
    """The prompt arrives and is answered; no reading comes, so the caregiver is asked, and answers."""
    begun.becomes(1, "07:00")
    mara = begun.comes(script=False)
    mara.page.goto(begun.link_to(PATIENT))
    mara.ticks("None of these")
    mara.types("What did you weigh this morning?", "80")
    mara.presses("Send")
    mara.reads("Thank you")
    begun.becomes(1, "12:00")
    luz = begun.comes(script=False)
    luz.page.goto(begun.link_to(CAREGIVER))
    luz.presses("I spoke to them")
    luz.reads("Thank you")


def takes_in_a_reading(nora: Person) -> None:
    nora.follows("Patients")
    nora.follows("Take in a file")
    nora.picks("What it holds", "readings")
    rows = b"patient,taken_at,pa_systolic,pa_diastolic\nF-1,2026-11-22T07:10:00-06:00,38,18\n"
    nora.page.set_input_files("input[type=file]", {"name": "readings.csv", "mimeType": "text/csv", "buffer": rows})
    nora.presses("Look at its columns")
    nora.picks("Unit of rows that do not say theirs", "mmHg")
    nora.presses("Try it: write nothing")
    nora.presses(nora.counted("Take in %(num)d row", "Take in %(num)d rows", 1))


def reviews(nora: Person) -> None:
    nora.follows("Review")
    signs = f"{nora.words('Sign')} {nora.words('the review of %(name)s', name='Mara Invented')}"
    nora.press(nora.page.get_by_role("link", name=signs))
    nora.picks("Outcome", Outcome.CALLED)
    nora.types("Note", "Luz sat with her.", "form.sign")
    nora.press(nora.page.get_by_role("button", name=signs))
    expect(nora.page.locator(".row.signed")).to_contain_text("Luz sat with her.")
    assert violations(nora.page) == []
