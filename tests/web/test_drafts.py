"""What was typed and not sent: kept for whoever typed it, bounded, and gone once it was sent."""

from __future__ import annotations

import json
import re
from datetime import timedelta
from html import unescape
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from sqlalchemy import delete, func, select

from service.reviewing import drafts
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, FormDraft, SignOff, StaffSession
from tests.house import token_on
from tests.ward import NOW
from tests.web.test_clinic_pages import Clinic, clinic  # noqa: F401 - the fixture

pytestmark = pytest.mark.databases("sqlite")


def keep(clinic: Clinic, form: str, typed: Any) -> int:  # noqa: F811
    token = token_on(clinic.get("/clinic/inbox"))
    sent = {"csrf_token": token, "form": form, "typed": json.dumps(typed)}
    return int(clinic.client.post("/clinic/drafts", data=sent).status_code)


def mine(clinic: Clinic) -> Any:  # noqa: F811
    return clinic.client.get("/clinic/drafts").get_json()


def test_a_draft_is_there_for_its_writer_alone_after_signing_in_again(clinic: Clinic) -> None:  # noqa: F811
    form = clinic.path("Asha", "/sign")
    assert keep(clinic, form, {"note": "Rang her"}) == 204
    assert keep(clinic, form, {"note": "Rang her; better"}) == 204
    clinic.enter("doctor")
    assert mine(clinic) == {}
    clinic.enter("nurse")
    assert mine(clinic) == {form: {"note": "Rang her; better"}}
    assert keep(clinic, form, {"note": "  "}) == 204  # wiped out by hand
    assert mine(clinic) == {}


def test_a_form_that_was_taken_has_no_draft_and_one_that_was_refused_keeps_it(clinic: Clinic) -> None:  # noqa: F811
    page, kept = clinic.path("Asha"), {clinic.path("Asha", "/sign"): {"note": "Looked"}, "/clinic/other": {"a": "b"}}
    for form, typed in kept.items():
        keep(clinic, form, typed)
    clinic.try_to_post(f"{page}/sign", page, outcome="")
    assert mine(clinic) == kept
    clinic.post(f"{page}/sign", page, outcome="called", note="Looked")
    assert mine(clinic) == {"/clinic/other": {"a": "b"}}


def test_few_drafts_of_little_text_are_kept_for_days_without_an_audit_line(clinic: Clinic) -> None:  # noqa: F811
    assert keep(clinic, "/clinic/long", {"note": "x" * drafts.LONGEST}) == 422
    assert keep(clinic, "/clinic/odd", {"note": "\x00"}) == 422
    assert keep(clinic, "/clinic/odd", ["note"]) == 400
    assert mine(clinic) == {}
    for number in range(drafts.MOST + 3):
        assert keep(clinic, f"/clinic/{number}", {"note": "n"}) == 204
    assert len(mine(clinic)) == drafts.MOST
    with write_session(clinic.engine) as session:
        for row in session.scalars(select(FormDraft)):
            row.saved_at = NOW - drafts.LASTS - timedelta(minutes=1)
        lines = session.scalars(select(AuditLine.action)).all()
    assert not [line for line in lines if "draft" in line]
    assert mine(clinic) == {}
    with write_session(clinic.engine) as session:
        drafts.forget(session, NOW)
        assert session.scalar(select(func.count(FormDraft.id))) == 0


def test_a_form_sent_after_the_session_ran_out_comes_back_filled_to_whoever_sent_it_alone(
    clinic: Clinic,  # noqa: F811
) -> None:
    opened, path = f"/clinic/review?open={clinic.ids['Asha']}", f"/clinic/review/{clinic.ids['Asha']}/sign"
    page = clinic.get(opened)
    mark = re.search(r'name="seen" value="([^"]+)"', page)
    assert mark is not None
    sent = {
        "csrf_token": token_on(page),
        "seen": mark[1],
        "outcome": "called",
        "note": "Rang <her>",
        "task": ["1", "2"],
    }
    with write_session(clinic.engine) as session:
        for one in session.scalars(select(StaffSession)):
            one.seen_at = NOW - timedelta(minutes=16)
    answer = clinic.client.post(path, data=sent)
    assert answer.status_code == 303
    there = parse_qs(urlsplit(answer.headers["Location"]).query)["next"][0]
    with read_session(clinic.engine) as session:
        assert session.scalars(select(SignOff)).all() == []
    clinic.enter("doctor")
    assert "Rang" not in clinic.client.get(there, follow_redirects=True).get_data(as_text=True)
    clinic.enter("nurse")
    shown = clinic.get(there)
    assert "Asha Okoro" in shown
    assert f'action="{path}"' in shown
    fields = [
        (name, unescape(value)) for name, value in re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', shown)
    ]
    assert [value for name, value in fields if name == "task"] == ["1", "2"]
    assert ">Rang &lt;her&gt;</textarea>" in shown
    assert "<li><b>called</b></li>" in shown  # whoever sat there may have filled in this too
    # Nothing is sent before it was looked at, also where whoever sat there left another address for after the sign-in.
    assert "static/held." not in shown + clinic.get("/confirm/go-on")
    token = {"csrf_token": token_on(shown), "held": "yes"}
    assert clinic.client.post(path, data=sent | token).status_code == 303
    with read_session(clinic.engine) as session:
        assert session.scalars(select(SignOff)).one().note == "Rang <her>"
    assert mine(clinic) == {}
    assert clinic.client.get(there).status_code == 303  # and is offered no more
    # Who had signed out elsewhere meanwhile is told what was written, and keeps it by hand.
    with write_session(clinic.engine) as session:
        session.execute(delete(StaffSession))
    lost = clinic.client.post(path, data=sent | token)
    assert lost.status_code == 401
    assert "Rang &lt;her&gt;" in lost.get_data(as_text=True)
