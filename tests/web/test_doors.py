"""Who comes in: sign-in, sessions, forms, headers."""

from __future__ import annotations

import contextlib
import uuid
from collections.abc import Callable
from datetime import datetime, timedelta
from http.cookies import SimpleCookie
from typing import Any

import argon2
import pytest
from argon2 import PasswordHasher
from flask.testing import FlaskClient
from sqlalchemy import select
from werkzeug.test import TestResponse

from service.accounts import hashing, invitations, signin
from service.accounts.hashing import hashed
from service.accounts.sessions import SignedIn
from service.accounts.signin import Denied, NotIn
from service.accounts.staff import add_staff, close_account, set_password
from service.accounts.throttle import Origin
from service.domain.passwords import WeakPassword
from service.domain.validation import Refused
from service.domain.vocabulary import Role
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import ApiKey, Staff, StaffSession
from service.web.auth import cookie_name
from tests.house import token_on
from tests.web.conftest import PASSWORD, House


def email_of(house: House, role: Role = Role.NURSE) -> str:
    with read_session(house.engine) as session:
        return session.get_one(Staff, house.staff_id(role)).email


HERE, THERE = Origin("203.0.113.7"), Origin("198.51.100.9")


def tries(house: House, email: str, origin: Origin, number: int, now: datetime) -> list[NotIn | None]:
    """What comes of so many wrong passwords."""
    answers = [signin.sign_in(house.engine, email, "wrong", now, origin) for _ in range(number)]
    return [answer.why if isinstance(answer, Denied) else None for answer in answers]


def test_whoever_guesses_waits_longer_and_longer_and_locks_nobody_else_out(house: House) -> None:
    email, now = email_of(house), house.clock.now()
    assert tries(house, email, HERE, 6, now) == [NotIn.WRONG] * 5 + [NotIn.TOO_MANY]
    assert isinstance(signin.sign_in(house.engine, email, PASSWORD, now, THERE), SignedIn)
    waits = []
    for _ in range(8):
        denied = signin.sign_in(house.engine, email, "wrong", now, HERE)
        assert isinstance(denied, Denied)
        waits.append(denied.seconds)
        now += timedelta(seconds=denied.seconds)
        assert tries(house, email, HERE, 1, now) == [NotIn.WRONG]
    assert waits == [15, 30, 60, 120, 240, 480, 900, 900]


def test_the_owners_browser_goes_by_its_own_failures_alone(house: House) -> None:
    """An outsider behind the same address, or one who sprays many accounts, keeps no known browser out."""
    nurse, now = house.staff_id(Role.NURSE), house.clock.now()
    email = email_of(house)
    known = Origin(HERE.address, device="hers", known_to=frozenset({nurse}))
    stranger = Origin(HERE.address, device="theirs", known_to=frozenset({house.staff_id(Role.PHYSICIAN)}))
    sprayed = [why for number in range(31) for why in tries(house, f"{number}@fernmoor.example", HERE, 1, now)]
    assert sprayed == [NotIn.WRONG] * 30 + [NotIn.TOO_MANY]
    assert tries(house, email, stranger, 1, now) == [NotIn.TOO_MANY]
    assert tries(house, email, known, 6, now) == [NotIn.WRONG] * 5 + [NotIn.TOO_MANY]
    later = now + timedelta(seconds=15)
    assert isinstance(signin.sign_in(house.engine, email, PASSWORD, later, known), SignedIn)


def test_one_ipv6_household_is_one_place(house: House) -> None:
    now, email = house.clock.now(), email_of(house)
    for number in range(5):
        tries(house, email, Origin(f"2001:db8:1:2::{number}"), 1, now)
    assert tries(house, email, Origin("2001:db8:1:2:ffff::1"), 1, now) == [NotIn.TOO_MANY]
    assert tries(house, email, Origin("2001:db8:1:3::1"), 1, now) == [NotIn.WRONG]


def test_an_unknown_name_is_counted_and_answered_like_a_known_one(house: House) -> None:
    now, known = house.clock.now(), email_of(house)
    assert tries(house, "nobody@fernmoor.example", HERE, 6, now) == tries(house, known, HERE, 6, now)


def test_a_crowd_at_the_door_is_told_to_come_again_and_nothing_is_hashed_for_it(house: House) -> None:
    """Sixteen sign-ins of unknown names took every thread, and the check-in's emergency page waited for them."""
    page, email = house.app.test_client(), email_of(house)
    token = token_on(page.get("/signin").get_data(as_text=True))
    with contextlib.ExitStack() as held:
        for _ in range(hashing.AT_ONCE):
            held.enter_context(hashing._slot())
        form = {"csrf_token": token, "email": email, "password": PASSWORD}
        answers = [page.post("/signin", data=form) for _ in range(8)]
    assert {(one.status_code, one.headers.get("Retry-After")) for one in answers} == {(429, "2")}
    assert page.post("/signin", data=form).status_code == 303  # what was not looked at was no failure


def test_one_address_may_work_at_two_clinics_and_neither_learns_of_the_other(
    house: House, build: Callable[..., House], monkeypatch: pytest.MonkeyPatch
) -> None:
    theirs = build("Saltholt Clinic", number="+447700900002")
    accounts = {}
    for one, password in ((house, "seven brown umbrellas"), (theirs, "eleven slow ferries")):
        with write_session(house.engine) as session:
            act = Act(session, OPERATOR, one.clinic_id, house.clock.now())
            kit = accounts[password] = add_staff(act, "kit@both.example", "Kit", [Role.NURSE])
            key = invitations.invite(act, kit, house.clock.now())
        invitations.take_up(house.engine, key, password, house.clock.now())
    hashes = count_hashes(monkeypatch)
    for password, account in accounts.items():
        entered = signin.sign_in(house.engine, "kit@both.example", password, house.clock.now(), HERE)
        assert isinstance(entered, SignedIn)
        assert entered.clinic_id == account.clinic_id
    emails = "kit@both.example", "nobody@both.example", email_of(house)  # at two clinics, at none, at one
    del hashes[:]
    for email in emails:
        assert tries(house, email, THERE, 1, house.clock.now()) == [NotIn.WRONG]
        assert len(hashes) == 1, email  # no clock tells them apart
        del hashes[:]


def test_one_password_at_two_clinics_asks_which_and_only_whoever_has_it(
    house: House, build: Callable[..., House]
) -> None:
    theirs, now, password = build("Saltholt Clinic", number="+447700900002"), house.clock.now(), "seven brown umbrellas"
    ids = []
    for one in (house, theirs):
        with write_session(house.engine) as session:
            act = Act(session, OPERATOR, one.clinic_id, now)
            kept = hashed(password, ())
            ids.append(add_staff(act, "kit@both.example", "Kit", [Role.NURSE], password_hash=kept).id)

    def asked(given: str) -> tuple[FlaskClient, TestResponse]:
        browser = house.app.test_client()
        form = {"email": "kit@both.example", "password": given, "next": "/clinic/inbox"}
        return browser, browser.post("/signin", data=form | token(browser))

    def token(browser: FlaskClient) -> dict[str, str]:
        return {"csrf_token": token_on(browser.get("/signin").text)}

    def choose(browser: FlaskClient, staff_id: uuid.UUID) -> str | None:
        form = {"staff": str(staff_id), "next": "/clinic/inbox"}
        return browser.post("/signin/which", data=form | token(browser)).location

    browser, answer = asked("eleven slow ferries")
    assert answer.status_code == 403
    for page in (answer.text, browser.get("/signin/which", follow_redirects=True).text):
        assert "Fernmoor" not in page
        assert "Saltholt" not in page
    assert str(choose(browser, ids[1])).startswith("/signin")
    assert browser.get("/clinic/inbox").status_code == 303  # nobody is in

    for chosen, mine in zip(ids, (house, theirs), strict=True):
        browser, answer = asked(password)
        assert answer.location.startswith("/signin/which")
        page = browser.get(answer.location).text
        assert "Fernmoor Clinic" in page
        assert "Saltholt Clinic" in page
        assert browser.get("/clinic/inbox").status_code == 303  # asked, and not in yet
        assert choose(browser, chosen) == "/clinic/inbox"
        with read_session(house.engine) as session:
            begun = session.scalars(select(StaffSession).where(StaffSession.staff_id == chosen)).one()
            assert session.get_one(Staff, begun.staff_id).clinic_id == mine.clinic_id

    browser, _ = asked(password)  # nobody else's account, and none whose password was changed meanwhile
    assert choose(browser, house.staff_id(Role.NURSE)) == "/signin"
    browser, _ = asked(password)
    with write_session(house.engine) as session:
        kit = session.get_one(Staff, ids[0])
        set_password(Act(session, OPERATOR, kit.clinic_id, now + timedelta(minutes=1)), kit, "$another")
    assert choose(browser, ids[0]) == "/signin"


def count_hashes(monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """The salt of each hash from now on."""
    salts: list[bytes] = []
    made = argon2.low_level.hash_secret

    def hash_secret(*, salt: bytes, **how: Any) -> bytes:
        salts.append(salt)
        return made(salt=salt, **how)

    monkeypatch.setattr("argon2._password_hasher.hash_secret", hash_secret)
    return salts


def test_an_account_at_another_clinic_gives_no_guesses_at_its_namesake(
    house: House, build: Callable[..., House]
) -> None:
    """An administrator elsewhere can make an account of anybody's address, and sign in with it between guesses."""
    theirs = build("Saltholt Clinic", number="+447700900002")
    email, now = email_of(house), house.clock.now()
    with write_session(theirs.engine) as session:
        act = Act(session, OPERATOR, theirs.clinic_id, now)
        bait = add_staff(act, email, "Bait", [Role.NURSE], password_hash=hashed("eleven slow ferries", ())).id
    answers = []
    for number in range(6):
        again = Origin(HERE.address, device=f"new {number}", known_to=frozenset({bait}))
        answers += tries(house, email, again, 1, now)
        signin.sign_in(house.engine, email, "eleven slow ferries", now, again)
    assert answers == [NotIn.WRONG] * 5 + [NotIn.TOO_MANY]


def test_nothing_of_a_password_or_a_key_is_kept_but_its_hash(
    house: House, the_services_hasher: tuple[PasswordHasher, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    hasher, nobodys = the_services_hasher
    monkeypatch.setattr("service.accounts.hashing._hasher", hasher)
    house.staff_id(Role.NURSE)
    with read_session(house.engine) as session:
        kept = session.scalars(select(Staff)).first()
        key = session.scalars(select(ApiKey)).one()
    assert kept is not None
    assert kept.password_hash.startswith("$argon2id$v=19$m=65536,t=3,p=4$")  # RFC 9106, section 4
    assert not hasher.check_needs_rehash(nobodys)  # where there is no account, to refuse takes as long
    assert isinstance(signin.sign_in(house.engine, kept.email, PASSWORD, house.clock.now(), HERE), SignedIn)
    assert PASSWORD not in kept.password_hash
    assert house.secret not in str(vars(key))


@pytest.mark.parametrize("password", ["short", "x" * 201])
def test_a_password_too_short_or_too_long_is_refused_without_repeating_it(password: str) -> None:
    with pytest.raises(Refused) as refused:
        hashed(password, ())
    assert password not in str(refused.value)


WALKS = "1qaz2wsx3edc4rfv zaq12wsxcde34rfv 1q2w3e4r5t6y7u8i q1w2e3r4t5y6u7i8o9"


@pytest.mark.parametrize("password", f"{WALKS} trustno1trustno1 manchesterunited correcthorsebatterystaple".split())
def test_what_stands_in_lists_of_leaked_passwords_is_refused(password: str) -> None:
    """OWASP ASVS 5.0, 6.2.4. That these are common: an outside look at this service, from memory; no list is kept here."""
    with pytest.raises(WeakPassword) as refused:
        hashed(password, ())
    assert password not in str(refused.value)
    assert hashed(f"{password} in a green kettle", ())  # what is one's own beside it is enough


def inside(client: FlaskClient) -> bool:
    return client.get("/clinic/inbox").status_code == 200


def test_a_session_ends_after_a_quarter_of_an_hour_without_use(house: House) -> None:
    browser = house.staff()
    for _ in range(3):
        house.clock.advance(timedelta(minutes=14))
        assert inside(browser)
    house.clock.advance(timedelta(minutes=16))
    assert not inside(browser)


@pytest.mark.databases("sqlite")  # sixty times what the tests around it ask of both
def test_a_session_ends_after_twelve_hours_however_busy(house: House) -> None:
    browser = house.staff()
    for _ in range(12 * 5):
        house.clock.advance(timedelta(minutes=12))
        assert inside(browser)
    house.clock.advance(timedelta(minutes=12))
    assert not inside(browser)


def test_a_new_password_or_a_closed_account_ends_every_session(house: House) -> None:
    first, second = house.staff(Role.NURSE), house.staff(Role.PHYSICIAN)
    assert inside(first)
    assert inside(second)
    house.clock.advance(timedelta(seconds=1))
    with write_session(house.engine) as session:
        nurse = session.get_one(Staff, house.staff_id(Role.NURSE))
        set_password(
            Act(session, OPERATOR, nurse.clinic_id, house.clock.now()), nurse, hashed("another four quiet minutes", ())
        )
        doctor = session.get_one(Staff, house.staff_id(Role.PHYSICIAN))
        close_account(Act(session, OPERATOR, doctor.clinic_id, house.clock.now()), doctor)
    assert not inside(first)
    assert not inside(second)


def test_a_session_alone_is_not_enough_to_change_anything(house: House) -> None:
    assert house.staff().post(f"/api/v1/patients/{house.patient_id}/limits", json={"upper": 25}).status_code == 400


@pytest.mark.parametrize("path", ["/signin", "/healthz", "/nothing-here", "/c/broken", "/api/v1/patients"])
def test_every_answer_carries_the_headers_that_keep_it_to_itself(house: House, path: str) -> None:
    headers = house.app.test_client().get(path).headers
    policy = headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "no-referrer"
    assert headers["Cache-Control"] == "no-store"


def test_the_session_cookie_is_out_of_reach_of_scripts_and_other_sites(house: House) -> None:
    cookies = SimpleCookie()
    for line in house.staff().get("/clinic/review").headers.getlist("Set-Cookie"):
        cookies.load(line)
    assert cookies["neaptide"]["httponly"]
    assert cookies["neaptide"]["samesite"] == "Lax"


def test_behind_tls_the_cookie_is_of_this_host_and_of_tls_alone() -> None:
    """RFC 6265bis, section 4.1.3.2: such a name is refused by browsers without Secure, Path=/ and a Domain."""
    assert cookie_name("https://diary.fernmoor.example") == "__Host-neaptide"
    assert cookie_name("http://127.0.0.1:8000") == "neaptide"


def test_another_sites_address_is_never_where_a_sign_in_leads(house: House) -> None:
    away = house.app.test_client().get("/clinic/review")
    assert away.headers["Location"].startswith("/signin?next=/clinic/review")
