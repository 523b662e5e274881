"""Patients who are invited: a door, purposes agreed to apart, a no that is a no, and nobody enrolled unconfirmed."""

from __future__ import annotations

import io
import re
from datetime import time, timedelta
from html import unescape
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from flask.testing import FlaskClient
from pypdf import PdfReader
from sqlalchemy import Engine, func, select, update

from service.care import contacts
from service.domain.tasks import InvitationTold, InvitedOutcome, from_json
from service.domain.validation import Refused
from service.domain.vocabulary import (
    Channel,
    ConsentKind,
    InvitationState,
    MessageKind,
    MessageState,
    TaskKind,
    TaskState,
)
from service.enrolling import invited, inviting
from service.links import LinkPurpose
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Caregiver, Clinic, Invitation, LinkKey, Message, Patient, Plan, Staff, Task
from tests.house import NURSE, House, open_house, token_on, words
from tests.signed_in import sign_in_as

pytestmark = pytest.mark.databases("sqlite")
PAGE = "/clinic/invitations"
WHO = {"name": "Mara Invented", "born_on": "1948-03-09", "language": "en"}
BORN = {"day": "9", "month": "3", "year": "1948"}
NUMBER = "+64999900777"


@pytest.fixture
def house(engine: Engine, tmp_path: Path) -> House:
    return open_house(engine, tmp_path)


@pytest.fixture
def nurse(house: House) -> FlaskClient:
    house.hire_nurse()
    return sign_in(house, house.client)


def sign_in(house: House, client: FlaskClient) -> FlaskClient:
    """The nurse, now: a session ends by itself where a test lives on."""
    (staff,) = (one for one in house.rows(Staff) if one.email == NURSE)
    sign_in_as(client, staff.id, house.world.now)
    return client


def press(client: FlaskClient, path: str, status: int = 303, /, **form: str) -> str:
    """Send a form of a staff page; where it leads, or the page that comes back."""
    token = token_on(unescape(client.get(PAGE).get_data(as_text=True)))
    answer = client.post(path, data={"csrf_token": token, **form})
    assert answer.status_code == status, answer.get_data(as_text=True)
    return answer.headers["Location"] if status == 303 else unescape(answer.get_data(as_text=True))


def link_of(nurse: FlaskClient, page: str) -> str:
    """The path of a new link, as staff are shown it."""
    shown = re.search(r"<textarea[^>]*>([^<]+)<", press(nurse, f"{page}/square", 200))
    assert shown is not None
    return urlsplit(shown[1]).path


def walk(browser: FlaskClient, link: str, step: str, /, **form: str) -> str:
    """Send one step of the invited person's page; the step it leads to."""
    answer = browser.post(f"{link}/{step}", data=form)
    assert answer.status_code == 303, words(answer.get_data(as_text=True))
    return answer.headers["Location"].rpartition("/")[2]


def answered(house: House, nurse: FlaskClient, **who: str) -> tuple[str, str, FlaskClient]:
    """Somebody invited, who said yes to messages and named nobody: the staff's page, the link, their browser."""
    page = press(nurse, PAGE, **(WHO | who))
    link, browser = link_of(nurse, page), house.client
    assert browser.post(link, data=BORN).status_code == 303
    assert walk(browser, link, "agree", messages="yes") == "reach"
    assert walk(browser, link, "reach", channel="text", address=NUMBER, opens="07:30") == "helper"
    assert walk(browser, link, "helper", is_there="no") == "check"
    walk(browser, link, "check")
    return page, link, browser


def told(house: House) -> list[InvitedOutcome]:
    """What staff are told of invitations by open tasks."""
    with read_session(house.engine) as session:
        rows = session.scalars(select(Task).where(Task.kind == TaskKind.INVITATION, Task.state != TaskState.CLOSED))
        facts = [from_json(task.facts) for task in rows]
    return [one.outcome for one in facts if isinstance(one, InvitationTold)]


def count(house: House, table: type) -> int:
    with read_session(house.engine) as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_somebody_reads_agrees_to_each_thing_apart_and_is_enrolled_once_staff_confirm(
    house: House, nurse: FlaskClient
) -> None:
    page = press(nurse, PAGE, **WHO, number=NUMBER)
    assert "is needed" in unescape(nurse.post(f"{page}/text", data={"csrf_token": token_on(
        nurse.get(PAGE).get_data(as_text=True))}, follow_redirects=True).get_data(as_text=True))  # fmt: skip
    press(nurse, f"{page}/text", how="spoken, face to face")
    house.world.tick()
    (sent,) = house.world.gateway.messages_to(NUMBER)
    # No name, no word of anybody's health: it may light up beside a stranger.
    assert sent.body.startswith("Fernmoor: here is the page we spoke of: http")
    link = re.search(r"https?://[^/]+(/i/[A-Za-z0-9_-]{22})\b", sent.body)
    assert link is not None
    path, browser, lines = link[1], house.client, count(house, AuditLine)

    door = browser.get(path).get_data(as_text=True)
    assert ("Mara" in door, "Fernmoor Clinic" in door, "111" in door) == (False, False, True)
    for step in ("read", "agree", "reach", "helper", "check", "no", "end"):
        assert browser.get(f"{path}/{step}").headers["Location"].endswith(path)
        assert browser.post(f"{path}/{step}").status_code in {303, 405}
    assert (count(house, AuditLine), count(house, Task)) == (lines, 0)  # opening changes nothing, nor does knocking on
    assert browser.post(path, data={**BORN, "day": "8"}).status_code == 422
    assert browser.post(path, data={**BORN, "year": "48"}).status_code == 422  # not whole, and so not counted
    assert browser.post(path, data=BORN).headers["Location"].endswith("/read")
    read = words(browser.get(f"{path}/read").get_data(as_text=True))
    for said in ("Mara Invented", "What is kept, and why", "Who sees it", "This is not an emergency service", "say no"):
        assert said in read

    assert browser.get(f"{path}/check").headers["Location"].endswith("/agree")
    assert walk(browser, path, "agree", messages="yes") == "reach"
    night = browser.post(f"{path}/reach", data={"channel": "text", "address": NUMBER, "opens": "03:00"})
    assert night.status_code == 422
    assert walk(browser, path, "reach", channel="text", address=NUMBER, opens="09:30") == "helper"
    helper = {"is_there": "yes", "name": "Luz Invented", "relation": "sister", "address": "+64999900778", "told": "yes"}
    assert browser.post(f"{path}/helper", data=helper).status_code == 422  # values are asked about apart
    assert walk(browser, path, "helper", **helper, sees="no") == "check"
    house.world.clock.set(house.world.now + timedelta(hours=2))
    assert browser.get(f"{path}/helper").headers["Location"].endswith(path)  # the door has closed, the draft is there
    browser.post(path, data=BORN)
    assert "Luz Invented" in browser.get(f"{path}/helper").get_data(as_text=True)

    walk(browser, path, "code", do="send")
    house.world.tick()
    code = re.search(r"\b\d{6}\b", house.world.gateway.messages_to(NUMBER)[-1].body)
    assert code is not None
    wrong = f"{(int(code[0]) + 1) % 10**6:06d}"
    assert browser.post(f"{path}/code", data={"code": wrong}).status_code == 422
    walk(browser, path, "code", code=f" {code[0][:3]} {code[0][3:]} ")
    assert told(house) == []
    walk(browser, path, "check")
    before = count(house, Patient)
    assert told(house) == [InvitedOutcome.ANSWERED]
    sign_in(house, nurse)
    assert "Mara Invented" in unescape(nurse.get("/clinic/enrol").get_data(as_text=True))
    house.world.advance(days=1)
    assert count(house, Patient) == before  # nothing daily before staff confirm
    assert len(house.world.gateway.messages_to(NUMBER)) == 2

    sign_in(house, nurse)
    shown = words(nurse.get(page).get_data(as_text=True))
    assert "They read a code there" in shown
    assert "09:30" in shown
    press(
        nurse, f"{page}/confirm", name="Mara Invented", born_on="1948-03-09", clinic_ref="F-77", zone="Pacific/Auckland"
    )
    with read_session(house.engine) as session:
        mara = session.scalars(select(Patient).where(Patient.clinic_ref == "F-77")).one()
        luz = session.scalars(select(Caregiver).where(Caregiver.patient_id == mara.id)).one()
        plan = session.scalars(select(Plan).where(Plan.patient_id == mara.id)).one()
        given = contacts.newest_consent(session, mara.id, ConsentKind.MESSAGES)
        assert given is not None
        assert (given.how, given.given) == (inviting.HOW, True)
        assert contacts.has_consent(session, mara.id, ConsentKind.CAREGIVER, luz.id)
        assert not contacts.has_consent(session, mara.id, ConsentKind.CAREGIVER_VALUES, luz.id)
        assert contacts.reachable(session, caregiver_id=luz.id) == []  # she was not asked yet: nothing goes to her
        # As long as the clinic's own window, from the hour that she chose.
        assert (plan.opens, plan.due, plan.closes) == (time(9, 30), time(11), time(12, 30))
        assert [one.address for one in contacts.reachable(session, patient_id=mara.id)] == [NUMBER]
    assert told(house) == []
    assert nurse.get("/clinic/messages").status_code == 200  # messages to nobody's number are listed too
    house.world.gateway.reply(NUMBER, "STOP")  # hers now, though nobody's before
    house.world.tick()
    with read_session(house.engine) as session:
        assert not contacts.has_consent(session, mara.id, ConsentKind.MESSAGES)
    assert "has confirmed" in words(browser.post(path, data=BORN, follow_redirects=True).get_data(as_text=True))
    refused = press(nurse, f"{page}/confirm", 422, name="X", clinic_ref="F-78", zone="Pacific/Auckland")
    assert "an invitation that was answered and is not confirmed yet" in refused


def test_no_is_an_end_told_without_a_push_and_can_be_taken_back_by_them_alone(house: House, nurse: FlaskClient) -> None:
    page, link, browser = answered(house, nurse)
    walk(browser, link, "back")
    assert told(house) == []
    assert walk(browser, link, "agree", messages="no") == "no"
    assert told(house) == []  # leading there says nothing yet
    walk(browser, link, "no")
    assert told(house) == [InvitedOutcome.DECLINED]
    inbox = nurse.get("/clinic/inbox").get_data(as_text=True)
    assert "Mara Invented has read the invitation and said no. Nothing is sent." in words(inbox)
    assert f'href="{urlsplit(page).path}"' in inbox
    shown = nurse.get(page).get_data(as_text=True)
    assert f'action="{urlsplit(page).path}' not in shown  # nothing is left to press
    with read_session(house.engine) as session:
        assert session.scalars(select(Invitation)).one().said == {}
    assert "said no" in words(browser.get(f"{link}/read", follow_redirects=True).get_data(as_text=True))


def test_a_few_wrong_answers_at_the_door_slow_down_and_then_close_it_for_good(house: House, nurse: FlaskClient) -> None:
    link, browser = link_of(nurse, press(nurse, PAGE, **WHO)), house.client
    wrong = {**BORN, "year": "1949"}
    statuses: list[int] = []
    while 410 not in statuses:
        statuses.append(browser.post(link, data=wrong).status_code)
        if statuses[-1] == 429:
            # Slowed down, also for who has the right answer by now: else the wait would tell nothing.
            assert browser.post(link, data=BORN).status_code == 429
            house.world.clock.set(house.world.now + timedelta(minutes=15))
        assert len(statuses) < 40
    assert statuses.count(422) == invited.MOST_WRONG - 1
    assert 429 in statuses
    assert house.client.post(link, data=BORN).status_code == 410
    assert told(house) == [InvitedOutcome.LOCKED]
    with read_session(house.engine) as session:
        assert session.scalars(select(Invitation.state)).one() is InvitationState.LOCKED


def test_a_colleague_asks_about_somebody_who_is_probably_known(house: House, nurse: FlaskClient) -> None:
    first, *_ = answered(house, nurse)
    confirming = {"name": "Mara Invented", "born_on": "1948-03-09", "zone": "Pacific/Auckland"}
    press(nurse, f"{first}/confirm", **confirming, clinic_ref="F-77")
    again = press(nurse, PAGE, **WHO | {"name": "Invented, MARA"})
    assert "Is it one of these?" in words(nurse.get(again).get_data(as_text=True))  # before it is handed over
    page, *_ = answered(house, nurse, name="INVENTED, Mára")
    assert "Is it one of these?" in words(nurse.get(page).get_data(as_text=True))
    before = count(house, Patient)
    assert 'name="is_other"' in press(nurse, f"{page}/confirm", 422, **confirming, clinic_ref="F-78")
    assert count(house, Patient) == before
    press(nurse, f"{page}/confirm", **confirming, clinic_ref="F-78", is_other="yes")
    assert count(house, Patient) == before + 1


def test_the_paper_names_nobody_and_is_of_the_clinics_size(house: House, nurse: FlaskClient) -> None:
    with write_session(house.engine) as session:
        session.scalars(select(Clinic)).one().paper = "letter"
    page = press(nurse, PAGE, **WHO | {"language": "es"})
    token = token_on(nurse.get(PAGE).get_data(as_text=True))
    paper = nurse.post(f"{page}/paper", data={"csrf_token": token})
    assert paper.mimetype == "application/pdf"
    read = PdfReader(io.BytesIO(paper.get_data()))
    (sheet,) = read.pages
    # ANSI/ASME Y14.1: Letter is 8.5 by 11 inches; a PDF point is 1/72 of one (ISO 32000-1, 8.3.2.3).
    assert (round(float(sheet.mediabox.width)), round(float(sheet.mediabox.height))) == (612, 792)
    said = sheet.extract_text()
    assert "Fernmoor" in said
    assert "Mara" not in said
    link = re.search(r"/i/[A-Za-z0-9_-]{22}", said.replace("\n", ""))
    assert link is not None
    door = house.client.get(link[0]).get_data(as_text=True)
    assert '<html lang="es"' in door


def test_what_comes_to_nothing_is_told_or_ended_and_forgotten(house: House, nurse: FlaskClient) -> None:
    world = house.world
    page = press(nurse, PAGE, **WHO, number=NUMBER)
    link = link_of(nurse, page)
    press(nurse, f"{page}/text", how="spoken, by telephone")
    press(nurse, f"{page}/revoke")
    world.tick()
    assert world.gateway.messages_to(NUMBER) == []
    assert house.client.get(link).status_code == 410
    with read_session(house.engine) as session:
        assert session.scalars(select(Message.state).where(Message.kind == MessageKind.INVITATION)).all() == [
            MessageState.CANCELLED
        ]
    world.gateway.reply(NUMBER, "STOP")
    world.tick()
    page = press(nurse, PAGE, **WHO, number=NUMBER)
    press(nurse, f"{page}/text", how="spoken, by telephone")
    world.tick()
    assert [one.kind for one in house.rows(Message) if one.kind is MessageKind.INVITATION] == [MessageKind.INVITATION]

    with write_session(house.engine) as session:
        inviting.close_over(session, world.now + inviting.LASTS)
    assert told(house) == [InvitedOutcome.NO_ANSWER]
    with write_session(house.engine) as session:
        inviting.close_over(session, world.now + inviting.LASTS + inviting.KEPT + timedelta(seconds=1))
    assert (count(house, Invitation), count(house, Task)) == (0, 1)
    with read_session(house.engine) as session:
        assert session.scalar(select(LinkKey.id).where(LinkKey.purpose == LinkPurpose.INVITATION)) is None


def test_whoever_is_slower_than_a_colleague_finds_what_the_colleague_did(house: House, nurse: FlaskClient) -> None:
    """Both have read the invitation as it was; one confirms, or revokes, before the other writes."""
    answered(house, nurse)
    for became, does in (
        (InvitationState.ENROLLED, inviting.revoke),
        (InvitationState.REVOKED, inviting.note_link),
        (InvitationState.REVOKED, lambda act, one: inviting.text(act, one, "by telephone", [Channel.TEXT])),
    ):
        with write_session(house.engine) as session:
            invitation = session.scalars(select(Invitation)).one()
            invitation.state, invitation.number = InvitationState.OPEN, NUMBER
            session.flush()
            first = update(Invitation).values(state=became)
            session.execute(first, execution_options={"synchronize_session": False})
            with pytest.raises(Refused, match="invitation"):
                does(Act(session, OPERATOR, invitation.clinic_id, house.world.now), invitation)
            session.refresh(invitation)
            assert invitation.state is became


def test_the_same_over_the_api_and_only_a_person_confirms(house: House, nurse: FlaskClient) -> None:
    token = token_on(nurse.get(PAGE).get_data(as_text=True))

    def call(method: str, path: str, status: int, body: object = None) -> dict:  # type: ignore[type-arg]
        answer = nurse.open(f"/api/v1{path}", method=method, json=body, headers={"X-CSRFToken": token})
        assert answer.status_code == status, answer.get_data(as_text=True)
        held: dict = answer.get_json()  # type: ignore[type-arg]
        return held

    assert call("POST", "/invitations", 422, {"name": "A", "language": "en"})["errors"][0]["field"] == "born_on"
    made = call("POST", "/invitations", 201, {"name": "Mara Invented", "clinic_ref": "f 7", "language": "en"})
    link, browser = urlsplit(made["link"]).path, house.client
    assert browser.post(link, data={"clinic_ref": "F-8"}).status_code == 422
    assert browser.post(link, data={"clinic_ref": "F-7"}).status_code == 303  # asked for where no date is known
    walk(browser, link, "agree", messages="yes")
    walk(browser, link, "reach", channel="text", address=NUMBER, opens="07:00")
    walk(browser, link, "helper", is_there="no")
    own = f"/invitations/{made['id']}"
    assert call("GET", own, 200)["said"] is None
    confirm = {"clinic_ref": "F-7", "zone": "Pacific/Auckland"}
    assert call("POST", f"{own}/confirm", 422, confirm)["errors"][0]["field"] == "invitation"
    walk(browser, link, "check")
    said = call("GET", own, 200)["said"]
    assert (said["address"], said["opens"], said["is_shown_to_read"], said["helper"]) == (NUMBER, "07:00", False, None)
    assert call("GET", "/invitations?state=answered", 200)["total"] == 1
    assert call("POST", f"{own}/confirm", 201, confirm)["clinic_ref"] == "F-7"
    assert (
        call("POST", f"{own}/revoke", 422)["errors"][0]["accepted"] == "an invitation that has not become an enrolment"
    )


# --- which hours somebody may wish for: hand-worked, no source ---------------------------------


def test_hours_are_offered_by_day_and_outside_the_quiet_hours() -> None:
    clinic = Clinic(
        quiet_from=time(21), quiet_until=time(8), start_opens=time(7), start_due=time(8, 30), start_closes=time(10)
    )
    offered = invited.hours_offered(clinic)
    # The clinic's own hour, though quiet; then from the end of quiet to where three hours still end before it.
    assert (offered[0], offered[1], offered[-1]) == (time(7), time(8), time(17, 30))
    assert invited.window_from(clinic, time(17, 30)) == (time(19), time(20, 30))
