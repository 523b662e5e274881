"""Notices in Chromium: a phone set up at one press, a refusal in words, and the script that shows and opens a notice.

A browser under test has no push service of its own, so `PushManager.subscribe` is
replaced by one that makes real keys on P-256 and names ours on loopback. Everything
after it is real: what the worker sends is decrypted with those keys by the reference
library and handed to the service worker as the browser would hand it over.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, Worker, expect
from sqlalchemy import Engine

from service.domain.vocabulary import ContactState
from tests.browser.conftest import HERE, Visit, look, served, violations, width_of
from tests.house import NURSE, PASSWORD, House
from tests.pushed import PushService, decrypted, open_push_house, private, public_key, push_service, unb64
from tests.web.test_push import path_for, phones

pytestmark = pytest.mark.browser

# W3C Push API, `PushManager.subscribe` and `PushSubscription.toJSON`: what a page may count on, with real keys.
SUBSCRIBES = """endpoint => {
    const plain = bytes => btoa(String.fromCharCode(...new Uint8Array(bytes)))
        .replace(/\\+/g, "-").replace(/\\//g, "_").replace(/=+$/, "");
    const permission = { granted: "granted" };
    Notification.requestPermission = async () => { window.asked = (window.asked || 0) + 1; return permission.granted; };
    PushManager.prototype.getSubscription = async () => null;
    PushManager.prototype.subscribe = async function (options) {
        if (!options.userVisibleOnly) throw new DOMException("a notice must be shown", "NotAllowedError");
        sessionStorage.setItem("key", plain(options.applicationServerKey));
        const pair = await crypto.subtle.generateKey({ name: "ECDH", namedCurve: "P-256" }, true, ["deriveBits"]);
        const auth = crypto.getRandomValues(new Uint8Array(16));
        const point = await crypto.subtle.exportKey("raw", pair.publicKey);
        const secret = (await crypto.subtle.exportKey("jwk", pair.privateKey)).d;
        sessionStorage.setItem("held", JSON.stringify({ secret, auth: plain(auth) }));
        return { endpoint, options, toJSON: () => ({
            endpoint, expirationTime: null, keys: { p256dh: plain(point), auth: plain(auth) } }) };
    };
}"""


@dataclass
class Telephone:
    """A visit by somebody with a browser that can push."""

    visit: Visit
    service: PushService

    @property
    def house(self) -> House:
        return self.visit.house

    def page(self, *, script: str | None = SUBSCRIBES, grants: bool = True, **options: Any) -> Page:
        page = self.visit.page(**options)
        if grants:
            page.context.grant_permissions(["notifications"], origin=self.visit.url)
        if script:
            page.add_init_script(f"({script})({json.dumps(self.service.endpoint('asha'))})")
        return page

    def open(self, page: Page) -> Page:
        page.goto(self.visit.url + path_for(self.house, self.house.asha))
        return page

    def set_up(self, page: Page) -> Page:
        self.open(page)
        page.get_by_role("button", name="Show notices on this phone").click()
        expect(page.get_by_text("The notices are on.")).to_be_visible()
        return page


@pytest.fixture
def telephone(engine: Engine, tmp_path: Path, browser: Browser) -> Iterator[Telephone]:
    apps: list[Any] = []
    with push_service() as service, served(lambda *call: apps[0](*call)) as url:  # type: ignore[arg-type]
        house = open_push_house(engine, tmp_path, service, base_url=url)
        apps.append(house.app)
        visit = Visit(url, browser, house=house)
        yield Telephone(visit, service)
        visit.closes()


# --- setting up ---------------------------------------------------------------------------


def test_one_press_sets_the_phone_up_and_another_ends_it(telephone: Telephone) -> None:
    page = telephone.page()
    telephone.open(page)
    assert page.evaluate("window.asked") is None  # nothing is asked before the button is pressed
    telephone.set_up(page)
    (phone,) = phones(telephone.house)
    assert (phone.address, phone.state) == (telephone.service.endpoint("asha"), ContactState.OK)
    assert telephone.service.taken == []
    page.get_by_role("button", name="End the notices").click()
    expect(page.get_by_text("The notices are off, as you wished.")).to_be_visible()
    assert [one.state for one in phones(telephone.house)] == [ContactState.BROKEN]


def test_the_browser_is_given_the_services_public_key(telephone: Telephone) -> None:
    page = telephone.page()
    telephone.open(page)
    with page.expect_request(lambda request: request.method == "POST") as sent:
        page.get_by_role("button", name="Show notices on this phone").click()
    assert set(sent.value.post_data_json or ()) == {"endpoint", "expirationTime", "keys", "was"}
    expect(page.get_by_text("The notices are on.")).to_be_visible()
    assert page.evaluate("sessionStorage.getItem('key')") == public_key()


def test_it_ends_without_script_too(telephone: Telephone) -> None:
    telephone.set_up(telephone.page())
    page = telephone.visit.page(script=False)
    telephone.open(page)
    expect(page.get_by_text("This page needs JavaScript")).to_be_visible()
    page.get_by_role("button", name="End the notices").click()
    expect(page.get_by_text("The notices are off, as you wished.")).to_be_visible()


@pytest.mark.parametrize(
    ("script", "words"),
    [
        ("() => { Notification.requestPermission = async () => 'denied'; }", "does not allow notices from this page"),
        ("() => Object.defineProperty(Notification, 'permission', { get: () => 'denied' })", "does not allow notices"),
        ("() => { delete window.PushManager; }", "cannot show such notices"),
        ("() => { delete window.Notification; }", "cannot show such notices"),
        ("() => { Notification.requestPermission = async () => 'granted';"
         " PushManager.prototype.subscribe = async () => { throw new DOMException('none', 'AbortError'); }; }",
         "could not be set up"),
        ("() => { Notification.requestPermission = async () => 'granted';"
         " PushManager.prototype.subscribe = async () => { throw new DOMException('no', 'NotAllowedError'); }; }",
         "does not allow notices"),
    ],
)  # fmt: skip
def test_whoever_cannot_or_will_not_is_told_so_and_how_they_are_reached(
    telephone: Telephone, script: str, words: str
) -> None:
    page = telephone.open(telephone.page(script=script))
    button = page.get_by_role("button", name="Show notices on this phone")
    if button.is_visible():
        button.click()
    told = page.locator("[data-say]:visible")
    expect(told).to_have_count(1)
    expect(told).to_contain_text(words)
    expect(told).to_contain_text("text messages come to you as before")
    assert phones(telephone.house) == []


def test_what_the_service_does_not_keep_is_said(telephone: Telephone) -> None:
    page = telephone.page()
    page.add_init_script(f"({SUBSCRIBES})('https://127.0.0.1/x')")
    telephone.open(page)
    page.get_by_role("button", name="Show notices on this phone").click()
    expect(page.get_by_text("We could not keep it just now.")).to_be_visible()
    assert phones(telephone.house) == []


def test_the_phone_itself_is_not_asked_to_be_used_instead_and_another_is(telephone: Telephone) -> None:
    page = telephone.set_up(telephone.page())
    page.reload()
    page.wait_for_load_state("networkidle")
    expect(page.get_by_role("button", name="Use this phone instead")).to_be_hidden()
    other = telephone.page(script=SUBSCRIBES)
    other.add_init_script(f"({SUBSCRIBES})({json.dumps(telephone.service.endpoint('other'))})")
    telephone.open(other).get_by_role("button", name="Use this phone instead").click()
    expect(other.get_by_role("button", name="Use this phone instead")).to_be_hidden()
    assert [one.address for one in phones(telephone.house)] == [telephone.service.endpoint("other")]
    page.reload()
    expect(page.get_by_text("A phone can no longer be set up with this link.")).to_be_visible()


def test_the_browser_finds_no_fault_with_what_the_home_screen_is_told(telephone: Telephone) -> None:
    page = telephone.open(telephone.page())
    read = page.context.new_cdp_session(page).send("Page.getAppManifest")
    assert read["errors"] == []
    told = json.loads(read["data"])
    assert (told["name"], told["scope"], told["display"]) == ("Fernmoor", "/push/", "standalone")
    assert page.url.endswith(told["start_url"])


# --- the clinic ---------------------------------------------------------------------------------


def test_staff_make_the_link_and_it_opens_on_the_caregivers_phone(telephone: Telephone) -> None:
    house, page = telephone.house, telephone.visit.page(width=1280)
    telephone.set_up(telephone.page())
    house.hire_nurse()
    page.goto(f"{telephone.visit.url}/signin?next=/clinic/patients/{house.asha.id}")
    page.fill("#email", NURSE)
    page.fill("#password", PASSWORD)
    page.click("main form button")
    for name in ("patient", "link"):
        for width in (360, 1280):
            page.set_viewport_size({"width": width, "height": 900})
            assert width_of(page) <= width
            assert violations(page) == []
        if name == "patient":
            page.get_by_role("navigation", name="History").get_by_role("link", name="Ways to reach").click()
            expect(page.get_by_role("button", name=re.compile("Try this first.*Text"))).to_be_visible()
            page.get_by_role("button", name=re.compile("Link for notices.*Ben Brook")).click()
            expect(page.locator("#link")).to_be_visible()
    link = page.input_value("#link")
    other = telephone.page()
    other.goto(link)
    expect(other.get_by_text("When the clinic has no news")).to_be_visible()


# --- the look -----------------------------------------------------------------------------------


def first_seen(telephone: Telephone, page: Page) -> None:
    telephone.open(page)


def on(telephone: Telephone, page: Page) -> None:
    telephone.set_up(page)


def ended(telephone: Telephone, page: Page) -> None:
    telephone.set_up(page)
    page.get_by_role("button", name="End the notices").click()
    page.wait_for_selector("text=as you wished")


def over(telephone: Telephone, page: Page) -> None:
    path = path_for(telephone.house, telephone.house.asha)
    telephone.set_up(page)
    telephone.house.world.working = False
    telephone.house.world.advance(days=8)
    page.goto(telephone.visit.url + path)


def caregivers(telephone: Telephone, page: Page) -> None:
    telephone.house.change(telephone.house.ben, language="es")
    page.goto(telephone.visit.url + path_for(telephone.house, telephone.house.ben))


@pytest.mark.parametrize("come_to", [first_seen, on, ended, over, caregivers], ids=lambda one: one.__name__)
def test_axe_finds_nothing_and_it_fits_and_a_thumb_can_hit_it(
    telephone: Telephone, come_to: Callable[[Telephone, Page], None]
) -> None:
    page = telephone.page()
    come_to(telephone, page)
    for width, scheme in ((360, "light"), (1280, "dark")):
        look(page, width, scheme)
        assert violations(page) == [], (width, scheme)
    for width in (320, 360, 768, 1280):  # 320 px: WCAG 2.2, 1.4.10 (reflow)
        page.set_viewport_size({"width": width, "height": 780})
        assert width_of(page) <= width
    small = page.evaluate(
        """() => [...document.querySelectorAll('main button, main .button')].filter(one => one.checkVisibility())
            .map(one => one.getBoundingClientRect()).filter(box => box.height < 44 || box.width < 44).length"""
    )
    assert small == 0  # as elsewhere: WCAG 2.2, 2.5.8 asks for 24 px, and we for 44


def test_the_whole_page_goes_by_keyboard(telephone: Telephone) -> None:
    page = telephone.open(telephone.page())
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.tagName") == "BUTTON":
            break
    page.keyboard.press("Enter")
    expect(page.get_by_text("The notices are on.")).to_be_visible()


# --- the notice -----------------------------------------------------------------------------------


def worker_of(page: Page) -> Worker:
    found = [one for one in page.context.service_workers if one.url.endswith("/push/worker.js")]
    assert len(found) == 1
    return found[0]


def deliver(page: Page, url: str, data: str) -> None:
    """As a push service's message reaches the service worker (Chrome DevTools Protocol, ServiceWorker domain)."""
    session = page.context.new_cdp_session(page)
    registrations: list[str] = []
    session.on(
        "ServiceWorker.workerRegistrationUpdated",
        lambda told: registrations.extend(one["registrationId"] for one in told["registrations"]),
    )
    session.send("ServiceWorker.enable")
    for _ in range(50):
        if registrations:
            break
        page.wait_for_timeout(20)
    session.send("ServiceWorker.deliverPushMessage", {"origin": url, "registrationId": registrations[-1], "data": data})


def notices(page: Page, least: int = 1) -> list[dict[str, Any]]:
    shown: list[dict[str, Any]] = worker_of(page).evaluate(
        """async least => {
            for (let i = 0; i < 1000; i++) {
                const all = await self.registration.getNotifications();
                if (all.length >= least) return all.map(({ title, body, tag, data }) => ({ title, body, tag, data }));
                await new Promise(done => setTimeout(done, 20));
            }
            return [];
        }""",
        least,
    )
    return shown


def tap(page: Page) -> str:
    """Tap the newest notice. What would be opened is told instead: a window needs a hand on the glass."""
    opened: str = worker_of(page).evaluate(
        """async () => {
            let link = "";
            self.clients.openWindow = async given => { link = given; };
            const [notification] = await self.registration.getNotifications();
            const event = new NotificationEvent("notificationclick", { notification });
            const waits = [];
            event.waitUntil = one => waits.push(one);
            self.dispatchEvent(event);
            await Promise.all(waits);
            return link;
        }"""
    )
    return opened


def test_the_notice_is_shown_as_it_was_sent_and_its_tap_opens_the_check_in(telephone: Telephone) -> None:
    page = telephone.set_up(telephone.page())
    held = json.loads(page.evaluate("sessionStorage.getItem('held')"))
    telephone.house.world.reading(telephone.house.asha)
    telephone.house.world.at(telephone.house.asha, "07:01")
    ((_, body),) = telephone.service.of("asha")
    read = decrypted(body, private(held["secret"]), unb64(held["auth"]))
    deliver(page, telephone.visit.url, read.decode())
    (shown,) = notices(page)
    assert (shown["title"], shown["body"]) == ("Fernmoor", "Time for today's reading and check-in. Tap to begin.")
    link = tap(page)
    assert link == json.loads(read)["link"]
    assert notices(page, least=0) == []  # it goes away when it is tapped
    page.goto(link)
    expect(page.get_by_role("heading", name="Your check-in")).to_be_visible()


def test_the_same_message_again_takes_the_place_of_the_first(telephone: Telephone) -> None:
    page = telephone.set_up(telephone.page())
    for body in ("one", "two"):
        deliver(page, telephone.visit.url, json.dumps({"title": "Fernmoor", "body": body, "id": "7"}))
        page.wait_for_timeout(200)
    assert [one["body"] for one in notices(page)] == ["two"]


@pytest.mark.parametrize(
    "link", [None, "https://elsewhere.example/c/x", "javascript:alert(1)", "http://127.0.0.1:1/c/x", 7]
)
def test_a_tap_opens_nothing_but_our_own_pages(telephone: Telephone, link: object) -> None:
    page = telephone.set_up(telephone.page())
    deliver(page, telephone.visit.url, json.dumps({"title": "Fernmoor", "body": "x", "id": "7", "link": link}))
    assert len(notices(page)) == 1
    assert tap(page) == ""


@pytest.mark.parametrize("data", ["", "no json", "null", "[1]", '{"title": 7}'])
def test_something_is_shown_whatever_comes(telephone: Telephone, data: str) -> None:
    """A push without a notice may cost the page its permission (W3C Push API, `userVisibleOnly`)."""
    page = telephone.set_up(telephone.page())
    deliver(page, telephone.visit.url, data)
    assert [(one["title"], one["body"]) for one in notices(page)] == [("Neaptide", "")]


def test_a_subscription_that_the_browser_exchanges_is_followed(telephone: Telephone) -> None:
    page = telephone.set_up(telephone.page())
    (before,) = phones(telephone.house)
    answer = worker_of(page).evaluate(
        """async ([endpoint, p256dh, auth]) => {
            const event = new Event("pushsubscriptionchange");
            const now = { toJSON: () => ({ endpoint, expirationTime: null, keys: { p256dh, auth } }) };
            Object.assign(event, { oldSubscription: null, newSubscription: now });
            const waits = [];
            event.waitUntil = one => waits.push(one);
            self.dispatchEvent(event);
            await Promise.all(waits);
            const kept = await (await (await caches.open("push")).match("kept")).json();
            return kept.subscription.endpoint;
        }""",
        [telephone.service.endpoint("second"), before.secret["p256dh"], before.secret["auth"]],  # type: ignore[index]
    )
    assert answer == telephone.service.endpoint("second")
    (after,) = phones(telephone.house)
    assert (after.id, after.address) == (before.id, telephone.service.endpoint("second"))


def test_the_script_reaches_over_the_pages_of_notices_alone(telephone: Telephone) -> None:
    page = telephone.set_up(telephone.page())
    scope = worker_of(page).evaluate("self.registration.scope")
    assert urlsplit(scope).path == "/push/"
    assert scope.startswith(HERE)
