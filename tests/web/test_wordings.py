"""Wordings over pages and API: for administrators of the same clinic alone, previews write nothing, nothing typed is lost."""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select
from werkzeug.test import TestResponse

from service.delivery import sending
from service.domain.vocabulary import Channel, LinkPurpose, MessageKind, Role
from service.links import Leads, Links
from service.store import outbox
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Contact, MessageTemplate, Patient
from service.web.pages.clinic import wordings
from service.words import messages
from service.words.language import codes
from tests.house import words
from tests.statements import writes_of
from tests.web.conftest import MORNING, House
from tests.web.test_api import is_problem
from tests.web.test_api_edges import with_form_token

pytestmark = pytest.mark.databases("sqlite")

BASE = "https://calls.fernmoor.example"
OURS = "{sender}: good morning from us. {link} STOP ends these."
PROMPT = "/clinic/wordings/en/prompt"


def post(client: FlaskClient, path: str, page: str = PROMPT, **form: str) -> TestResponse:
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get(page).get_data(as_text=True))
    assert token is not None
    return client.post(path, data={"csrf_token": unescape(token[1]), **form})


def typed(page: str) -> str:
    found = re.search(r"<textarea[^>]*>\n(.*?)</textarea>", page, re.DOTALL)
    assert found is not None
    return unescape(found[1])


def kept(house: House) -> list[str]:
    with read_session(house.engine) as session:
        return list(session.scalars(select(MessageTemplate.body).where(MessageTemplate.body.is_not(None))))


def spoil(house: House) -> None:
    """A prompt's wording that got past the service."""
    with write_session(house.engine) as session:
        session.add(
            MessageTemplate(
                id=uuid.uuid4(), clinic_id=house.clinic_id, language="en", kind=MessageKind.PROMPT, body="{name}",
                set_by="hand", set_at=MORNING,
            )
        )  # fmt: skip


# --- pages ------------------------------------------------------------------------------


def test_an_administrator_finds_every_wording_in_the_menu_and_changes_one(house: House) -> None:
    admin = house.staff(Role.ADMINISTRATOR)
    assert 'href="/clinic/wordings"' in admin.get("/clinic/", follow_redirects=True).get_data(as_text=True)
    listed = admin.get("/clinic/wordings").get_data(as_text=True)
    for language in codes():
        for kind in MessageKind:
            assert f'href="/clinic/wordings/{language}/{kind.value}"' in listed
    assert "Our own words" not in words(listed)

    answer = post(admin, PROMPT, body=OURS, do="save")
    assert (answer.status_code, answer.headers["Location"]) == (303, PROMPT)
    page = admin.get(PROMPT).get_data(as_text=True)
    assert "Saved. The next message says so." in words(page)
    assert typed(page) == OURS
    assert "Fernmoor: good morning from us. http://localhost/c/" in words(page)
    assert "Our own words since 25 Nov, 09:00, administrator." in words(page)
    assert words(admin.get("/clinic/wordings").get_data(as_text=True)).count("Our own words") == 1

    assert post(admin, f"{PROMPT}/built-in").status_code == 303
    page = admin.get(PROMPT).get_data(as_text=True)
    assert "The built-in wording is used again." in words(page)
    assert kept(house) == []
    with read_session(house.engine) as session:
        lines = session.scalars(
            select(AuditLine).where(AuditLine.action.startswith("wording.")).order_by(AuditLine.action)
        )
        told = [(line.action, line.detail["previous"], line.actor_id) for line in lines]
    who = house.staff_id(Role.ADMINISTRATOR)
    assert told == [("wording.reset", OURS, who), ("wording.set", None, who)]


def test_a_preview_shows_what_was_typed_and_writes_nothing(house: House) -> None:
    admin = house.staff(Role.ADMINISTRATOR)
    body = "{sender}: a “quiet” moment <now>\n{link}"
    with writes_of(house.engine) as written:
        answer = post(admin, PROMPT, body=body, do="preview")
    assert written == []
    page = answer.get_data(as_text=True)
    assert answer.status_code == 200
    assert typed(page) == body
    assert "Fernmoor: a “quiet” moment <now> http://localhost/c/" in words(page)
    assert "Not saved." in words(page)
    # 24 + 7 units before and around, and http://localhost/c/ with a key of 22: 70 units alone, 67 joined.
    assert "2 text messages, 74 characters as networks count them" in words(page)
    assert "“ (U+201C LEFT DOUBLE QUOTATION MARK)" not in words(page)
    assert "““” (U+201C LEFT DOUBLE QUOTATION MARK)" in words(page)
    assert "STOP ends these messages; carriers expect that" in words(page)
    assert post(admin, PROMPT, body=OURS).status_code == 200  # without a button, as some programs send it
    assert kept(house) == []


@pytest.mark.parametrize("do", ["save", "preview"])
def test_what_is_refused_is_said_beside_what_was_typed(house: House, do: str) -> None:
    admin = house.staff(Role.ADMINISTRATOR)
    answer = post(admin, PROMPT, do=do, body="{sender}: {name} {link}")
    page = answer.get_data(as_text=True)
    assert answer.status_code == 422
    assert typed(page) == "{sender}: {name} {link}"
    assert "“{name}” cannot be sent. Accepted: placeholders {asked}, {greeting}, {link}, {sender}." in words(page)
    assert 'aria-invalid="true"' in page
    answer = post(admin, "/clinic/wordings/en/safety", do=do, body="Please call.")
    assert "This text cannot be sent. Accepted: a wording with {number} in it." in words(answer.get_data(as_text=True))
    answer = post(admin, PROMPT, do=do, body="{link}\x00")
    assert "this is U+0000" in words(answer.get_data(as_text=True))
    assert kept(house) == []


def test_a_wording_that_got_past_the_service_is_shown_and_said_to_be_unusable(house: House) -> None:
    spoil(house)
    admin = house.staff(Role.ADMINISTRATOR)
    assert "This wording cannot be sent." in words(admin.get("/clinic/wordings").get_data(as_text=True))
    page = admin.get(PROMPT).get_data(as_text=True)
    assert typed(page) == "{name}"
    assert "It cannot be sent as it is." in words(page)


@pytest.mark.parametrize("role", [Role.NURSE, Role.PHYSICIAN])
def test_nobody_but_an_administrator_comes_near(house: House, role: Role) -> None:
    staff = house.staff(role)
    assert "/clinic/wordings" not in staff.get("/clinic/review").get_data(as_text=True)
    headers = with_form_token(house.app, staff)
    for path in ("/clinic/wordings", PROMPT):
        assert staff.get(path).status_code == 403
    for path in (PROMPT, f"{PROMPT}/built-in"):
        assert staff.post(path, data={"body": OURS, "do": "save"}, headers=headers).status_code == 403
    assert house.app.test_client().get("/clinic/wordings").status_code == 303
    assert kept(house) == []


def test_a_page_that_is_not_there_is_not_there(house: House) -> None:
    admin = house.staff(Role.ADMINISTRATOR)
    for path in ("/clinic/wordings/fr/prompt", "/clinic/wordings/en/greeting"):
        assert admin.get(path).status_code == 404
        assert post(admin, f"{path}/built-in").status_code == 404
        for do in ("save", "preview"):
            assert post(admin, path, body=OURS, do=do).status_code == 404


def test_every_kind_and_language_has_its_words_on_the_page(house: House) -> None:
    with house.app.test_request_context():
        assert set(wordings._kinds()) == set(MessageKind)


# --- links in previews ------------------------------------------------------------------


def test_sample_links_are_as_long_as_real_ones_and_open_nothing(house: House) -> None:
    links, samples = Links(BASE), Links(BASE).samples()
    now = house.clock.now()
    with write_session(house.engine) as session:
        patient = session.scalars(select(Patient)).first()
        assert patient is not None
        for purpose, sample in ((LinkPurpose.CHECKIN, samples.patient), (LinkPurpose.CAREGIVER, samples.caregiver)):
            real = links.make(session, Leads(purpose, patient.clinic_id, patient.id), now, now)
            assert len(sample) == len(real)
    assert samples.staff == f"{BASE}/clinic/inbox"
    for link in (samples.patient, samples.caregiver):
        assert house.app.test_client().get(link.removeprefix(BASE)).status_code == 404


# --- the API ----------------------------------------------------------------------------


def test_wordings_are_listed_set_tried_and_taken_back_over_the_api(house: House) -> None:
    admin = house.staff(Role.ADMINISTRATOR)
    headers = with_form_token(house.app, admin)
    listed = admin.get("/api/v1/wordings?page_size=7&page=3").get_json()
    assert (listed["total"], listed["page"], len(listed["items"])) == (30, 3, 7)
    assert all(item["preview"]["longest"]["segments"] == 1 for item in listed["items"])

    with writes_of(house.engine) as written:
        tried = admin.post("/api/v1/wordings/en/prompt/preview", json={"body": "Hello {link}"}, headers=headers)
        ours = admin.post("/api/v1/wordings/en/prompt/preview", json={}, headers=headers).get_json()
    assert written == []
    assert [doubt["name"] for doubt in tried.get_json()["doubts"]] == ["unsigned", "no_stop"]
    assert ours["doubts"] == []
    assert ours["length"] == {"alphabet": "GSM-7", "units": len(ours["text"]), "segments": 1}

    put = admin.put("/api/v1/wordings/en/prompt", json={"body": OURS}, headers=headers)
    told = put.get_json()
    assert (put.status_code, told["own"], told["body"], told["set_at"]) == (
        200,
        True,
        OURS,
        "2026-11-25T09:00:00+00:00",
    )
    assert told["built_in"] != OURS
    assert kept(house) == [OURS]
    back = admin.delete("/api/v1/wordings/en/prompt", headers=headers)
    assert (back.status_code, back.get_json()["own"], back.get_json()["body"]) == (200, False, told["built_in"])
    assert admin.delete("/api/v1/wordings/en/prompt", headers=headers).status_code == 200
    assert kept(house) == []


@pytest.mark.parametrize(
    ("path", "body", "field", "accepted"),
    [
        ("en/prompt", {"body": "{link} {name}"}, "body", "placeholders {asked}, {greeting}, {link}, {sender}"),
        ("en/safety", {"body": "{phone}"}, "body", "a wording with {number} in it"),
        ("en/prompt", {"body": "{link}\x00"}, "body", "text without NUL characters"),
        ("en/prompt", {"body": "{link}\u202e"}, "body", "U+202E RIGHT-TO-LEFT OVERRIDE"),
        ("en/prompt", {}, "body", "Missing data"),
        ("en/prompt", {"body": OURS, "more": 1}, "more", "Unknown field"),
        ("fr/prompt", {"body": OURS}, "language", "one of en, es"),
        ("en/greeting", {"body": OURS}, "kind", "one of prompt, reminder,"),
    ],
)
def test_what_the_api_cannot_take_is_named(
    house: House, path: str, body: dict[str, Any], field: str, accepted: str
) -> None:
    admin = house.staff(Role.ADMINISTRATOR)
    headers = with_form_token(house.app, admin)
    problem = is_problem(admin.put(f"/api/v1/wordings/{path}", json=body, headers=headers), 422)
    assert problem["errors"][0]["field"] == field
    assert accepted in problem["errors"][0]["accepted"]
    assert kept(house) == []


def test_no_machine_and_no_other_staff_may_use_the_api(house: House) -> None:
    nurse = house.staff(Role.NURSE)
    headers = with_form_token(house.app, nurse)
    bearer = {"Authorization": f"Bearer {house.secret}"}  # with every scope there is
    for client, sent in ((nurse, headers), (house.app.test_client(), bearer)):
        is_problem(client.get("/api/v1/wordings", headers=sent), 403)
        is_problem(client.put("/api/v1/wordings/en/prompt", json={"body": OURS}, headers=sent), 403)
        is_problem(client.delete("/api/v1/wordings/en/prompt", headers=sent), 403)
        is_problem(client.post("/api/v1/wordings/en/prompt/preview", json={}, headers=sent), 403)
    is_problem(house.app.test_client().get("/api/v1/wordings"), 401)
    assert kept(house) == []


def test_another_clinics_wordings_are_never_visible(build: Callable[..., House]) -> None:
    ours, theirs = build("Fernmoor Clinic"), build("Saltholt Clinic")
    other = theirs.staff(Role.ADMINISTRATOR)
    headers = with_form_token(theirs.app, other)
    assert other.put("/api/v1/wordings/en/prompt", json={"body": "Theirs {link}"}, headers=headers).status_code == 200
    admin = ours.staff(Role.ADMINISTRATOR)
    assert "Theirs" not in admin.get("/clinic/wordings").get_data(as_text=True)
    assert "Theirs" not in admin.get(PROMPT).get_data(as_text=True)
    assert "Theirs" not in admin.get("/api/v1/wordings?page_size=200").get_data(as_text=True)
    post(admin, f"{PROMPT}/built-in")
    assert kept(theirs) == ["Theirs {link}"]
    assert messages.checked_wording("Theirs {link}", MessageKind.PROMPT)  # it was theirs to say


def test_whoever_mends_a_wording_is_told_what_had_waited_for_it(house: House) -> None:
    spoil(house)
    with write_session(house.engine) as session:
        contact = session.scalars(select(Contact)).one()
        new = outbox.NewMessage(
            clinic_id=house.clinic_id, contact_id=contact.id, kind=MessageKind.PROMPT, channel=Channel.TEXT,
            dedupe_key="prompt:w:text", due_at=MORNING, expires_at=MORNING + timedelta(hours=1),
            patient_id=house.patient_id,
        )  # fmt: skip
        outbox.enqueue(session, new, MORNING)
    transports = house.app.extensions["neaptide"].transports
    assert sending.deliver(house.engine, transports, lambda *_: "https://x.example", house.clock).quarantined == 1
    admin = house.staff(Role.ADMINISTRATOR)
    assert post(admin, PROMPT, body=OURS, do="save").status_code == 303
    told = words(admin.get(PROMPT).get_data(as_text=True))
    assert "Messages that had waited for it and now go out: 1." in told
    assert sending.deliver(house.engine, transports, lambda *_: "https://x.example", house.clock).done == 1
