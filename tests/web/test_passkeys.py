"""Passkeys over HTTP, with a device in software (tests/authenticator.py): each check of W3C Web Authentication, Level 3.

Sections are of that standard. The pages, the clock and the database are real.
"""

from __future__ import annotations

import copy
import json
import re
import uuid
from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Any, Protocol

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from flask import Flask
from sqlalchemy import select, update
from werkzeug.test import TestResponse

from service.accounts import challenges, factors, invitations
from service.accounts.challenges import LASTS, Site, site_of
from service.accounts.sessions import CONFIRMED_FOR
from service.accounts.staff import add_staff
from service.domain.vocabulary import Answered, Channel, Role
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Clinic, FormDraft, Passkey, PasskeyChallenge, Staff, StaffSession
from tests.authenticator import UP, UV, Device, unwords, words
from tests.house import sign_in, token_on
from tests.house import words as read
from tests.web.conftest import PASSWORD, House
from tests.web.test_colleagues import Postbox
from tests.web.test_trail import kept as trail_of

pytestmark = pytest.mark.databases("sqlite")

ACCOUNT, KEYS = "/password", "/passkeys"


class Open(Protocol):
    """Whatever serves an application."""

    app: Flask


class Visitor:
    """Somebody with a browser and a device."""

    def __init__(self, house: Open, device: Device | None = None) -> None:
        self.device, self.client = device or Device(), house.app.test_client()

    def token(self) -> str:
        for path in (ACCOUNT, "/signin"):
            page = self.client.get(path)
            if page.status_code == 200:
                return token_on(page.get_data(as_text=True))
        raise AssertionError("no page with a form")

    def ask(self, path: str) -> Any:
        answer = self.client.post(f"{path}/ask", data={"csrf_token": self.token()})
        assert answer.status_code == 200, answer.status_code
        return json.loads(answer.get_data(as_text=True))

    def send(self, path: str, answer: str, **form: str) -> TestResponse:
        return self.client.post(path, data={"csrf_token": self.token(), "signed": answer, **form})

    def make(self, path: str, **form: str) -> TestResponse:
        return self.send(path, self.device.make(self.ask(path)), **form)

    def use(self, path: str = "/signin/passkey", **lies: Any) -> TestResponse:
        return self.send(path, self.device.use(self.ask(path), **lies))

    def is_in(self) -> bool:
        return self.client.get(ACCOUNT).status_code == 200

    def told(self, path: str = "/signin") -> str:
        return read(self.client.get(path).get_data(as_text=True))

    def leaves(self) -> None:
        self.client.post("/signout", data={"csrf_token": self.token()})


def said(answer: TestResponse) -> str:
    return read(answer.get_data(as_text=True))


def account(house: House, role: Role = Role.NURSE, *, clinic: uuid.UUID | None = None) -> tuple[Staff, str]:
    """Somebody who was invited, and the key of their link."""
    now, clinic_id = house.clock.now(), clinic or house.clinic_id
    with write_session(house.engine) as session:
        act = Act(session, OPERATOR, clinic_id, now)
        staff = add_staff(act, f"kit-{uuid.uuid4().hex[:6]}@fernmoor.example", "Kit Vale", [role])
        return staff, invitations.invite(act, staff, now)


def settled(house: House, role: Role = Role.NURSE, **more: Any) -> tuple[Visitor, Staff]:
    """Somebody who came in by a passkey, and went out again."""
    staff, key = account(house, role, **more)
    visitor = Visitor(house)
    assert visitor.make(f"/invited/{key}/passkey").headers["Location"] == "/clinic/"
    visitor.leaves()
    return visitor, staff


def kept(house: House, staff: Staff) -> list[Passkey]:
    with read_session(house.engine) as session:
        return list(session.scalars(select(Passkey).where(Passkey.staff_id == staff.id).order_by(Passkey.made_at)))


def done(house: House, staff: Staff) -> list[str]:
    with read_session(house.engine) as session:
        its = select(AuditLine.action).where(AuditLine.subject_id == staff.id).order_by(AuditLine.at, AuditLine.id)
        return list(session.scalars(its))


@pytest.fixture
def post(house: House) -> Postbox:
    box = Postbox()
    house.app.extensions["neaptide"].transports[Channel.EMAIL] = box
    return box


# --- the whole way -------------------------------------------------------------------------------


@pytest.mark.databases("sqlite", "postgresql")
def test_an_invited_colleague_comes_in_by_a_passkey_alone_and_it_is_both_factors(house: House, post: Postbox) -> None:
    with write_session(house.engine) as session:
        session.execute(update(Clinic).values(second_step=True))
    staff, key = account(house)
    kit = Visitor(house)
    options = kit.ask(f"/invited/{key}/passkey")
    assert options["rp"] == {"id": "localhost", "name": "Fernmoor"}
    assert unwords(options["user"]["id"]) == staff.id.bytes  # section 14.6.1: nothing of the person in the handle
    assert options["authenticatorSelection"] == {
        "residentKey": "required", "requireResidentKey": True, "userVerification": "required",
    }  # fmt: skip
    # Section 13.4.3: challenges of 16 bytes at least; section 15.1: five to ten minutes where the person is verified.
    assert len(unwords(options["challenge"])) >= 16
    assert 300_000 <= options["timeout"] <= 600_000
    assert kit.send(f"/invited/{key}/passkey", kit.device.make(options)).headers["Location"] == "/clinic/"
    assert kit.client.get("/clinic/review").status_code == 200  # the clinic asks for a second step, and has it
    assert Visitor(house).client.get(f"/invited/{key}").status_code == 404  # the link is used
    kit.leaves()
    assert not kit.is_in()
    assert kit.ask("/signin/passkey").get("allowCredentials", []) == []  # nothing tells who exists
    assert kit.use().headers["Location"] == "/clinic/"
    assert kit.client.get("/clinic/review").status_code == 200
    house.clock.advance(CONFIRMED_FOR + timedelta(seconds=1))
    assert kit.client.get(KEYS).headers["Location"] == f"/confirm?next={KEYS}"
    assert kit.use("/confirm/passkey").status_code == 303
    page = read(kit.client.get(KEYS).get_data(as_text=True))
    assert "It is the only way into your account" in page
    assert {"staff.add_passkey", "staff.sign_in"} <= set(done(house, staff))
    assert [letter.to for letter in post.letters] == [staff.email]
    (one,) = kept(house, staff)
    assert one.used_at == house.clock.now()


def test_after_a_password_a_passkey_is_the_second_step_and_the_password_alone_opens_nothing(house: House) -> None:
    nurse = house.staff_id(Role.NURSE)
    with read_session(house.engine) as session:
        email = session.get_one(Staff, nurse).email
    nora = Visitor(house)
    sign_in(nora.client, email, PASSWORD)
    assert nora.make(KEYS, name="  ward computer ").status_code == 303
    assert "ward computer" in nora.told(KEYS)
    nora.leaves()
    assert sign_in(nora.client, email, PASSWORD).headers["Location"].startswith("/signin/code")  # type: ignore[attr-defined]
    assert not nora.is_in()
    assert "Go on with a passkey" in nora.told("/signin/code")
    assert nora.use().status_code == 303
    assert nora.is_in()
    # Nor does it confirm what reaches far.
    house.clock.advance(CONFIRMED_FOR + timedelta(seconds=1))
    nora.client.post("/confirm", data={"csrf_token": nora.token(), "confirm": PASSWORD})
    assert nora.client.get(KEYS).headers["Location"].startswith("/confirm")


# --- section 7.2: what is refused ------------------------------------------------------------------------

OTHER_KEY = ec.generate_private_key(ec.SECP256R1())
LIES: Mapping[str, dict[str, Any]] = {
    "step 10: another type": {"client": {"type": "webauthn.create"}},
    "step 11: another challenge": {"client": {"challenge": words(b"x" * 64)}},
    "step 12: another origin": {"client": {"origin": "https://localhost"}},
    "step 12: another port": {"client": {"origin": "http://localhost:8000"}},
    "step 13: in a frame of another site": {"client": {"crossOrigin": True}},
    "step 15: for another site": {"rp_id": "elsewhere.example"},
    "step 16: nobody was there": {"flags": UV},
    "step 17: nobody was asked who they are": {"flags": UP},
    "step 21: signed with another key": {"key": OTHER_KEY},
    "step 6: somebody else's handle": {"handle": uuid.UUID(int=7).bytes},
    "step 6: no handle, where nobody was named": {"handle": None},
}  # the numbers are those of the Level 3 draft, from memory


@pytest.mark.parametrize("lie", list(LIES))
def test_what_is_signed_falsely_opens_nothing(house: House, lie: str) -> None:
    kit, _ = settled(house)
    answer = kit.use(**LIES[lie])
    assert answer.status_code == 403
    assert "This passkey opens nothing here" in said(answer)
    assert not kit.is_in()
    assert kit.use().headers["Location"] == "/clinic/"  # the same with nothing false


@pytest.mark.parametrize("lie", [lie for lie in LIES if "step 6" not in lie and "step 21" not in lie])
def test_what_is_made_falsely_is_not_kept(house: House, lie: str) -> None:
    """Section 7.1 asks the same of a new one."""
    staff, key = account(house)
    kit, path = Visitor(house), f"/invited/{key}/passkey"
    lies = copy.deepcopy(LIES[lie])
    if "type" in lies.get("client", {}):
        lies["client"]["type"] = "webauthn.get"
    assert kit.send(path, kit.device.make(kit.ask(path), **lies)).status_code == 422
    assert kept(house, staff) == []
    assert not kit.is_in()
    assert kit.make(path).headers["Location"] == "/clinic/"  # the link still works


def test_a_challenge_is_good_once_for_one_browser_one_purpose_and_five_minutes(house: House) -> None:
    """Section 13.4.3: challenges are made and kept by the server, and an answer is matched with its own."""
    kit, _ = settled(house)
    options = kit.ask("/signin/passkey")
    answer = kit.device.use(options)
    thief = Visitor(house, kit.device)
    thief.ask("/signin/passkey")
    assert "This passkey opens nothing here" in said(thief.send("/signin/passkey", answer))
    assert Visitor(house).send("/signin/passkey", answer).status_code == 403  # nothing was asked of this one
    assert not thief.is_in()
    # Of the browser's own cookie a copy opens nothing once it was answered.
    copied = kit.client.get_cookie("neaptide")
    assert copied is not None
    assert kit.send("/signin/passkey", answer).headers["Location"] == "/clinic/"
    again = house.app.test_client()
    again.set_cookie(copied.key, copied.value)
    token = token_on(again.get("/signin").get_data(as_text=True))
    again.post("/signin/passkey", data={"csrf_token": token, "signed": answer})
    assert again.get(ACCOUNT).status_code == 303
    # What was asked for one thing answers no other.
    house.clock.advance(CONFIRMED_FOR + timedelta(seconds=1))
    mixed = kit.device.use(kit.ask("/signin/passkey"))
    kit.send("/confirm/passkey", mixed)
    assert kit.client.get(KEYS).status_code == 303
    kit.leaves()
    late = kit.device.use(kit.ask("/signin/passkey"))
    house.clock.advance(LASTS + timedelta(seconds=1))
    assert "It took too long" in said(kit.send("/signin/passkey", late))
    assert not kit.is_in()


@pytest.mark.parametrize(
    "answer", ["", "null", "[1]", "{}", "[" * 9_000, "x" * 30_000, '{"id": 7}', '{"id": "\\ud800"}']
)
def test_what_is_no_answer_at_all_is_told_as_such(house: House, answer: str) -> None:
    kit, staff = settled(house)
    kit.ask("/signin/passkey")
    assert kit.send("/signin/passkey", answer).status_code == 403
    assert not kit.is_in()
    _, key = account(house)
    path = f"/invited/{key}/passkey"
    options = kit.ask(path)
    cut = json.loads(kit.device.make(options))
    whole = unwords(cut["response"]["attestationObject"])
    for broken in (answer, json.dumps(cut | {"response": cut["response"] | {"attestationObject": words(whole[:-5])}})):
        kit.ask(path)
        assert kit.send(path, broken).status_code == 422
    assert len(kept(house, staff)) == 1


def test_another_clinics_passkey_is_of_its_own_account_alone(build: Callable[..., House], house: House) -> None:
    other = build("Saltholt Clinic", number="+447700900002")
    theirs, _ = settled(house, clinic=other.clinic_id)
    kit, _ = settled(house)
    kit.use()
    house.clock.advance(CONFIRMED_FOR + timedelta(seconds=1))
    options = kit.ask("/confirm/passkey")
    assert [unwords(one["id"]) for one in options["allowCredentials"]] == [kit.device.kept[0].id]
    stranger = theirs.device.use(options | {"allowCredentials": []})
    kit.send("/confirm/passkey", stranger)
    assert kit.client.get(KEYS).status_code == 303
    kit.use("/confirm/passkey")
    (foreign,) = [one for one in everyone(house) if one.credential_id == theirs.device.kept[0].id]
    for what in ("remove", "name"):
        assert kit.send(f"{KEYS}/{foreign.id}/{what}", "", name="mine").status_code == 404
    theirs.use()
    with read_session(house.engine) as session:
        begun = session.scalars(select(Staff.clinic_id).join(StaffSession, StaffSession.staff_id == Staff.id)).all()
    assert set(begun) == {house.clinic_id, other.clinic_id}


def everyone(house: House) -> list[Passkey]:
    with read_session(house.engine) as session:
        return list(session.scalars(select(Passkey)))


# --- section 6.1.1: the counter ----------------------------------------------------------------------------


@pytest.mark.databases("sqlite", "postgresql")
def test_a_counter_that_goes_back_ends_the_passkey_and_people_are_told(house: House, post: Postbox) -> None:
    kit, staff = settled(house)
    admin = house.staff(Role.ADMINISTRATOR)
    copied = copy.copy(kit.device.kept[0])
    assert kit.use().headers["Location"] == "/clinic/"
    post.letters.clear()
    thief = Visitor(house, Device(kept=[copied]))
    # Before the signature is right the counter is anybody's word, and raises no alarm.
    thief.use(key=OTHER_KEY, count=0)
    assert kept(house, staff)[0].doubted_at is None
    assert "its count of uses went back" in said(thief.use(count=1))  # as the real one told already
    assert not thief.is_in()
    assert not kit.is_in()  # every session of the account has ended
    kit.use()  # and it opens nothing any more, whoever holds it
    assert not kit.is_in()
    assert done(house, staff).count("staff.doubt_passkey") == 1
    with read_session(house.engine) as session:
        administrator = session.get_one(Staff, house.staff_id(Role.ADMINISTRATOR)).email
    assert {letter.to for letter in post.letters} == {staff.email, administrator}
    assert "A passkey may have been copied" in read(admin.get("/clinic/colleagues").get_data(as_text=True))
    assert "A passkey of a colleague may have been copied." in read(
        admin.get("/clinic/wordings").get_data(as_text=True)
    )


def test_a_device_that_does_not_count_is_no_copy(house: House) -> None:
    staff, key = account(house)
    kit = Visitor(house, Device(counts=False))
    kit.make(f"/invited/{key}/passkey")
    for _ in range(2):
        kit.leaves()
        kit.use()
        assert kit.is_in()
    assert kept(house, staff)[0].sign_count == 0


# --- one's own, and an administrator's --------------------------------------------------------------------


def test_the_last_way_in_stays_and_a_removal_signs_other_browsers_out(house: House, post: Postbox) -> None:
    kit, staff = settled(house)
    kit.use()
    elsewhere = Visitor(house, kit.device)
    elsewhere.use()
    (first,) = kept(house, staff)
    assert "keeps at least one way in" in said(kit.send(f"{KEYS}/{first.id}/remove", ""))
    kit.device = Device()
    kit.make(KEYS, name="a second one")
    assert elsewhere.is_in()
    post.letters.clear()
    kit.send(f"{KEYS}/{first.id}/remove", "")
    assert [one.name for one in kept(house, staff)] == ["a second one"]
    assert (kit.is_in(), elsewhere.is_in()) == (True, False)
    assert len(post.letters) == 1
    elsewhere.use()
    assert not elsewhere.is_in()
    # A password beside it is another way in, and is set without one of before.
    form = {"csrf_token": kit.token(), "new": PASSWORD, "again": PASSWORD}
    assert kit.client.post(ACCOUNT, data=form).status_code == 303
    kit.send(f"{KEYS}/{kept(house, staff)[0].id}/remove", "")
    assert kept(house, staff) == []
    assert sign_in(Visitor(house).client, staff.email, PASSWORD).headers["Location"] == "/clinic/"  # type: ignore[attr-defined]


def test_an_administrator_takes_every_passkey_away_and_never_sees_the_link_that_comes_after(house: House) -> None:
    kit, staff = settled(house)
    kit.use()
    admin, page = house.staff(Role.ADMINISTRATOR), "/clinic/colleagues"
    token = token_on(admin.get(page).get_data(as_text=True))
    admin.post(f"{page}/{staff.id}/end-second-step", data={"csrf_token": token})
    assert kept(house, staff) == []
    assert not kit.is_in()
    kit.use()
    assert not kit.is_in()
    shown = admin.post(f"{page}/{staff.id}/reset", data={"csrf_token": token}, follow_redirects=True)
    assert "/invited/" not in shown.get_data(as_text=True)  # without mail: the account has been used
    assert "neaptide staff unlock" in read(shown.get_data(as_text=True))


def test_what_is_closed_opens_nothing_and_begins_anew_when_it_is_opened_again(house: House) -> None:
    kit, staff = settled(house)
    admin, page = house.staff(Role.ADMINISTRATOR), "/clinic/colleagues"
    token = token_on(admin.get(page).get_data(as_text=True))
    for change in ("close", "reopen"):
        admin.post(f"{page}/{staff.id}/{change}", data={"csrf_token": token})
        kit.use()
        assert not kit.is_in()
    assert kept(house, staff) == []


def test_a_link_replaces_no_second_step_by_a_passkey(house: House) -> None:
    _, staff = settled(house)
    now = house.clock.now()
    with write_session(house.engine) as session:
        row = session.get_one(Staff, staff.id)
        key = invitations.invite(Act(session, OPERATOR, row.clinic_id, now), row, now)
        assert factors.has_second_step(session, row)
    thief = Visitor(house)
    assert "With a passkey" not in thief.told(f"/invited/{key}")
    asked = thief.client.post(f"/invited/{key}/passkey/ask", data={"csrf_token": thief.token()})
    assert asked.status_code == 404
    form = {"csrf_token": thief.token(), "new": PASSWORD, "again": PASSWORD}
    assert thief.client.post(f"/invited/{key}", data=form).headers["Location"] == "/signin/code"
    assert not thief.is_in()


def test_adding_asks_first_whether_it_is_still_they(house: House) -> None:
    kit, staff = settled(house)
    kit.use()
    options = kit.ask(KEYS)
    assert [unwords(one["id"]) for one in options["excludeCredentials"]] == [kit.device.kept[0].id]
    house.clock.advance(CONFIRMED_FOR + timedelta(seconds=1))
    assert kit.send(KEYS, Device().make(options)).headers["Location"].startswith("/confirm")
    assert kit.client.post(f"{KEYS}/ask", data={"csrf_token": kit.token()}).status_code == 303
    form = {"csrf_token": kit.token(), "new": PASSWORD, "again": PASSWORD}
    assert kit.client.post(ACCOUNT, data=form).headers["Location"].startswith("/confirm")
    assert len(kept(house, staff)) == 1
    with read_session(house.engine) as session:
        assert session.scalars(select(FormDraft)).all() == []  # what was signed or typed waits nowhere in the clear


def test_the_trail_tells_whose_account_a_passkey_was_refused_for(house: House) -> None:
    """OWASP ASVS 5.0, 16.3.1: every try to authenticate, good or not."""
    kit, staff = settled(house)
    kit.use(**LIES["step 17: nobody was asked who they are"])
    kit.use()
    kit.use("/confirm/passkey", key=OTHER_KEY)
    kit.use("/confirm/passkey")
    seen = [(one[0], one[2]) for one in trail_of(house) if one[0].startswith("passkeys.") and one[4] == staff.id]
    wrong, shown = Answered.WRONG, Answered.SHOWN
    assert sorted(seen) == sorted([
        ("passkeys.take_up", shown), ("passkeys.enter", wrong), ("passkeys.enter", shown), ("passkeys.confirm", wrong),
        ("passkeys.confirm", shown),
    ])  # fmt: skip


# --- many, and elsewhere -------------------------------------------------------------------------------------


def test_failures_wait_as_those_of_passwords_do_and_a_known_browser_does_not_wait_for_others(house: House) -> None:
    kit, _ = settled(house)
    thief = Visitor(house, Device(kept=list(kit.device.kept)))
    for _ in range(5):
        thief.use(key=OTHER_KEY)
    answer = thief.use()
    assert (answer.status_code, "Please wait" in said(answer)) == (429, True)
    assert kit.use().headers["Location"] == "/clinic/"  # somebody signed in here before


def test_a_place_leaves_only_so_many_unanswered_and_they_run_out(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(challenges, "MOST_OPEN", 3)
    for _ in range(3):
        Visitor(house).ask("/signin/passkey")
    last = Visitor(house)
    assert last.client.post("/signin/passkey/ask", data={"csrf_token": last.token()}).status_code == 429
    house.clock.advance(LASTS + timedelta(seconds=1))
    last.ask("/signin/passkey")
    with read_session(house.engine) as session:
        assert len(session.scalars(select(PasskeyChallenge)).all()) == 1


@pytest.mark.parametrize(
    ("base_url", "site"),
    [
        # Section 5.1.2 and "relying party identifier": a domain, of a secure context; RFC 6454, section 6.2: the origin.
        ("https://diary.clinic.example", Site("diary.clinic.example", "https://diary.clinic.example")),
        ("https://Diary.Clinic.example:443/", Site("diary.clinic.example", "https://diary.clinic.example")),
        ("https://clinic.example:8443/heart", Site("clinic.example", "https://clinic.example:8443")),
        # RFC 3492 (punycode): what browsers call it.
        ("https://clínica.example", Site("xn--clnica-4va.example", "https://xn--clnica-4va.example")),
        ("http://localhost:8000", Site("localhost", "http://localhost:8000")),
        ("http://127.0.0.1:8000", None),
        ("https://192.0.2.7", None),
        ("https://[2001:db8::7]", None),
        ("http://clinic.example", None),
    ],
)
def test_passkeys_need_a_name_and_https(base_url: str, site: Site | None) -> None:
    assert site_of(base_url) == site


def test_where_there_is_no_name_the_pages_say_so_and_ask_for_none(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.web.services.site_of", lambda _: None)
    nurse = house.staff(Role.NURSE)
    assert "Passkeys need an address with a name and https" in read(nurse.get(KEYS).get_data(as_text=True))
    page = house.app.test_client().get("/signin").get_data(as_text=True)
    assert not re.search("data-passkey|passkeys.js", page)
    asked = house.app.test_client()
    form = {"csrf_token": token_on(asked.get("/signin").get_data(as_text=True))}
    assert asked.post("/signin/passkey/ask", data=form).status_code == 404
