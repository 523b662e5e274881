"""The description of the API in Chromium: it fits, it leads to its shapes, and axe finds nothing."""

from __future__ import annotations

import pytest

from tests.browser.conftest import Visit, look, violations, width_of

pytestmark = pytest.mark.browser


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


def test_axe_finds_nothing_in_the_description(visit: Visit) -> None:
    page = visit.page()
    page.goto(f"{visit.url}/docs")
    page.evaluate("document.querySelectorAll('details').forEach((one, place) => { one.open = place % 5 === 0 })")
    for width, scheme in ((360, "light"), (1280, "dark")):
        look(page, width, scheme)
        assert width_of(page) <= width
        assert violations(page) == [], (width, scheme)
