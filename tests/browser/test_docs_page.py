"""The description of the API in Chromium: it fits, it leads to its shapes, and axe finds nothing."""

from __future__ import annotations

import json

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.browser.conftest import Visit

pytestmark = pytest.mark.browser
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def test_the_description_fits_and_leads_to_what_an_address_takes(visit: Visit) -> None:
    """Without script. Requests elsewhere and complaints about the policy fail the visit itself."""
    page = visit.page(script=False)
    page.goto(f"{visit.url}/docs")
    for width in (320, 360, 1280):  # 320 px: WCAG 2.2, 1.4.10 (reflow)
        page.set_viewport_size({"width": width, "height": 800})
        widest = page.locator("html").bounding_box()
        assert widest is not None
        assert widest["width"] <= width
    one = page.locator("details", has_text="POST /api/v1/readings").first
    one.locator("summary").click()
    one.get_by_role("link", name="ReadingIn").click()
    assert page.url.endswith("#s-ReadingIn")
    shape = page.locator(".shape", has=page.locator("#s-ReadingIn"))
    assert shape.is_visible()
    assert "taken_at" in shape.inner_text()
    assert "required" in shape.inner_text()


@pytest.mark.parametrize(("width", "scheme"), [(360, "light"), (1280, "dark")])
def test_axe_finds_nothing_in_the_description(visit: Visit, width: int, scheme: str) -> None:
    page = visit.page(width=width, scheme=scheme, policy=False)
    page.goto(f"{visit.url}/docs")
    page.evaluate("document.querySelectorAll('details').forEach((one, place) => { one.open = place % 5 === 0 })")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    found = Axe().run(page, options={"runOnly": RULES})
    told = [(one["id"], [node["html"][:200] for node in one["nodes"]]) for one in found.response["violations"]]
    assert told == [], json.dumps(told, indent=1)
