"""Looking back: why readings stop, how the clinic is doing, who was reviewed, and the records on paper."""

from __future__ import annotations

import csv
import io
import uuid
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from pypdf import PdfReader

from service.care import persons
from service.domain.vocabulary import (
    AdjustmentKind,
    ArmPosture,
    ContactWay,
    EventKind,
    Outcome,
    Paper,
    PatientState,
    PauseCause,
    ResultKind,
    Rhythm,
    Role,
    SilenceCause,
    StepKind,
    StepState,
    WindowState,
)
from service.enrolling import clinics
from service.intake.results import record_result
from service.recording import events, next_contacts
from service.reports import charts, exports, pdf
from service.reviewing import covering, measuring, records, signing
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.joining import entered_words, everybody, joined_days
from service.reviewing.patient import build_patient, entered_of, timeline_of
from service.store.audit import OPERATOR, Act
from service.store.tables import Patient, Step, Window
from tests.builder import acting
from tests.inwords import ENGLISH
from tests.ward import NOW, Ward

STEADY = [18.0, 18.5, 17.5, 18.2, 17.8] * 8
TODAY = date(2026, 11, 25)
WEEK = date(2026, 11, 23)


def sign(ward: Ward, patient, outcome=Outcome.NO_CHANGE, note="", now=None):
    return signing.sign(acting(ward.session, ward.nurse, now or ward.now), patient.id, outcome, note, None)


# --- why readings stop -------------------------------------------------------------------


def test_the_calendar_has_every_patient_and_every_date_fewest_readings_first(ward):
    ward.patient("Full", pressures=STEADY)
    ward.patient("Gaps", pressures=[*STEADY[:-3], None, None, 18.0])
    ward.patient("Nothing")
    told = measuring.why_readings_stop(ward.session, ward.clinic.id, ward.now)
    assert [row.name for row in told.calendar] == ["Gaps", "Full", "Nothing"]
    assert len(told.dates) == 30
    assert told.calendar[0].marks.endswith("rmmr")
    assert all(len(row.marks) == 30 for row in told.calendar)
    assert (told.received, told.expected) == (58, 60)


def test_silences_are_grouped_by_cause_with_those_still_silent_first(ward):
    for name, cause in (("A", SilenceCause.NO_REPLY), ("B", SilenceCause.DIARY_ONLY), ("C", SilenceCause.NO_REPLY)):
        silence = ward.silence(ward.patient(name, pressures=STEADY), 4, cause)
        if name == "A":
            silence.ended_at = ward.now
    gone = ward.patient("Gone", pressures=STEADY)
    ward.silence(gone, 5, SilenceCause.NO_REPLY)
    gone.state = PatientState.ENDED  # who is not asked any more is not silent
    ward.session.flush()
    told = measuring.why_readings_stop(ward.session, ward.clinic.id, ward.now)
    assert [(row.patient, row.ended) for row in told.causes[SilenceCause.NO_REPLY]] == [
        ("C", False),
        ("Gone", True),
        ("A", True),
    ]
    assert [row.patient for row in told.causes[SilenceCause.DIARY_ONLY]] == ["B"]
    assert told.causes[SilenceCause.NOT_ASKED] == ()


def step(ward: Ward, window: Window, position: int, kind: StepKind, at: datetime) -> None:
    ward.session.add(
        Step(
            clinic_id=ward.clinic.id,
            window_id=window.id,
            patient_id=window.patient_id,
            position=position,
            kind=kind,
            due_at=at,
            state=StepState.DONE,
            settled_at=at,
        )
    )


def test_what_asking_brought_counts_each_reading_after_the_last_step_before_it(ward):
    patient = ward.patient("Asha")
    # Five windows: early; after the prompt; after the reminder; after the nudge; never.
    for ago, came_after in enumerate((None, 1, 2, 3, 99)):
        day = TODAY - timedelta(days=ago)
        window = ward.window(patient, day, WindowState.MISSED if came_after == 99 else WindowState.ANSWERED)
        ward.session.flush()
        opens = window.opens_at
        for position, kind in enumerate((StepKind.PROMPT, StepKind.REMINDER, StepKind.NUDGE)):
            if came_after is not None and position < came_after:
                step(ward, window, position, kind, opens + timedelta(hours=position + 1))
        if came_after is None:
            window.reading_at = opens - timedelta(minutes=5)
        elif came_after != 99:
            window.reading_at = opens + timedelta(hours=came_after, minutes=30)
    ward.session.flush()
    told = measuring.why_readings_stop(ward.session, ward.clinic.id, ward.now)
    # Of each step one whole: for whom it was done while the reading had not come.
    assert [(row.step, row.came.part, row.came.whole) for row in told.brought] == [
        (None, 1, 5),
        (StepKind.PROMPT, 1, 4),
        (StepKind.REMINDER, 1, 3),
        (StepKind.NUDGE, 1, 2),
        (StepKind.TASK, 0, 0),
    ]
    assert not any(row.is_enough for row in told.brought)


def test_a_habit_is_told_on_the_patients_own_clock_and_only_when_there_is_one(ward):
    ward.patient("Far", zone="Pacific/Auckland", pressures=STEADY)
    told = measuring.why_readings_stop(ward.session, ward.clinic.id, ward.now)
    assert told.calendar[0].usual_hour == "07:30"
    assert told.hours[7] == sum(told.hours) > 0
    from service.reviewing.measuring import usual_hour

    assert usual_hour([60, 500, 900, 1200, 300, 20]) == ""
    assert usual_hour([450, 451]) == ""


# --- how the clinic is doing ----------------------------------------------------------------


def test_the_measures_worked_by_hand(ward):
    asha = ward.patient("Asha", pressures=STEADY, enrolled_days_ago=30)
    ben = ward.patient("Ben", pressures=[*STEADY[:-2], None, 18.0], enrolled_days_ago=30)
    for patient, raised, ended in ((asha, date(2026, 11, 9), date(2026, 11, 20)), (ben, date(2026, 11, 16), None)):
        ward.signal(patient, raised, date(2026, 11, 1), ended)
    ward.adjusts(asha, NewAdjustment(AdjustmentKind.MEDICINE, "Tablet", date(2026, 11, 12)))
    ward.pause(ben, PauseCause.IN_HOSPITAL, date(2026, 11, 18), date(2026, 11, 21))
    sign(ward, asha)
    told = measuring.measure(ward.session, ward.clinic.id, ward.now, weeks=2)
    assert [(week.first, week.running) for week in told.weeks] == [
        (date(2026, 11, 9), False), (date(2026, 11, 16), False), (WEEK, True),
    ]  # fmt: skip
    lately, now = told.lately, told.weeks[-1].figures
    # 14 days from 9 to 22 November for two patients; the reading that is missing, of the 24th, is of the running week.
    assert (lately.readings.part, lately.readings.whole) == (28, 28)
    assert (now.readings.part, now.readings.whole) == (5, 6)
    assert (lately.first_contact.median_days, lately.first_contact.open) == (3.0, 1)  # 9th to 12th; Ben waits
    assert (lately.to_settled.median_days, lately.to_settled.known) == (8.0, 1)  # 12th to 20th
    assert (lately.signals, lately.episodes, lately.nights) == (2, 2, 3)
    assert lately.signals_per_100 == pytest.approx(2 / (2 * 14 / 7) * 100)
    # Nobody had signed anything before this week: those weeks are not told as failures.
    assert [(week.figures.reviews.part, week.figures.reviews.whole) for week in told.weeks] == [(0, 0), (0, 0), (1, 2)]
    assert told.before is None


def test_what_cannot_be_known_is_not_zero_and_weeks_before_anybody_was_there_are_not_counted(ward):
    told = measuring.measure(ward.session, ward.clinic.id, ward.now)
    assert [week.running for week in told.weeks] == [True]
    assert (told.lately.weeks, told.lately.readings.percent, told.lately.signals_per_100) == (0, None, None)
    assert told.lately.first_contact.median_days is None


def test_the_last_quarter_stands_beside_the_weeks_before_it(ward):
    ward.patient("Asha", pressures=STEADY, enrolled_days_ago=7 * 15)
    gone = ward.patient("Gone", enrolled_days_ago=7 * 15)
    gone.state = PatientState.ENDED
    ward.session.flush()
    told = measuring.measure(ward.session, ward.clinic.id, ward.now)
    assert told.before is not None
    assert (len(told.weeks), told.lately.weeks, told.before.weeks) == (16, 13, 2)
    assert told.lately.patient_weeks == 13  # of whom care has ended, nobody is watched


def test_coverage_names_who_was_not_reviewed_in_each_week(ward):
    asha, ben = ward.patient("Asha", pressures=STEADY), ward.patient("Ben", pressures=STEADY)
    ward.patient("New", enrolled_days_ago=1)
    sign(ward, asha)
    sign(ward, asha, now=ward.now - timedelta(days=7))
    now, before = covering.coverage(ward.session, ward.clinic.id, ward.now, 2)
    assert (now.first, now.signed, now.enrolled, now.unsigned) == (WEEK, 1, 3, ("Ben", "New"))
    assert (before.signed, before.enrolled, before.unsigned) == (1, 2, ("Ben",))
    ben.state = PatientState.ENDED
    ward.session.flush()
    # Who goes takes nothing out of the weeks in which they were looked after, nor out of the running one.
    gone = replace(now, stayed=("New",), left_unsigned=("Ben",))
    assert covering.coverage(ward.session, ward.clinic.id, ward.now, 2) == [gone, before]
    assert len(records.weekly_record(ward.session, ward.clinic.id, WEEK, ENGLISH).facts["everybody"]) == now.enrolled


# --- records ------------------------------------------------------------------------------------


def text_of(written: bytes) -> str:
    return " ".join(page.extract_text() for page in PdfReader(io.BytesIO(written)).pages)


def born(ward: Ward, patient, on: date) -> None:
    persons.set_person(Act(ward.session, OPERATOR, ward.clinic.id, ward.now), patient, born_on=on)
    ward.session.flush()


def weekly(ward: Ward) -> bytes:
    record = records.weekly_record(ward.session, ward.clinic.id, WEEK, ENGLISH)
    return pdf.write("weekly", record.facts, record.written)


def test_the_weekly_record_holds_what_was_signed_and_who_was_not(ward):
    asha = ward.patient("Asha Okoro", pressures=STEADY, reference=18.0)
    ben = ward.patient("Ben Unsigned", pressures=STEADY)
    born(ward, asha, date(1941, 5, 3))
    sign(ward, asha, Outcome.CALLED, "Spoke on the telephone.")
    born(ward, asha, date(1941, 3, 5))  # what was signed stays as it was read
    record = records.weekly_record(ward.session, ward.clinic.id, WEEK, ENGLISH)
    assert record.facts["everybody"] == [
        [
            f"Asha Okoro, {asha.clinic_ref}", "3 May 1941", "Not heard from", "Too little came to say", "Called",
            "Imogen Vale, 25 Nov 2026, 15:00 GMT",
        ],
        [f"Ben Unsigned, {ben.clinic_ref}", "not known", "–", "–", "not signed", "–"],
    ]  # fmt: skip
    told = text_of(weekly(ward))
    for expected in (
        "Weekly review, Monday 23 November 2026",
        "Asha Okoro",
        "Called",
        "Spoke on the telephone.",
        "Imogen Vale",
        "1 of 2 patients",
        "not signed",
        "born 3 May 1941",
        "Times: Europe/London",
        "Ben Unsigned",
    ):
        assert expected in told


# ISO 216 and ANSI/ASME Y14.1: A4 is 210 mm by 297 mm, Letter 8.5 in by 11 in; a point is 1/72 in.
@pytest.mark.parametrize(("paper", "size"), [(Paper.A4, (595, 842)), (Paper.LETTER, (612, 792))])
def test_both_records_are_on_the_clinics_paper_and_number_their_pages(ward, paper, size):
    asha = ward.patient("Asha", pressures=STEADY, reference=18.0)
    born(ward, asha, date(1941, 5, 3))
    clinics.change_clinic(Act(ward.session, OPERATOR, ward.clinic.id, ward.now), ward.clinic, {"paper": paper})
    sign(ward, asha)
    for written in (weekly(ward), patient_pdf(ward, asha)):
        pages = PdfReader(io.BytesIO(written)).pages
        assert {tuple(map(round, page.mediabox[2:])) for page in pages} == {size}
        for number, page in enumerate(pages, 1):
            assert f"{number} of {len(pages)}" in page.extract_text()
    # Who it is stands on each of a patient's pages, and the chart and what staff wrote on the first.
    assert all("born 3 May 1941" in page.extract_text() for page in pages[1:])
    assert "Week from 23 Nov 2026: No change" in pages[0].extract_text()
    assert "PA systolic" in pages[0].extract_text()


def test_a_record_is_tagged_says_its_language_and_title_and_gives_every_picture_its_words(ward):
    sign(ward, ward.patient("Asha", pressures=STEADY, reference=18.0))
    reader = PdfReader(io.BytesIO(weekly(ward)))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    tags = list(_tags(root["/StructTreeRoot"]))
    assert {"/H1", "/H2", "/H3", "/Figure"} <= {tag for tag, _ in tags}
    pictures = [alt for tag, alt in tags if tag == "/Figure"]
    assert pictures
    assert all("PA diastolic over 30 days" in alt for alt in pictures)
    # PDF/UA-1 is claimed in the metadata (ISO 14289-1, 5).
    assert b"pdfuaid:part" in root["/Metadata"].get_data()


def _tags(node):
    kids = node.get("/K", [])
    for kid in kids if isinstance(kids, list) else [kids]:
        kid = kid.get_object() if hasattr(kid, "get_object") else kid
        if isinstance(kid, dict):
            if "/S" in kid:
                yield kid["/S"], kid.get("/Alt", "")
            yield from _tags(kid)


def test_the_same_record_is_the_same_bytes_and_later_data_changes_neither(ward):
    asha = ward.patient("Asha", pressures=STEADY, reference=18.0)
    sign(ward, asha)
    first = weekly(ward)
    assert weekly(ward) == first
    ward.reading(asha, TODAY - timedelta(days=40), 44.0)
    ward.session.flush()
    assert weekly(ward) == first


def test_a_character_no_font_can_show_is_replaced_and_never_fails_a_record(ward):
    asha = ward.patient("Asha \U0001f9ff 漢字", pressures=STEADY, reference=18.0)
    sign(ward, asha, note="emoji \U0001fae8, control \x07, private \U0010fffd, Cyrillic Ж, arrow →, minus −")
    told = text_of(weekly(ward))
    assert "Asha" in told
    assert "Cyrillic Ж" in told
    assert "private □" in told
    assert "\U0010fffd" not in told


def test_there_is_no_record_of_a_day_that_begins_no_review_week(ward):
    with pytest.raises(LookupError):
        records.weekly_record(ward.session, ward.clinic.id, date(2026, 11, 24), ENGLISH)


def patient_pdf(ward: Ward, patient) -> bytes:
    import vl_convert

    record, seen = records.patient_record(ward.session, ward.clinic.id, patient.id, None, ward.now, ENGLISH)
    facts = timeline_of(seen, ENGLISH)
    drawn = vl_convert.vegalite_to_svg(charts.on_paper(facts, ENGLISH), allowed_base_urls=[])
    timeline = {
        "svg": drawn,
        "alt": charts.describe(facts, ENGLISH, "The table in this record holds every value."),
        "caption": "A line breaks where a day has no value.",
    }
    return pdf.write("patient", record.facts | {"timeline": timeline}, record.written)


@pytest.mark.databases("sqlite")
def test_thirty_days_of_a_patient_tell_days_reviews_adjustments_and_every_value(ward):
    asha = ward.patient("Asha Okoro", pressures=[*STEADY[:-1], None], weights=[81.4] * 30, reference=18.0)
    sign(ward, asha, Outcome.ADJUSTED, "Will weigh daily.")
    new = NewAdjustment(AdjustmentKind.MEDICINE, "Water tablet in the evening", TODAY, TODAY, "Chemistry")
    ward.adjusts(asha, new)
    written = patient_pdf(ward, asha)
    told = text_of(written)
    for expected in (
        "29 of 30",
        "1 review signed",
        "Will weigh daily.",
        "Water tablet in the evening",
        "Chemistry",
        "81.4 kg",
        "no reading",
        "36/18 (24)",
    ):
        assert expected in told
    assert patient_pdf(ward, asha) == written
    alts = [
        alt
        for tag, alt in _tags(PdfReader(io.BytesIO(written)).trailer["/Root"]["/StructTreeRoot"])
        if tag == "/Figure"
    ]
    assert any("Time line from 27 October to 25 November" in alt for alt in alts)


@pytest.mark.databases("sqlite")
def test_the_printed_record_holds_what_was_entered_until_its_last_day(ward):
    asha = ward.patient("Asha Okoro", pressures=STEADY)
    act, there = Act(ward.session, OPERATOR, ward.clinic.id, ward.now), ward.session.get_one(Patient, asha.id)
    for days_ago, value in ((40, "4.1"), (3, "4.8")):
        taken = ward.now - timedelta(days=days_ago)
        record_result(act, there, kind=ResultKind.POTASSIUM, value=value, taken_at=taken)
    record_result(act, there, kind=ResultKind.RHYTHM, value=Rhythm.SINUS, taken_at=ward.now - timedelta(days=2))
    told = text_of(patient_pdf(ward, asha))
    for expected in (
        "Rhythm: sinus rhythm on 23 Nov 2026",
        "nobody is named",
        "before: 4.1 mmol/L on 16 Oct 2026",
        "NYHA class not known",
        "(4.1 mmol/L on",
    ):
        assert expected in told, expected
    soon = TODAY + timedelta(days=3)
    next_contacts.plan_contact(act, there, due_on=soon, way=ContactWay.CALL, role=Role.NURSE)
    today, _ = records.patient_record(ward.session, ward.clinic.id, asha.id, None, ward.now, ENGLISH)
    assert "28 November" in today.facts["record"]["next"]
    earlier, _ = records.patient_record(
        ward.session, ward.clinic.id, asha.id, TODAY - timedelta(days=5), ward.now, ENGLISH
    )
    (potassium,) = (line for line in earlier.facts["record"]["now"] if line[0] == "Potassium")
    assert potassium[1:3] == ["4.1 mmol/L", "16 Oct 2026"]
    assert earlier.facts["record"]["next"] == ""
    events.record_event(act, there, kind=EventKind.DEATH, from_date=TODAY, confirmed=True)
    record, seen = records.patient_record(ward.session, ward.clinic.id, asha.id, None, ward.now, ENGLISH)
    assert record.facts["record"]["died"] == "Asha Okoro died on Wednesday 25 November 2026."
    assert (record.facts["record"]["next"], seen.ahead, seen.placed) == ("", (), None)
    assert not {"Level", "Trend"} & {name for name, _ in record.facts["facts"]}


def test_page_print_and_file_agree_on_the_day_and_the_posture_of_what_was_entered(ward):
    asha = ward.patient("Asha Okoro", pressures=STEADY)
    act, there = Act(ward.session, OPERATOR, ward.clinic.id, ward.now), ward.session.get_one(Patient, asha.id)
    stay = {"from_date": TODAY - timedelta(days=40), "to_date": TODAY - timedelta(days=20)}
    events.record_event(act, there, kind=EventKind.ADMISSION, **stay)
    for days_ago, posture, value in ((9, "lying", "139"), (2, "lying", "142"), (1, "standing", "118")):
        taken = {"taken_at": ward.now - timedelta(days=days_ago), "posture": ArmPosture(posture)}
        record_result(act, there, kind=ResultKind.SYSTOLIC, value=value, **taken)
    seen = build_patient(ward.session, ward.clinic.id, asha.id, ward.now, days=30)
    page = entered_of(timeline_of(seen, ENGLISH))
    assert set(page) == {TODAY - timedelta(days=days) for days in (9, 2, 1)}  # the stay began before
    assert set(page) <= set(entered_words(seen))
    printed, _ = records.patient_record(ward.session, ward.clinic.id, asha.id, None, ward.now, ENGLISH)
    assert [line.split(" (")[-1] for line in printed.facts["record"]["results"][1:]] == [
        "139 mmHg on 16 Nov 2026), lying", "Arm pressure, systolic 118 mmHg on 24 Nov 2026, standing",
    ]  # fmt: skip


def test_a_record_of_a_period_that_has_not_ended_or_of_anothers_patient_does_not_exist(ward):
    asha = ward.patient("Asha", pressures=STEADY)
    with pytest.raises(LookupError):
        records.patient_record(ward.session, ward.clinic.id, asha.id, TODAY + timedelta(days=1), ward.now, ENGLISH)
    with pytest.raises(LookupError):
        records.patient_record(ward.session, uuid.uuid4(), asha.id, None, ward.now, ENGLISH)


# --- CSV -------------------------------------------------------------------------------------------


def test_the_joined_csv_has_a_row_for_every_day_and_keeps_halves(ward):
    asha = ward.patient("Asha", pressures=[None, 18.0, None])
    ward.checkin(asha, TODAY, {"weight_kg": 81.0, "note": '=1+1, "quoted"\nline', "woke_breathless": True})
    ward.session.flush()
    whose = everybody(ward.session, ward.clinic.id)
    text = "".join(exports.joined_csv(joined_days(ward.session, ward.clinic, whose, ward.now, 3)))
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [row["local_date"] for row in rows] == ["2026-11-23", "2026-11-24", "2026-11-25"]
    assert [row["pa_diastolic_mmhg"] for row in rows] == ["", "18", ""]
    assert [row["checked_in"] for row in rows] == ["no", "no", "yes"]
    assert rows[2]["weight_kg"] == "81"
    assert rows[2]["woke_breathless"] == "yes"
    # No cell may be taken for a formula (OWASP, "CSV injection").
    assert rows[2]["note"] == '\'=1+1, "quoted"\nline'
    assert text.count("\r\n") == 4  # RFC 4180 line ends; the note's own line feed is inside its quotes
    assert {row["patient_state"] for row in rows} == {"active"}

    # Whoever is not looked after any more is there too, from the first day on until the last of which anything is known.
    asha.state = PatientState.ENDED
    ben = ward.patient("Ben")
    ward.session.flush()
    whose, later = everybody(ward.session, ward.clinic.id), ward.now + timedelta(days=9)
    whole = {one.clinic_ref: one for one in joined_days(ward.session, ward.clinic, whose, later)}
    ended, goes_on = whole[asha.clinic_ref], whole[ben.clinic_ref]
    assert (ended.state, ended.days[-1].day) == (PatientState.ENDED, TODAY)
    assert ended.days[0].day == asha.enrolled_at.date() < TODAY - timedelta(days=3)
    assert goes_on.days[-1].day == TODAY + timedelta(days=9)


def test_the_day_after_the_week_is_written_at_the_last_signature(ward):
    asha = ward.patient("Asha", pressures=STEADY)
    sign(ward, asha)
    assert records.weekly_record(ward.session, ward.clinic.id, WEEK, ENGLISH).written == NOW
    empty = records.weekly_record(ward.session, ward.clinic.id, date(2026, 11, 16), ENGLISH)
    assert empty.written == datetime(2026, 11, 16, tzinfo=UTC)
