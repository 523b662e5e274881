"""Signing in, going out, and changing one's own password, over HTTP."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from threading import Barrier, BrokenBarrierError
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine, select

from service.accounts import invitations
from service.accounts.sessions import IDLE, LONGEST
from service.accounts.staff import close_account
from service.domain.validation import Refused
from service.store.audit import OPERATOR, Act
from service.store.session import write_session
from service.store.tables import AuditLine, SignInAttempt, Staff, StaffInvitation, StaffSession
from service.web.auth import NO_SESSION
from tests.house import NURSE, PASSWORD, House, open_house, sign_in, token_on, words
from tests.statements import statements_of

pytestmark = pytest.mark.databases("sqlite")

NEW = "nine quiet lanterns"


@pytest.fixture
def house(engine: Engine, tmp_path: Path) -> House:
    opened = open_house(engine, tmp_path)
    opened.hire_nurse()
    return opened


def is_in(client: FlaskClient) -> bool:
    return client.get("/password").status_code == 200


@pytest.mark.databases("both")
def test_of_two_who_take_up_a_link_at_once_one_sets_the_password(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    now, ends, both = house.world.clock.now(), invitations._end_others, Barrier(2)
    with write_session(house.engine) as session:
        nurse = session.scalars(select(Staff)).one()
        key = invitations.invite(Act(session, OPERATOR, nurse.clinic_id, now), nurse, now)

    def when_both_are_here(*args: Any) -> None:
        with suppress(BrokenBarrierError):
            both.wait(1)
        ends(*args)

    def take_up(password: str) -> bool:
        try:
            invitations.take_up(house.engine, key, password, now)
        except Refused:
            return False
        return True

    monkeypatch.setattr(invitations, "_end_others", when_both_are_here)
    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(take_up, (NEW, "eleven slow ferries"))) == [False, True]


def test_the_right_password_opens_the_clinic(house: House) -> None:
    client = house.client
    assert not is_in(client)
    answer = sign_in(client, f"  {NURSE.upper()} ")
    assert (answer.status_code, answer.headers["Location"]) == (303, "/clinic/")
    assert is_in(client)
    assert [line.action for line in house.rows(AuditLine)].count("staff.sign_in") == 1


def test_a_wrong_name_and_a_wrong_password_look_alike(house: House) -> None:
    answers = [sign_in(house.client, NURSE, "not it"), sign_in(house.client, "nobody@fernmoor.example", PASSWORD)]
    told = [words(answer.get_data(as_text=True)) for answer in answers]
    assert told[0] == told[1]
    assert "The address or the password is not right." in told[0]
    assert {answer.status_code for answer in answers} == {403}


def test_guessing_is_stopped_even_with_the_right_password(house: House) -> None:
    for _ in range(5):
        sign_in(house.client, NURSE, "not it")
    answer = sign_in(house.client)
    assert (answer.status_code, answer.headers["Retry-After"]) == (429, "15")
    assert "Too many tries from here. Please wait 15 seconds" in words(answer.get_data(as_text=True))
    assert len(house.rows(SignInAttempt)) == 5


def test_a_form_without_its_token_does_nothing(house: House) -> None:
    answer = house.client.post("/signin", data={"email": NURSE, "password": PASSWORD})
    assert answer.status_code == 400
    assert not is_in(house.client)


@pytest.mark.parametrize(
    ("asked", "led_to"),
    [
        ("/clinic/inbox", "/clinic/inbox"),
        ("/clinic/review?lane=settled", "/clinic/review?lane=settled"),
        ("https://elsewhere.example/", "/clinic/"),
        ("//elsewhere.example/", "/clinic/"),
        ("/\\elsewhere.example", "/clinic/"),
        ("/\t/elsewhere.example", "/clinic/"),
        ("/signin", "/clinic/"),
        ("javascript:alert(1)", "/clinic/"),
    ],
)
def test_signing_in_leads_on_within_this_site_only(house: House, asked: str, led_to: str) -> None:
    assert sign_in(house.client, next=asked).headers["Location"] == led_to


def test_signing_out_ends_it(house: House) -> None:
    client = house.client
    sign_in(client)
    page = client.get("/password").get_data(as_text=True)
    assert client.get("/signout").status_code == 405  # a link somebody else placed cannot do it
    client.post("/signout", data={"csrf_token": token_on(page)})
    assert not is_in(client)


def copied(house: House, client: FlaskClient) -> FlaskClient:
    """Another browser that holds the same cookie."""
    cookie = client.get_cookie("neaptide")
    assert cookie is not None
    thief = house.client
    thief.set_cookie("neaptide", cookie.value)
    return thief


@pytest.mark.parametrize("why", ["", "idle"])
def test_a_copied_cookie_is_worth_nothing_after_signing_out(house: House, why: str) -> None:
    """OWASP ASVS 5.0, 7.4.1: once a session is terminated, no further use of it."""
    client = house.client
    sign_in(client)
    thief = copied(house, client)
    assert is_in(thief)
    client.post("/signout", data={"csrf_token": token_on(client.get("/password").get_data(as_text=True)), "why": why})
    assert not is_in(thief)
    assert thief.get("/api/v1/clinic").status_code == 401
    assert house.rows(StaffSession) == []
    assert [line.action for line in house.rows(AuditLine)].count("staff.sign_out") == 1


def test_signing_out_here_leaves_other_devices_signed_in(house: House) -> None:
    here, elsewhere = house.client, house.client
    sign_in(here)
    sign_in(elsewhere)
    here.post("/signout", data={"csrf_token": token_on(here.get("/password").get_data(as_text=True))})
    assert not is_in(here)
    assert is_in(elsewhere)


def test_sessions_elsewhere_are_shown_and_ended_with_the_password_alone(house: House) -> None:
    """OWASP ASVS 5.0, 7.5.2: see and, authenticated again, end one's own active sessions."""
    here, elsewhere = house.client, house.client
    sign_in(elsewhere)
    house.world.clock.advance(IDLE / 2)
    sign_in(here)
    page = here.get("/password").get_data(as_text=True)
    began = min(one.begun_at for one in house.rows(StaffSession))
    assert "You are also signed in elsewhere" in words(page)
    assert words(page).count(f"{began.astimezone(ZoneInfo(house.asha.zone)):%H:%M}") == 2  # begun, and last used
    form = {"csrf_token": token_on(page)}
    refused = here.post("/password/elsewhere", data=form | {"confirm": "not it"})
    assert refused.status_code == 422
    assert 'id="wrong-confirm"' in refused.get_data(as_text=True)
    assert is_in(elsewhere)
    assert here.post("/password/elsewhere", data=form | {"confirm": PASSWORD}).status_code == 303
    assert is_in(here)
    assert not is_in(elsewhere)
    assert "signed in on this browser only" in words(here.get("/password").get_data(as_text=True))


def test_signing_in_again_ends_the_browsers_session_before(house: House) -> None:
    """OWASP ASVS 5.0, 7.2.4: a new token at authentication, and the current one ends."""
    client = house.client
    sign_in(client)
    thief = copied(house, client)
    client.set_cookie("neaptide", "nothing")  # the form is shown to whoever is not signed in
    page = client.get("/signin").get_data(as_text=True)
    with client.session_transaction() as kept, thief.session_transaction() as held:
        kept["session"] = held["session"]
    client.post("/signin", data={"csrf_token": token_on(page), "email": NURSE, "password": PASSWORD})
    assert is_in(client)
    assert not is_in(thief)
    assert len(house.rows(StaffSession)) == 1


def test_the_end_of_a_session_stands_on_the_server_alone(house: House) -> None:
    """A cookie that was kept says nothing of when it was used."""
    client = house.client
    sign_in(client)
    thief = copied(house, client)
    for _ in range(3):
        house.world.clock.advance(IDLE * 0.9)
        assert is_in(client)
    assert is_in(thief)  # the same session, used from elsewhere
    house.world.clock.advance(IDLE * 1.1)
    assert not is_in(thief)


def test_whoever_is_invited_sets_a_password_once_and_is_in(house: House) -> None:
    now = house.world.clock.now()
    with write_session(house.engine) as session:
        nurse = session.get_one(Staff, house.rows(Staff)[0].id)
        key = invitations.invite(Act(session, OPERATOR, nurse.clinic_id, now), nurse, now)
    client, path = house.client, f"/invited/{key}"
    page = client.get(path).get_data(as_text=True)
    assert "Welcome, Nora Quill" in words(page)
    form = {"csrf_token": token_on(page), "new": NEW, "again": NEW}
    assert 'id="wrong-new"' in client.post(path, data=form | {"new": "short", "again": "short"}).get_data(as_text=True)
    assert 'id="wrong-again"' in client.post(path, data=form | {"again": "else"}).get_data(as_text=True)
    assert client.post(path, data=form).status_code == 303
    assert is_in(client)
    other = house.client
    used = other.get(path)
    assert (used.status_code, "This link works no more" in words(used.get_data(as_text=True))) == (404, True)
    assert sign_in(house.client, NURSE, PASSWORD).status_code == 403
    assert key not in str([vars(row) for row in (*house.rows(StaffInvitation), *house.rows(AuditLine))])


def test_a_closed_account_ends_its_sessions_everywhere(house: House) -> None:
    """OWASP ASVS 5.0, 7.4.2: all active sessions end when an account is disabled."""
    client = house.client
    sign_in(client)
    with write_session(house.engine) as session:
        staff = session.get_one(Staff, house.rows(Staff)[0].id)
        close_account(Act(session, OPERATOR, staff.clinic_id, house.world.now), staff)
    assert not is_in(client)
    assert house.rows(StaffSession) == []


def test_sessions_that_ran_out_are_cleared_away_at_the_next_sign_in(house: House) -> None:
    sign_in(house.client)
    house.world.clock.advance(LONGEST + IDLE)
    sign_in(house.client)
    assert len(house.rows(StaffSession)) == 1


def test_a_session_is_checked_in_the_look_up_of_its_person(house: House) -> None:
    client = house.client
    sign_in(client)
    with statements_of(house.engine, "SELECT") as asked:
        client.get("/signin/still-here")
    assert len(asked) == 1


def test_an_unused_session_ends_and_says_so(house: House) -> None:
    client = house.client
    sign_in(client)
    house.world.clock.advance(IDLE * 0.9)
    assert client.get("/signin/still-here").status_code == 200
    house.world.clock.advance(IDLE * 0.9)
    assert is_in(client)  # asking kept it
    house.world.clock.advance(IDLE * 1.1)
    assert client.get("/signin/still-here").status_code == 403
    assert not is_in(client)
    assert "after 15 minutes without use" in words(client.get("/signin?ended=idle").get_data(as_text=True))


def test_a_changed_password_counts_and_ends_other_sessions(house: House) -> None:
    here, elsewhere = house.client, house.client
    sign_in(here)
    sign_in(elsewhere)
    house.world.clock.advance(IDLE / 15)
    form = {"csrf_token": token_on(here.get("/password").get_data(as_text=True))}
    answer = here.post("/password", data=form | {"present": PASSWORD, "new": NEW, "again": NEW})
    assert answer.status_code == 303
    assert is_in(here)
    assert not is_in(elsewhere)
    assert sign_in(house.client, NURSE, PASSWORD).status_code == 403
    assert sign_in(house.client, NURSE, NEW).status_code == 303


@pytest.mark.parametrize(
    ("form", "field"),
    [
        ({"present": "not it", "new": NEW, "again": NEW}, "present"),
        ({"present": PASSWORD, "new": NEW, "again": NEW + "s"}, "again"),
        ({"present": PASSWORD, "new": "short", "again": "short"}, "new"),
        ({"present": PASSWORD, "new": "Fernmoor nurse 2026", "again": "Fernmoor nurse 2026"}, "new"),
    ],
)
def test_a_password_is_not_changed_by_mistake(house: House, form: dict[str, str], field: str) -> None:
    client = house.client
    sign_in(client)
    token = token_on(client.get("/password").get_data(as_text=True))
    answer = client.post("/password", data={"csrf_token": token} | form)
    assert answer.status_code == 422
    assert f'id="wrong-{field}"' in answer.get_data(as_text=True)
    for secret in form.values():
        assert f'value="{secret}"' not in answer.get_data(as_text=True)
    assert sign_in(house.client).status_code == 303


def test_guessing_from_within_a_session_is_stopped_by_the_same_count(house: House) -> None:
    client = house.client
    sign_in(client)
    form = {"csrf_token": token_on(client.get("/password").get_data(as_text=True))}
    wrong = form | {"present": "not it", "new": NEW, "again": NEW, "confirm": "not it"}
    tries = [client.post(path, data=wrong).status_code for path in ("/password", "/password/elsewhere") * 3]
    assert tries == [422] * 5 + [429]
    right = form | {"present": PASSWORD, "new": NEW, "again": NEW}
    assert client.post("/password", data=right).status_code == 429
    assert is_in(client)
    house.world.clock.advance(timedelta(minutes=1))
    assert sign_in(house.client).status_code == 303


def test_staff_pages_follow_the_browser(house: House) -> None:
    page = house.client.get("/signin", headers={"Accept-Language": "es-MX,es;q=0.9"}).get_data(as_text=True)
    assert '<html lang="es"' in page
    assert "Contraseña" in page
    other = house.client.get("/signin", headers={"Accept-Language": "fi"}).get_data(as_text=True)
    assert '<html lang="en"' in other


def test_a_language_chosen_for_the_account_is_spoken_whatever_the_browser_asks_for(house: House) -> None:
    client, english = house.client, {"Accept-Language": "en"}
    sign_in(client)
    form = {"csrf_token": token_on(client.get("/password").get_data(as_text=True))}
    answer = client.post("/language", data=form | {"language": "es"}, headers=english, follow_redirects=True)
    assert "Guardado." in words(answer.get_data(as_text=True))  # said in the new one at once
    for path in ("/clinic/review", "/clinic/records", "/password", f"/clinic/patients/{NO_SESSION}"):
        assert '<html lang="es"' in client.get(path, headers=english).get_data(as_text=True), path
    assert client.post("/language", data=form | {"language": "xx"}).status_code == 400
    client.post("/language", data=form | {"language": ""})
    assert '<html lang="en"' in client.get("/clinic/review", headers=english).get_data(as_text=True)
    lines = [line.detail for line in house.rows(AuditLine) if line.action == "staff.set_language"]
    assert sorted(lines, key=str) == [{"was": "es", "now": None}, {"was": None, "now": "es"}]  # of one instant


def test_an_error_page_is_in_plain_words(house: House) -> None:
    answer = house.client.get("/no/such/page")
    assert answer.status_code == 404
    assert "There is nothing here" in words(answer.get_data(as_text=True))
    assert "emergency number" in answer.get_data(as_text=True)


def test_the_address_of_a_form_that_is_opened_again_blames_nobody_and_leads_back(house: House) -> None:
    """It stands in the address bar after a form was refused, and whoever reloads it is no server's trouble."""
    answer = house.client.get(f"/clinic/patients/{house.asha.id}/sign")
    page = answer.get_data(as_text=True)
    assert answer.status_code == 405
    assert "This address only takes what a form sends. Nothing was changed." in words(page)
    assert 'href="/clinic/"' in page
