"""Colleagues: invited, changed, shut out and let in again, by an administrator who shows first that it is they."""

from __future__ import annotations

import re
import uuid
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import timedelta
from threading import Barrier, BrokenBarrierError

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine, select
from werkzeug.datastructures import MultiDict

from service.accounts import keys, staff
from service.accounts.sessions import CONFIRMED_FOR
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, Role, Scope
from service.keyring import Keyring
from service.store.audit import OPERATOR, Act
from service.store.session import connect, read_session, write_session
from service.store.tables import ApiKey, AuditLine, Staff
from service.transports.base import OutgoingText, TemporaryFailure
from tests.house import token_on, words
from tests.web.conftest import PASSWORD, House

pytestmark = pytest.mark.databases("sqlite")
PAGE = "/clinic/colleagues"
NEW = {"name": "Kit Vale", "email": "Kit@Fernmoor.example", "roles": ["nurse"], "grants": ["export"]}


class Postbox:
    """A mail server that keeps what it is given, or is away."""

    channel = Channel.EMAIL

    def __init__(self, away: bool = False) -> None:
        self.away = away
        self.letters: list[OutgoingText] = []

    def send(self, text: OutgoingText) -> str:
        if self.away:
            raise TemporaryFailure("away")
        self.letters.append(text)
        return "ref"


def press(client: FlaskClient, path: str = PAGE, **form: object) -> str:
    """Press a button of the page; returns the words of what comes of it."""
    token = token_on(client.get(PAGE).get_data(as_text=True))
    answer = client.post(path, data={"csrf_token": token, **form}, follow_redirects=True)
    return answer.get_data(as_text=True)


def found(house: House, email: str = "kit@fernmoor.example") -> Staff:
    with read_session(house.engine) as session:
        return session.scalars(select(Staff).where(Staff.email == email)).one()


def test_a_colleague_is_invited_and_the_link_is_shown_once_where_no_mail_is_set_up(house: House) -> None:
    admin = house.staff(Role.ADMINISTRATOR)
    page = press(admin, **NEW)
    link = re.search(r"/invited/([\w-]{43})", page)
    assert link is not None
    assert "/invited/" not in admin.get(PAGE).get_data(as_text=True)
    assert "Invited; has not been here yet" in words(page)
    kit, browser = found(house), house.app.test_client()
    assert (kit.roles, kit.grants, kit.password_hash) == (["nurse"], ["export"], None)
    form = {"new": PASSWORD, "again": PASSWORD, "csrf_token": token_on(browser.get(link[0]).get_data(as_text=True))}
    assert browser.post(link[0], data=form).status_code == 303
    assert browser.get("/clinic/review").status_code == 200
    # Whoever has been here starts anew by a link that nobody else sees: not by this page without mail.
    assert "neaptide staff unlock" in words(press(admin, f"{PAGE}/{kit.id}/reset"))


@pytest.mark.parametrize("away", [False, True])
def test_a_link_goes_by_mail_and_an_administrator_never_sees_the_one_that_replaces_a_password(
    house: House, away: bool
) -> None:
    post, nurse = Postbox(away), house.staff_id(Role.NURSE)
    house.app.extensions["neaptide"].transports[Channel.EMAIL] = post
    page = press(house.staff(Role.ADMINISTRATOR), f"{PAGE}/{nurse}/reset")
    assert "/invited/" not in page
    assert [letter.body.count("/invited/") for letter in post.letters] == ([] if away else [1])
    assert ("on its way by mail" in words(page)) is not away
    assert house.staff(Role.NURSE).get("/clinic/review").status_code == 200  # the old password stays until then


@pytest.mark.parametrize(
    ("form", "field"),
    [({"email": "no address"}, "E-mail address"), ({"roles": []}, "Roles"),
     ({"roles": ["administrator"], "grants": ["decide"]}, "Granted beside them")],
)  # fmt: skip
def test_what_cannot_be_is_refused_by_its_name_and_what_was_typed_stays(
    house: House, form: dict[str, object], field: str
) -> None:
    page = press(house.staff(Role.ADMINISTRATOR), **{**NEW, **form})
    assert f"Not invited. {field}: accepted is" in words(page)
    assert 'value="Kit Vale"' in page


def test_a_colleague_is_changed_signed_out_closed_and_opened_again(house: House) -> None:
    admin, nurse, browser = house.staff(Role.ADMINISTRATOR), house.staff_id(Role.NURSE), house.staff(Role.NURSE)
    assert "signed in on 1 browser" in words(admin.get(PAGE).get_data(as_text=True))
    press(admin, f"{PAGE}/{nurse}/roles", roles=["read_only"])
    assert browser.get("/clinic/review").status_code == 200
    assert browser.post(f"/clinic/patients/{house.patient_id}/sign").status_code in {400, 403}
    press(admin, f"{PAGE}/{nurse}/end-sessions")
    assert browser.get("/clinic/review").status_code == 303
    press(admin, f"{PAGE}/{nurse}/close")
    assert not found(house, found_email(house, nurse)).active
    press(admin, f"{PAGE}/{nurse}/reopen")
    again = found(house, found_email(house, nurse))
    assert (again.active, again.password_hash) == (True, None)
    with read_session(house.engine) as session:
        done = session.scalars(select(AuditLine.action).where(AuditLine.subject_id == nurse)).all()
    assert {"staff.set_roles", "staff.end_sessions", "staff.close", "staff.reopen"} <= set(done)


def found_email(house: House, staff_id: object) -> str:
    with read_session(house.engine) as session:
        return session.get_one(Staff, staff_id).email


@pytest.mark.databases("both")
def test_of_two_administrators_who_end_each_others_at_once_one_stays(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    both, keeps = Barrier(2), staff._keep_an_administrator
    with write_session(house.engine) as session:
        act = Act(session, OPERATOR, house.clinic_id, house.clock.now())
        two = [staff.add_staff(act, f"{one}@fernmoor.example", one, [Role.ADMINISTRATOR]).id for one in ("Ann", "Bo")]
        for other in session.scalars(select(Staff).where(Staff.id.not_in(two))):
            other.active = False

    def when_both_have_looked(act: Act, one: Staff) -> None:
        keeps(act, one)
        with suppress(BrokenBarrierError):
            both.wait(1)

    def ends(whose: uuid.UUID) -> bool:
        try:
            with write_session(house.engine) as session:
                act = Act(session, OPERATOR, house.clinic_id, house.clock.now())
                staff.close_account(act, session.get_one(Staff, whose))
        except Refused:
            return False
        return True

    monkeypatch.setattr(staff, "_keep_an_administrator", when_both_have_looked)
    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(ends, two)) == [False, True]


def test_the_last_administrator_stays_one(house: House) -> None:
    admin, own = house.staff(Role.ADMINISTRATOR), house.staff_id(Role.ADMINISTRATOR)
    assert "another administrator" in words(press(admin, f"{PAGE}/{own}/roles", roles=["nurse"]))
    assert "another administrator" in words(press(admin, f"{PAGE}/{own}/close"))


def test_another_clinics_colleague_is_not_there(build: object, house: House) -> None:
    other = build("Saltholt Clinic", number="+447700900002")  # type: ignore[operator]
    admin = house.staff(Role.ADMINISTRATOR)
    token = token_on(admin.get(PAGE).get_data(as_text=True))
    path = f"{PAGE}/{other.staff_id(Role.NURSE)}/close"
    assert admin.post(path, data={"csrf_token": token}).status_code == 404


def test_what_reaches_far_asks_first_whether_it_is_still_they(house: House) -> None:
    """OWASP ASVS 5.0, 7.5.3: authenticate again before what is sensitive; after how long is ours."""
    admin = house.staff(Role.ADMINISTRATOR)
    token = token_on(admin.get(PAGE).get_data(as_text=True))
    house.clock.advance(CONFIRMED_FOR + timedelta(seconds=1))
    assert admin.get(PAGE).headers["Location"] == f"/confirm?next={PAGE}"
    two = {**NEW, "roles": ["nurse", "administrator"]}
    sent = admin.post(PAGE, data={"csrf_token": token, **two})
    assert sent.headers["Location"] == "/confirm?next=/confirm/go-on"
    by_api = admin.post("/api/v1/keys", json={"name": "x", "scopes": ["review"]}, headers={"X-CSRFToken": token})
    assert (by_api.status_code, "/confirm" in by_api.get_json(force=True)["detail"]) == (403, True)
    assert admin.get("/clinic/wordings").status_code == 200  # what does not reach far asks nothing
    page = admin.get(f"/confirm?next={PAGE}").get_data(as_text=True)
    form = {"csrf_token": token_on(page), "next": PAGE}
    assert admin.post("/confirm", data=form | {"confirm": "not it"}).status_code == 422
    assert admin.post("/confirm", data=form | {"confirm": PASSWORD}).headers["Location"] == PAGE
    assert admin.get(PAGE).status_code == 200
    kit = select(Staff).where(Staff.email == "kit@fernmoor.example")
    with read_session(house.engine) as session:
        assert session.scalar(kit) is None
    # What was typed has waited, for its own person alone, and is sent on once.
    assert house.staff(Role.NURSE).get("/confirm/go-on").headers["Location"] == "/clinic/"
    waited = admin.get("/confirm/go-on").get_data(as_text=True)
    form = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', waited.partition('id="held"')[2])
    assert [name for name, _ in form].count("roles") == 2
    assert admin.post(PAGE, data=MultiDict(form)).status_code == 200
    with read_session(house.engine) as session:
        assert session.scalars(kit).one().roles == ["nurse", "administrator"]
    assert admin.get("/confirm/go-on").headers["Location"] == "/clinic/"


def issue(engine: Engine, house: House, **how: object) -> str:
    with write_session(engine) as session:
        act = Act(session, OPERATOR, house.clinic_id, house.clock.now())
        return keys.issue_key(act, "bridge", [Scope.REVIEW], **how)[1]  # type: ignore[arg-type]


def test_a_key_ends_by_itself_opens_from_its_networks_alone_and_tells_when_it_was_used(house: House) -> None:
    secret = issue(house.engine, house, days=2, networks=["192.0.2.0/24", "2001:db8::/32"])
    now, last = house.clock.now(), timedelta(days=2)
    with connect(house.engine) as connection:
        good = [
            keys.check_key(connection, secret, address, at, Keyring("x")) is not None
            for address, at in (
                ("192.0.2.9", now),
                ("2001:db8::7", now),
                ("198.51.100.1", now),
                ("192.0.2.9", now + last),
            )
        ]
    assert good == [True, True, False, False]
    assert house.machine.get("/clinic").status_code == 200
    with read_session(house.engine) as session:
        used = session.scalars(select(ApiKey.used_at).where(ApiKey.secret_hash == keys.hash_of(house.secret))).one()
    assert used == house.clock.now()


def test_a_key_from_no_network_is_refused(house: House) -> None:
    with pytest.raises(Refused, match="networks"):
        issue(house.engine, house, networks=["everywhere"])


def test_the_language_of_a_colleague_is_chosen_for_them(house: House) -> None:
    admin, nurse = house.staff(Role.ADMINISTRATOR), house.staff_id(Role.NURSE)
    assert "Changed." in words(press(admin, f"{PAGE}/{nurse}/language", language="es"))
    with read_session(house.engine) as session:
        assert session.get_one(Staff, nurse).language == "es"
    told = words(press(admin, f"{PAGE}/{nurse}/language", language="xx"))
    assert "Language: accepted is one of en, es, or none" in told
    assert "Changed." in words(press(admin, f"{PAGE}/{nurse}/language", language=""))
