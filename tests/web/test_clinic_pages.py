"""The clinic's pages over HTTP: who may see what, forms that work without script, and nothing written by looking."""

from __future__ import annotations

import re
import uuid
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, timedelta
from html import unescape
from pathlib import Path
from time import sleep
from types import SimpleNamespace

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import Engine, func, select
from werkzeug.test import TestResponse

from service.care import dues, pauses
from service.clock import FixedClock
from service.config import Settings
from service.domain.rights import rights_of
from service.domain.vocabulary import (
    ActorKind,
    AdjustmentKind,
    Channel,
    ContactState,
    ContactWay,
    EventKind,
    MedicineClass,
    Outcome,
    PauseCause,
    ResultKind,
    Role,
    Route,
    SilenceCause,
    TaskKind,
    TaskState,
)
from service.enrolling import baselines
from service.intake.results import record_result
from service.recording import events, medicines, next_contacts
from service.reviewing import refreshing, signing
from service.reviewing.adjusting import NewAdjustment
from service.store import panel as panel_rows
from service.store.audit import OPERATOR, Act, Actor
from service.store.session import read_session, write_session
from service.store.tables import Adjustment, Contact, NextContact, Patient, ReviewAddition, SignOff, Staff, Task
from service.web import drawing
from service.web.pages.clinic import patient as patient_page
from service.web.pages.clinic import review as review_page
from tests.builder import acting
from tests.copies import made_once
from tests.house import token_on
from tests.served import serve
from tests.signed_in import sign_in_as
from tests.statements import statements_of
from tests.ward import NOW, open_ward, ward_of

pytestmark = pytest.mark.databases("sqlite")

QUIET = [18.0, 18.4, 17.6, 18.2, 17.8] * 7


@dataclass
class Clinic:
    """A running application, a clinic with a few patients, and a signed-in nurse."""

    app: Flask
    engine: Engine
    client: FlaskClient
    clinic_id: uuid.UUID
    ids: dict[str, uuid.UUID]
    staff: dict[str, uuid.UUID]
    tasks: dict[str, uuid.UUID]

    def get(self, path: str, status: int = 200) -> str:
        answer = self.client.get(path)
        assert answer.status_code == status, answer.get_data(as_text=True)[:500]
        return answer.get_data(as_text=True)

    def post(self, path: str, page: str, **form: str) -> str:
        """Send a form as the browser would: with the token of the page it is on; follow to where it leads."""
        answer = self._send(path, page, form)
        assert answer.status_code == 303, answer.get_data(as_text=True)[:500]
        return answer.headers["Location"]

    def try_to_post(self, path: str, page: str, status: int = 422, **form: str) -> str:
        """The page that comes back where a form cannot be taken."""
        answer = self._send(path, page, form)
        assert answer.status_code == status, answer.headers
        return answer.get_data(as_text=True)

    def _send(self, path: str, page: str, form: dict[str, str]) -> TestResponse:
        token = re.search(r'name="csrf_token" value="([^"]+)"', self.get(page))
        assert token is not None
        mark = re.search(r'name="seen" value="([^"]+)"', self.get(page))
        seen = {"seen": mark[1]} if mark and path.endswith("/sign") else {}
        return self.client.post(path, data={"csrf_token": unescape(token[1]), **seen, **form})

    def path(self, name: str, rest: str = "") -> str:
        return f"/clinic/patients/{self.ids[name]}{rest}"

    def enter(self, who: str) -> None:
        sign_in_as(self.client, self.staff[who], NOW)


@dataclass
class Enrolled:
    clinic_id: uuid.UUID
    ids: dict[str, uuid.UUID]
    staff: dict[str, uuid.UUID]
    tasks: dict[str, uuid.UUID]


def _enrolled(engine: Engine) -> Enrolled:
    with write_session(engine) as session:
        ward = open_ward(session)
        patients = {
            "Asha": ward.patient(
                "Asha Okoro", pressures=[*QUIET[:-14], *[18 + 0.5 * d for d in range(14)]], reference=18.0
            ),
            "Ben": ward.patient("Ben Lindqvist", pressures=QUIET, reference=18.0, weights=[80.0] * 30),
            "Cara": ward.patient("Cara <b>Bold</b>", pressures=[*QUIET[:-4], None, None, None, None]),
            "Dina": ward.patient("Dina Nobody"),
        }
        ward.silence(patients["Cara"], 4, SilenceCause.NO_REPLY)
        ward.pause(patients["Dina"], PauseCause.AWAY, ward.today(patients["Dina"]), None)
        tasks = {
            "safety": ward.task(patients["Ben"], TaskKind.SAFETY_ANSWER, "Answered that there is chest pain.").id,
            "silent": ward.task(patients["Cara"], TaskKind.SILENT, "No reading for 4 days.").id,
        }
        staff = {
            "nurse": ward.nurse.id,
            "doctor": ward.staff("Rowan Pell", Role.PHYSICIAN).id,
            "clerk": ward.staff("Noa Finch", Role.ADMINISTRATOR, Role.READ_ONLY).id,
            "stranger": open_ward(session).nurse.id,
        }
        for person in staff.values():
            session.get_one(Staff, person).password_set_at = NOW - timedelta(days=1)
        ids = {name: patient.id for name, patient in patients.items()}
        enrolled = Enrolled(ward.clinic.id, ids, staff, tasks)
    refreshing.refresh(engine, NOW)
    return enrolled


@pytest.fixture
def clinic(engine: Engine, tmp_path: Path) -> Clinic:
    enrolled = made_once(engine, "the clinic of the pages", lambda: _enrolled(engine))
    settings = Settings.from_env(
        {"NEAPTIDE_DATA": str(tmp_path), "NEAPTIDE_SECRET_KEY": "a secret that only this test knows, 32+ characters"}
    )
    app = serve(settings, engine, FixedClock(NOW), {})
    client = app.test_client()
    sign_in_as(client, enrolled.staff["nurse"], NOW)
    return Clinic(app, engine, client, **vars(enrolled))


PAGES = (
    "/clinic/review", "/clinic/inbox", "/clinic/silences", "/clinic/measures", "/clinic/records", "/clinic/invitations",
)  # fmt: skip


# --- who sees what ---------------------------------------------------------------------


@pytest.mark.parametrize("path", PAGES)
def test_nobody_sees_a_clinic_page_without_signing_in(clinic, path):
    answer = clinic.app.test_client().get(path)
    assert answer.status_code == 303
    assert answer.headers["Location"].startswith("/signin?next=")


@pytest.mark.parametrize("rest", ["", "/timeline.svg", "/joined.csv", "?days=90"])
def test_another_clinics_staff_find_no_such_patient(clinic, rest):
    clinic.enter("stranger")
    clinic.get(clinic.path("Asha", rest), 404)
    clinic.get(f"/clinic/records/patient/{clinic.ids['Asha']}.pdf", 404)
    assert "Asha" not in clinic.get("/clinic/review")


def test_who_only_reads_looks_but_does_not_sign(clinic):
    clinic.enter("clerk")
    page = clinic.get(clinic.path("Ben"))
    token = re.search(r'name="csrf_token" value="([^"]+)"', page)
    assert token is not None
    answer = clinic.client.post(
        clinic.path("Ben", "/sign"), data={"csrf_token": unescape(token[1]), "outcome": "no_change"}
    )
    assert answer.status_code == 403


def test_a_form_without_its_token_changes_nothing(clinic):
    answer = clinic.client.post(clinic.path("Ben", "/sign"), data={"outcome": "no_change"})
    assert answer.status_code in {400, 403}
    with read_session(clinic.engine) as session:
        assert session.scalar(select(func.count()).select_from(SignOff)) == 0


# --- the panel ----------------------------------------------------------------------------


def test_everyone_is_on_the_panel_in_lanes_told_by_words(clinic):
    page = clinic.get("/clinic/review")
    for words in ("Call today", "Look closely", "Not heard from", "Settled", "0</b> of 4 signed"):
        assert words in page
    assert page.count("data-row ") == 4
    assert "<b>Wrote what may be an emergency</b>" in page
    assert "Answered that there is chest pain." not in page
    assert "Answered that there is chest pain." in clinic.get(f"/clinic/review?open={clinic.ids['Ben']}")
    assert "Dina Nobody" in page
    assert page.index("Ben Lindqvist") < page.index("Asha Okoro")


def test_a_name_is_text_and_never_markup(clinic):
    page = clinic.get("/clinic/review")
    assert "<b>Bold</b>" not in page
    assert "Cara &lt;b&gt;Bold" in page


def test_everybody_is_on_the_list_of_patients_by_name_and_the_bar_says_what_waits(clinic):
    page = clinic.get("/clinic/patients")
    assert re.findall(r'<th scope="row"><a href="[^"]+">([A-Z][a-z]+)', page) == ["Asha", "Ben", "Cara", "Dina"]
    assert "Asha" not in clinic.get("/clinic/patients?name=lindqvist").split("<table")[1]
    assert 'class="bar below"' in clinic.get("/clinic/measures")
    for path in ("/clinic/review", "/clinic/patients", "/clinic/measures"):
        bar = clinic.get(path)
        assert ">4 to do</b>" in bar
        assert re.search(r'id="bar-inbox" data-swap>2 <span class="urgent">\(1 urgent\)', bar)


def test_the_strip_of_a_patient_has_its_sentence_and_its_gaps(clinic):
    page = clinic.get("/clinic/review?name=Cara")
    assert 'role="img" aria-label="PA diastolic over 30 days' in page
    gaps = re.search(r'class="gap" d="([^"]+)"', page)
    assert gaps is not None
    assert gaps[1].count("M") == 4


@pytest.mark.parametrize(
    ("query", "names"),
    [
        ("?name=okoro", ["Asha Okoro"]),
        ("?lane=not_heard_from", ["Cara", "Dina"]),
        ("?show=to_do", ["Ben", "Asha", "Cara", "Dina"]),
        ("?sort=name&lane=not_heard_from", ["Cara", "Dina"]),
        ("?lane=nonsense&sort=nonsense", ["Ben", "Asha", "Cara", "Dina"]),
    ],
)
def test_filters_are_in_the_address_and_nonsense_is_everyone(clinic, query, names):
    page = clinic.get(f"/clinic/review{query}")
    rows = re.findall(r"data-open>([^<&]+)", page)
    assert sorted(row.split()[0] for row in rows) == sorted(name.split()[0] for name in names)


def test_who_was_reviewed_today_comes_last_among_the_longest_without_a_review():
    ago = [0, 9, None, 3]
    by_review = review_page.SORTS["review"]
    assert by_review is not None
    found = sorted((SimpleNamespace(days_since_review=days) for days in ago), key=by_review)  # type: ignore[arg-type]
    assert [one.days_since_review for one in found] == [None, 9, 3, 0]


@pytest.mark.databases("both")
def test_who_was_asked_for_no_reading_comes_last_among_the_fewest_readings():
    asked = [SimpleNamespace(summary=SimpleNamespace(adherence=SimpleNamespace(received=r, expected=e)))
             for r, e in ((0, 0), (30, 30), (0, 12), (6, 12))]  # fmt: skip
    in_order = sorted(asked, key=review_page.SORTS["readings"])
    assert [one.summary.adherence.expected for one in in_order] == [12, 12, 30, 0]


def test_looking_at_every_page_writes_nothing(clinic):
    paths = [
        *PAGES,
        clinic.path("Asha"),
        clinic.path("Asha", "/timeline.svg"),
        clinic.path("Asha", "/joined.csv"),
        "/clinic/records/joined.csv",
        "/clinic/records/week/2026-11-23.pdf",
        f"/clinic/records/patient/{clinic.ids['Asha']}.pdf",
    ]
    with statements_of(clinic.engine) as said:
        for path in paths:
            assert clinic.client.get(path).status_code == 200
    may_say = ("SELECT", "BEGIN", "INSERT INTO ACCESS_LINES")  # that a file left is written before it leaves
    assert all(statement.lstrip().upper().startswith(may_say) for statement in said)


def test_every_page_says_it_is_not_to_be_kept_and_loads_nothing_from_elsewhere(clinic):
    for path in (*PAGES, clinic.path("Asha")):
        answer = clinic.client.get(path)
        assert "no-store" in answer.headers["Cache-Control"]
        page = answer.get_data(as_text=True)
        assert not re.findall(r'(?:src|href|srcset)="(?:https?:)?//', page)
        assert " style=" not in page
        assert not re.findall(r"<script(?![^>]*src=)", page)


# --- signing --------------------------------------------------------------------------------


def test_a_patient_is_signed_from_their_page_without_script(clinic):
    where = clinic.post(
        clinic.path("Ben", "/sign"),
        clinic.path("Ben"),
        outcome="called",
        note="Spoke.",
        next_look="2026-12-02",
        back="patient",
    )
    page = clinic.get(where)
    assert "Signed. What was on the page is kept with it." in page
    assert "Signed 25 Nov, 15:00 by Imogen Vale: <b>Called</b>" in page
    with read_session(clinic.engine) as session:
        signed = session.scalars(select(SignOff)).one()
    assert (signed.outcome, signed.note, signed.signed_by) == (Outcome.CALLED, "Spoke.", clinic.staff["nurse"])


def test_signing_from_their_page_closes_the_tasks_plans_the_call_and_goes_on(clinic):
    page = clinic.get(clinic.path("Ben"))
    form = page[page.index(f'action="{clinic.path("Ben", "/sign")}"') :]
    sent = dict(re.findall(r'name="(seen|task|then)"(?: value="([^"]*)")?', form[: form.index("</form>")]))
    assert set(sent) == {"seen", "task", "then"}
    where = clinic.post(
        clinic.path("Ben", "/sign"),
        clinic.path("Ben"),
        **sent | {"outcome": "called", "note": "Rang her.", "call_on": "2026-11-27"},
    )
    assert where == f"/clinic/patients/{sent['then']}"
    with read_session(clinic.engine) as session:
        assert session.get_one(Task, clinic.tasks["safety"]).state is TaskState.CLOSED
        assert session.scalars(select(NextContact)).one().due_on == date(2026, 11, 27)


def opened_row(clinic: Clinic, name: str) -> dict[str, list[str]]:
    """The form of an opened row, as a browser would send it: names, and what their fields hold."""
    page = clinic.get(f"/clinic/review?open={clinic.ids[name]}")
    form = page[page.index(f'action="/clinic/review/{clinic.ids[name]}/sign') :]
    form = form[: form.index("</form>")]
    found: dict[str, list[str]] = {}
    for field in re.findall(r'name="(seen|task|csrf_token)" value="([^"]*)"', form):
        found.setdefault(field[0], []).append(unescape(field[1]))
    return found


@pytest.mark.parametrize(("kind", "ticked"), [(TaskKind.WEIGHT_DOUBT, True), (TaskKind.GOAL_OVER, False)])
def test_a_signature_closes_what_its_row_tells_of_and_a_decision_only_when_ticked(clinic, kind, ticked):
    task_id = clinic.tasks["safety"]
    with write_session(clinic.engine) as session:
        session.get_one(Task, task_id).kind = kind
    page = clinic.get(f"/clinic/review?open={clinic.ids['Ben']}")
    assert re.search(rf'name="task" value="{task_id}"( checked)?', page)[1] == (" checked" if ticked else None)


def test_an_urgent_row_has_its_mark_only_when_it_is_opened_and_is_signed_with_its_tasks_and_a_call(clinic):
    with write_session(clinic.engine) as session:
        nurse, ben = session.get_one(Staff, clinic.staff["nurse"]), session.get_one(Patient, clinic.ids["Ben"])
        for days in (4, 2):  # two calls that nobody has made
            act = acting(session, nurse, NOW - timedelta(days=days))
            next_contacts.plan_contact(act, ben, due_on=act.now.date(), way=ContactWay.CALL, role=Role.NURSE)
        overdue = [row.due_on for row in next_contacts.to_make(session, next_contacts.handed_to(nurse.clinic_id))]
    sent = opened_row(clinic, "Ben")
    assert sent["seen"][0] not in clinic.get("/clinic/review")
    path = f"/clinic/review/{clinic.ids['Ben']}/sign"
    refused = clinic.client.post(path, data=sent | {"outcome": "no_change"})
    assert refused.status_code == 422
    form = refused.get_data(as_text=True).split('<form class="sign"')[1].split("</form>")[0]
    assert "“no change” alone is not enough" in form
    done = clinic.client.post(path, data=sent | {"outcome": "called", "note": "Rang her.", "call_on": "2026-11-27"})
    assert done.status_code == 303
    page = clinic.get(done.headers["Location"])
    assert "Your call is planned for Friday 27 November. It takes the place of the call due on " in page
    assert "1 of the tasks closed." in page
    with read_session(clinic.engine) as session:
        task = session.get_one(Task, clinic.tasks["safety"])
        assert (task.state, task.close_reason) == (TaskState.CLOSED, "Rang her.")
        (planned,) = next_contacts.to_make(session, next_contacts.handed_to(ben.clinic_id))
        assert (planned.due_on, planned.staff_id, planned.agreed) == (date(2026, 11, 27), clinic.staff["nurse"], True)
    back = re.search(r'action="(/clinic/review/[^"]+/take-back)"', page)
    assert back is not None
    clinic.post(back[1], "/clinic/review")
    assert "0</b> of 4 signed" in clinic.get("/clinic/review")
    with read_session(clinic.engine) as session:
        assert session.get_one(Task, clinic.tasks["safety"]).state is TaskState.OPEN
        assert [row.due_on for row in next_contacts.to_make(session, next_contacts.handed_to(ben.clinic_id))] == overdue


@pytest.mark.parametrize(("outcome", "made"), [("called", True), ("not_reached", False)])
def test_a_call_that_was_made_is_noted_as_made_and_who_was_not_reached_keeps_every_task(clinic, outcome, made):
    with write_session(clinic.engine) as session:
        nurse, ben = session.get_one(Staff, clinic.staff["nurse"]), session.get_one(Patient, clinic.ids["Ben"])
        act = acting(session, nurse, NOW - timedelta(days=2))
        next_contacts.plan_contact(act, ben, due_on=act.now.date(), way=ContactWay.CALL, role=Role.NURSE)
        dues.settle(session, [ben.id], NOW)
    path = f"/clinic/review/{clinic.ids['Ben']}/sign"
    done = clinic.client.post(path, data=opened_row(clinic, "Ben") | {"outcome": outcome})
    page = clinic.get(done.headers["Location"])
    told = ["2 of the tasks closed." in page, "Nobody was reached and no call is planned: the tasks stay open." in page]
    assert told == [made, not made]
    with read_session(clinic.engine) as session:
        assert (session.get_one(Task, clinic.tasks["safety"]).state is TaskState.CLOSED) is made
        assert len(next_contacts.to_make(session, next_contacts.handed_to(ben.clinic_id))) == (0 if made else 1)
    back = re.search(r'action="(/clinic/review/[^"]+/take-back)"', page)
    assert back is not None
    clinic.post(back[1], "/clinic/review")
    with read_session(clinic.engine) as session:
        assert len(next_contacts.to_make(session, next_contacts.handed_to(ben.clinic_id))) == 1


@pytest.mark.parametrize("to", ["doctor", "physician", "nurse"])
def test_the_next_call_is_handed_to_a_colleague_or_a_role_and_stands_on_their_list(clinic, to):
    opened = f"/clinic/review?open={clinic.ids['Asha']}"
    by = str(clinic.staff[to]) if to in clinic.staff and to != "nurse" else to
    assert f'<option value="{by}">' in clinic.get(opened)
    sent = {"outcome": "called", "call_on": "2026-11-27", "call_by": by}
    clinic.post(f"/clinic/review/{clinic.ids['Asha']}/sign", opened, **sent)
    assert "The call is handed over, for Friday 27 November." in clinic.get("/clinic/review")
    assert ("Contacts handed to you" in clinic.get("/clinic/inbox")) is (to == "nurse")
    clinic.enter("doctor")
    theirs = clinic.get("/clinic/inbox")
    assert ("Contacts handed to you" in theirs) is (to != "nurse")
    assert to == "nurse" or "27 November" in theirs


@pytest.mark.parametrize("to", ["doctor", "physician"])
def test_the_next_contact_is_handed_over_from_the_row_unsigned_and_the_row_says_who_how_and_by_when(clinic, to):
    with write_session(clinic.engine) as session:
        nurse, asha = session.get_one(Staff, clinic.staff["nurse"]), session.get_one(Patient, clinic.ids["Asha"])
        act = acting(session, nurse, NOW - timedelta(days=3))
        day = (NOW - timedelta(days=1)).date()
        next_contacts.plan_contact(
            act, asha, due_on=day, way=ContactWay.VISIT, role=Role.NURSE, note="Bring the scales."
        )
        dues.settle(session, [asha.id], NOW)
    refreshing.refresh(clinic.engine, NOW)
    opened, address = f"/clinic/review?open={clinic.ids['Asha']}", f"/clinic/review/{clinic.ids['Asha']}/contact"
    assert "Visit overdue, 24 Nov: nurse" in clinic.get("/clinic/review")
    page = clinic.get(opened)
    (planned,) = re.findall(r'name="planned" value="([^"]+)"', page)[:1]
    assert '<option value="visit" selected>' in page
    assert f'type="date" required value="{NOW.date()}"' in page
    by = str(clinic.staff[to]) if to in clinic.staff else to
    late = {"planned": planned, "contact_on": "2026-11-24", "contact_way": "call", "contact_by": by}
    assert "The day must be today, or within a year" in clinic.try_to_post(address, opened, **late)
    clinic.post(address, opened, **late | {"contact_on": "2026-11-25"})
    assert "handed over, for Wednesday 25 November." in clinic.get("/clinic/review")
    refreshing.refresh(clinic.engine, NOW)
    assert f"Call due 25 Nov: {'Rowan Pell' if to == 'doctor' else 'physician'}" in clinic.get("/clinic/review")
    again = clinic.try_to_post(address, opened, **late | {"contact_on": "2026-11-25"})
    assert "a colleague has changed this contact meanwhile" in again
    with read_session(clinic.engine) as session:
        newest = next_contacts.first_to_come(session, clinic.ids["Asha"])
        assert (newest.way, newest.note, session.scalar(select(func.count()).select_from(SignOff))) == (
            ContactWay.CALL, "Bring the scales.", 0,
        )  # fmt: skip
    clinic.post(address, opened, planned=str(newest.id), do="done")
    with read_session(clinic.engine) as session:
        assert next_contacts.first_to_come(session, clinic.ids["Asha"]) is None


def test_the_settled_are_signed_together_and_who_has_changed_meanwhile_is_left_out_and_named(clinic):
    with write_session(clinic.engine) as session:
        ward = ward_of(session, clinic.clinic_id)
        for name in ("Fay Settled", "Gus Settled"):
            clinic.ids[name] = ward.patient(name, pressures=QUIET, reference=18.0, breathlessness=[1] * 30).id
    page = clinic.get("/clinic/review")
    looked = re.findall(r'name="looked" value="([^"]+)"', page)
    assert len(looked) == 2
    with write_session(clinic.engine) as session:
        ward = ward_of(session, clinic.clinic_id)
        ward.task(session.get_one(Patient, clinic.ids["Gus Settled"]), TaskKind.SAFETY_ANSWER, "I fainted.")
    where = clinic.post("/clinic/review/together", "/clinic/review", looked=looked)  # type: ignore[arg-type]
    assert "1 signed. Not signed, since something has changed: Gus Settled. Please look at each." in clinic.get(where)
    with read_session(clinic.engine) as session:
        signed = session.scalars(select(SignOff)).one()
    assert (signed.patient_id, signed.frozen["name"]) == (clinic.ids["Fay Settled"], "Fay Settled")


def test_the_second_to_sign_is_told_who_was_first(clinic):
    clinic.post(clinic.path("Ben", "/sign"), clinic.path("Ben"), outcome="called")
    token_page = clinic.path("Asha")
    clinic.enter("doctor")
    for path in (clinic.path("Ben", "/sign"), f"/clinic/review/{clinic.ids['Ben']}/sign"):
        page = clinic.try_to_post(path, token_page, outcome="no_change", note="She rang me.")
        form = page.split('<form class="sign"')[1].split("</form>")[0]
        assert "Not signed: Imogen Vale had signed this review already. Theirs stands." in form
        assert ">She rang me.</textarea>" in form  # and can be added to what stands
        assert 'name="adds"' in form


@pytest.mark.parametrize(
    "form",
    [
        {"outcome": ""},
        {"outcome": "cured"},
        {"outcome": "called", "next_look": "soon"},
        {"outcome": "called", "next_look": "2026-11-24"},
    ],
)
def test_what_cannot_be_signed_is_said_in_words_and_what_was_typed_is_kept(clinic, form):
    page = clinic.try_to_post(clinic.path("Ben", "/sign"), clinic.path("Ben"), note="Rang, no swelling.", **form)
    assert "Not signed." in page.split('<form class="sign"')[1].split("</form>")[0]  # where it was typed
    assert ">Rang, no swelling.</textarea>" in page
    assert f'name="next_look" type="date" value="{form.get("next_look", "")}">' in page
    with read_session(clinic.engine) as session:
        assert session.scalar(select(func.count()).select_from(SignOff)) == 0


def test_late_data_that_changes_nothing_is_one_grey_line_beside_the_signed_review(clinic):
    clinic.post(clinic.path("Cara", "/sign"), clinic.path("Cara"), outcome="not_reached")
    with write_session(clinic.engine) as session:
        ward = ward_of(session, clinic.clinic_id)
        patient = session.get_one(Patient, clinic.ids["Cara"])
        ward.reading(patient, ward.today(patient) - timedelta(days=2), 23.4)
        panel_rows.mark_stale(session, [patient.id], NOW)
    page = clinic.get(clinic.path("Cara"))
    assert "1 day reads differently since" in page
    assert "since then:" not in page
    assert "23 November: a reading came since, PA diastolic 23.4 mmHg" in page
    # Nor is an addition a warning where nothing had come that would have changed the review.
    clinic.post(clinic.path("Cara", "/sign"), clinic.path("Cara"), adds="1", outcome="called", note="Rang her.")
    page = clinic.get(clinic.path("Cara"))
    assert "Rang her." in page
    assert 'class="amend"' not in page


def test_what_came_since_the_signature_is_in_full_ink_and_added_to_once(clinic):
    clinic.post(clinic.path("Asha", "/sign"), clinic.path("Asha"), outcome="called")
    page = clinic.get("/clinic/review")
    assert f'class="row signed" id="p-{clinic.ids["Asha"]}"' in page
    with write_session(clinic.engine) as session:
        ward = ward_of(session, clinic.clinic_id)
        ward.task(session.get_one(Patient, clinic.ids["Asha"]), TaskKind.SAFETY_ANSWER, "I fainted.")
    page = clinic.get("/clinic/review?show=to_do")
    assert f'class="row call_today" id="p-{clinic.ids["Asha"]}"' in page
    assert "1 new since" in page
    assert "New since signed:</span> <b>Wrote what may be an emergency</b>" in page
    page = clinic.get(f"/clinic/review?open={clinic.ids['Asha']}")
    assert "<b>Signed 25 November; since then:</b> They wrote: “I fainted.”." in page
    assert page.count("I fainted.") == 1
    opened = clinic.get(clinic.path("Asha"))
    seen = re.search(r'name="seen" value="([^"]+)">\s*<input type="hidden" name="adds"', opened, re.DOTALL)
    assert seen is not None
    for _click in (1, 2):
        where = clinic.post(
            clinic.path("Asha", "/sign"), clinic.path("Asha"), adds="1", outcome="called", note="Rang.", seen=seen[1]
        )
        page = clinic.get(where)
        assert "Added. What was on the page is kept with it." in page
        assert '<div class="amend"><b>Added 25 November:</b>' in page
    clinic.enter("doctor")
    refused = clinic.try_to_post(
        clinic.path("Asha", "/sign"), clinic.path("Asha"), adds="1", outcome="called", note="I rang.", seen=seen[1]
    )
    assert "Not added: Imogen Vale was first. Please look again." in refused
    assert ">I rang.</textarea>" in refused  # what was typed is not lost
    with read_session(clinic.engine) as session:
        assert session.scalar(select(func.count()).select_from(ReviewAddition)) == 1
    assert f'class="row signed" id="p-{clinic.ids["Asha"]}"' in clinic.get("/clinic/review")
    assert "<b>Added 25 November:</b> Called, Imogen Vale" in clinic.get(clinic.path("Asha"))
    late = clinic.try_to_post(
        clinic.path("Ben", "/sign"), clinic.path("Ben"), outcome="called", note="Fine.", seen="0" * 16
    )
    assert "something came while you were looking" in late
    assert ">Fine.</textarea>" in late


def test_a_limit_on_one_side_and_a_silence_of_one_day_read_as_such(clinic):
    with write_session(clinic.engine) as session:
        ward = ward_of(session, clinic.clinic_id)
        patient = session.get_one(Patient, clinic.ids["Ben"])
        act = Act(session, Actor(ActorKind.STAFF, clinic.staff["doctor"]), clinic.clinic_id, NOW)
        baselines.set_limits(act, patient, None, 10.0)
        day = ward.silence(patient, 1).first_date
        panel_rows.mark_stale(session, [patient.id], NOW)
    page = clinic.get(clinic.path("Ben"))
    assert "from 10 mmHg" in page
    assert f"{day.day} {day:%b}: 1 reading missed." in " ".join(page.split())


# --- one patient ------------------------------------------------------------------------------


def test_the_patient_page_has_a_picture_with_words_and_every_value_in_a_table(clinic):
    page = clinic.get(clinic.path("Asha", "?days=30"))
    assert re.search(r'<img src="[^"]*timeline.svg[^"]*" alt="Time line from 27 October to 25 November', page)
    assert page.count('<th scope="row">') >= 30
    assert "24.5" in page  # the newest diastolic


@pytest.mark.parametrize("query", ["", "?size=narrow&dark=1", "?days=all&rate=1", "?days=365", "?days=7"])
def test_the_time_line_is_drawn_on_the_server(clinic, query):
    answer = clinic.client.get(clinic.path("Asha", f"/timeline.svg{query}"))
    assert answer.mimetype == "image/svg+xml"
    assert answer.get_data(as_text=True).startswith("<svg")


def test_an_adjustment_is_recorded_followed_up_and_corrected(clinic):
    page = clinic.path("Asha")
    clinic.post(
        f"{page}/adjustments",
        page,
        kind="medicine",
        what="Evening tablet added",
        made_on="2026-11-20",
        follow_up_on="2026-11-24",
        follow_up_what="Chemistry",
    )
    shown = clinic.get(page)
    assert "Chemistry on 24 November: overdue" in shown
    with read_session(clinic.engine) as session:
        made = session.scalars(select(Adjustment)).one()
    assert (made.kind, made.made_by) == (AdjustmentKind.MEDICINE, clinic.staff["nurse"])
    clinic.post(f"{page}/adjustments/{made.id}/followed-up", page)
    assert "Chemistry on 24 November: done" in clinic.get(page)
    clinic.post(
        f"{page}/adjustments", page, kind="medicine", what="Morning tablet", made_on="2026-11-20", corrects=str(made.id)
    )
    shown = clinic.get(page)
    assert "Morning tablet" in shown
    assert "Evening tablet added" not in shown


# --- the inbox -----------------------------------------------------------------------------------


def test_a_task_is_taken_and_closed_with_a_reason(clinic):
    task = clinic.tasks["safety"]
    page = clinic.get("/clinic/inbox")
    assert page.index("Safety answer") < page.index("Silent")
    clinic.post(f"/clinic/inbox/{task}/take", "/clinic/inbox")
    assert "taken by Imogen Vale" in clinic.get("/clinic/inbox")
    clinic.enter("doctor")
    clinic.post(f"/clinic/inbox/{task}/take", "/clinic/inbox")
    assert "Imogen Vale was first: it is taken already." in clinic.get("/clinic/inbox")
    clinic.post(f"/clinic/inbox/{task}/close", "/clinic/inbox", reason="Rang; went to hospital.")
    page = clinic.get("/clinic/inbox")
    assert "Rang; went to hospital." in page
    with read_session(clinic.engine) as session:
        kept = session.get_one(Task, task)
        assert (kept.state, kept.closed_by) == (TaskState.CLOSED, clinic.staff["doctor"])
    assert "Answered that there is chest pain." not in clinic.get("/clinic/review")


def test_the_inbox_is_by_patient_with_the_number_to_call_and_the_urgent_first(clinic):
    with write_session(clinic.engine) as session:
        ward = ward_of(session, clinic.clinic_id)
        for kind in (TaskKind.WEIGHT_DOUBT, TaskKind.SAME_DAY):
            ward.task(session.get_one(Patient, clinic.ids["Cara"]), kind, "words")
        reach = {"channel": Channel.TEXT, "address": "+441632960123", "position": 0, "state": ContactState.OK}
        session.add(Contact(clinic_id=clinic.clinic_id, patient_id=clinic.ids["Cara"], created_at=NOW, **reach))
    page = clinic.get("/clinic/inbox")
    piles = page.split('<li class="pile"')[1:]
    assert [re.search(r">([A-Z][a-z]+) ", pile)[1] for pile in piles] == ["Ben", "Cara"]
    assert 'href="tel:+441632960123"' in piles[1]
    assert re.findall(r'id="r-[^"]+" name="reason" maxlength="400"( required)?', piles[1]) == [" required", "", ""]


def test_what_is_urgent_is_not_closed_without_words_and_what_was_typed_is_there_again(clinic):
    urgent, silent = clinic.tasks["safety"], clinic.tasks["silent"]
    close = "/clinic/inbox/{}/close"
    assert "Not closed. Needed is what was done, in words" in clinic.try_to_post(close.format(urgent), "/clinic/inbox")
    typed = {"reason": "Rang; will send it.", "promised": "2020-01-01"}
    page = clinic.try_to_post(close.format(silent), "/clinic/inbox", **typed)
    assert all(f'value="{value}"' in page for value in typed.values())
    clinic.post(close.format(silent), "/clinic/inbox")
    assert "closed without words" in clinic.get("/clinic/inbox")
    with read_session(clinic.engine) as session:
        states = {task.id: task.state for task in session.scalars(select(Task).where(Task.id.in_((urgent, silent))))}
    assert states == {urgent: TaskState.OPEN, silent: TaskState.CLOSED}


def test_another_clinics_task_is_not_there(clinic):
    clinic.enter("stranger")
    page = clinic.get("/clinic/inbox")
    assert "chest pain" not in page
    token = re.search(r'csrf_token" value="([^"]+)"', clinic.get("/clinic/review"))
    answer = clinic.client.post(
        f"/clinic/inbox/{clinic.tasks['safety']}/take", data={"csrf_token": unescape(token[1]) if token else ""}
    )
    assert answer.status_code == 404


# --- looking back and records ---------------------------------------------------------------------


def test_the_page_on_silences_has_causes_and_every_day(clinic):
    page = clinic.get("/clinic/silences")
    assert "Asked, and no reply" in page
    assert "still silent" in page
    assert page.count('<span class="unseen">expected, and none came</span>') == 4
    assert 'title="Wednesday 25 November: expected, and none came"' in page


def test_the_measures_and_the_records_are_there(clinic):
    assert "Readings received" in clinic.get("/clinic/measures")
    clinic.post(clinic.path("Ben", "/sign"), clinic.path("Ben"), outcome="called")
    page = clinic.get("/clinic/records")
    assert "1 of 4" in page
    for path, kind in (
        ("/clinic/records/week/2026-11-23.pdf", "application/pdf"),
        (f"/clinic/records/patient/{clinic.ids['Ben']}.pdf", "application/pdf"),
        (f"/clinic/records/patient/{clinic.ids['Ben']}.pdf?until=2026-11-20", "application/pdf"),
        ("/clinic/records/joined.csv", "text/csv"),
    ):
        answer = clinic.client.get(path)
        assert (answer.status_code, answer.mimetype) == (200, kind)


@pytest.mark.parametrize(
    "path",
    [
        "/clinic/records/week/2026-11-24.pdf",
        "/clinic/records/week/soon.pdf",
        "/clinic/records/week/9999-12-27.pdf",
        "/clinic/patients/00000000-0000-0000-0000-000000000000",
        "/clinic/patients/nobody",
    ],
)
def test_what_is_not_there_is_not_found(clinic, path):
    clinic.get(path, 404)


def test_the_record_of_a_day_that_has_not_come_is_not_found(clinic):
    clinic.get(f"/clinic/records/patient/{clinic.ids['Ben']}.pdf?until=2027-01-01", 404)
    clinic.get(f"/clinic/records/patient/{clinic.ids['Ben']}.pdf?until=0001-01-05", 404)


def _entered(engine, patient_ids, staff_id):
    """Something of each kind in the record of each."""
    potassium = {"kind": ResultKind.POTASSIUM, "value": "4.4", "taken_at": NOW}
    stay = {"kind": EventKind.ADMISSION, "from_date": NOW.date(), "to_date": NOW.date()}
    mra = {"name": "Spironolactone", "kind": MedicineClass.MRA, "dose": "25", "unit": "mg", "times_a_day": "1"}
    with write_session(engine) as session:
        for patient_id in patient_ids:
            who = session.get_one(Patient, patient_id)
            act = Act(session, OPERATOR, who.clinic_id, NOW)
            record_result(act, who, **potassium)
            events.record_event(act, who, **stay)
            medicines.record_medicine(act, who, **mra, route=Route.ORAL, from_date=NOW.date())
            next_contacts.plan_contact(act, who, due_on=NOW.date(), way=ContactWay.CALL, staff_id=staff_id)
            baselines.set_goal(act, who, None, 20.0, "lower", NOW.date())


def test_a_page_of_everybody_asks_the_database_the_same_for_one_patient_and_for_many(clinic, engine):
    def asked() -> list[int]:
        counts = []
        for path in ("/clinic/review", "/clinic/inbox", "/clinic/silences", "/clinic/measures"):
            with statements_of(engine) as said:
                clinic.get(path)
            counts.append(len(said))
        return counts

    _entered(engine, [clinic.ids[name] for name in ("Asha", "Ben", "Cara")], clinic.staff["nurse"])
    refreshing.refresh(engine, NOW)
    many = asked()
    with write_session(engine) as session:
        ward = open_ward(session)
        only = ward.patient("Only", pressures=QUIET, reference=18.0).id
        one = ward.nurse
        one.password_set_at = NOW - timedelta(days=1)
        staff_id = one.id
    _entered(engine, [only], staff_id)
    refreshing.refresh(engine, NOW)
    sign_in_as(clinic.client, staff_id, NOW)
    assert asked() == many


def test_a_patients_page_asks_the_same_however_much_is_kept_of_them(clinic, engine):
    kept = iter(range(1, 9))

    def keep_more(session, number: int) -> None:
        ward, who = ward_of(session, clinic.clinic_id), session.get_one(Patient, clinic.ids["Asha"])
        day, then = NOW.date() - timedelta(days=number), NOW - timedelta(days=7 * number)
        signing.sign(
            acting(session, session.get_one(Staff, clinic.staff["nurse"]), then), who.id, Outcome.CALLED, "", None
        )
        ward.adjusts(who, NewAdjustment(AdjustmentKind.DIET, f"Change {number}", day, None, ""))
        ward.task(who, TaskKind.SILENT, f"Task {number}")
        act = Act(session, OPERATOR, who.clinic_id, NOW)
        pauses.add_pause(act, who, PauseCause.AWAY, day, day, "")
        record_result(act, who, kind=ResultKind.POTASSIUM, value="4.4", taken_at=NOW - timedelta(hours=number))
        taken = {"kind": MedicineClass.OTHER, "dose": "5", "unit": "mg", "times_a_day": "1", "route": Route.ORAL}
        medicines.record_medicine(act, who, name=f"Medicine {number}", from_date=day, **taken)

    def asked(more: int) -> int:
        with write_session(engine) as session:
            for _ in range(more):
                keep_more(session, next(kept))
        refreshing.refresh(engine, NOW)
        with statements_of(engine) as said:
            page = clinic.get(clinic.path("Asha", "?days=365"))
        assert page.count("Change ") >= more
        return len(said)

    assert asked(1) == asked(4)


def told_of(patched, module, name):
    """What a function of `module` is given, call by call, while it goes on doing what it does."""
    calls, function = [], getattr(module, name)

    def noted(*given, **named):
        calls.append(given)
        return function(*given, **named)

    patched.setattr(module, name, noted)
    return calls


@pytest.mark.parametrize("stale", [False, True], ids=["made", "stale"])
def test_a_patients_page_is_one_snapshot_and_asks_the_same_in_a_clinic_of_three_and_of_thirty(
    clinic, engine, monkeypatch, stale
):
    asked = []
    for many in (3, 30):
        with write_session(engine) as session:
            ward = open_ward(session)
            everyone = [ward.patient(f"P{number}", pressures=QUIET, reference=18.0) for number in range(many)]
            ward.nurse.password_set_at = NOW - timedelta(days=1)
            staff_id, patient_id = ward.nurse.id, everyone[many // 2].id
            clinic_patients = [patient.id for patient in everyone]
        refreshing.refresh(engine, NOW)
        if stale:
            with write_session(engine) as session:
                panel_rows.mark_stale(session, clinic_patients, NOW)
        sign_in_as(clinic.client, staff_id, NOW)
        with monkeypatch.context() as patched, statements_of(engine) as said:
            sessions, judged = told_of(patched, patient_page, "read_session"), told_of(patched, refreshing, "work_out")
            page = clinic.get(f"/clinic/patients/{patient_id}")
        assert len(sessions) == 1
        assert [list(given[2]) for given in judged if given[2]] == (
            [[patient_id]] if stale else []
        )  # a stale row is worked out once, and nobody else's is
        assert "Previous: " in page
        assert "Next: " in page
        asked.append(len(said))
    assert asked[0] == asked[1]


def test_one_picture_is_drawn_at_a_time_whoever_asks(clinic, monkeypatch):
    # vl-convert works on one picture at a time in a process (from memory of its documentation).
    at_work, most = [], []

    def draw(_spec, **_options):
        at_work.append(1)
        most.append(len(at_work))
        sleep(0.02)
        at_work.pop()
        return "<svg/>"

    monkeypatch.setattr(drawing.vl_convert, "vegalite_to_svg", draw)
    paths = [clinic.path("Asha", "/timeline.svg"), f"/clinic/records/patient/{clinic.ids['Asha']}.pdf"] * 2
    browsers = [clinic.app.test_client() for _ in paths]
    for browser in browsers:
        sign_in_as(browser, clinic.staff["nurse"], NOW)
    with ThreadPoolExecutor(len(paths)) as pool:
        answers = list(pool.map(lambda browser, path: browser.get(path).status_code, browsers, paths))
    assert most == [1] * len(paths), answers


def test_what_was_done_to_a_pause_stands_on_the_patients_page_with_who_did_it(clinic: Clinic):
    with write_session(clinic.engine) as session:
        patient = session.get_one(Patient, clinic.ids["Ben"])
        day = NOW.date() - timedelta(days=4)
        nurse = Act(session, Actor(ActorKind.STAFF, clinic.staff["nurse"]), clinic.clinic_id, NOW - timedelta(hours=3))
        machine = replace(nurse, actor=Actor(ActorKind.KEY, uuid.uuid4()), now=NOW - timedelta(hours=2))
        pause = pauses.add_pause(nurse, patient, PauseCause.AWAY, day, day + timedelta(days=2), "")
        pauses.move_pause(machine, pause, None)
        stay = pauses.add_pause(nurse, patient, PauseCause.IN_HOSPITAL, day, None, "")
        pauses.end_pause(nurse, stay, day - timedelta(days=1))
        name = session.get_one(Staff, clinic.staff["nurse"]).name
    page = " ".join(unescape(re.sub(r"<[^>]+>", " ", clinic.get(clinic.path("Ben")))).split())
    assert f"{name}: recorded, last day: 23 Nov" in page
    assert "a machine: last day changed: until told (before: 23 Nov)" in page
    assert "Taken back." in page
    assert f"{name}: taken back: none of its days is excused" in page


@pytest.mark.parametrize("role", Role)
def test_no_page_offers_what_the_account_may_not_do(clinic: Clinic, role: Role) -> None:
    """Neither a link nor a form leads where its reader would be told no."""
    with write_session(clinic.engine) as session:
        account = session.get_one(Staff, clinic.staff["nurse"])
        account.roles, account.grants = [role.value], []
    rights, places = rights_of([role]), clinic.app.url_map.bind("localhost")
    pages = [
        *PAGES,
        clinic.path("Asha"),
        clinic.path("Cara"),
        clinic.path("Asha", "/record"),
        clinic.path("Asha", "/upkeep"),
        "/password",
    ]
    offered, seen = set(), 0
    for path in pages:
        answer = clinic.client.get(path, follow_redirects=True)
        seen += answer.status_code == 200
        page = unescape(answer.get_data(as_text=True))
        for method, pattern in (
            ("GET", r'<a [^>]*?href="(/[^"#?]*)'),
            ("POST", r'<form [^>]*?method="post" action="(/[^"#?]*)'),
        ):
            for address in re.findall(pattern, page):
                view = clinic.app.view_functions[places.match(address, method)[0]]
                needs = getattr(view, "needs", None)
                if needs is not None and needs not in rights:
                    offered.add(f"{path}: {method} {address}")
    assert seen >= 1
    assert offered == set()


def test_who_is_told_no_learns_whom_to_ask_and_keeps_what_was_written(clinic: Clinic) -> None:
    page = clinic.path("Asha")
    token = token_on(clinic.get(page))
    with write_session(clinic.engine) as session:
        account = session.get_one(Staff, clinic.staff["nurse"])
        account.roles, account.grants = [Role.READ_ONLY.value], []
    sent = {"csrf_token": token, "outcome": "called", "note": "Rang her; <better>"}
    answer = clinic.client.post(f"{page}/sign", data=sent)
    told = answer.get_data(as_text=True)
    assert answer.status_code == 403
    assert "Whose role carries it: nurse and physician. Please ask one of them." in told
    assert "Rang her; &lt;better&gt;</textarea>" in told
    assert token not in told.partition("<main")[2]
    assert "An administrator of your clinic can allow it" in clinic.get("/clinic/records/joined.csv", 403)


def test_an_adjustment_that_was_refused_is_still_in_its_form(clinic: Clinic) -> None:
    page = clinic.path("Asha")
    typed = {"kind": "diet", "what": "Less salt", "made_on": "2026-11-20", "follow_up_on": "2020-01-01"}
    answer = clinic._send(f"{page}/adjustments", page, typed | {"follow_up_what": "Weight"})
    told = answer.get_data(as_text=True)
    assert answer.status_code == 422
    assert "Not recorded. To look at again" in unescape(told)
    for held in ('<option value="diet" selected>', ">Less salt</textarea>", 'value="2026-11-20"', 'value="Weight"'):
        assert held in told
