"""What an administrator sets and watches, and what became of messages, on pages: no terminal, and no call of the API."""

from __future__ import annotations

import re
from datetime import time, timedelta
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select, update

from service.domain.vocabulary import Channel, MessageKind, MessageState, Role
from service.health import invariants
from service.store import chain, outbox
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Clinic, Contact, Message
from tests.statements import statements_of
from tests.web.conftest import House

pytestmark = pytest.mark.databases("sqlite")
SETTINGS = "/clinic/settings"


def see(client: FlaskClient, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200
    return unescape(answer.get_data(as_text=True))


def send(client: FlaskClient, page: str, path: str, status: int = 303, /, **form: Any) -> str:
    token = re.search(r'name="csrf_token" value="([^"]+)"', see(client, page))
    assert token is not None
    answer = client.post(path, data={"csrf_token": token[1], **form})
    text = unescape(answer.get_data(as_text=True))
    assert answer.status_code == status, text
    return text


def filled(page: str) -> dict[str, str]:
    """The form as a browser would send it untouched."""
    (form,) = re.findall(r'<form class="stack enrol".*?</form>', page, re.DOTALL)
    held = dict(re.findall(r'<input[^>]* name="([^"]+)"[^>]* value="([^"]*)"', form))
    for name, options in re.findall(r'<select[^>]* name="([^"]+)".*?>(.*?)</select>', form, re.DOTALL):
        chosen = re.search(r'value="([^"]*)" selected', options)
        held[name] = chosen[1] if chosen else ""
    return {name: value for name, value in held.items() if name != "csrf_token"}


def kept(house: House) -> dict[str, Any]:
    with read_session(house.engine) as session:
        clinic = session.get_one(Clinic, house.clinic_id)
        return {column.key: getattr(clinic, column.key) for column in Clinic.__table__.columns}


def test_settings_are_kept_as_they_are_shown_and_changed_whole_or_not_at_all(house: House) -> None:
    admin, before = house.staff(Role.ADMINISTRATOR), kept(house)
    shown = filled(see(admin, SETTINGS))
    send(admin, SETTINGS, SETTINGS, **shown)
    assert kept(house) == before
    changes = {"quiet_from": "20:30", "start_opens": "06:30", "silent_days": "2", "review_weekday": "3",
               "asks-tiredness": "daily", "asks-swelling": "weekly", "step-reminder-0-anchor": "",
               "step-nudge-0-minutes": "45", "text_line": "", "noticed_records": "7"}  # fmt: skip
    send(admin, SETTINGS, SETTINGS, **shown | changes)
    now = kept(house)
    assert (now["quiet_from"], now["start_opens"], now["silent_days"], now["review_weekday"], now["text_line"]) == (
        time(20, 30), time(6, 30), 2, 3, None,
    )  # fmt: skip
    assert now["noticed_records"] == 7
    assert "More than 7 different records" in see(admin, "/clinic/openings")
    assert "tiredness" in now["asks"]["daily"]
    assert "swelling" in now["asks"]["weekly"]
    assert [(one["kind"], one["after_minutes"]) for one in now["steps"]] == [("prompt", 0), ("nudge", 45), ("task", 0)]
    # Of a page that was opened before: the same twice undoes nothing.
    send(admin, SETTINGS, SETTINGS, **shown | changes)
    told = send(admin, SETTINGS, SETTINGS, 409, **shown | changes | {"silent_days": "4", "step-nudge-0-minutes": "30"})
    assert "You had sent otherwise: Staff are told after so many missed days (4); Follow-up steps." in told
    assert (kept(house), filled(told)["silent_days"]) == (now, "2")


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"emergency_number": "none"}, "Emergency number: accepted is a telephone number"),
        ({"start_due": "05:00"}, "and reminds at: accepted is hours in order"),
        ({"step-task-0-anchor": ""}, "Follow-up steps: accepted is steps that end with a clinic task"),
        ({"silent_days": "99"}, "Staff are told after so many missed days: accepted is"),
        ({"name": ""}, "Name of the clinic is needed"),
    ],
)
def test_a_setting_that_cannot_be_is_said_and_nothing_is_changed(
    house: House, wrong: dict[str, str], said: str
) -> None:
    admin, before = house.staff(Role.ADMINISTRATOR), kept(house)
    shown = filled(see(admin, SETTINGS)) | {"sender_name": "Otherwise"}
    page = send(admin, SETTINGS, SETTINGS, 422, **shown | wrong)
    assert said in page
    assert 'value="Otherwise"' in page
    assert kept(house) == before


def test_a_keys_secret_is_shown_once_and_opens_until_it_is_revoked(house: House) -> None:
    admin = house.staff(Role.ADMINISTRATOR)
    page = send(admin, "/clinic/keys", "/clinic/keys", 200, name="ward system", scopes=["enrol"])
    (secret,) = re.findall(r'<code class="secret">([^<]+)<', page)
    assert secret not in see(admin, "/clinic/keys")

    def opens() -> int:
        headers = {"Authorization": f"Bearer {secret}"}
        return house.app.test_client().get("/api/v1/patients", headers=headers).status_code

    assert opens() == 200
    (revoke,) = re.findall(r'action="(/clinic/keys/[^"]+/revoke)">(?:(?!</form>).)*ward system', page, re.DOTALL)
    send(admin, "/clinic/keys", revoke)
    assert opens() == 401
    assert "May: accepted is" in send(admin, "/clinic/keys", "/clinic/keys", 422, name="none")
    audited = see(admin, "/clinic/audit")
    assert re.search(r"administrator</td>\s*<td><code>key.revoke</code>", audited)
    assert secret not in audited


def test_the_audit_trail_is_read_page_by_page(house: House, tmp_path: Path) -> None:
    with write_session(house.engine) as session:
        line = session.scalars(select(AuditLine).where(AuditLine.clinic_id == house.clinic_id)).first()
        assert line is not None
        for number in range(120):
            session.add(AuditLine(clinic_id=line.clinic_id, at=line.at - timedelta(days=number), action="thing.do",
                                  actor_kind=line.actor_kind, subject_kind="thing", detail={}))  # fmt: skip
    admin = house.staff(Role.ADMINISTRATOR)
    first = see(admin, "/clinic/audit")
    second = see(admin, way(first, "before"))
    assert first.count("<tr>") == 101
    assert 20 < second.count("<tr>") < 101
    assert (way(first, "after"), way(second, "before")) == ("", "")
    assert re.findall("<tr>.*", see(admin, way(second, "after"))) == re.findall("<tr>.*", first)
    assert see(admin, f"/clinic/audit?before={house.patient_id}").count("<tr>") == 101  # the newest
    # Changed behind the service's back: who administers is told on every page, who does not is told by the inbox.
    chain.seal_new(house.engine, house.clock.now())
    with write_session(house.engine) as session:
        session.execute(update(AuditLine).where(AuditLine.number == 1).values(action="x"))
    told = "The trail of who did what is not as it was written"
    assert told not in see(admin, "/clinic/settings")
    invariants.check_nightly(house.engine, house.clock.now(), lambda: None, tmp_path)
    nurse = house.staff(Role.NURSE)
    assert [told in see(*asked) for asked in ((admin, "/clinic/settings"), (nurse, "/clinic/inbox"))] == [True, True]
    assert told not in see(nurse, "/clinic/patients")


def way(page: str, where: str) -> str:
    """The address of the link to what is older (`before`) or newer (`after`); nothing where there is none."""
    found = re.search(rf'href="(/clinic/audit\?{where}=[^"]+)"', page)
    return found[1] if found else ""


def write(house: House, number: int) -> None:
    with write_session(house.engine) as session:
        contact = session.scalars(select(Contact).where(Contact.patient_id == house.patient_id)).one()
        now = house.clock.now()
        outbox.enqueue(
            session,
            outbox.NewMessage(house.clinic_id, contact.id, MessageKind.PROMPT, Channel.TEXT, f"prompt:{number}", now,
                              now + timedelta(hours=2), patient_id=house.patient_id),
            now,
        )  # fmt: skip


def test_a_message_is_cancelled_with_a_reason_or_tried_again_and_its_history_says_so(house: House) -> None:
    nurse, page = house.staff(Role.NURSE), "/clinic/messages"
    write(house, 1)

    def state() -> tuple[MessageState, str | None]:
        with read_session(house.engine) as session:
            message = session.scalars(select(Message)).one()
            return message.state, message.reason

    (cancel,) = re.findall(r'action="(/clinic/messages/[^"]+/cancel)"', see(nurse, page))
    send(nurse, page, cancel, reason=" ")
    assert state()[0] is MessageState.QUEUED
    send(nurse, page, cancel, reason="wrong person")
    assert state() == (MessageState.CANCELLED, "wrong person")
    assert "wrong person" in see(nurse, page)
    with write_session(house.engine) as session:
        session.scalars(select(Message)).one().state = MessageState.FAILED
    (retry,) = re.findall(r'action="(/clinic/messages/[^"]+/retry)"', see(nurse, f"{page}?state=failed"))
    send(nurse, page, retry)
    assert state()[0] is MessageState.QUEUED
    assert "queued_again" in see(nurse, page)
    assert "Asha" not in see(nurse, f"{page}?state=sent")
    house.clock.advance(timedelta(hours=3))  # too late to be true
    nurse = house.staff(Role.NURSE)
    send(nurse, page, retry)
    assert "/retry" not in see(nurse, page)


def test_messages_cost_the_same_however_many_there_are(house: House) -> None:
    nurse = house.staff(Role.NURSE)

    def queries() -> int:
        with statements_of(house.engine) as made:
            see(nurse, "/clinic/messages")
        return len(made)

    write(house, 1)
    few = queries()
    for number in range(2, 8):
        write(house, number)
    assert queries() == few
