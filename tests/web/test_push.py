"""The page for notices over HTTP: a link for one person, a subscription with keys that are keys, an end that ends."""

from __future__ import annotations

import json
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, update

from service.care import contacts, ending
from service.domain.vocabulary import Channel, ConsentKind, ContactState, TaskKind
from service.enrolling import people
from service.links import revoke_links
from service.store.audit import OPERATOR, Act
from service.store.session import write_session
from service.store.tables import AuditLine, Caregiver, Consent, Contact, Patient, Task
from service.web.pages import push
from tests.house import House, words
from tests.inwords import task
from tests.pushed import Browser, b64, open_push_house, public_key
from tests.statements import writes_of
from tests.waiting import PATIENCE_SECONDS

pytestmark = pytest.mark.databases("sqlite")

WEEK = timedelta(days=7)


@pytest.fixture
def house(engine: Engine, tmp_path: Path) -> House:
    return open_push_house(engine, tmp_path)


def path_for(house: House, person: Patient | Caregiver, lasts: timedelta = WEEK) -> str:
    return house.world.push_link(person, lasts)


def phones(house: House) -> list[Contact]:
    return [one for one in house.rows(Contact) if one.channel is Channel.WEBPUSH]


def agreements(house: House) -> list[Consent]:
    return [one for one in house.rows(Consent) if one.kind is ConsentKind.WEBPUSH]


def actions(house: House) -> list[tuple[str, str]]:
    return [(line.actor_kind.value, line.action) for line in house.rows(AuditLine)]


def kept(browser: Browser) -> dict[str, str]:
    return browser.subscription["keys"] | {"made_for": public_key()}


def told(house: House, path: str) -> str:
    return words(house.client.get(path).get_data(as_text=True))


# --- looking -----------------------------------------------------------------------------


def test_looking_changes_nothing_and_says_what_will_happen(house: House) -> None:
    path = path_for(house, house.asha)
    with writes_of(house.engine) as writes:
        page = house.client.get(path)
        house.client.head(path)
        house.client.get("/push/worker.js")
        assert house.client.get(f"{path}/manifest.json").status_code == 200
        assert house.client.get(f"{path}/end").status_code == 405
    assert writes == []
    assert page.status_code == 200
    said = words(page.get_data(as_text=True))
    for promise in (
        "One short notice on each day", "No name, no value", "It ends when you want", "This is not an emergency service",
        "call 111", "text messages come to you as before",
    ):  # fmt: skip
        assert promise in said
    assert "Asha" not in said


def test_the_page_gives_the_browser_the_key_that_signs(house: House) -> None:
    # RFC 8292, section 4: the browser restricts the subscription to this key.
    page = house.client.get(path_for(house, house.asha)).get_data(as_text=True)
    assert f'data-key="{public_key()}"' in page


def test_a_caregiver_is_told_what_concerns_a_caregiver_in_their_own_language(house: House) -> None:
    house.change(house.ben, language="es")
    page = house.client.get(path_for(house, house.ben)).get_data(as_text=True)
    assert '<html lang="es"' in page
    assert "Cuando la clínica no tiene noticias" in page
    assert "cada día de su plan" not in page


def test_the_script_that_shows_notices_reaches_over_these_pages_alone(house: House) -> None:
    # Service Workers (W3C): without a header of its own, a script's scope is the folder it is served from.
    script = house.client.get("/push/worker.js")
    assert (script.status_code, script.mimetype) == (200, "text/javascript")
    assert script.headers["Cache-Control"] == "no-cache"
    assert "Service-Worker-Allowed" not in script.headers


# --- links ----------------------------------------------------------------------------------


def test_a_link_that_was_changed_or_is_of_another_kind_opens_nothing(house: House) -> None:
    path = path_for(house, house.asha)
    checkin = "/push/" + house.link(house.asha).rpartition("/")[2]
    for forged in (path[:-2] + "aa", checkin, "/push/x", "/push/%00", f"/push/{house.asha.id}", path + "x"):
        assert house.client.get(forged).status_code == 404
        answer = house.client.post(forged, json=Browser().subscription)
        assert (answer.status_code, answer.mimetype) == (404, "application/problem+json")
        assert house.client.post(f"{forged}/end").status_code == 404
        assert house.client.get(f"{forged}/manifest.json").status_code == 404
    assert phones(house) == []


def test_a_link_over_sets_nothing_up_and_still_ends(house: House) -> None:
    path = path_for(house, house.asha)
    house.client.post(path, json=Browser().subscription)
    house.world.working = False
    house.world.clock.advance(WEEK)
    page = house.client.get(path)
    assert page.status_code == 410
    assert "data-key" not in page.get_data(as_text=True)
    assert house.client.post(path, json=Browser("https://push.example/other").subscription).status_code == 410
    assert phones(house)[0].address == "https://push.example/send/asha"
    assert house.client.post(f"{path}/end").status_code == 303
    assert [one.state for one in phones(house)] == [ContactState.BROKEN]


def test_a_link_of_somebody_who_takes_no_part_any_more_is_closed(house: House) -> None:
    ben, asha = path_for(house, house.ben), path_for(house, house.asha)
    house.change(house.ben, active=False)
    assert house.client.get(ben).status_code == 410
    assert house.client.post(ben, json=Browser().subscription).status_code == 410
    with write_session(house.engine) as session:
        ending.end_patient(
            Act(session, OPERATOR, house.asha.clinic_id, house.world.now),
            session.get_one(Patient, house.asha.id),
        )
    assert house.client.get(asha).status_code == 410
    assert house.client.post(asha, json=Browser().subscription).status_code == 410
    assert phones(house) == []


def test_a_link_revoked_while_the_button_is_pressed_sets_nothing_up(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = path_for(house, house.asha)
    looks = push._found

    def looks_and_then_staff_revoke(token: str) -> push.Invited:
        found = looks(token)
        with write_session(house.engine) as session:
            act = Act(session, OPERATOR, house.asha.clinic_id, house.world.now)
            revoke_links(act, session.get_one(Patient, house.asha.id))
        return found

    monkeypatch.setattr(push, "_found", looks_and_then_staff_revoke)
    answer = house.client.post(path, json=Browser().subscription)
    assert (answer.status_code, phones(house), agreements(house)) == (410, [], [])


# --- a phone ----------------------------------------------------------------------------------


def test_one_press_is_a_contact_an_agreement_and_lines_in_the_audit_together(house: House) -> None:
    path, browser = path_for(house, house.asha), Browser()
    answer = house.client.post(path, json=browser.subscription)
    assert (answer.status_code, answer.json) == (201, {"phone": "new"})
    (phone,), (agreement,) = phones(house), agreements(house)
    assert (phone.patient_id, phone.caregiver_id, phone.address) == (house.asha.id, None, browser.endpoint)
    assert phone.secret == kept(browser)
    assert (agreement.given, agreement.patient_id, agreement.caregiver_id) == (True, house.asha.id, None)
    assert agreement.recorded_by == f"patient:{house.asha.id}"
    assert ("patient", "contact.add") in actions(house)
    assert ("patient", "consent.give") in actions(house)
    assert "The notices are on" in told(house, path)


@pytest.mark.databases("both")
def test_nothing_is_kept_of_a_press_when_one_part_fails(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object, **__: object) -> None:
        raise RuntimeError("no agreement can be written")

    monkeypatch.setattr("service.care.contacts.record_consent", fails)
    assert house.client.post(path_for(house, house.asha), json=Browser().subscription).status_code == 500
    assert phones(house) == []


def test_a_caregivers_phone_is_the_caregivers(house: House) -> None:
    house.client.post(path_for(house, house.ben), json=Browser().subscription)
    (phone,), (agreement,) = phones(house), agreements(house)
    assert (phone.patient_id, phone.caregiver_id) == (None, house.ben.id)
    assert (agreement.patient_id, agreement.caregiver_id) == (house.asha.id, house.ben.id)
    assert "The notices are on" not in told(house, path_for(house, house.asha))


def test_the_same_subscription_again_writes_nothing(house: House) -> None:
    path, browser = path_for(house, house.asha), Browser()
    house.client.post(path, json=browser.subscription)
    with writes_of(house.engine) as writes:
        answer = house.client.post(path, json=browser.subscription)
    assert (answer.status_code, answer.json) == (200, {"phone": "same"})
    assert writes == []


@pytest.mark.databases("both")
def test_presses_at_the_same_moment_make_one_contact(house: House) -> None:
    path = path_for(house, house.asha)
    browsers = [Browser(f"https://push.example/send/{n}") for n in range(4)]
    start = threading.Barrier(len(browsers))

    def press(browser: Browser) -> int:
        start.wait(PATIENCE_SECONDS)
        return house.client.post(path, json=browser.subscription).status_code

    with ThreadPoolExecutor(len(browsers)) as pool:
        answers = sorted(pool.map(press, browsers))
    assert answers == [201, 410, 410, 410]  # the link is the first one's
    assert len(phones(house)) == len(agreements(house)) == 1


def test_new_keys_and_a_new_phone_take_the_place_of_the_old(house: House) -> None:
    path = path_for(house, house.asha)
    house.client.post(path, json=Browser().subscription)
    (first,) = phones(house)
    for browser in (Browser(auth=b"fedcba9876543210"), Browser("https://push.example/send/new-phone")):
        path = path_for(house, house.asha)
        assert house.client.post(path, json=browser.subscription).json == {"phone": "changed"}
        (phone,) = phones(house)
        assert (phone.id, phone.address, phone.secret) == (first.id, browser.endpoint, kept(browser))
    assert len(agreements(house)) == 1


def test_a_phone_that_was_asked_for_is_tried_first_and_the_text_after_it(house: House) -> None:
    house.client.post(path_for(house, house.asha), json=Browser().subscription)
    order = sorted((one.position, one.channel) for one in house.rows(Contact) if one.patient_id == house.asha.id)
    assert order == [(0, Channel.WEBPUSH), (1, Channel.TEXT)]


def test_an_order_that_staff_have_set_is_kept_when_the_phone_is_exchanged(house: House) -> None:
    path = path_for(house, house.asha)
    house.client.post(path, json=Browser().subscription)
    with write_session(house.engine) as session:
        text = next(
            one for one in house.rows(Contact) if one.patient_id == house.asha.id and one.channel is Channel.TEXT
        )
        people.put_first(
            Act(session, OPERATOR, text.clinic_id, house.world.now),
            session.get_one(Contact, text.id),
        )
    house.client.post(path_for(house, house.asha), json=Browser("https://push.example/send/new-phone").subscription)
    assert phones(house)[0].position == 1


def test_a_link_is_used_up_by_its_first_phone_which_may_come_back(house: House) -> None:
    path, first = path_for(house, house.asha), Browser()
    house.client.post(path, json=first.subscription)
    second = Browser("https://push.example/send/second")
    answer = house.client.post(path, json=second.subscription)
    assert (answer.status_code, answer.get_json(force=True)["detail"]) == (
        410, "This link has set a phone up; another phone needs a new link.",
    )  # fmt: skip
    guessed = first.subscription | {"keys": first.subscription["keys"] | {"auth": b64(b"x" * 16)}}
    assert house.client.post(path, json=second.subscription | {"was": guessed}).status_code == 410
    assert [one.address for one in phones(house)] == [first.endpoint]
    page = house.client.get(path).get_data(as_text=True)
    assert "data-key" not in page
    assert "Ask the clinic for a new one" in page
    # The same phone, whose browser has made a new subscription meanwhile, shows the secret of the old one.
    house.client.post(f"{path}/end")
    assert "data-key" in house.client.get(path).get_data(as_text=True)
    again = house.client.post(path, json=second.subscription | {"was": first.subscription})
    assert (again.status_code, again.json) == (200, {"phone": "changed"})


def test_the_person_is_told_of_a_new_phone_on_their_other_channel(house: House) -> None:
    def came() -> list[str]:
        house.world.tick()
        return [kept.body for kept in house.world.phone(house.asha).unread() if "set up just now" in kept.body]

    path, browser = path_for(house, house.asha), Browser()
    house.client.post(path, json=browser.subscription)
    (told_once,) = came()
    assert told_once.endswith("If that was not you, please call +64 9 999 0100.")
    for hidden in ("Asha", "push.example", "http"):
        assert hidden not in told_once
    house.client.post(path, json=browser.subscription)
    house.client.post(f"{path}/end")
    house.client.post(path, json=browser.subscription)
    assert len(came()) == 1  # the phone that we know
    house.client.post(path_for(house, house.asha), json=Browser("https://push.example/send/second").subscription)
    assert len(came()) == 2


def test_where_nobody_can_be_told_of_another_phone_staff_ask(house: House) -> None:
    house.client.post(path_for(house, house.asha), json=Browser().subscription)
    with write_session(house.engine) as session:
        session.execute(update(Contact).where(Contact.channel == Channel.TEXT).values(state=ContactState.BROKEN))
    assert house.rows(Task) == []  # the first phone takes nobody's place
    house.client.post(path_for(house, house.asha), json=Browser("https://push.example/send/second").subscription)
    (asked,) = house.rows(Task)
    assert (asked.kind, asked.patient_id) == (TaskKind.CHECK_NUMBER, house.asha.id)
    assert task(asked).endswith("Please ask them whether it was they.")
    (phone,) = phones(house)
    assert phone.changed_at == house.world.clock.now()


def test_somebody_who_has_stopped_messages_is_told_that_none_will_come(house: House) -> None:
    house.world.phone(house.asha).texts("STOP")
    assert "No notice comes until" in told(house, path_for(house, house.asha))


# --- ending -----------------------------------------------------------------------------------


def test_ending_ends_the_contact_and_the_agreement_and_nothing_else(house: House) -> None:
    path = path_for(house, house.asha)
    house.client.post(path, json=Browser().subscription)
    for _ in range(2):
        answer = house.client.post(f"{path}/end")
        assert (answer.status_code, answer.headers["Location"]) == (303, path)
    (phone,) = phones(house)
    assert (phone.state, phone.broken_reason) == (ContactState.BROKEN, "ended by the person")
    assert [one.given for one in agreements(house)] == [True, False]
    assert [one.given for one in house.rows(Consent) if one.kind is ConsentKind.MESSAGES and not one.caregiver_id] == [
        True
    ]
    assert actions(house).count(("patient", "contact.end")) == 1
    page = told(house, path)
    assert "The notices are off, as you wished" in page
    assert "End the notices" not in page


def test_it_can_be_begun_again_after_it_was_ended(house: House) -> None:
    path = path_for(house, house.asha)
    house.client.post(path, json=Browser().subscription)
    house.client.post(f"{path}/end")
    assert house.client.post(path, json=Browser().subscription).json == {"phone": "changed"}
    (phone,) = phones(house)
    assert (phone.state, phone.broken_reason, phone.position) == (ContactState.OK, None, 0)
    assert [one.given for one in agreements(house)] == [True, False, True]


def test_another_persons_phone_goes_on_when_one_ends(house: House) -> None:
    """Two people may share a telephone, and so a subscription."""
    for person in (house.asha, house.ben):
        house.client.post(path_for(house, person), json=Browser().subscription)
    house.client.post(f"{path_for(house, house.asha)}/end")
    assert {one.caregiver_id: one.state for one in phones(house)} == {
        None: ContactState.BROKEN, house.ben.id: ContactState.OK,
    }  # fmt: skip


def test_an_agreement_that_staff_withdraw_ends_the_phone_too(house: House) -> None:
    house.client.post(path_for(house, house.asha), json=Browser().subscription)
    with write_session(house.engine) as session:
        asha = session.get_one(Patient, house.asha.id)
        contacts.record_consent(
            Act(session, OPERATOR, asha.clinic_id, house.world.now), asha, ConsentKind.WEBPUSH, False, "by telephone"
        )
    assert phones(house)[0].state is ContactState.BROKEN


# --- what cannot be taken -------------------------------------------------------------------


def changed(**more: Any) -> dict[str, Any]:
    """A subscription with one thing wrong; `p256dh` and `auth` are its keys."""
    made = Browser().subscription
    made["keys"] |= {name: more.pop(name) for name in ("p256dh", "auth") if name in more}
    return made | more


OFF_CURVE = b64(b"\x04" + b"\x01" * 64)  # 65 bytes, and no point on P-256


@pytest.mark.parametrize(
    ("field", "sent"),
    [
        ("endpoint", changed(endpoint="http://push.example/x")),
        ("endpoint", changed(endpoint="https://127.0.0.1/x")),
        ("endpoint", changed(endpoint="https://[::ffff:127.0.0.1]/x")),
        ("endpoint", changed(endpoint="https://localhost./x")),
        ("endpoint", changed(endpoint="https://127.1/x")),
        ("endpoint", changed(endpoint="https://0x7f.1/x")),
        ("endpoint", changed(endpoint="https://2130706433/x")),
        ("endpoint", changed(endpoint="https://metadata/x")),
        ("endpoint", changed(endpoint="https://push.example:8443/x")),
        ("endpoint", changed(endpoint="https://@push.example/x")),
        ("endpoint", changed(endpoint="https://push.example/\x00")),
        ("endpoint", changed(endpoint="https://push.example/\r\nX: y")),
        ("endpoint", changed(endpoint="https://push.example/ué")),
        ("endpoint", changed(endpoint="https://push.example/" + "x" * 1000)),
        ("endpoint", changed(endpoint=None)),
        ("endpoint", changed(endpoint=["https://push.example/x"])),
        # RFC 8291, section 3.1 and 3.2: a point on P-256, uncompressed, and 16 bytes.
        ("p256dh", changed(p256dh=OFF_CURVE)),
        ("p256dh", changed(p256dh=b64(b"\x04" + b"\x01" * 63))),
        ("p256dh", changed(p256dh="")),
        ("p256dh", changed(p256dh=7)),
        ("auth", changed(auth=b64(b"\x00" * 15))),
        ("auth", changed(auth=b64(b"\x00" * 17))),
        ("auth", changed(auth=b64(b"0123456789abcdef") + "\x00")),
        ("auth", changed(auth=b64(b"0123456789abcdef") + "\n")),
        ("auth", changed(auth="+" * 22)),
        ("auth", changed(auth=None)),
        ("keys", changed(keys=None)),
        ("keys", changed(keys=["p256dh", "auth"])),
        ("body", []),
        ("body", "\x00"),
    ],
)  # fmt: skip
def test_a_subscription_that_is_none_is_refused_by_name(house: House, field: str, sent: Any) -> None:
    answer = house.client.post(path_for(house, house.asha), json=sent)
    assert (answer.status_code, answer.mimetype) == (422, "application/problem+json")
    assert [error["field"] for error in answer.get_json(force=True)["errors"]] == [field]
    assert phones(house) == []
    assert agreements(house) == []


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        (b"", "application/json", 400),
        (b"{", "application/json", 400),
        (b"\x00\xff", "application/json", 400),
        (b"[" * 10_000, "application/json", 400),
        (b'{"endpoint": "' + b"x" * 20_000 + b'"}', "application/json", 413),
        (b"endpoint=https://push.example/x", "application/x-www-form-urlencoded", 415),
        (json.dumps(Browser().subscription).encode(), "text/plain", 415),
    ],
)
def test_a_body_that_is_none_is_a_problem_and_no_surprise(house: House, body: bytes, kind: str, status: int) -> None:
    for path in (path_for(house, house.asha), "/push/renewed"):
        answer = house.client.post(path, data=body, content_type=kind)
        assert (answer.status_code, answer.mimetype) == (status, "application/problem+json")
    assert phones(house) == []


def test_what_a_browser_may_add_to_a_subscription_is_let_be(house: House) -> None:
    sent = changed(expirationTime=1_900_000_000_000, more="of the same")
    assert house.client.post(path_for(house, house.asha), json=sent).status_code == 201


# --- a browser that exchanges its subscription by itself ------------------------------------------


def test_a_new_subscription_follows_the_old_one(house: House) -> None:
    old, new = Browser(), Browser("https://push.example/send/second")
    for person in (house.asha, house.ben):
        house.client.post(path_for(house, person), json=old.subscription)
    answer = house.client.post("/push/renewed", json={"was": old.subscription, "now": new.subscription})
    assert answer.status_code == 200
    assert [(one.address, one.secret) for one in phones(house)] == [(new.endpoint, kept(new))] * 2
    assert {line for line in actions(house) if line[1] == "contact.renew"} == {
        ("patient", "contact.renew"), ("caregiver", "contact.renew"),
    }  # fmt: skip


def test_it_follows_even_when_the_push_service_had_said_first_that_the_old_one_is_gone(house: House) -> None:
    old, new = Browser(), Browser("https://push.example/send/second")
    house.client.post(path_for(house, house.asha), json=old.subscription)
    with write_session(house.engine) as session:
        session.get_one(Contact, phones(house)[0].id).state = ContactState.BROKEN
    assert (
        house.client.post("/push/renewed", json={"was": old.subscription, "now": new.subscription}).status_code == 200
    )
    assert phones(house)[0].state is ContactState.OK


def test_whoever_does_not_know_the_old_secret_changes_nothing(house: House) -> None:
    old, new = Browser(), Browser("https://push.example/send/second")
    house.client.post(path_for(house, house.asha), json=old.subscription)
    wrong = old.subscription | {"keys": old.subscription["keys"] | {"auth": b64(b"x" * 16)}}
    other = old.subscription | {"endpoint": "https://push.example/send/nobody"}
    for was in (wrong, other):
        assert house.client.post("/push/renewed", json={"was": was, "now": new.subscription}).status_code == 404
    for was in ({}, {"endpoint": "x", "keys": {}}, {"endpoint": "\x00", "keys": {"auth": "x"}}):
        assert house.client.post("/push/renewed", json={"was": was, "now": new.subscription}).status_code == 422
    assert phones(house)[0].address == old.endpoint


def test_a_phone_that_its_person_ended_is_not_renewed(house: House) -> None:
    path, old, new = path_for(house, house.asha), Browser(), Browser("https://push.example/send/second")
    house.client.post(path, json=old.subscription)
    house.client.post(f"{path}/end")
    assert (
        house.client.post("/push/renewed", json={"was": old.subscription, "now": new.subscription}).status_code == 404
    )
    assert phones(house)[0].state is ContactState.BROKEN


def test_nothing_of_a_subscription_is_said_to_anybody(house: House) -> None:
    path = path_for(house, house.asha)
    house.client.post(path, json=Browser().subscription)
    assert "push.example" not in unescape(house.client.get(path).get_data(as_text=True))
