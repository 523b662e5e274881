"""Passkeys in Chromium, with its virtual authenticator (W3C Web Authentication, Level 3, section 11, over CDP).

A browser makes no passkey for a bare number, so the clinic is opened at `localhost`.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect
from sqlalchemy import Engine

from service.accounts import invitations
from service.accounts.sessions import CONFIRMED_FOR
from service.accounts.staff import add_staff
from service.domain.vocabulary import Role
from service.store.audit import OPERATOR, Act
from service.store.session import write_session
from service.store.tables import Passkey
from tests.browser.conftest import HERE, Visit, look, served, violations, width_of
from tests.house import open_house

pytestmark = [pytest.mark.browser, pytest.mark.databases("sqlite")]


@pytest.fixture
def named(engine: Engine, tmp_path: Path, browser: Browser) -> Iterator[Visit]:
    apps: list[Any] = []
    with served(lambda *call: apps[0](*call)) as at:  # type: ignore[arg-type]
        url = at.replace(HERE, "http://localhost")
        house = open_house(engine, tmp_path, base_url=url)
        apps.append(house.app)
        visit = Visit(url, browser, house=house)
        yield visit
        visit.closes()


def with_device(page: Page) -> None:
    """A telephone's own authenticator, whose owner's finger is always on it."""
    cdp = page.context.new_cdp_session(page)
    cdp.send("WebAuthn.enable")
    options = {
        "protocol": "ctap2", "transport": "internal", "hasResidentKey": True, "hasUserVerification": True,
        "isUserVerified": True, "automaticPresenceSimulation": True,
    }  # fmt: skip
    cdp.send("WebAuthn.addVirtualAuthenticator", {"options": options})


def fits(page: Page) -> None:
    for width in (360, 1280):
        look(page, width, "light")
        assert width_of(page) <= width
    assert violations(page) == []


def test_a_colleague_comes_in_signs_in_again_and_confirms_by_a_passkey(named: Visit) -> None:
    house = named.house
    with write_session(house.engine) as session:
        act = Act(session, OPERATOR, house.asha.clinic_id, house.world.now)
        kit = add_staff(act, "kit@fernmoor.example", "Kit Vale", [Role.NURSE])
        key = invitations.invite(act, kit, house.world.now)
    page = named.page()
    with_device(page)
    page.goto(f"{named.url}/invited/{key}")
    fits(page)
    page.get_by_role("button", name="Set a passkey and sign in").click()
    expect(page.get_by_text("Your passkey is set, and you are signed in.")).to_be_visible()
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_text("You are signed out.")).to_be_visible()
    fits(page)
    page.get_by_role("button", name="Sign in with a passkey").press("Enter")
    page.wait_for_url("**/clinic/**")
    house.world.clock.advance(CONFIRMED_FOR + timedelta(seconds=1))
    page.goto(f"{named.url}/passkeys")
    expect(page.get_by_role("heading", name="Is it you?")).to_be_visible()
    fits(page)
    page.get_by_role("button", name="Go on with a passkey").click()
    expect(page.get_by_text("It is the only way into your account")).to_be_visible()
    fits(page)
    page.get_by_role("button", name="Add a passkey").click()
    expect(page.get_by_text("This device has a passkey of your account already.")).to_be_visible()
    (kept,) = house.rows(Passkey)
    assert kept.used_at == house.world.clock.now()


def test_whoever_has_no_script_no_passkey_or_another_address_is_told(named: Visit) -> None:
    without = named.page(script=False)
    without.goto(f"{named.url}/signin")
    expect(without.get_by_text("Passwords and codes work without it.")).to_be_visible()
    expect(without.get_by_role("button", name="Sign in with a passkey")).to_be_hidden()
    elsewhere = named.page()
    named.complaints.clear()
    elsewhere.goto(f"{named.url.replace('localhost', '127.0.0.1')}/signin")
    expect(elsewhere.get_by_role("link", name=named.url)).to_be_visible()
    named.complaints.clear()  # that it was asked for by another name is the point
    cancels = named.page()
    cancels.add_init_script(
        "navigator.credentials.get = async () => { throw new DOMException('no', 'NotAllowedError'); }"
    )
    cancels.goto(f"{named.url}/signin")
    button = cancels.get_by_role("button", name="Sign in with a passkey")
    button.click()
    expect(cancels.get_by_text("Nothing was done: it was cancelled")).to_be_visible()
    expect(button).to_be_enabled()
