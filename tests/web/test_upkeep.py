"""What is kept up beside a patient, on a page: every part is read by the API's schema and written by its use case."""

from __future__ import annotations

import re
import uuid
from concurrent.futures import ThreadPoolExecutor
from datetime import date, time
from html import unescape
from typing import Any

import pytest
from sqlalchemy import Engine, select, text, update

from service.care import contacts
from service.domain.vocabulary import ConsentKind, ContactState, PatientState, Role
from service.store.session import read_session, write_session
from service.store.tables import Caregiver, Contact, ContextTagRow, Limits, Patient, Pause, Plan, Reference
from tests.conftest import SERVER
from tests.statements import statements_of
from tests.waiting import wait_until
from tests.web.conftest import House

pytestmark = pytest.mark.databases("sqlite")


class Upkeep:
    """The page of the house's patient in a physician's browser."""

    def __init__(self, house: House) -> None:
        self.house, self.client = house, house.staff(Role.PHYSICIAN)
        self.path = f"/clinic/patients/{house.patient_id}/upkeep"

    def see(self) -> str:
        answer = self.client.get(self.path)
        assert answer.status_code == 200
        return unescape(answer.get_data(as_text=True))

    def send(self, name: str, status: int = 303, /, **form: Any) -> str:
        token = re.search(r'name="csrf_token" value="([^"]+)"', self.see())
        assert token is not None
        answer = self.client.post(f"{self.path}/{name}", data={"csrf_token": unescape(token[1]), **form})
        text = unescape(answer.get_data(as_text=True))
        assert answer.status_code == status, text
        return text

    def mark(self, name: str) -> str:
        """What the form of that name brings back of what it began with."""
        found = re.search(rf'/{name}">(?:(?!</form>).)*?name="stood" value="([^"]+)"', self.see(), re.DOTALL)
        assert found is not None
        return found[1]

    def rows(self, table: type[Any]) -> list[Any]:
        with read_session(self.house.engine) as session:
            return list(session.scalars(select(table).where(table.patient_id == self.house.patient_id)))


@pytest.fixture
def upkeep(house: House) -> Upkeep:
    return Upkeep(house)


PARTICULARS = {"name": "Asha Invented", "language": "es", "zone": "Europe/Madrid", "dry_weight_kg": "71,5",
               "usual_pillows": "", "weight_unit": "kg", "says_back": "no"}  # fmt: skip
HOURS = {"weekdays": ["0", "2"], "opens": "07:30", "due": "08:45", "closes": "11:00", "wants_reading": "yes"}


def test_particulars_and_baselines_are_kept(upkeep: Upkeep) -> None:
    upkeep.send("particulars", **PARTICULARS)
    upkeep.send("limits", upper="25", lower="")
    upkeep.send("reference", pa_diastolic="18,5")
    upkeep.send("tags", kind="infection", from_date="2026-11-20")
    (tag,) = upkeep.rows(ContextTagRow)
    upkeep.send("tags", end=str(tag.id), last_day="2026-11-23")
    with read_session(upkeep.house.engine) as session:
        asha = session.get_one(Patient, upkeep.house.patient_id)
        kept = (asha.language, asha.zone, asha.dry_weight_kg, asha.usual_pillows, asha.says_back)
    assert kept == ("es", "Europe/Madrid", 71.5, None, False)
    assert [(one.upper, one.lower) for one in upkeep.rows(Limits)] == [(25.0, None)]
    assert [one.pa_diastolic for one in upkeep.rows(Reference)] == [18.5]
    assert upkeep.rows(ContextTagRow)[0].to_date == date(2026, 11, 23)


def test_of_two_who_change_the_same_the_second_is_told_what_they_sent_and_undoes_nothing(upkeep: Upkeep) -> None:
    stood = upkeep.mark("particulars")
    upkeep.send("particulars", **PARTICULARS, stood=stood)
    upkeep.send("particulars", **PARTICULARS, stood=stood)  # the same twice undoes nothing
    told = upkeep.send("particulars", 409, **PARTICULARS | {"dry_weight_kg": "70"}, stood=stood)
    assert "somebody has changed this since you opened it" in told
    assert "You had sent otherwise: Dry weight, kg (70)." in told
    assert 'value="71.5"' in told  # the form is of what stands
    assert upkeep.mark("particulars") in told
    hours = upkeep.mark("plan")
    upkeep.send("plan", **HOURS, stood=hours)
    upkeep.send("plan", **HOURS, stood=hours)
    told = upkeep.send("plan", 409, **HOURS | {"weekdays": ["4"], "due": "09:00"}, stood=hours)
    assert "You had sent otherwise: Ask on; Reminded at (09:00)." in told
    way = next(one for one in upkeep.rows(Contact))
    stood = upkeep.mark("contacts")
    upkeep.send("contacts", mend=str(way.id), address="+12025550171", stood=stood)
    told = upkeep.send("contacts", 409, mend=str(way.id), address="+12025550172", stood=stood)
    assert "(+12025550172)" in told
    assert [one.address for one in upkeep.rows(Contact) if one.id == way.id] == ["+12025550171"]


@pytest.mark.databases("both")
@pytest.mark.skipif(SERVER is None, reason="SQLite lets one at a time begin to write; needs NEAPTIDE_TEST_DATABASE_URL")
def test_of_two_who_send_the_same_form_in_one_instant_the_second_waits_and_is_told(upkeep: Upkeep) -> None:
    stood, engine = upkeep.mark("particulars"), upkeep.house.engine
    wrong = PARTICULARS | {"dry_weight_kg": "70"}
    with ThreadPoolExecutor(1) as colleague:
        with write_session(engine) as session:
            session.execute(update(Patient).values(dry_weight_kg=71.5))
            told = colleague.submit(upkeep.send, "particulars", 409, **wrong, stood=stood)
            wait_until(lambda: _waiting(engine) or told.done(), "a form that waits")
        assert "Dry weight, kg (70)" in told.result()
    with read_session(engine) as session:
        assert session.scalars(select(Patient.dry_weight_kg)).all() == [71.5]


def _waiting(engine: Engine) -> bool:
    here = "datname = current_database() AND wait_event_type = 'Lock'"
    of_ours = text(f"SELECT EXISTS (SELECT FROM pg_stat_activity WHERE {here})")
    with engine.connect() as connection:
        return bool(connection.scalar(of_ours))


def test_a_plan_is_changed_with_steps_of_its_own_and_its_week_is_shown(upkeep: Upkeep) -> None:
    steps = {"step-prompt-0-anchor": "opens", "step-nudge-0-anchor": "closes", "step-nudge-0-minutes": "30",
             "step-task-0-anchor": "closes", "step-task-0-minutes": "60", "own_steps": "yes"}  # fmt: skip
    upkeep.send("plan", **HOURS, **steps, silent_days="2")
    (plan,) = upkeep.rows(Plan)
    assert (plan.opens, plan.weekdays, plan.wants_checkin, plan.silent_days) == (time(7, 30), 0b101, False, 2)
    assert [(one["kind"], one["after_minutes"]) for one in plan.steps] == [("prompt", 0), ("nudge", 30), ("task", 60)]
    page = upkeep.see()
    told = r'07:30 – 11:00\s*<br><span class="quiet">prompt 07:30, caregiver nudge 11:30, clinic task 12:00</span>'
    ahead = re.findall(rf"<li>(\w+) \d+ November: {told}</li>", page)
    assert ahead == ["Monday"]  # today, a Wednesday, has its window of the old hours
    refused = upkeep.send("plan", 422, **HOURS, **steps | {"step-task-0-anchor": ""})
    assert "Follow-up steps: accepted is steps that end with a clinic task." in refused
    upkeep.send("plan", **HOURS)
    assert upkeep.rows(Plan)[0].steps is None


def test_a_reference_is_of_a_fortnight_that_was_chosen_on_the_chart(upkeep: Upkeep) -> None:
    """Its mean is shown before it is set: of 14 to 27 mmHg, one a day, 20.5 by hand."""
    first = date(2026, 11, 1)
    for day in range(14):
        taken = {"taken_at": f"2026-11-{day + 1:02}T08:00:00Z", "pa_systolic": 45, "pa_diastolic": 14 + day}
        answer = upkeep.house.machine.post("/readings", {"patient": str(upkeep.house.patient_id), **taken})
        assert answer.status_code == 201, answer.json
    page = upkeep.client.get(f"/clinic/patients/{upkeep.house.patient_id}").get_data(as_text=True)
    assert 'name="fortnight"' in page
    assert f'data-day="{first.isoformat()}"' in page  # what a touch on the chart reads
    seen = unescape(upkeep.client.get(f"{upkeep.path}?fortnight={first}").get_data(as_text=True))
    assert "the mean is 20.5 mmHg. Nothing is set yet." in seen
    assert 'value="2026-11-14"' in seen
    assert upkeep.rows(Reference) == []
    assert "too few of these days" in unescape(upkeep.client.get(f"{upkeep.path}?fortnight=2026-09-01").text)
    assert upkeep.client.get(f"{upkeep.path}?fortnight=9999-12-31").status_code == 200
    upkeep.send("reference", from_date="2026-11-01", to_date="2026-11-14")
    (held,) = upkeep.rows(Reference)
    assert (held.pa_diastolic, held.from_date) == (20.5, first)


def test_home_again_asks_from_today_on(upkeep: Upkeep) -> None:
    upkeep.send("pauses", cause="in_hospital", from_date="2026-11-20")
    (pause,) = upkeep.rows(Pause)
    assert "Home again: ask from today on" in upkeep.see()
    upkeep.send("pauses", pause=str(pause.id), last_day="2026-12-01")
    assert upkeep.rows(Pause)[0].to_date == date(2026, 12, 1)
    upkeep.send("pauses", pause=str(pause.id), do="home")
    assert upkeep.rows(Pause)[0].to_date == date(2026, 11, 24)
    assert "None now or to come." in upkeep.see()


def test_a_caregiver_who_is_never_asked_is_shown_so_until_both_agree(upkeep: Upkeep) -> None:
    never = "Never asked: both agreements are needed, the patient’s and their own."
    house, ben = upkeep.house, str(upkeep.house.caregiver_id)
    assert never in upkeep.see()
    assert never in unescape(upkeep.client.get(f"/clinic/patients/{house.patient_id}").get_data(as_text=True))
    for kind in (ConsentKind.CAREGIVER, ConsentKind.MESSAGES):
        upkeep.send("consents", kind=kind, caregiver_id=ben, given="yes", how="signed form", on="2026-11-20")
    assert "Never asked: no way to reach them works." in upkeep.see()
    upkeep.send("contacts", caregiver_id=ben, channel="text", address="07700 900055")
    assert "Never asked" not in upkeep.see()
    upkeep.send("consents", kind="messages", given="no", how="said so")
    assert "Nothing is sent: they have not agreed to messages." in upkeep.see()
    with read_session(house.engine) as session:
        assert house.caregiver_id in contacts.caregivers_who_agreed(session, [house.patient_id])


def test_a_broken_number_is_mended(upkeep: Upkeep) -> None:
    with write_session(upkeep.house.engine) as session:
        contact = session.scalars(select(Contact).where(Contact.patient_id == upkeep.house.patient_id)).one()
        contact.state, contact.broken_reason = ContactState.BROKEN, "unknown number"
    assert "not used: unknown number" in upkeep.see()
    upkeep.send("contacts", mend=str(contact.id), address="07700 900002")
    (mended,) = upkeep.rows(Contact)
    assert (mended.address, mended.state) == ("+447700900002", ContactState.OK)
    assert "changed 25 Nov, 09:00" in upkeep.see()


def test_a_caregiver_is_added_with_what_was_agreed(upkeep: Upkeep) -> None:
    form = {"caregiver.name": "Luz Invented", "caregiver.address": "+34600900078", "caregiver.allowed": "yes",
            "how": "signed form", "on": "2026-11-20", "caregiver.how": "spoken, by telephone"}  # fmt: skip
    upkeep.send("caregivers", **form)
    luz = next(one for one in upkeep.rows(Caregiver) if one.name == "Luz Invented")
    with read_session(upkeep.house.engine) as session:
        assert luz.id in contacts.caregivers_who_agreed(session, [upkeep.house.patient_id])


@pytest.mark.parametrize(
    ("name", "form", "said"),
    [
        ("particulars", PARTICULARS | {"zone": "Mars/Base"}, "Time zone where they live: accepted is an IANA"),
        ("limits", {"upper": "20", "lower": "30"}, "Lower, mmHg: accepted is a number below the upper end, 20"),
        ("pauses", {"cause": "away", "from_date": "2026-11-20", "to_date": "2026-11-10"}, "Last day, if it is known:"),
        ("consents", {"kind": "caregiver", "given": "yes", "how": "said so"}, "accepted is the caregiver whom"),
        ("contacts", {"channel": "email", "address": "nobody"}, "Number or mailbox: accepted is an e-mail address"),
        ("plan", HOURS | {"due": "12:00"}, "Reminded at: accepted is"),
        ("tags", {"kind": "", "from_date": "2026-11-20"}, "What is needed"),
    ],
)
def test_what_was_refused_is_said_by_its_field_and_is_still_there(
    upkeep: Upkeep, name: str, form: dict[str, Any], said: str
) -> None:
    page = upkeep.send(name, 422, **form)
    assert said in page
    opened = re.search(r'<details class="tool" open>(.*?)</details>', page, re.DOTALL)
    assert opened is not None
    kept = [value for value in form.values() if isinstance(value, str) and value and not value.isalpha()]
    assert all(f'value="{value}"' in opened[1] for value in kept)


def test_care_ends_once_it_is_meant_and_nothing_can_be_changed_after(upkeep: Upkeep) -> None:
    upkeep.send("end")
    with read_session(upkeep.house.engine) as session:
        assert session.get_one(Patient, upkeep.house.patient_id).state is PatientState.ACTIVE
    upkeep.send("end", sure="yes")
    with read_session(upkeep.house.engine) as session:
        assert session.get_one(Patient, upkeep.house.patient_id).state is PatientState.ENDED
    page = upkeep.see()
    assert "Care here has ended" in page
    assert set(re.findall(r'action="[^"]*/upkeep/(\w+)"', page)) == {"consents", "begin"}


def test_ended_care_begins_again_and_what_consent_stands_is_said(upkeep: Upkeep) -> None:
    upkeep.send("end", sure="yes")
    unsent = "Nothing is sent until consent to messages is recorded."
    page = upkeep.see()
    assert "Their consent to messages stands, so messages are sent again." in page
    assert (unsent in page, f'href="{upkeep.path}#begin"' in page) == (False, True)
    upkeep.send("consents", kind="messages", given="no", how="by telephone")
    assert unsent in upkeep.see()
    refused = upkeep.send("begin", 422, from_date="2026-11-20", why="came_back")
    assert "Not changed." in refused.split('/upkeep/begin"')[1].split("</form>")[0]  # in the form itself
    assert 'value="2026-11-20"' in refused
    upkeep.send("begin", from_date="2026-11-30", why="came_back")
    page = upkeep.see()
    assert "Begun again: the plan asks from the day you named." in page
    assert "Care here has ended" not in page
    assert "not looked after here" in page.lower()
    with read_session(upkeep.house.engine) as session:
        assert session.get_one(Patient, upkeep.house.patient_id).state is PatientState.ACTIVE
    assert [plan.active for plan in upkeep.rows(Plan)] == [True]
    reader = upkeep.house.staff(Role.READ_ONLY)
    token = re.search(r'name="csrf_token" value="([^"]+)"', reader.get(upkeep.path).get_data(as_text=True))
    assert token is not None
    sent = {"csrf_token": token[1], "from_date": "2026-11-30", "why": "came_back"}
    assert reader.post(f"{upkeep.path}/begin", data=sent).status_code == 403


def test_another_patients_rows_are_not_there(upkeep: Upkeep, house: House) -> None:
    stranger = str(uuid.uuid4())
    for name, form in (
        ("pauses", {"pause": stranger, "do": "home"}),
        ("tags", {"end": stranger, "last_day": "2026-11-20"}),
        ("contacts", {"mend": stranger, "address": "+447700900002"}),
        ("consents", {"kind": "messages", "given": "yes", "how": "x", "caregiver_id": stranger}),
    ):
        upkeep.send(name, 404, **form)


def test_the_number_of_queries_does_not_grow(upkeep: Upkeep) -> None:
    def queries() -> int:
        with statements_of(upkeep.house.engine) as made:
            upkeep.see()
        return len(made)

    few = queries()
    for number in range(3):
        upkeep.send("contacts", channel="text", address=f"+44770090001{number}")
        upkeep.send("tags", kind="infection", from_date=f"2026-11-1{number}")
        upkeep.send("pauses", cause="away", from_date=f"2026-12-0{number + 1}", to_date=f"2026-12-0{number + 1}")
        upkeep.send("caregivers", **{"caregiver.name": f"Ben {number}", "caregiver.how": "signed form"})
    assert queries() == few
