"""A real browser, and an invented clinic served to it on loopback.

Without Chromium these tests are skipped; where NEAPTIDE_REQUIRE_BROWSER=1 says
that it must be there, they fail instead.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from flask import Flask
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
from sqlalchemy import Engine
from werkzeug.serving import make_server

from tests.answering import running
from tests.house import House, open_house

CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    # Beside each window this browser begins the suggestions of an address bar that nobody sees, and a process for a page
    # that may come: half of what a window takes. Given again, the list stands in place of Playwright's.
    "--disable-features=WebUIOmniboxPopup,WebUIOmniboxAimPopup,SpareRendererForSitePerProcess,PaintHolding,"
    "AvoidUnnecessaryBeforeUnloadCheckSync,HttpsUpgrades,HttpsFirstBalancedModeAutoEnable,OptimizationHints,"
    "NetworkTimeServiceQuerying,PreconnectToSearch,AimEnabled,MediaRouter,ThirdPartyStoragePartitioning",
]
HERE = "http://127.0.0.1"
# Only what fails is gathered: the rest takes most of the time on a long page.
AXE = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    "resultTypes": ["violations"],
}
CONTRAST = "color-contrast"


@pytest.fixture(scope="session", autouse=True)
def _chromium_is_there() -> None:
    if Path(CHROMIUM).exists():
        return
    if os.environ.get("NEAPTIDE_REQUIRE_BROWSER") == "1":
        pytest.fail(f"{CHROMIUM} is not there, and NEAPTIDE_REQUIRE_BROWSER=1 says it must be")
    pytest.skip(f"{CHROMIUM} is not there")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield started
        started.close()


# What looks as something before it does, with all that is in it: of the contrast that a look has, axe need not be asked
# a thousand times, which took it four fifths of its time on a long page. A look is everything that its contrast hangs
# on: colours and what lies behind, size and weight of the letters, and whether axe passes such a one over.
SEEN_BEFORE = """() => {
    const own = (one, pseudo) => { const style = getComputedStyle(one, pseudo);
        return [style.color, style.backgroundColor, style.backgroundImage, style.opacity, style.filter, style.mixBlendMode,
            style.textShadow, style.fontSize, style.fontWeight, style.visibility, style.display === 'none', style.clip,
            style.clipPath, style.position === 'static' ? '' : one.outerHTML.slice(0, 200)].join('|'); };
    const drawn = (one, pseudo) =>
        ['none', 'normal'].includes(getComputedStyle(one, pseudo).content) ? '' : own(one, pseudo);
    const off = (one) => one.closest(':disabled, [aria-disabled=true]') || (one.closest('label') || {}).control?.disabled;
    const looks = new Map(), within = new Map(), met = new Set(), again = [];
    const gather = (one, behind) => {
        const box = one.getBoundingClientRect();
        const look = [behind, own(one), drawn(one, '::before'), drawn(one, '::after'), !!off(one),
            one.matches('input, select, textarea') ? one.outerHTML : '', box.width < 2 || box.height < 2].join('#');
        if (!looks.has(look)) looks.set(look, looks.size);
        const these = new Set([looks.get(look)]);
        for (const child of one.children) for (const their of gather(child, looks.get(look))) these.add(their);
        within.set(one, these);
        return these; };
    const walk = (one) => {
        if ([...within.get(one)].every((look) => met.has(look))) { again.push(one); return; }
        for (const child of one.children) walk(child);
        for (const look of within.get(one)) met.add(look); };
    gather(document.body, '');
    walk(document.body);
    return again; }"""


def violations(page: Page) -> list[tuple[str, list[str]]]:
    """What axe finds on the page as it is now: each rule that is broken, and by which elements."""
    found = Axe().run(page, options=AXE | {"rules": {CONTRAST: {"enabled": False}}}).response["violations"]
    found += page.evaluate(
        f"""async () => (await axe.run({{ include: [document], exclude: ({SEEN_BEFORE})() }},
            {{ runOnly: ["{CONTRAST}"], resultTypes: ["violations"] }})).violations"""
    )
    return [(one["id"], [node["html"][:200] for node in one["nodes"]]) for one in found]


def width_of(page: Page) -> int:
    """How wide the page is, in px, once its document and its styles are there."""
    page.wait_for_load_state("load")
    width: int = page.locator("html").evaluate("html => html.scrollWidth")
    return width


def look(page: Page, width: int, scheme: str) -> None:
    page.set_viewport_size({"width": width, "height": 780})
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")  # type: ignore[arg-type]


@dataclass
class Served:
    """A served clinic, the browser that visits it, and everything that should not have happened meanwhile."""

    url: str
    browser: Browser
    complaints: list[str] = field(default_factory=list)

    def page(
        self,
        *,
        width: int = 360,
        height: int = 780,
        script: bool = True,
        scheme: str = "light",
        policy: bool = True,
        locale: str | None = None,
    ) -> Page:
        """A new, empty browser window. `policy=False` lets a checker in past the pages' own policy."""
        context = self.browser.new_context(
            viewport={"width": width, "height": height},
            java_script_enabled=script,
            color_scheme=scheme,  # type: ignore[arg-type]
            bypass_csp=not policy,
            locale=locale,
        )
        self._listen(context)
        return context.new_page()

    def closes(self) -> None:
        for context in self.browser.contexts:
            context.close()
        assert self.complaints == []

    def _listen(self, context: BrowserContext) -> None:
        context.on("console", lambda said: self._note(said.type, said.text))
        context.on("weberror", lambda error: self._note("error", str(error.error)))
        context.on("request", lambda request: self._foreign(request.url))

    def _note(self, kind: str, text: str) -> None:
        # A page that answers "gone" or "to mend" is meant to, and the browser logs its status.
        if kind in {"error", "warning"} and "Failed to load resource: the server responded" not in text:
            self.complaints.append(text)

    def _foreign(self, url: str) -> None:
        if not url.startswith((f"{self.url}/", "data:")):
            self.complaints.append(f"asked for {url}")


@dataclass
class Visit(Served):
    """A visit to the clinic of tests/house.py."""

    house: House = field(kw_only=True)


@pytest.fixture
def visit(engine: Engine, tmp_path: Path, browser: Browser) -> Iterator[Visit]:
    """A visit that fails when a page broke its own policy, failed in script, or asked another host for anything."""
    house = open_house(engine, tmp_path, demo=True)
    with served(house.app) as url:
        made = Visit(url, browser, house=house)
        yield made
        made.closes()


@contextmanager
def served(app: Flask) -> Iterator[str]:
    """The application, on a free port of 127.0.0.1."""
    with running(make_server("127.0.0.1", 0, app, threaded=True)) as address:
        yield address
