"""Looking back: why readings stop, how the clinic is doing, who was reviewed, and the records on paper."""

from __future__ import annotations

import csv
import io
import uuid
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta

import pytest
from pypdf import PdfReader
from sqlalchemy import Engine

from service.domain import factjson
from service.domain.signals.facts import Picture, PictureFacts
from service.domain.vocabulary import (
    AdjustmentKind,
    Outcome,
    PauseCause,
    SignalKind,
    SilenceCause,
    StepKind,
    StepState,
    WindowState,
)
from service.reports import charts, exports, pdf
from service.reviewing import adjusting, measuring, records, signing
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.patient import joined_days, timeline_of
from service.store.session import write_session
from service.store.tables import Signal, Step, Window
from tests.inwords import ENGLISH
from tests.ward import NOW, Ward, open_ward

STEADY = [18.0, 18.5, 17.5, 18.2, 17.8] * 8
TODAY = date(2026, 11, 25)
WEEK = date(2026, 11, 23)


@pytest.fixture
def ward(engine: Engine) -> Iterator[Ward]:
    with write_session(engine) as session:
        yield open_ward(session)


def sign(ward: Ward, patient, outcome=Outcome.NO_CHANGE, note="", now=None):
    return signing.sign(ward.session, ward.clinic.id, patient.id, ward.nurse, outcome, note, None, now or ward.now)


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
    ward.session.flush()
    told = measuring.why_readings_stop(ward.session, ward.clinic.id, ward.now)
    assert [row.patient for row in told.causes[SilenceCause.NO_REPLY]] == ["C", "A"]
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
    assert [(row.step, row.came, row.still_waiting) for row in told.brought] == [
        (None, 1, 5),
        (StepKind.PROMPT, 1, 4),
        (StepKind.REMINDER, 1, 3),
        (StepKind.NUDGE, 1, 2),
        (StepKind.TASK, 0, 1),
    ]
    assert [row.done for row in told.brought] == [5, 4, 3, 2, 0]


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
        ward.session.add(
            Signal(
                clinic_id=ward.clinic.id,
                patient_id=patient.id,
                kind=SignalKind.RISING,
                raised_on=raised,
                raised_at=ward.now,
                began_on=date(2026, 11, 1),
                facts=factjson.pack(PictureFacts(Picture.UP_AND_WELL, raised)),
                ended_on=ended,
            )
        )
    adjusting.record_adjustment(
        ward.session,
        ward.clinic.id,
        asha.id,
        NewAdjustment(AdjustmentKind.MEDICINE, "Tablet", date(2026, 11, 12)),
        ward.nurse,
        ward.now,
    )
    ward.pause(ben, PauseCause.IN_HOSPITAL, date(2026, 11, 18), date(2026, 11, 21))
    sign(ward, asha)
    told = measuring.measure(ward.session, ward.clinic.id, ward.now, weeks=3)
    assert [week.first for week in told.weeks] == [date(2026, 11, 9), date(2026, 11, 16), WEEK]
    # 17 days from 9 to 25 November for two patients, one reading missing.
    assert (told.readings.part, told.readings.whole) == (33, 34)
    assert (told.first_contact.median_days, told.first_contact.open) == (3.0, 1)  # 9th to 12th; Ben waits
    assert (told.to_settled.median_days, told.to_settled.known) == (8.0, 1)  # 12th to 20th
    assert told.signals == 2
    assert told.signals_per_100 == pytest.approx(2 / (2 * 17 / 7) * 100)
    assert told.nights == 3
    assert [(week.reviews.part, week.reviews.whole) for week in told.weeks] == [(0, 2), (0, 2), (1, 2)]


def test_what_cannot_be_known_is_not_zero(ward):
    told = measuring.measure(ward.session, ward.clinic.id, ward.now)
    assert told.readings.percent is None
    assert told.first_contact.median_days is None
    assert told.signals_per_100 is None


def test_coverage_names_who_was_not_reviewed_in_each_week(ward):
    asha, _ben = ward.patient("Asha", pressures=STEADY), ward.patient("Ben", pressures=STEADY)
    ward.patient("New", enrolled_days_ago=1)
    sign(ward, asha)
    sign(ward, asha, now=ward.now - timedelta(days=7))
    now, before = measuring.coverage(ward.session, ward.clinic.id, ward.now, 2)
    assert (now.first, now.signed, now.enrolled, now.unsigned) == (WEEK, 1, 3, ("Ben", "New"))
    assert (before.signed, before.enrolled, before.unsigned) == (1, 2, ("Ben",))


# --- records ------------------------------------------------------------------------------------


def text_of(written: bytes) -> str:
    return " ".join(page.extract_text() for page in PdfReader(io.BytesIO(written)).pages)


def weekly(ward: Ward) -> bytes:
    record = records.weekly_record(ward.session, ward.clinic.id, WEEK, ENGLISH)
    return pdf.write("weekly", record.facts, record.written)


def test_the_weekly_record_holds_what_was_signed_and_who_was_not(ward):
    asha = ward.patient("Asha Okoro", pressures=STEADY, reference=18.0)
    ward.patient("Ben Unsigned", pressures=STEADY)
    sign(ward, asha, Outcome.CALLED, "Spoke on the telephone.")
    told = text_of(weekly(ward))
    for expected in (
        "Weekly review, Monday 23 November 2026",
        "Asha Okoro",
        "Called",
        "Spoke on the telephone.",
        "Imogen Vale",
        "1 of 2 patients",
        "Not signed in this week",
        "Ben Unsigned",
    ):
        assert expected in told


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
    drawn = vl_convert.vegalite_to_svg(charts.timeline(facts, ENGLISH, width=600), allowed_base_urls=[])
    timeline = {
        "svg": drawn,
        "alt": charts.describe(facts, ENGLISH, "The table in this record holds every value."),
        "caption": "A line breaks where a day has no value.",
    }
    return pdf.write("patient", record.facts | {"timeline": timeline}, record.written)


def test_thirty_days_of_a_patient_tell_days_reviews_adjustments_and_every_value(ward):
    asha = ward.patient("Asha Okoro", pressures=[*STEADY[:-1], None], weights=[81.4] * 30, reference=18.0)
    sign(ward, asha, Outcome.ADJUSTED, "Will weigh daily.")
    adjusting.record_adjustment(
        ward.session,
        ward.clinic.id,
        asha.id,
        NewAdjustment(AdjustmentKind.MEDICINE, "Water tablet in the evening", TODAY, TODAY, "Chemistry"),
        ward.nurse,
        ward.now,
    )
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
    text = exports.joined_csv(joined_days(ward.session, ward.clinic.id, ward.now, 3))
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [row["local_date"] for row in rows] == ["2026-11-23", "2026-11-24", "2026-11-25"]
    assert [row["pa_diastolic_mmhg"] for row in rows] == ["", "18", ""]
    assert [row["checked_in"] for row in rows] == ["no", "no", "yes"]
    assert rows[2]["weight_kg"] == "81"
    assert rows[2]["woke_breathless"] == "yes"
    # No cell may be taken for a formula (OWASP, "CSV injection").
    assert rows[2]["note"] == '\'=1+1, "quoted"\nline'
    assert text.count("\r\n") == 4  # RFC 4180 line ends; the note's own line feed is inside its quotes


def test_the_day_after_the_week_is_written_at_the_last_signature(ward):
    asha = ward.patient("Asha", pressures=STEADY)
    sign(ward, asha)
    assert records.weekly_record(ward.session, ward.clinic.id, WEEK, ENGLISH).written == NOW
    empty = records.weekly_record(ward.session, ward.clinic.id, date(2026, 11, 16), ENGLISH)
    assert empty.written == datetime(2026, 11, 16, tzinfo=UTC)
