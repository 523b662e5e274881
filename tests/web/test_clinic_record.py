"""The record's page: plain forms that work without script, and what was refused is still in them."""

from __future__ import annotations

import csv
import io
import re
from datetime import date
from html import unescape
from typing import Any

import pytest
from sqlalchemy import select

from service.domain.record import results
from service.domain.vocabulary import ActorKind, AdjustmentKind, EventKind
from service.reviewing import adjusting, refreshing
from service.reviewing.adjusting import NewAdjustment
from service.store.audit import Act, Actor
from service.store.session import read_session, write_session
from service.store.tables import Adjustment, AuditLine, EventRow, Limits, MedicineRow, NextContact, Patient, PersonRow
from service.web.api.record import KINDS
from tests.statements import statements_of
from tests.ward import NOW
from tests.web.test_clinic_pages import Clinic, clinic  # noqa: F401 - the fixture

pytestmark = pytest.mark.databases("sqlite")

PAGE = "/record"
TORASEMIDE = {
    "name": "Torasemide", "kind": "loop_diuretic", "dose": "20", "unit": "mg", "times_a_day": "1", "route": "oral",
    "from_date": "2026-11-16",
}  # fmt: skip


def enter(clinic: Clinic, name: str, /, **form: Any) -> str:  # noqa: F811
    """Send one of the forms, and read the page after it."""
    page = clinic.path("Asha", PAGE)
    clinic.post(f"{page}/{name}", page, **form)
    return unescape(clinic.get(page))


def test_what_was_entered_is_told_with_its_date_and_says_what_it_makes_due(clinic: Clinic) -> None:  # noqa: F811
    assert "None entered. That is not the same as none." in unescape(clinic.get(clinic.path("Asha", PAGE)))
    enter(clinic, "medicines", **TORASEMIDE)
    enter(clinic, "results", kind="potassium", value="4,9", unit="", taken_at="2026-11-15T09:30", posture="")
    enter(clinic, "rhythms", value="sinus", taken_at="2026-11-15T09:30")
    enter(clinic, "events", kind="urgent_visit", cause="heart_failure", from_date="2026-11-10", to_date="")
    page = enter(clinic, "next-contacts", due_on="2026-12-01", way="call", staff_id="", role="nurse", agreed="yes")
    for told in (
        "Torasemide 20 mg, 1 a day, by mouth, since 16 Nov 2026",
        "Chemistry due by 30 November: Torasemide since 16 November",
        "Potassium 4.9 mmol/L on 15 Nov 2026", "Rhythm: sinus rhythm on 15 Nov 2026",
        "Urgent visit on 10 Nov 2026, heart failure", "Call by 1 December: nurse, agreed with the patient",
    ):  # fmt: skip
        assert told in page


def test_a_correction_a_withdrawal_and_a_contact_done_are_newer_rows(clinic: Clinic) -> None:  # noqa: F811
    enter(clinic, "medicines", **TORASEMIDE)
    with read_session(clinic.engine) as session:
        first = str(session.scalars(select(MedicineRow)).one().id)
    page = enter(clinic, "medicines", **TORASEMIDE | {"dose": "40"}, corrects=first)
    assert "Torasemide 40 mg" in page
    assert "Torasemide 20 mg" not in page
    path, late = clinic.path("Asha", PAGE), TORASEMIDE | {"dose": "60"}  # by a colleague, of the page as it was
    told = clinic.try_to_post(f"{path}/medicines", path, 409, corrects=first, **late)
    assert "somebody has corrected this or taken it back since you opened it" in told
    assert "Single dose (60)" in told
    second = re.findall(r'name="corrects" value="([^"]+)"', page)[-1]
    assert "Torasemide" not in enter(clinic, "medicines", corrects=second, do="withdraw", reason="never taken")
    enter(clinic, "next-contacts", due_on="2026-12-01", way="call", role="nurse")
    with read_session(clinic.engine) as session:
        planned = str(session.scalars(select(NextContact)).one().id)
    assert "Call by" not in enter(clinic, "next-contacts", corrects=planned, do="done")
    with read_session(clinic.engine) as session:
        assert [row.dose for row in session.scalars(select(MedicineRow).order_by(MedicineRow.entered_at))][:1] == ["20"]
        assert sorted(row.done_on is None for row in session.scalars(select(NextContact))) == [False, True]


def test_the_person_is_set_whole(clinic: Clinic) -> None:  # noqa: F811
    form = {"born_on": "1948-05-11", "sex": "female", "height_cm": "161,5", "altitude_m": "120", "device": "pacemaker"}
    page = enter(clinic, "person", **form, dialysis_days=["0", "3"])
    for told in ("11 May 1948", "Female", "161.5", "Pacemaker", "Monday and Thursday"):
        assert told in page
    with read_session(clinic.engine) as session:
        row = session.scalars(select(PersonRow)).one()
    assert (row.height_cm, row.altitude_m, row.dialysis_days, row.implanted_on) == (161.5, 120, 0b1001, None)
    enter(clinic, "person", dialysis_days="none")
    with read_session(clinic.engine) as session:
        newest = session.scalars(select(PersonRow).where(PersonRow.superseded_at.is_(None))).one()
    assert newest.dialysis_days == 0  # none, which is not the same as not known
    assert re.search(r'value="none" checked', clinic.get(clinic.path("Asha", PAGE)))
    page, before = clinic.path("Asha", PAGE), {"dialysis_days": "none", "stood": "of a page opened before"}
    told = clinic.try_to_post(f"{page}/person", page, 409, height_cm="150", **before)
    assert "You had sent otherwise: Height, cm (150)." in told.rpartition('/person"')[2]  # in that form itself


@pytest.mark.parametrize(
    ("name", "form", "field"),
    [
        ("medicines", TORASEMIDE | {"dose": "many"}, "Single dose"),
        ("medicines", TORASEMIDE | {"from_date": "soon"}, "From"),
        ("results", {"kind": "potassium mmol/L", "value": "49", "taken_at": "2026-11-15T09:30"}, "Value"),
        ("results", {"kind": "creatinine mg/dL", "value": "1.1", "taken_at": "noon"}, "Taken at, on their clock"),
        ("results", {"kind": "bnp pg/mL", "value": "49", "taken_at": "9999-12-31T23:59"}, "Taken at, on their clock"),
        ("arm-pressures", {"systolic": "700", "diastolic": "80", "posture": "lying"}, "Taken at, on their clock"),
        ("person", {"height_cm": "tall"}, "Height, cm"),
        ("next-contacts", {"due_on": "2026-12-01", "way": "call"}, "Colleague"),
    ],
)
def test_what_is_refused_is_said_by_its_field_and_kept_in_the_form(
    clinic: Clinic, name: str, form: dict[str, str], field: str  # noqa: F811
) -> None:  # fmt: skip
    page = clinic.path("Asha", PAGE)
    token = re.search(r'name="csrf_token" value="([^"]+)"', clinic.get(page))
    assert token is not None
    answer = clinic.client.post(f"{page}/{name}", data={"csrf_token": unescape(token[1]), **form})
    text = unescape(answer.get_data(as_text=True))
    told = re.search(rf"autofocus>Not recorded. {re.escape(field)}(: accepted is| is needed)", text)
    assert answer.status_code == 422
    assert told is not None
    assert text[: told.start()].rpartition('action="')[2].startswith(f'{page}/{name}"')  # in that form itself
    assert all(f'value="{value}"' in text for value in form.values() if value not in {"oral"})


def test_a_refusal_says_its_numbers_and_dates_in_the_readers_language(clinic: Clinic) -> None:  # noqa: F811
    clinic.client.environ_base["HTTP_ACCEPT_LANGUAGE"] = "es"
    page = clinic.path("Asha", PAGE)
    for form, told in (
        (
            ("results", {"kind": "potassium mmol/L", "value": "99,5", "taken_at": "2026-11-15T09:30"}),
            "de 1 a 12 mmol/L",
        ),
        (("medicines", TORASEMIDE | {"to_date": "2026-11-01"}), "una fecha desde el 16 nov 2026 y a"),
        (("medicines", TORASEMIDE | {"times_a_day": "99"}), "0,5 es un día sí y otro no"),
    ):
        answer = clinic._send(f"{page}/{form[0]}", page, form[1])
        assert told in unescape(answer.get_data(as_text=True))


def test_a_correction_that_was_refused_is_still_a_correction(clinic: Clinic) -> None:  # noqa: F811
    page = clinic.path("Asha", PAGE)
    shown = enter(clinic, "medicines", **TORASEMIDE)
    token = re.search(r'name="csrf_token" value="([^"]+)"', shown)
    (entry,) = set(re.findall(r'name="corrects" value="([^"]+)"', shown))
    assert token is not None
    sent = {"csrf_token": unescape(token[1]), "corrects": entry, **TORASEMIDE, "dose": "many"}
    (held,) = re.findall(
        r'<details class="tool" open>(.*?)</details>',
        clinic.client.post(f"{page}/medicines", data=sent).text,
        re.DOTALL,
    )
    assert f'name="corrects" value="{entry}"' in held
    assert 'value="many"' in held
    assert (
        clinic.client.post(f"{page}/medicines", data={"csrf_token": sent["csrf_token"], "do": "done"}).status_code
        == 422
    )
    sent |= {"do": "withdraw", "reason": ""}
    (held,) = re.findall(
        r'<details class="tool" open>(.*?)</details>',
        clinic.client.post(f"{page}/medicines", data=sent).text,
        re.DOTALL,
    )
    assert 'value="20"' in held


def test_dialysis_days_stay_in_a_form_that_was_refused(clinic: Clinic) -> None:  # noqa: F811
    page = clinic.path("Asha", PAGE)
    token = re.search(r'name="csrf_token" value="([^"]+)"', clinic.get(page))
    assert token is not None
    sent = {"csrf_token": unescape(token[1]), "height_cm": "tall", "dialysis_days": ["0", "3"]}
    text = clinic.client.post(f"{page}/person", data=sent).text
    assert re.findall(r'name="dialysis_days" value="(\d)" checked', text) == ["0", "3"]


def test_of_somebody_who_died_every_page_says_that_care_has_ended(clinic: Clinic) -> None:  # noqa: F811
    record, ended = clinic.path("Ben", PAGE), "Care here has ended"
    assert ended not in clinic.get(record) + clinic.get(clinic.path("Ben")) + clinic.get("/clinic/inbox")
    enter_stay = {"kind": "admission", "cause": "other", "from_date": "2026-11-20", "to_date": "2026-11-24"}
    clinic.post(f"{record}/events", record, **enter_stay)
    death = {"kind": "death", "cause": "not_known", "from_date": "2026-11-25"}
    token = re.search(r'name="csrf_token" value="([^"]+)"', clinic.get(record))
    assert token is not None
    asked = clinic.client.post(f"{record}/events", data=death | {"csrf_token": unescape(token[1])})
    assert (asked.status_code, "Has Ben Lindqvist died?" in asked.text) == (200, True)
    assert ended not in clinic.get(record)  # nothing was recorded yet
    clinic.post(
        f"{record}/events", record, **dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]+)"', asked.text))
    )
    for page in (record, clinic.path("Ben")):
        text = clinic.get(page)
        assert "Ben Lindqvist died on Wednesday 25 November 2026." in text
        assert f"{ended}: nothing is asked for, and nothing is sent." in text
        for undue in ("after discharge", "Sign</button>", "lane-word", "overdue", "Ways to reach", "Next to do"):
            assert undue not in text, undue
    assert clinic.get(clinic.path("Ben", "/timeline.svg")).startswith("<svg")
    inbox = clinic.get("/clinic/inbox")
    assert (ended in inbox, inbox.count("The patient has died.")) == (False, 1)
    assert "Ben Lindqvist" not in clinic.get("/clinic/review")


def test_an_administrator_reads_and_a_stranger_finds_nobody(clinic: Clinic) -> None:  # noqa: F811
    page = clinic.path("Asha", PAGE)
    clinic.enter("stranger")
    clinic.get(page, 404)


def test_the_review_says_in_one_line_what_changes_how_the_pressure_is_read(clinic: Clinic) -> None:  # noqa: F811
    opened = f"/clinic/review?open={clinic.path('Asha').rpartition('/')[2]}"
    enter(clinic, "medicines", **TORASEMIDE)
    days = (NOW.date() - date(2026, 11, 16)).days
    assert f"Torasemide changed {days} days ago." in clinic.get(opened)
    enter(clinic, "events", kind="admission", cause="other", from_date="2026-11-10", to_date="2026-11-17")
    refreshing.refresh(clinic.engine, NOW)
    after = f"ay {days - 1} after the discharge of 17 November"
    assert after in clinic.get(opened)
    page = unescape(clinic.get(clinic.path("Asha")))
    assert after in page
    assert f"Torasemide changed {days} days ago." in page
    assert "Visit by 1 December: nurse" in unescape(clinic.get(clinic.path("Asha", PAGE)))
    enter(clinic, "events", kind="urgent_visit", cause="heart_failure", from_date="2026-11-24")
    assert "above the level a week before the event of 24 November" in clinic.get(opened)
    assert "1 event. Not a limit unless accepted." in unescape(clinic.get(clinic.path("Asha")))


def test_the_record_stands_on_the_time_axis_and_in_the_joined_file(clinic: Clinic) -> None:  # noqa: F811
    enter(clinic, "medicines", **TORASEMIDE)
    enter(clinic, "results", kind="potassium", value="4.9", unit="", taken_at="2026-11-15T09:30")
    enter(clinic, "events", kind="admission", cause="other", from_date="2026-11-10", to_date="2026-11-12")
    drawn = clinic.get(clinic.path("Asha", "/timeline.svg"))
    assert "Potassium 4.9" in drawn
    table = unescape(clinic.get(clinic.path("Asha")))
    for told in ("Potassium 4.9 mmol/L on 15 Nov 2026", "Torasemide 20 mg, 1 a day, by mouth, since 16 Nov 2026",
                 "Admission from 10 Nov 2026 to 12 Nov 2026, another cause"):  # fmt: skip
        assert told in table
    rows = {row["local_date"]: row["record"] for row in csv.DictReader(io.StringIO(clinic.get(
        clinic.path("Asha", "/joined.csv"))))}  # fmt: skip
    assert {day: told for day, told in rows.items() if told} == {
        "2026-11-10": "event admission other", "2026-11-12": "event admission ended",
        "2026-11-15": "result potassium 4.9 mmol/L", "2026-11-16": "medicine Torasemide 20 mg x 1 oral begun",
    }  # fmt: skip
    shown = clinic.client.get(f"/api/v1/patients/{clinic.ids['Asha']}/review").get_json()
    assert shown["entered"] == {day: [told] for day, told in rows.items() if told}
    assert "Potassium 4.9 mmol/L on 15 Nov 2026</td>" in table


def test_what_is_asked_first_and_the_table_now_stand_on_the_patients_page(clinic: Clinic) -> None:  # noqa: F811
    page = unescape(clinic.get(clinic.path("Asha")))
    for told in ("nobody is named", "no medicine is entered", "none is entered"):
        assert told in page
    enter(clinic, "medicines", **TORASEMIDE)
    for day, value in (("15", "4.0"), ("16", "4.4"), ("17", "4.1"), ("20", "5.2")):
        enter(clinic, "results", kind="potassium", value=value, taken_at=f"2026-11-{day}T09:30")
    for posture, systolic, diastolic in (("lying", "142", "80"), ("standing", "118", "72")):
        pressure = {"systolic": systolic, "diastolic": diastolic, "posture": posture}
        enter(clinic, "arm-pressures", **pressure, taken_at="2026-11-20T10:00")
    page = re.sub(r"<[^>]+>|\s+", " ", unescape(clinic.get(clinic.path("Asha"))))
    page = re.sub(" +", " ", page)
    for told in (
        "Takes Torasemide 20 mg, 1 a day, by mouth", "Potassium 5.2 mmol/L (20 Nov 2026), before it 4.1 mmol/L (17 Nov 2026)",
        "above all their own 3 since 15 Nov 2026: 4.0 to 4.4 mmol/L", "142/80, 118/72 mmHg on 20 Nov 2026 on standing −24/−8",
        "40 mg a day as furosemide by mouth: torasemide oral × 2, by the clinic’s setting", "NYHA class not known",
    ):  # fmt: skip
        assert told in page, told


def test_the_level_before_events_is_a_limit_once_a_clinician_has_accepted_it(clinic: Clinic) -> None:  # noqa: F811
    page = clinic.path("Asha", PAGE)
    assert "accept-level" not in clinic.get(page)
    told = enter(clinic, "events", kind="urgent_visit", cause="heart_failure", from_date="2026-11-24")
    (level,) = re.findall(r'name="level" value="([^"]+)"', told)
    with read_session(clinic.engine) as session:
        before = session.scalars(select(Limits).where(Limits.origin.is_not(None))).all()
        assert [row for row in before if row.origin] == []
    clinic.post(f"{page}/accept-level", page, level="3.0")  # not what is known
    assert "Not accepted" in unescape(clinic.get(page))
    clinic.post(f"{page}/accept-level", page, level=level)
    told = unescape(clinic.get(page))
    assert re.search(
        rf"The upper limit of {float(level):.1f} mmHg was accepted from that level on 2\d November by \w", told
    )
    assert 'name="level"' not in told
    with read_session(clinic.engine) as session:
        newest = session.scalars(select(Limits).order_by(Limits.set_at.desc())).first()
        assert newest is not None
        assert (newest.upper, newest.origin and newest.origin["events"]) == (float(level), 1)
        assert newest.set_by.startswith("staff:")
        lines = session.scalars(select(AuditLine).where(AuditLine.action == "limits.set")).all()
        assert str(newest.id) in {str(line.subject_id) for line in lines}


def test_a_dose_that_was_changed_is_one_act_for_the_record_and_the_adjustments(clinic: Clinic) -> None:  # noqa: F811
    enter(clinic, "medicines", **TORASEMIDE, adjusts="yes")
    patient = clinic.path("Asha")
    page = unescape(clinic.get(patient))
    assert "Torasemide 20 mg, 1 a day, by mouth, since 16 Nov 2026" in page.split('id="adjustments"')[1]
    taken = re.search(r'<option value="([0-9a-f-]{36})">Torasemide', page)
    assert taken is not None
    form = {"kind": "medicine", "what": "Torasemide up", "made_on": "2026-11-24", "medicine_id": taken[1], "dose": "40"}
    clinic.post(f"{patient}/adjustments", patient, **form)
    with read_session(clinic.engine) as session:
        courses = {row.dose: row for row in session.scalars(select(MedicineRow)) if row.superseded_at is None}
        made = session.scalars(select(Adjustment).where(Adjustment.what == "Torasemide up")).one()
    assert (courses["20"].to_date, courses["40"].from_date) == (date(2026, 11, 23), date(2026, 11, 24))
    assert made.medicine_id == courses["40"].id
    # A dose that was typed wrongly is put right beside the adjustment too; a course taken back is none to point at.
    enter(clinic, "medicines", **TORASEMIDE | {"dose": "30", "from_date": "2026-11-24", "corrects": made.medicine_id})
    page = unescape(clinic.get(patient)).split('id="adjustments"')[1]
    assert ("Torasemide 30 mg" in page, "Torasemide 40 mg" in page) == (True, False)
    with read_session(clinic.engine) as session:
        newest = session.scalars(select(MedicineRow).where(MedicineRow.dose == "30")).one().id
    enter(clinic, "medicines", corrects=newest, do="withdraw", reason="wrong")
    clinic.post(f"{patient}/adjustments", patient, **form | {"what": "Up again", "dose": ""})
    taken_back = form | {"what": "Again", "dose": "", "medicine_id": str(made.medicine_id)}
    clinic.try_to_post(f"{patient}/adjustments", patient, status=422, **taken_back)
    with read_session(clinic.engine) as session:
        kept = session.scalars(select(Adjustment.what).where(Adjustment.what.in_(["Up again", "Again"]))).all()
    assert kept == ["Up again"]
    wrong = form | {"kind": "diet", "what": "Less salt", "dose": "", "medicine_id": str(courses["40"].id)}
    clinic.try_to_post(f"{patient}/adjustments", patient, status=422, **wrong)
    with read_session(clinic.engine) as session:
        assert session.scalar(select(Adjustment.id).where(Adjustment.what == "Less salt")) is None


def test_a_medicine_entered_as_a_change_ends_the_one_before_it_and_otherwise_the_page_asks(clinic: Clinic) -> None:  # noqa: F811
    page = clinic.path("Asha", PAGE)
    enter(clinic, "medicines", **TORASEMIDE)
    doubled = TORASEMIDE | {"name": "torasemide", "dose": "40", "from_date": "2026-11-24"}
    same_day = doubled | {"from_date": "2026-11-16", "adjusts": "yes"}
    token = re.search(r'name="csrf_token" value="([^"]+)"', clinic.get(page))
    assert token is not None
    refused = clinic.client.post(f"{page}/medicines", data=same_day | {"csrf_token": unescape(token[1])})
    assert "Not recorded. From: accepted is" in unescape(refused.text)
    asked = clinic.client.post(f"{page}/medicines", data=doubled | {"csrf_token": unescape(token[1])})
    assert "Not recorded. If they take it already: accepted is one of the two" in unescape(asked.text)
    enter(clinic, "medicines", **doubled, earlier="beside")
    with read_session(clinic.engine) as session:
        beside = session.scalars(select(MedicineRow).where(MedicineRow.dose == "40")).one().id
    enter(clinic, "medicines", corrects=beside, do="withdraw", reason="meant as a change")
    enter(clinic, "medicines", **doubled, adjusts="yes")
    told = re.sub(r"<[^>]+>|\s+", " ", unescape(clinic.get(clinic.path("Asha"))))
    assert re.search(r"Takes\s+torasemide 40 mg, 1 a day, by mouth\s+Kidney", told)


def test_whoever_died_is_found_by_name_for_a_wrong_entry_to_be_taken_back(clinic: Clinic) -> None:  # noqa: F811
    death = {"kind": "death", "cause": "other", "from_date": "2026-11-24", "confirmed": "yes"}
    enter(clinic, "events", **death)
    assert "Asha" not in clinic.get("/clinic/patients")
    assert f'No longer looked after here: <a href="{clinic.path("Asha")}">' in clinic.get("/clinic/patients?name=asha")
    upkeep = clinic.path("Asha", "/upkeep")
    assert "take it back in the record first" in clinic.get(upkeep)
    with read_session(clinic.engine) as session:
        entered = session.scalars(select(EventRow).where(EventRow.kind == EventKind.DEATH)).one().id
    page = enter(clinic, "events", corrects=entered, do="withdraw", reason="another person")
    assert "Taken back. Care here is still ended until you begin it again." in page
    assert f'<a href="{upkeep}#begin">Begin care again</a>' in page
    clinic.post(f"{upkeep}/begin", upkeep, from_date="2026-11-25", why="ended_by_mistake")
    assert "Care here has ended" not in clinic.get(clinic.path("Asha"))


def test_a_limit_for_results_is_typed_for_one_patient_and_a_result_beyond_it_is_said_once(clinic: Clinic) -> None:  # noqa: F811
    opened = f"/clinic/review?open={clinic.path('Asha').rpartition('/')[2]}"
    page = enter(clinic, "result-limits", kind="potassium mmol/L", lower="", upper="5,5", note="on an MRA")
    assert re.search(r"Potassium: up to 5\.5 mmol/L, set on 25 November by \w", page)
    enter(clinic, "results", kind="potassium mmol/L", value="5.8", taken_at="2026-11-24T09:30")
    told = "Potassium 5.8 mmol/L on 24 November: above this patient’s limit of 5.5 mmol/L, set on 25 November."
    row = re.sub(r"</?b>", "", unescape(clinic.get(opened)))
    assert (row.count(told), row.count("<p>Potassium 5.8, limit 5.5</p>")) == (1, 1)  # and no second line
    assert told in unescape(clinic.get(clinic.path("Asha", PAGE)))
    form = {"kind": "diet", "what": "Less salt", "made_on": "2026-11-24"}
    enter(clinic, "person", fluid_ml="1500", sodium_mg="2000")
    clinic.post(f"{clinic.path('Asha')}/adjustments", clinic.path("Asha"), **form)
    assert "fluid up to 1500 mL a day and sodium up to 2000 mg a day" in unescape(clinic.get(clinic.path("Asha")))
    with read_session(clinic.engine) as session:
        made = session.scalars(select(Adjustment).where(Adjustment.what == "Less salt")).one()
        assert made.person_id == session.scalars(select(PersonRow.id).where(PersonRow.superseded_at.is_(None))).one()


def test_a_patients_pages_ask_as_many_queries_of_a_long_record_as_of_a_short_one(clinic: Clinic) -> None:  # noqa: F811
    least = [str(one.most) for one in results.MEASURES.values()]

    def fill(turn: int) -> None:
        day = date(2026, 11, 1 + turn)
        with write_session(clinic.engine) as session:
            who = session.get_one(Patient, clinic.ids["Asha"])
            act = Act(session, Actor(ActorKind.STAFF, clinic.staff["nurse"]), who.clinic_id, NOW)
            course = {"kind": "mra", "dose": "25", "times_a_day": "1"}
            for name, new in {
                "events": {"kind": "urgent_visit"}, "medicines": course | {"name": f"Invented {turn}"},
                "results": {"kind": "potassium", "value": "6", "taken_at": f"{day.isoformat()}T09:00:00+00:00"},
                "result-limits": {"kind": list(results.MEASURES)[turn], "lower": least[turn]},
                "next-contacts": {"due_on": NOW.date().isoformat(), "staff_id": str(clinic.staff["nurse"])},
            }.items():  # fmt: skip
                dated = {"from_date": day.isoformat()} if name in {"events", "medicines"} else {}
                KINDS[name].record(act, who, **KINDS[name].takes().load(dict(new) | dated))
            what = NewAdjustment(AdjustmentKind.DIET, "less salt", day)
            adjusting.record_adjustment(act, who.id, what)

    def asked() -> dict[str, int]:
        counted = {}
        for path in (clinic.path("Asha"), clinic.path("Asha", PAGE), f"/api/v1/patients/{clinic.ids['Asha']}/record"):
            clinic.get(path)
            with statements_of(clinic.engine, "SELECT") as said:
                clinic.get(path)
            counted[path] = len(said)
        return counted

    fill(2)
    short = asked()
    for turn in range(3, 12):
        fill(turn)
    assert asked() == short
    assert "4 earlier ones" in clinic.get(clinic.path("Asha", PAGE))
