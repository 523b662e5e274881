"""Who comes in: sign-in, sessions, forms, headers."""

from __future__ import annotations

from datetime import timedelta
from http.cookies import SimpleCookie

import pytest
from argon2 import PasswordHasher
from flask.testing import FlaskClient
from sqlalchemy import select

from service.accounts import signin
from service.accounts.signin import NotIn, SignedIn
from service.accounts.staff import close_account, set_password
from service.domain.validation import Refused
from service.domain.vocabulary import Role
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import ApiKey, Staff
from tests.web.conftest import PASSWORD, House


def email_of(house: House, role: Role = Role.NURSE) -> str:
    with read_session(house.engine) as session:
        return session.get_one(Staff, house.staff_id(role)).email


def test_five_wrong_tries_close_the_door_for_a_quarter_of_an_hour(house: House) -> None:
    email, now = email_of(house), house.clock.now()
    for _ in range(5):
        assert signin.sign_in(house.engine, email, "wrong", now) is NotIn.WRONG
    assert signin.sign_in(house.engine, email, PASSWORD, now) is NotIn.TOO_MANY
    later = now + timedelta(minutes=15, seconds=1)
    assert isinstance(signin.sign_in(house.engine, email, PASSWORD, later), SignedIn)


def test_an_unknown_name_is_counted_and_answered_like_a_known_one(house: House) -> None:
    now = house.clock.now()
    answers = [signin.sign_in(house.engine, "nobody@fernmoor.example", "x", now) for _ in range(6)]
    assert answers == [NotIn.WRONG] * 5 + [NotIn.TOO_MANY]


def test_nothing_of_a_password_or_a_key_is_kept_but_its_hash(
    house: House, the_services_hasher: tuple[PasswordHasher, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    hasher, nobodys = the_services_hasher
    monkeypatch.setattr("service.accounts.staff._hasher", hasher)
    house.staff_id(Role.NURSE)
    with read_session(house.engine) as session:
        kept = session.scalars(select(Staff)).first()
        key = session.scalars(select(ApiKey)).one()
    assert kept is not None
    assert kept.password_hash.startswith("$argon2id$v=19$m=65536,t=3,p=4$")  # RFC 9106, section 4
    assert not hasher.check_needs_rehash(nobodys)  # where there is no account, to refuse takes as long
    assert isinstance(signin.sign_in(house.engine, kept.email, PASSWORD, house.clock.now()), SignedIn)
    assert PASSWORD not in kept.password_hash
    assert house.secret not in str(vars(key))


@pytest.mark.parametrize("password", ["short", "x" * 201])
def test_a_password_too_short_or_too_long_is_refused_without_repeating_it(house: House, password: str) -> None:
    nurse = house.staff_id(Role.NURSE)
    with pytest.raises(Refused) as refused, write_session(house.engine) as session:
        staff = session.get_one(Staff, nurse)
        set_password(Act(session, OPERATOR, staff.clinic_id, house.clock.now()), staff, password)
    assert password not in str(refused.value)


def inside(client: FlaskClient) -> bool:
    return client.get("/clinic/review").status_code == 200


def test_a_session_ends_after_a_quarter_of_an_hour_without_use(house: House) -> None:
    browser = house.staff()
    for _ in range(3):
        house.clock.advance(timedelta(minutes=14))
        assert inside(browser)
    house.clock.advance(timedelta(minutes=16))
    assert not inside(browser)


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
        set_password(Act(session, OPERATOR, nurse.clinic_id, house.clock.now()), nurse, "another four quiet minutes")
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


def test_another_sites_address_is_never_where_a_sign_in_leads(house: House) -> None:
    away = house.app.test_client().get("/clinic/review")
    assert away.headers["Location"].startswith("/signin?next=/clinic/review")
