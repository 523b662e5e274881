"""A real browser, and an invented clinic served to it on loopback.

Without Chromium these tests are skipped; where NEAPTIDE_REQUIRE_BROWSER=1 says
that it must be there, they fail instead.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from flask import Flask
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
from sqlalchemy import Engine
from werkzeug.serving import make_server

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
]
HERE = "http://127.0.0.1"


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


@dataclass
class Visit:
    """The served clinic, the browser that visits it, and everything that should not have happened meanwhile."""

    house: House
    url: str
    browser: Browser
    complaints: list[str] = field(default_factory=list)

    def page(self, *, width: int = 360, script: bool = True, scheme: str = "light", policy: bool = True) -> Page:
        """A new, empty browser window. `policy=False` lets a checker in past the pages' own policy."""
        context = self.browser.new_context(
            viewport={"width": width, "height": 780},
            java_script_enabled=script,
            color_scheme=scheme,  # type: ignore[arg-type]
            bypass_csp=not policy,
        )
        self._listen(context)
        return context.new_page()

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


@pytest.fixture
def visit(engine: Engine, tmp_path: Path, browser: Browser) -> Iterator[Visit]:
    """A visit that fails when a page broke its own policy, failed in script, or asked another host for anything."""
    house = open_house(engine, tmp_path, demo=True)
    with served(house.app) as url:
        made = Visit(house, url, browser)
        yield made
        for context in browser.contexts:
            context.close()
    assert made.complaints == []


@contextmanager
def served(app: Flask) -> Iterator[str]:
    """The application, on a free port of 127.0.0.1."""
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"{HERE}:{server.server_port}"
    finally:
        server.shutdown()
        thread.join(timeout=10)
        server.server_close()
