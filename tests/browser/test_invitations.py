"""An invitation in Chromium: walked on a small telephone without script, and confirmed at a desk; axe finds nothing."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import select

from service.store.session import read_session, write_session
from service.store.tables import Invitation, Patient, Staff
from tests.browser.conftest import Visit, look, violations, width_of
from tests.house import NURSE
from tests.signed_in import sign_in_as

pytestmark = pytest.mark.browser
LEAST_TARGET = 44  # WCAG 2.2, success criterion 2.5.8 asks for 24 px; we for 44


def at_desk(visit: Visit) -> Page:
    """A nurse's window."""
    nurse = visit.house.hire_nurse()
    page, client = visit.page(width=1280, policy=False), visit.house.client
    sign_in_as(client, nurse.id, visit.house.app.extensions["neaptide"].door_clock.now())
    cookie = client.get_cookie("neaptide")
    assert cookie is not None
    page.context.add_cookies([{"name": "neaptide", "value": cookie.value, "url": visit.url}])
    return page


def sound(page: Page, width: int, *, touch: bool = False) -> None:
    """It fits, axe finds nothing, and a thumb hits what is there."""
    for wide, scheme in ((width, "light"), (1280 if width < 1280 else 768, "dark")):
        look(page, wide, scheme)
        assert width_of(page) <= wide, page.url
    look(page, width, "dark" if page.url.endswith(("reach", "check", "enrol")) else "light")
    assert violations(page) == [], page.url
    if touch:
        small = page.evaluate(
            """least => [...document.querySelectorAll('main input:not([type=hidden]), main select, main button, main .button')]
                .filter(one => one.checkVisibility())
                .filter(one => one.getBoundingClientRect().height < least).map(one => one.outerHTML.slice(0, 90))""",
            LEAST_TARGET,
        )
        assert small == [], page.url


def test_somebody_is_invited_agrees_on_their_telephone_and_is_confirmed(visit: Visit) -> None:
    desk = at_desk(visit)
    desk.goto(f"{visit.url}/clinic/invitations")
    sound(desk, 1280)
    desk.fill("#name", "Mara Invented")
    desk.fill("#born_on", "1948-03-09")
    desk.get_by_role("button", name="Make the invitation").click()
    sound(desk, 1280)
    desk.get_by_role("button", name="Show it on this screen").click()
    sound(desk, 1280)
    address = desk.input_value("#link")
    path = address[address.index("/i/") :]

    phone = visit.page(script=False)
    phone.goto(visit.url + path)
    for label, typed in (("Day", "9"), ("Month", "3"), ("Year", "1948")):
        phone.get_by_label(label, exact=True).fill(typed)
    phone.get_by_role("button", name="Open the page").click()
    expect(phone.get_by_text("Mara Invented")).to_be_visible()
    phone.get_by_role("link", name="Go on").click()
    phone.locator("#q-messages").get_by_label("Yes", exact=True).check()
    phone.get_by_role("button", name="Go on").click()
    phone.fill("#address", "+64 9 999 00777")
    phone.select_option("#opens", "09:30")
    phone.get_by_role("button", name="Go on").click()
    phone.locator("#q-is_there").get_by_label("Yes", exact=True).check()
    phone.fill("#name", "Luz Invented")
    phone.get_by_role("button", name="Go on").click()
    expect(phone.locator("#q-told .problem")).to_be_visible()
    assert phone.input_value("#name") == "Luz Invented"
    for asked in ("told", "sees"):
        phone.locator(f"#q-{asked}").get_by_label("Yes", exact=True).check()
    phone.get_by_role("button", name="Go on").click()
    phone.get_by_role("button", name="Send me a code").click()
    expect(phone.get_by_label("The code", exact=True)).to_be_visible()

    seen = visit.page(policy=False)
    seen.goto(visit.url + path)
    sound(seen, 360, touch=True)  # the door
    seen.context.add_cookies(phone.context.cookies())  # type: ignore[arg-type]
    for step in ("read", "agree", "reach", "helper", "check", "no"):
        seen.goto(f"{visit.url}{path}/{step}")
        assert seen.url.endswith(step)
        sound(seen, 360, touch=True)
    with write_session(visit.house.engine) as session:
        session.scalars(select(Invitation)).one().language = "es"
    seen.goto(f"{visit.url}{path}/check")
    sound(seen, 360)
    phone.locator(f"form[action='{path}/check'] button").click()
    seen.goto(f"{visit.url}{path}/end")
    sound(seen, 360, touch=True)

    desk.goto(f"{visit.url}/clinic/enrol")
    sound(desk, 1280)
    desk.get_by_role("link", name="Mara Invented").click()
    expect(desk.get_by_text("they entered no code")).to_be_visible()
    sound(desk, 1280)
    with write_session(visit.house.engine) as session:
        session.scalars(select(Staff).where(Staff.email == NURSE)).one().language = "es"
    desk.reload()
    sound(desk, 360)
    desk.fill("#clinic_ref", "F-77")
    desk.locator("form[action$='/confirm'] button").click()
    desk.wait_for_url("**/enrol/done/**")
    with read_session(visit.house.engine) as session:
        assert session.scalars(select(Patient.name).where(Patient.clinic_ref == "F-77")).one() == "Mara Invented"
