"""The pages of wordings in Chromium: both widths, axe silent, and a wording tried and saved without script."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page
from sqlalchemy import select

from service.accounts.hashing import hashed
from service.accounts.staff import add_staff
from service.domain.vocabulary import Role
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import MessageTemplate
from tests.browser.conftest import Visit, violations, width_of
from tests.house import PASSWORD

pytestmark = pytest.mark.browser
PETRA = "petra@fernmoor.example"
LONG = "{sender}: good morning – your quiet minutes are due, whenever you find them today. {link} STOP ends these."


def administrator(visit: Visit, *, width: int = 360, script: bool = True, scheme: str = "light") -> Page:
    """A window in which Petra, who is invented, is signed in."""
    with write_session(visit.house.engine) as session:
        act = Act(session, OPERATOR, visit.house.asha.clinic_id, visit.house.world.now)
        add_staff(act, PETRA, "Petra Lindqvale", [Role.ADMINISTRATOR], password_hash=hashed(PASSWORD, ()))
    page = visit.page(width=width, script=script, scheme=scheme)
    page.goto(f"{visit.url}/signin?next=/clinic/wordings")
    page.fill("input[name=email]", PETRA)
    page.fill("input[name=password]", PASSWORD)
    page.click("main button")
    page.wait_for_url("**/clinic/wordings")
    return page


def fits(page: Page, width: int) -> None:
    assert width_of(page) <= width, page.url
    assert violations(page) == [], page.url


@pytest.mark.parametrize(("width", "scheme"), [(360, "light"), (1280, "dark")])
def test_every_page_fits_and_axe_finds_nothing(visit: Visit, width: int, scheme: str) -> None:
    page = administrator(visit, width=width, scheme=scheme)
    fits(page, width)
    page.click("a[href='/clinic/wordings/en/prompt']")
    fits(page, width)
    page.fill("#body", LONG)
    page.click("button:has-text('Preview')")
    assert "3 text messages" in page.inner_text("section[aria-labelledby=shown]")
    assert "U+2013 EN DASH" in page.inner_text("section[aria-labelledby=shown]")
    fits(page, width)
    page.fill("#body", "{name}")
    page.click("main button:has-text('Save')")
    assert page.locator("[role=alert]").inner_text().startswith("“{name}” cannot be sent.")
    fits(page, width)


def test_a_wording_is_tried_saved_and_taken_back_without_script(visit: Visit) -> None:
    page = administrator(visit, script=False)
    page.click("a[href='/clinic/wordings/es/reply']")
    page.fill("#body", "{sender}: {text} Gracias.")
    page.click("button:has-text('Preview')")
    assert "Not saved." in page.inner_text("section[aria-labelledby=shown]")
    assert "The longest it can become" in page.inner_text("section[aria-labelledby=shown]")
    assert page.input_value("#body") == "{sender}: {text} Gracias."
    assert bodies(visit) == []
    page.click("main button:has-text('Save')")
    assert "Saved." in page.inner_text("[role=status]")
    assert bodies(visit) == ["{sender}: {text} Gracias."]
    page.click("text=Go back to the built-in wording")
    assert "The built-in wording is used again." in page.inner_text("[role=status]")
    assert bodies(visit) == []


def bodies(visit: Visit) -> list[str]:
    with read_session(visit.house.engine) as session:
        return list(session.scalars(select(MessageTemplate.body).where(MessageTemplate.body.is_not(None))))
