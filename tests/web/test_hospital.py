"""The hospital's own sign-in, against a provider on loopback that another library makes, and against one that lies."""

from __future__ import annotations

import base64
import hmac
import json
import re
from collections.abc import Iterator
from datetime import timedelta
from html import unescape
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pyotp
import pytest
from flask.testing import FlaskClient
from joserfc import jwt
from joserfc.jwk import RSAKey
from sqlalchemy import Engine, select, update

from service.accounts import factors, hospital, invitations, sessions
from service.accounts.hashing import hashed
from service.accounts.staff import add_staff
from service.clock import FixedClock
from service.config import Settings
from service.domain.vocabulary import HospitalCounts, Role
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import (
    AuditLine,
    Clinic,
    FormDraft,
    HospitalSignIn,
    Passkey,
    SignInAttempt,
    Staff,
    StaffSession,
)
from service.transports.openid import Ask, Away, OpenId, Us
from tests.builder import building
from tests.hospital import CLIENT, SECRET, Hospital, new_key
from tests.hospital import hospital as opened
from tests.house import token_on, words
from tests.served import serve
from tests.signed_in import sign_in_as
from tests.web.conftest import MORNING, PASSWORD
from tests.web.test_api_edges import with_form_token
from tests.web.test_passkeys import Visitor

pytestmark = pytest.mark.databases("sqlite")
ADDRESS = "nora@fernmoor.example"
NORA = {"sub": "s-4711", "email": ADDRESS, "email_verified": True}
SETTINGS = "/clinic/settings/hospital"


class Ward:
    """A clinic with the hospital's sign-in, an administrator, and Nora, who was invited."""

    def __init__(self, engine: Engine, folder: Path, at: Hospital) -> None:
        self.engine, self.at, self.clock = engine, at, FixedClock(MORNING)
        at.now = self.clock.now
        env = {"NEAPTIDE_DATA": str(folder), "NEAPTIDE_BASE_URL": "http://localhost",
               "NEAPTIDE_SIGN_IN_HOSTS": urlsplit(at.issuer).netloc}  # fmt: skip
        self.settings = Settings.from_env(env)
        self.app = serve(self.settings, engine, self.clock, {})
        with building(engine, self.clock.now()) as build:
            self.clinic_id = build.clinic("Fernmoor Clinic").id
            act = Act(build.session, OPERATOR, self.clinic_id, self.clock.now())
            self.admin = add_staff(act, "petra@fernmoor.example", "Petra Lindqvale", [Role.ADMINISTRATOR],
                                   password_hash=hashed(PASSWORD, ())).id  # fmt: skip
            self.nora = add_staff(act, ADDRESS, "Nora Quill", [Role.NURSE], password_hash=hashed(PASSWORD, ())).id
        self.door = f"/signin/at/{hospital.door_of(self.clinic_id, self.settings.keys)}"
        at.back = f"http://localhost{self.door}/back"
        self.set_up()

    def set_up(self, **otherwise: Any) -> None:
        given = {"issuer": self.at.issuer, "client_id": CLIENT, "client_secret": SECRET, **otherwise}
        with write_session(self.engine) as session:
            act = Act(session, OPERATOR, self.clinic_id, self.clock.now())
            hospital.set_up(act, hospital.Given(**given), self.settings.keys, came_by_it=True)

    def join(self, **otherwise: Any) -> None:
        """Nora's account is joined already."""
        with write_session(self.engine) as session:
            kept = {"hospital_issuer": self.at.issuer, "hospital_subject": NORA["sub"], **otherwise}
            session.execute(update(Staff).where(Staff.id == self.nora).values(**kept))

    def invite(self) -> str:
        with write_session(self.engine) as session:
            act = Act(session, OPERATOR, self.clinic_id, self.clock.now())
            return f"/invited/{invitations.invite(act, session.get_one(Staff, self.nora), self.clock.now())}"

    @property
    def browser(self) -> FlaskClient:
        return self.app.test_client()

    def as_nora(self) -> FlaskClient:
        browser = self.browser
        sign_in_as(browser, self.nora, self.clock.now())
        return browser

    def go(self, browser: FlaskClient, page: str, press: str) -> str:
        """Press a button of that page which leads to the hospital; returns its address there."""
        token = token_on(browser.get(page).get_data(as_text=True))
        shown = browser.post(press, data={"csrf_token": token, "next": "/clinic/inbox"}).get_data(as_text=True)
        led = re.search(r'http-equiv="refresh" content="0;url=([^"]+)"', shown)
        assert led is not None, words(shown)
        return unescape(led[1])

    def back(self, browser: FlaskClient, address: str) -> Any:
        """The hospital's person goes through there, and the browser comes back."""
        return browser.get(self.way_back(address))

    def way_back(self, address: str, old: str = "^$", new: str = "") -> str:
        """Where the hospital sends the browser, with something changed on the way."""
        self.clock.advance(timedelta(seconds=1))
        parts = urlsplit(self.at.sees(address))
        return f"{parts.path}?{re.sub(old, new, parts.query)}"

    def comes(self, browser: FlaskClient | None = None) -> Any:
        """Sign in by the clinic's own page, to the end."""
        browser = browser or self.browser
        return self.back(browser, self.go(browser, self.door, self.door))

    def of_nora(self) -> Staff:
        with read_session(self.engine) as session:
            return session.get_one(Staff, self.nora)

    def told(self, action: str) -> list[dict[str, Any]]:
        with read_session(self.engine) as session:
            its = select(AuditLine.detail).where(AuditLine.action == action)
            return list(session.scalars(its.order_by(AuditLine.at)))

    def sessions(self) -> list[StaffSession]:
        with read_session(self.engine) as session:
            return list(session.scalars(select(StaffSession)))


@pytest.fixture(scope="module")
def open_hospital() -> Iterator[Hospital]:
    with opened(lambda: MORNING) as it:
        yield it


@pytest.fixture
def ward(open_hospital: Hospital, engine: Engine, tmp_path: Path) -> Ward:
    fresh = Hospital(lambda: MORNING, person=dict(NORA), issuer=open_hospital.issuer)
    vars(open_hospital).update(vars(fresh))
    return Ward(engine, tmp_path, open_hospital)


def is_in(browser: FlaskClient) -> bool:
    return browser.get("/password").status_code == 200


# --- the way there and back, with a provider that does as the standards say ---------------------------------------


def test_an_invitation_is_taken_up_by_the_hospitals_sign_in_and_from_then_on_that_alone_opens(ward: Ward) -> None:
    browser, link = ward.browser, ward.invite()
    address = ward.go(browser, link, f"{link}/hospital")
    asked = {name: value[0] for name, value in parse_qs(urlsplit(address).query).items()}
    # OpenID Connect Core 1.0, section 3.1.2.1; RFC 7636, section 4.3; RFC 6749, section 3.1 (its own query is kept).
    assert {"response_type": "code", "client_id": CLIENT, "redirect_uri": ward.at.back, "tenant": "1",
            "code_challenge_method": "S256"}.items() <= asked.items()  # fmt: skip
    assert "openid" in asked["scope"].split()
    assert min(map(len, (asked["state"], asked["nonce"], asked["code_challenge"]))) >= 43
    assert ward.back(browser, address).status_code == 303
    assert is_in(browser)
    nora = ward.of_nora()
    assert (nora.hospital_issuer, nora.hospital_subject, nora.password_hash) == (ward.at.issuer, NORA["sub"], None)
    assert browser.get(link).status_code == 404  # it was used
    # Core 1.0, section 5.7: issuer and subject are who somebody is; an address may change hands.
    ward.at.person = NORA | {"email": "nora.vale@fernmoor.example"}
    anew = ward.browser
    assert ward.comes(anew).headers["Location"] == "/clinic/inbox"
    assert is_in(anew)
    ward.at.person = {"sub": "s-9", "email": ADDRESS, "email_verified": True}
    stranger = ward.browser
    answer = ward.comes(stranger)
    assert (answer.status_code, is_in(stranger)) == (403, False)
    assert "No account here is joined to you yet" in words(answer.get_data(as_text=True))
    assert [line["why"] for line in ward.told("hospital.stopped")] == ["not_joined"]
    with read_session(ward.engine) as session:
        assert len(session.scalars(select(Staff)).all()) == 2  # nobody is created
    assert [line.get("by") for line in ward.told("staff.sign_in")] == ["hospital"] * 2
    # A link from an administrator starts anew by a password, and lets the hospital's sign-in go.
    link, after = ward.invite(), ward.browser
    form = {"csrf_token": token_on(after.get(link).get_data(as_text=True)), "new": PASSWORD, "again": PASSWORD}
    assert after.post(link, data=form).status_code == 303
    assert ward.of_nora().hospital_subject is None


def test_ones_own_account_is_joined_confirmed_and_parted(ward: Ward) -> None:
    browser = ward.as_nora()
    answer = ward.back(browser, ward.go(browser, "/password", "/password/hospital"))
    assert answer.headers["Location"] == "/password"
    assert "Your account is joined to it" in words(browser.get("/password").get_data(as_text=True))
    # Long after, what reaches far asks anew: the hospital has to have seen them just now (Core 1.0, 3.1.2.1, max_age).
    ward.clock.advance(sessions.CONFIRMED_FOR + timedelta(minutes=1))
    assert browser.get("/second-step").headers["Location"].startswith("/confirm")
    then = int(ward.clock.now().timestamp())
    for changed, status in (({"auth_time": then - 3600}, 403), ({"sub": "s-9"}, 403), ({}, 303)):
        ward.at.person = NORA | changed
        address = ward.go(browser, "/confirm", "/confirm/hospital")
        assert "prompt=login&max_age=0" in address
        assert ward.back(browser, address).status_code == status
    assert browser.get("/second-step").status_code == 200
    address = ward.go(browser, "/confirm", "/confirm/hospital")
    ward.join(totp_secret=factors.new_secret())  # and it has to be as strong as what it stands for
    assert "was no second step this time" in words(ward.back(browser, address).get_data(as_text=True))
    assert "at the hospital" not in words(browser.get("/confirm").get_data(as_text=True))
    ward.join(totp_secret=None)
    token = token_on(browser.get("/password").get_data(as_text=True))
    browser.post("/password/hospital/end", data={"csrf_token": token})
    assert ward.of_nora().hospital_subject is None
    ward.join(password_hash=None)
    browser.post("/password/hospital/end", data={"csrf_token": token})  # it would be the last way in
    assert ward.of_nora().hospital_subject == NORA["sub"]
    other = ward.as_nora()
    browser.post("/password/elsewhere", data={"csrf_token": token})  # she has shown lately that it is she
    assert (is_in(browser), is_in(other)) == (True, False)
    page = browser.get("/password").get_data(as_text=True)
    assert 'name="present"' not in page
    assert 'name="confirm"' not in browser.get("/confirm").get_data(as_text=True)


def test_signing_out_ends_our_session_and_leads_on_to_the_end_of_the_hospitals(ward: Ward) -> None:
    ward.join()
    browser = ward.browser
    ward.comes(browser)
    address = ward.go(browser, "/password", "/signout")
    # RP-Initiated Logout 1.0, section 2.
    assert address.startswith(f"{ward.at.issuer}/out?")
    asked = parse_qs(urlsplit(address).query)
    assert asked == {"client_id": [CLIENT], "post_logout_redirect_uri": [f"http://localhost{ward.door}"]}
    assert ward.sessions() == []
    # This browser knows the way by now, and a stranger's is told of none.
    assert ward.door in browser.get("/signin").get_data(as_text=True)
    assert "hospital" not in ward.browser.get("/signin").get_data(as_text=True)
    ward.comes(browser)
    ward.at.says["end_session_endpoint"] = None
    ward.clock.advance(timedelta(minutes=61))
    ward.comes(browser)
    token = token_on(browser.get("/password").get_data(as_text=True))
    assert browser.post("/signout", data={"csrf_token": token}).headers["Location"] == "/signin"


def test_a_session_of_before_is_no_session_after(ward: Ward) -> None:
    """OWASP ASVS 5.0, 7.2.4: a new token at authentication, and the current one ends."""
    ward.join()
    browser = ward.as_nora()
    before = ward.sessions()[0].id
    cookie = browser.get_cookie("neaptide")
    assert cookie is not None
    token = token_on(browser.get("/password").get_data(as_text=True))
    shown = browser.post(ward.door, data={"csrf_token": token}).get_data(as_text=True)
    led = re.search(r'content="0;url=([^"]+)"', shown)
    assert led is not None
    assert ward.back(browser, unescape(led[1])).status_code == 303
    assert [one.id for one in ward.sessions()] != [before]
    thief = ward.browser
    thief.set_cookie("neaptide", cookie.value)
    assert (is_in(browser), is_in(thief)) == (True, False)


@pytest.mark.parametrize(
    ("set_up", "token", "is_strong"),
    [
        ({"counts": HospitalCounts.NEVER}, {"amr": ["pwd", "mfa"]}, False),
        ({"counts": HospitalCounts.ALWAYS}, {}, True),
        ({"counts": HospitalCounts.TOLD}, {"amr": ["pwd"]}, False),
        ({"counts": HospitalCounts.TOLD}, {"amr": "mfa"}, False),  # Core 1.0, section 2: an array
        ({"counts": HospitalCounts.TOLD}, {"amr": ["pwd", "mfa"]}, True),  # RFC 8176, section 2
        ({"counts": HospitalCounts.TOLD, "acr": "gold"}, {"acr": "gold"}, True),
        ({"counts": HospitalCounts.TOLD, "acr": "gold"}, {"acr": "silver"}, False),
    ],
)
def test_the_second_step_is_left_out_where_the_clinic_lets_the_hospitals_count(
    ward: Ward, set_up: dict[str, Any], token: dict[str, Any], is_strong: bool
) -> None:
    ward.set_up(**set_up)
    ward.join()
    with write_session(ward.engine) as session:
        session.execute(update(Clinic).values(second_step=True))
    ward.at.person = NORA | token
    browser = ward.browser
    ward.comes(browser)
    assert ward.at.came[-1].get("acr_values") == set_up.get("acr")
    assert browser.get("/clinic/review").status_code == (200 if is_strong else 303)
    secret = factors.new_secret()
    ward.join(totp_secret=secret)  # and hers is asked for unless the hospital's counts
    browser = ward.browser
    assert ward.comes(browser).headers["Location"].startswith("/clinic/inbox" if is_strong else "/signin/code")
    if not is_strong:
        form = {"csrf_token": token_on(browser.get("/signin/code").get_data(as_text=True))}
        browser.post("/signin/code", data=form | {"code": pyotp.TOTP(secret).at(ward.clock.now())})
    assert [one.by_hospital for one in ward.sessions()] == [True, True]


def test_without_passwords_beside_it_a_joined_account_has_none_that_opens(ward: Ward) -> None:
    ward.set_up(passwords_too=False)

    def by_password(email: str) -> int:
        browser = ward.browser
        token = token_on(browser.get("/signin").get_data(as_text=True))
        return browser.post("/signin", data={"csrf_token": token, "email": email, "password": PASSWORD}).status_code

    assert by_password(ADDRESS) == 303  # not joined yet
    ward.join()
    assert by_password(ADDRESS) == 403
    assert ward.comes().status_code == 303
    with write_session(ward.engine) as session:  # another provider: who has not joined that one is not locked out
        session.execute(update(HospitalSignIn).values(issuer="https://elsewhere.example"))
    assert by_password(ADDRESS) == 303


def test_a_passkey_is_the_second_step_after_the_hospital_and_no_way_round_it(ward: Ward) -> None:
    """Whoever leaves the hospital is shut out there, and by nothing else that a clinic without passwords has."""
    nora = Visitor(ward)
    nora.client = ward.as_nora()
    assert nora.make("/passkeys").status_code == 303
    nora.leaves()
    ward.set_up(passwords_too=False)
    ward.join()
    alone = nora.use()
    assert (alone.status_code, "sign in at the hospital" in words(alone.get_data(as_text=True))) == (403, True)
    assert not nora.is_in()
    assert ward.comes(nora.client).headers["Location"].startswith("/signin/code")
    assert not nora.is_in()
    assert nora.use().status_code == 303
    assert [one.by_hospital for one in ward.sessions()] == [True]
    # Without the hospital a passkey opens the account, and so the account may part from it with no password.
    ward.set_up()
    ward.join(password_hash=None)
    form = {"csrf_token": nora.token()}
    assert nora.client.post("/password/hospital/end", data=form).status_code == 303
    assert ward.of_nora().hospital_subject is None
    ward.join()
    with write_session(ward.engine) as session:
        session.execute(update(Passkey).values(doubted_at=ward.clock.now()))
    nora.client.post("/password/hospital/end", data=form)
    assert ward.of_nora().hospital_subject is not None  # one that may have been copied opens nothing


# --- what is not believed ---------------------------------------------------------------------------------------


def claim(**changes: Any) -> Any:
    def distort(header: dict[str, Any], claims: dict[str, Any], key: Any) -> None:
        claims.update(changes)

    return distort


def written(alg: str, claims: dict[str, Any], signature: str) -> str:
    parts = ({"alg": alg}, claims)
    return ".".join([*(b64(json.dumps(one).encode()) for one in parts), signature])


def b64(given: bytes) -> str:
    return base64.urlsafe_b64encode(given).rstrip(b"=").decode()


def unsigned(header: dict[str, Any], claims: dict[str, Any], key: Any) -> str:
    return written("none", claims, "")


def by_short_key(header: dict[str, Any], claims: dict[str, Any], key: Any) -> str:
    return written("RS256", claims, b64(b"x" * 255))


def by_public_key(header: dict[str, Any], claims: dict[str, Any], key: Any) -> str:
    """HS256, with what everybody can read for a secret."""
    signed = written("HS256", claims, "").removesuffix(".")
    return f"{signed}.{b64(hmac.digest(key.as_pem(private=False), signed.encode(), 'sha256'))}"


def by_another(header: dict[str, Any], claims: dict[str, Any], key: Any) -> str:
    return jwt.encode({"alg": "ES256", "kid": "first"}, claims, new_key("first"), algorithms=["ES256"])


def unnamed(header: dict[str, Any], claims: dict[str, Any], key: Any) -> str:
    return jwt.encode({"alg": "ES256", "kid": "nobody's"}, claims, new_key("nobody's"), algorithms=["ES256"])


NOW = int(MORNING.timestamp())
# Core 1.0, section 3.1.3.7, by its numbers, unless said otherwise.
LIES = {
    "another's nonce (11)": (claim(nonce="x" * 43), "nonce"),
    "nonces to choose from": (claim(nonce=["x" * 43]), "nonce"),
    "for another client (3)": (claim(aud=["another"]), "audience"),
    "for us and another (3)": (claim(aud=[CLIENT, "another"]), "audience"),
    "given to another (5)": (claim(azp="another"), "audience"),
    "of another issuer (2)": (claim(iss="https://elsewhere.example"), "issuer"),
    "over (9)": (claim(exp=NOW - 61), "claims"),
    "never over": (claim(exp="never"), "claims"),
    "of tomorrow (10)": (claim(iat=NOW + 3600), "claims"),
    "nobody (section 2)": (claim(sub=""), "claims"),
    "too long a name (section 2)": (claim(sub="x" * 256), "subject"),
    "unsigned (7)": (unsigned, "algorithm"),
    "signed by what all can read (RFC 8725, 2.1)": (by_public_key, "algorithm"),
    "another key of that name (6)": (by_another, "signature"),
    "a key it does not show (6)": (unnamed, "key"),
    "no token": (lambda header, claims, key: "a.b", "token"),
    "a key that is too short (RFC 7518, 3.3)": (by_short_key, "short_key"),
}  # fmt: skip


@pytest.mark.parametrize(("distort", "why"), LIES.values(), ids=LIES)
def test_a_token_that_is_not_the_hospitals_for_us_now_opens_nothing(ward: Ward, distort: Any, why: str) -> None:
    ward.join()
    ward.at.distort = distort
    if why == "short_key":
        ward.at.shown = [{"kty": "RSA", "n": b64(b"\x80" * 255), "e": "AQAB"}]
    browser = ward.browser
    answer = ward.comes(browser)
    assert (answer.status_code, is_in(browser), ward.sessions()) == (403, False, [])
    assert [line["why"] for line in ward.told("hospital.stopped")] == [why]
    with read_session(ward.engine) as session:
        assert len(session.scalars(select(SignInAttempt)).all()) == 1


def test_a_way_back_is_good_once_for_its_browser_and_for_its_provider(ward: Ward) -> None:
    ward.join()
    browser = ward.browser
    way = ward.way_back(ward.go(browser, ward.door, ward.door))
    assert "&iss=" in way  # RFC 9207, section 2
    assert ward.browser.get(way).status_code == 400  # somebody else's browser: RFC 6749, section 10.12
    kept = browser.get_cookie("neaptide")
    assert kept is not None
    assert browser.get(way).status_code == 303
    assert browser.get(way).status_code == 400  # it was used
    browser.set_cookie("neaptide", kept.value)  # with all that the browser held then: the code is used (4.1.2)
    assert browser.get(way).status_code == 403

    def changed(old: str, new: str) -> int:
        browser = ward.browser
        return int(browser.get(ward.way_back(ward.go(browser, ward.door, ward.door), old, new)).status_code)

    assert changed("state=[^&]+", "state=another") == 403
    assert changed("iss=[^&]+", "iss=https%3A%2F%2Felsewhere.example") == 403  # RFC 9207, section 2.4: the mix-up
    assert changed("&iss=[^&]+", "") == 403  # it says that it always names itself
    assert changed("code=[^&]+", "code=made-up") == 403
    assert changed("nothing", "") == 303
    late = ward.browser
    address = ward.go(late, ward.door, ward.door)
    ward.clock.advance(timedelta(minutes=11))
    assert ward.back(late, address).status_code == 400
    why = [line["why"] for line in ward.told("hospital.stopped")]
    assert why == ["code", "state", "issuer", "issuer", "code"]


def test_whoever_opens_one_account_joins_no_other_and_an_unverified_address_joins_none(ward: Ward) -> None:
    with write_session(ward.engine) as session:
        its = update(Staff).where(Staff.id == ward.admin)
        session.execute(its.values(hospital_issuer=ward.at.issuer, hospital_subject=NORA["sub"]))
    browser, info = ward.as_nora(), {"sub": "s-2", "email": ADDRESS, "email_verified": True}
    tries: list[tuple[dict[str, Any], dict[str, Any], str]] = [
        (NORA, {}, "subject"),
        ({"sub": "s-2", "email": ADDRESS}, {}, "address"),  # Core 1.0, section 5.1: email_verified
        ({"sub": "s-2", "email": ADDRESS, "email_verified": "true"}, {}, "address"),
        ({"sub": "s-2", "email": "else@fernmoor.example", "email_verified": True}, {}, "address"),
        ({"sub": "s-2"}, info | {"sub": "s-3"}, "user_info"),  # section 5.3.2: somebody else's facts
        ({"sub": "s-2"}, info, ""),  # section 5.4: the address may come from there alone
    ]
    for person, told, why in tries:
        ward.at.person, ward.at.user_info = person, told
        answer = ward.back(browser, ward.go(browser, "/password", "/password/hospital"))
        assert answer.status_code == (403 if why else 303), why
        assert [line["why"] for line in ward.told("hospital.stopped")][-1:] == ([why] if why else [tries[-2][2]])
    assert ward.of_nora().hospital_subject == "s-2"


def test_a_new_key_is_asked_for_once_and_a_made_up_one_no_more_than_once_a_minute(ward: Ward) -> None:
    """Core 1.0, section 10.1.1: rotation of signing keys."""
    ward.join()
    assert ward.comes().status_code == 303
    ward.clock.advance(timedelta(minutes=2))
    ward.at.key = new_key("second")
    assert ward.comes().status_code == 303
    assert ward.comes().status_code == 303
    assert ward.at.asked.count("/keys") == 2
    ward.at.distort = unnamed
    assert [ward.comes().status_code for _ in range(3)] == [403] * 3
    assert ward.at.asked.count("/keys") == 2
    ward.at.distort, ward.at.key = (
        None,
        RSAKey.generate_key(2048, {"kid": "third", "use": "sig"}),
    )  # RS256: section 15.1
    ward.clock.advance(timedelta(minutes=2))
    assert ward.comes().status_code == 303
    assert ward.at.asked.count("/.well-known/openid-configuration") == 1


def test_a_verifier_is_hashed_as_the_standard_shows(ward: Ward) -> None:
    """RFC 7636, appendix B."""
    ask = Ask("state", "nonce", "dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk")
    us = Us(ward.at.issuer, CLIENT, ward.at.back, SECRET)
    address = ward.app.extensions["neaptide"].openid.leads_to(us, ask)
    assert "code_challenge=E9Melhoa2OwvFrEMTJguCHaoeK1t8URWbuGJSstw-cM&" in address


# --- a provider that is away, and people who try it on -----------------------------------------------------------


def test_a_provider_that_is_away_is_said_to_be_and_costs_nobody_a_wait(ward: Ward) -> None:
    ward.join()
    browser = ward.browser
    way = ward.way_back(ward.go(browser, ward.door, ward.door))
    ward.at.is_away = True
    answer = browser.get(way)
    assert (answer.status_code, ward.told("hospital.stopped")[0]["why"]) == (503, "no_tokens")
    ward.app.extensions["neaptide"].openid._providers.clear()
    asked = len(ward.at.asked)
    for _ in range(3):
        token = token_on(browser.get(ward.door).get_data(as_text=True))
        shown = browser.post(ward.door, data={"csrf_token": token})
        assert shown.status_code == 503
        assert "does not answer" in words(shown.get_data(as_text=True))
    assert len(ward.at.asked) == asked + 1  # it is left alone for a while
    with read_session(ward.engine) as session:
        assert session.scalars(select(SignInAttempt)).all() == []
    ward.at.is_away, ward.at.person = False, None  # whoever breaks it off there is sent back with an error
    ward.clock.advance(timedelta(seconds=61))
    for _ in range(3):
        assert "broken off there" in words(ward.comes().get_data(as_text=True))
    assert [line["why"] for line in ward.told("hospital.stopped")] == ["no_tokens", "said_no"]


def test_whoever_tries_again_and_again_waits(ward: Ward) -> None:
    status = [ward.comes().status_code for _ in range(32)]
    assert status == [403] * 30 + [429] * 2


def test_a_door_that_is_none_and_a_form_without_its_token_open_nothing(ward: Ward) -> None:
    browser = ward.browser
    for none in ("AAAAAAAAAAAAAAAAAAAAAA", "%00", "%ff"):
        assert browser.get(f"/signin/at/{none}").status_code == 404
    assert browser.post(ward.door).status_code == 400
    assert browser.get(f"{ward.door}/back?code=x&state=y").status_code == 400
    assert browser.get(f"{ward.door}/back?{'error=' + '[' * 3000}").status_code == 400
    page = browser.get(ward.door).get_data(as_text=True)
    assert "Fernmoor" not in page
    assert ward.at.issuer not in page


# --- what an administrator sets ---------------------------------------------------------------------------------


def test_an_administrator_sets_it_up_and_the_secret_is_seen_nowhere(ward: Ward) -> None:
    with write_session(ward.engine) as session:
        hospital.take_away(Act(session, OPERATOR, ward.clinic_id, ward.clock.now()), session.scalars(select(HospitalSignIn)).one())  # fmt: skip
    browser = ward.browser
    sign_in_as(browser, ward.admin, ward.clock.now())
    page = browser.get(SETTINGS).get_data(as_text=True)
    assert ward.at.back in page  # before there is anything: the hospital asks for it first
    form = {"csrf_token": token_on(page), "issuer": ward.at.issuer, "client_id": CLIENT, "client_secret": SECRET,
            "address_claim": "email", "counts": "told", "acr": "", "passwords_too": "yes"}  # fmt: skip
    for changed, said in (
        ({"client_secret": ""}, "Client secret is needed"),
        ({"issuer": f"{ward.at.issuer}/"}, "calls itself by another address"),  # Discovery 1.0, section 4.3
        ({"issuer": "https://127.0.0.1:1"}, "inside a network that is not called from here"),
        ({"issuer": "http://login.example"}, "inside a network that is not called from here"),
        ({"passwords_too": "no"}, "until whoever changes it has signed in by the hospital"),
        ({"counts": "sometimes"}, "one of the list"),
        ({"client_secret": "x" * 401}, "at most 400 characters"),
    ):
        answer = browser.post(SETTINGS, data=form | changed)
        shown = answer.get_data(as_text=True)
        assert answer.status_code == 422
        assert said in words(shown), changed
        assert "x" * 401 not in shown
        assert f'value="{SECRET}"' not in shown
    assert browser.post(SETTINGS, data=form).status_code == 303
    assert SECRET not in browser.get(SETTINGS).get_data(as_text=True)
    with read_session(ward.engine) as session:
        held = session.scalars(select(HospitalSignIn)).one()
        lines = str([vars(line) for line in session.scalars(select(AuditLine))])
    assert SECRET not in str(vars(held)) + lines
    assert ward.settings.secret_key not in held.client_secret
    ward.join()
    assert ward.comes().status_code == 303
    # An empty secret keeps it; while the provider is away the rest can still be changed.
    ward.at.is_away = True
    assert browser.post(SETTINGS, data=form | {"client_secret": "", "counts": "never"}).status_code == 303
    # The API does the same under the same rules, and tells no secret either.
    here, token = "/api/v1/hospital-sign-in", with_form_token(ward.app, browser)
    form["csrf_token"] = token["X-CSRFToken"]
    given = {"issuer": ward.at.issuer, "client_id": CLIENT, "acr": "urn:two"}
    for changed, said in (
        ({"issuer": f"{ward.at.issuer}/"}, "does not answer"),
        ({"passwords_too": False}, "until whoever changes it has signed in by the hospital"),
        ({"counts": "sometimes"}, "never, always, told"),
    ):
        answer = browser.put(here, json=given | {"client_secret": SECRET} | changed, headers=token)
        assert (answer.status_code, said in answer.get_data(as_text=True)) == (422, True), answer.get_json()
        assert SECRET not in answer.get_data(as_text=True)
    answer = browser.put(here, json=given, headers=token)  # which keeps the secret, and puts the rest back
    assert (answer.status_code, answer.get_json()["acr"], answer.get_json()["counts"]) == (200, "urn:two", "never")
    assert (SECRET in answer.get_data(as_text=True), answer.get_json()["joined"]) == (False, 1)
    ward.at.is_away = False
    assert ward.comes().status_code == 303
    ward.clock.advance(sessions.CONFIRMED_FOR + timedelta(seconds=1))
    for sent in (browser.get(here), browser.put(here, json=given, headers=token)):
        assert (sent.status_code, sent.get_json()["type"].rpartition("/")[2]) == (403, "confirm-first")
    assert browser.get(SETTINGS).headers["Location"].startswith("/confirm")
    waits = browser.post(SETTINGS, data=form)  # and a secret is no draft meanwhile
    assert waits.headers["Location"] == f"/confirm?next={SETTINGS}"
    with read_session(ward.engine) as session:
        assert session.scalars(select(FormDraft)).all() == []


def test_an_operators_secret_key_that_was_changed_asks_for_the_clients_secret_again(ward: Ward) -> None:
    ward.join()
    with write_session(ward.engine) as session:
        held = session.scalars(select(HospitalSignIn)).one()
        held.client_secret = held.client_secret[:-4] + "AAA="
    browser = ward.browser
    token = token_on(browser.get(ward.door).get_data(as_text=True))
    assert browser.post(ward.door, data={"csrf_token": token}).status_code == 503


def test_only_what_is_named_or_public_is_asked(ward: Ward) -> None:
    """The provider says where its keys are; an address inside that the operator did not name is not called."""
    ward.join()
    ward.at.says["jwks_uri"] = "https://10.0.0.7/keys"
    ward.app.extensions["neaptide"].openid._providers.clear()
    answer = ward.comes()
    assert (answer.status_code, ward.told("hospital.stopped")[0]["why"]) == (503, "no_address")
    us = Us("http://127.0.0.1:9", CLIENT, "http://localhost/back", "x")
    with pytest.raises(Away, match="address"):
        OpenId(ward.clock.now).leads_to(us, Ask.new())
