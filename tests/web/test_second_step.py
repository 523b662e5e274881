"""The second step of signing in, against the check values of RFC 6238 and through the pages."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pyotp
import pytest
from flask.testing import FlaskClient
from sqlalchemy import update

from service.accounts import factors, invitations, signin
from service.accounts.throttle import Origin
from service.domain.validation import Refused
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Clinic, Staff, StaffSession
from tests.house import NURSE, PASSWORD, House, sign_in, token_on, words
from tests.web.test_pages_signin import house, is_in

__all__ = ["house"]
pytestmark = pytest.mark.databases("sqlite")

# RFC 6238, appendix B: the seed of SHA-1, and the last six of the eight digits at those times.
SEED = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"  # "12345678901234567890"
VALUES = [(59, "287082"), (1111111109, "081804"), (1111111111, "050471"), (1234567890, "005924"),
          (2000000000, "279037"), (20000000000, "353130")]  # fmt: skip
HERE = Origin("203.0.113.7")


@pytest.mark.parametrize(("seconds", "code"), VALUES)
def test_a_telephones_codes_are_those_of_the_standard(seconds: int, code: str) -> None:
    at = datetime.fromtimestamp(seconds, UTC)
    assert factors._step_of(SEED, code, at, None) == seconds // 30
    assert factors._step_of(SEED, code, at + timedelta(seconds=30), None) == seconds // 30  # typed slowly
    assert factors._step_of(SEED, code, at + timedelta(seconds=90), None) is None
    assert factors._step_of(SEED, code, at, seconds // 30) is None  # a code opens once


def with_step(house: House) -> tuple[Staff, list[str]]:
    """Nora has a telephone that makes codes of the standard's seed."""
    now = house.world.clock.now()
    with write_session(house.engine) as session:
        nurse = session.get_one(Staff, house.rows(Staff)[0].id)
        act = Act(session, OPERATOR, nurse.clinic_id, now)
        return nurse, factors.set_up(act, nurse, SEED, pyotp.TOTP(SEED).at(now), now)


def shown(house: House) -> str:
    """What her telephone shows."""
    return pyotp.TOTP(SEED).at(house.world.clock.now())


def enter(client: FlaskClient, code: str) -> int:
    page = client.get("/signin/code").get_data(as_text=True)
    return client.post("/signin/code", data={"csrf_token": token_on(page), "code": code}).status_code


def test_with_a_second_step_a_password_alone_opens_nothing(house: House) -> None:
    with_step(house)
    client = house.client
    assert sign_in(client).headers["Location"].startswith("/signin/code")  # type: ignore[attr-defined]
    assert not is_in(client)
    assert enter(client, "000000") == 403
    house.world.clock.advance(timedelta(seconds=30))
    code = shown(house)
    assert enter(client, f" {code[:3]} {code[3:]} ") == 303
    assert is_in(client)
    again = house.client
    sign_in(again)
    assert enter(again, code) == 403  # it was used


def test_nobody_comes_to_the_code_without_the_password_or_long_after_it(house: House) -> None:
    with_step(house)
    client = house.client
    assert client.get("/signin/code").headers["Location"] == "/signin"
    sign_in(client)
    house.world.clock.advance(timedelta(minutes=5, seconds=1))
    assert client.get("/signin/code").headers["Location"] == "/signin"


def test_a_link_replaces_a_password_and_not_the_second_step(house: House) -> None:
    nurse, _ = with_step(house)
    now = house.world.clock.now()
    with write_session(house.engine) as session:
        key = invitations.invite(Act(session, OPERATOR, nurse.clinic_id, now), nurse, now)
    client, path = house.client, f"/invited/{key}"
    form = {"csrf_token": token_on(client.get(path).get_data(as_text=True)), "new": PASSWORD, "again": PASSWORD}
    assert client.post(path, data=form).headers["Location"] == "/signin/code"
    assert not is_in(client)


def test_a_code_on_paper_opens_once_and_none_is_kept(house: House) -> None:
    nurse, paper = with_step(house)
    assert len(set(paper)) == 10
    assert not {one.replace("-", "") for one in paper} & set(str(vars(house.rows(Staff)[0])).split("'"))
    now = house.world.clock.now()
    opened = [isinstance(signin.finish(house.engine, nurse.id, one, now, HERE), signin.SignedIn)
              for one in (paper[0].upper(), paper[0], paper[1])]  # fmt: skip
    assert opened == [True, False, True]


def test_guessing_codes_waits_as_guessing_passwords_does(house: House) -> None:
    nurse, _ = with_step(house)
    now = house.world.clock.now()
    answers = [signin.finish(house.engine, nurse.id, "123456", now, HERE) for _ in range(6)]
    assert [one.why for one in answers if isinstance(one, signin.Denied)] == [signin.NotIn.WRONG] * 5 + [
        signin.NotIn.TOO_MANY
    ]


def test_neither_the_right_password_nor_another_address_gives_more_guesses_at_a_code(house: House) -> None:
    """Whoever has the password asks for it again between guesses, from many addresses; the owner's browser is apart."""
    nurse, _ = with_step(house)
    now, answers = house.world.clock.now(), []
    for number in range(6):
        from_there = Origin(f"203.0.113.{number}")
        assert isinstance(signin.sign_in(house.engine, NURSE, PASSWORD, now, from_there), signin.HalfIn)
        answers.append(signin.finish(house.engine, nurse.id, "123456", now, from_there))
    assert [one.why for one in answers if isinstance(one, signin.Denied)][-2:] == [
        signin.NotIn.WRONG, signin.NotIn.TOO_MANY,
    ]  # fmt: skip
    hers, later = Origin("203.0.113.1", device="hers", known_to=frozenset({nurse.id})), now + timedelta(seconds=31)
    assert isinstance(signin.finish(house.engine, nurse.id, pyotp.TOTP(SEED).at(later), later, hers), signin.SignedIn)


def test_the_half_way_in_takes_the_session_before_with_it(house: House) -> None:
    client = house.client
    sign_in(client)
    token = token_on(client.get("/password").get_data(as_text=True))
    with_step(house)
    client.post("/signin", data={"csrf_token": token, "email": NURSE, "password": PASSWORD})
    assert house.rows(StaffSession) == []


def test_where_the_clinic_asks_for_it_it_is_set_up_before_anything_else(house: House) -> None:
    with write_session(house.engine) as session:
        session.execute(update(Clinic).values(second_step=True))
    client = house.client
    sign_in(client)
    assert client.get("/clinic/review").headers["Location"] == "/second-step"
    assert client.get("/api/v1/patients").status_code == 403
    page = client.get("/second-step").get_data(as_text=True)
    secret = re.search(r'<code class="wrap">([A-Z2-7 ]+)</code>', page)
    assert secret is not None
    form = {"csrf_token": token_on(page)}
    assert client.post("/second-step", data=form | {"code": "000000"}).status_code == 422
    code = pyotp.TOTP(secret[1].replace(" ", "")).at(house.world.clock.now())
    done = client.post("/second-step", data=form | {"code": code}).get_data(as_text=True)
    assert len(re.findall(r"<code>(?:\w{4}-){3}\w{4}</code>", done)) == 10
    assert client.get("/clinic/review").status_code == 200
    assert "After your password you are asked for a code" in words(client.get("/second-step").get_data(as_text=True))


def test_a_wrong_code_sets_nothing_up(house: House) -> None:
    with pytest.raises(Refused, match="code"), write_session(house.engine) as session:
        nurse = session.get_one(Staff, house.rows(Staff)[0].id)
        now = house.world.clock.now()
        factors.set_up(Act(session, OPERATOR, nurse.clinic_id, now), nurse, SEED, "000000", now)
    with read_session(house.engine) as session:
        assert session.get_one(Staff, nurse.id).totp_secret is None
    assert sign_in(house.client, NURSE).headers["Location"] == "/clinic/"  # type: ignore[attr-defined]
