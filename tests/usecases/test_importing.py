"""Files taken in: every row accounted for by line, harmless to repeat, whatever program wrote them."""

from __future__ import annotations

import csv
import io
import json
import random
import tracemalloc
import uuid
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, func, select

from service.care import contacts
from service.commands.importing import group
from service.domain import rows
from service.domain.validation import Refused
from service.domain.vocabulary import Posture, SafetySign, Source, Swelling, WindowState
from service.filing import importing, imports, roster
from service.filing.importing import ImportReport, Intake, import_checkins, import_readings
from service.store.audit import OPERATOR
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Caregiver, Checkin, Patient, Plan, Reading, Window
from tests.servers import SECRET
from tests.ward import NOW, open_ward, ward_of

SAMPLES = Path(__file__).parents[2] / "fixtures" / "import"
HEADER = "patient,taken_at,pa_systolic,pa_diastolic,pa_mean,heart_rate,pressure_unit\n"
GOOD = "FM-102,2026-02-10T07:15:00-06:00,40,19,27,72,mm[Hg]\n"


@pytest.fixture
def clinic_id(engine: Engine) -> uuid.UUID:
    with write_session(engine) as session:
        ward = open_ward(session)
        for ref, zone in (("FM-101", "America/New_York"), ("FM-102", "America/Chicago")):
            ward.patient(ref, zone=zone).clinic_ref = ref
        return ward.clinic.id


def readings_of(engine: Engine, clinic_id: uuid.UUID, text: str | bytes, **options) -> ImportReport:
    raw = text if isinstance(text, bytes) else text.encode()
    asked = {name: options.pop(name) for name in ("unit",) if name in options}
    return import_readings(Intake(engine, clinic_id, OPERATOR, NOW, **options), io.BytesIO(raw), **asked)


def checkins_of(engine: Engine, clinic_id: uuid.UUID, text: str, **options) -> ImportReport:
    asked = {name: options.pop(name) for name in ("may_correct",) if name in options}
    return import_checkins(Intake(engine, clinic_id, OPERATOR, NOW, **options), io.BytesIO(text.encode()), **asked)


def count(engine: Engine, table) -> int:
    with read_session(engine) as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def told(report: ImportReport) -> list[tuple[int | None, str, object]]:
    return [(one.line, one.field, one.value) for one in report.refused]


# --- readings ----------------------------------------------------------------------


def test_a_file_is_taken_in_and_again_without_harm(engine, clinic_id):
    report = import_readings(Intake(engine, clinic_id, OPERATOR, NOW), SAMPLES / "readings.csv")
    assert (report.rows, report.taken, report.duplicates, report.refused) == (10, 10, 0, [])
    again = import_readings(Intake(engine, clinic_id, OPERATOR, NOW), SAMPLES / "readings.csv")
    assert (again.taken, again.duplicates, again.refused) == (0, 10, [])
    with read_session(engine) as session:
        rows = session.scalars(select(Reading).order_by(Reading.taken_at)).all()
        kpa = next(row for row in rows if row.unit_given == "kPa")
        first = rows[0]
    assert len(rows) == 10
    assert (first.local_date, first.posture, first.source) == (date(2026, 2, 15), Posture.LYING, Source.FILE)
    assert (first.source_ref, first.mean_is_derived) == ("sheet-1", False)
    # NIST SP 811: 4.9 and 2.2 kPa are 36.753 and 16.501 mmHg; mean (S + 2 D) / 3 = 23.252.
    assert (kpa.pa_systolic, kpa.pa_diastolic) == (pytest.approx(36.75), pytest.approx(16.50))
    assert (kpa.pa_mean, kpa.mean_is_derived) == (pytest.approx(23.25), True)


def test_a_spreadsheets_file_reads_like_a_machines(engine, clinic_id):
    report = import_readings(Intake(engine, clinic_id, OPERATOR, NOW), SAMPLES / "readings-semicolons.csv")
    assert (report.taken, report.refused) == (3, [])
    with read_session(engine) as session:
        rows = session.scalars(select(Reading).order_by(Reading.taken_at)).all()
    assert (rows[0].pa_systolic, rows[0].pa_diastolic) == (40.5, 18.5)
    # NIST SP 811: 50.2 and 23.1 cmH2O are 36.925 and 16.991 mmHg.
    assert (rows[1].pa_systolic, rows[1].pa_diastolic) == (pytest.approx(36.93), pytest.approx(16.99))


def test_every_mistake_is_told_by_line_field_and_value_and_the_rest_is_taken(engine, clinic_id):
    report = import_readings(Intake(engine, clinic_id, OPERATOR, NOW), SAMPLES / "readings-mistakes.csv")
    assert (report.rows, report.taken, report.duplicates) == (12, 1, 1)
    assert told(report) == [
        (3, "patient", "NOBODY"),
        (4, "taken_at", "2026-02-02T07:15:00"),
        (5, "taken_at", "2199-11-02T07:15:00-06:00"),
        (6, "pa_systolic", 18.0),
        (7, "pa_mean", 52.0),
        (8, "pa_diastolic", "nineteen"),
        (9, "heart_rate", 7200.0),
        (10, "pressure_unit", "torr"),
        (11, "line", "6 cells"),
        (13, "taken_at", "2026-02-01T07:15:00-06:00"),
    ]
    assert all(one.accepted for one in report.refused)
    assert str(report.refused[0]).startswith("line 3: patient was 'NOBODY'; accepted: ")


def test_a_dry_run_says_the_same_and_writes_nothing(engine, clinic_id):
    tried = import_readings(Intake(engine, clinic_id, OPERATOR, NOW, dry_run=True), SAMPLES / "readings-mistakes.csv")
    assert (count(engine, Reading), count(engine, AuditLine)) == (0, 0)
    done = import_readings(Intake(engine, clinic_id, OPERATOR, NOW), SAMPLES / "readings-mistakes.csv")
    assert (tried.tried, done.tried) == (True, False)
    assert (tried.rows, tried.taken, tried.duplicates, told(tried)) == (
        done.rows, done.taken, done.duplicates, told(done),
    )  # fmt: skip


def test_a_strict_run_writes_all_or_nothing(engine, clinic_id):
    report = import_readings(Intake(engine, clinic_id, OPERATOR, NOW, strict=True), SAMPLES / "readings-mistakes.csv")
    assert (report.stopped, report.tried) == (True, True)
    assert count(engine, Reading) == 0
    clean = import_readings(Intake(engine, clinic_id, OPERATOR, NOW, strict=True), SAMPLES / "readings.csv")
    assert (clean.stopped, clean.tried, clean.taken) == (False, False, 10)
    assert count(engine, Reading) == 10


@pytest.mark.parametrize(
    ("header", "value"),
    [
        ("patient,taken_at,pa_systolic,pressure_unit", "patient,taken_at,pa_systolic,pressure_unit"),
        ("patient,taken_at,pa_systolic,pa_diastolic,pressure_unit,mood", "mood"),
        ("patient,patient,taken_at,pa_systolic,pa_diastolic,pressure_unit", "patient"),
        ("patient,taken_at,pa_systolic,pa_diastolic", "pressure_unit"),
        ("", ""),
        ("\x00", "\x00"),
        ("FM-102,2026-02-10T07:15:00-06:00,40,19", "fm-102"),
    ],
)
def test_a_header_that_cannot_be_right_is_refused_before_any_row(engine, clinic_id, header, value):
    with pytest.raises(Refused) as caught:
        readings_of(engine, clinic_id, f"{header}\n{GOOD}")
    assert (caught.value.field, caught.value.value, caught.value.line) == ("header", value, 1)
    assert count(engine, Reading) == 0


def test_one_unit_may_be_given_for_the_whole_file_and_is_never_guessed(engine, clinic_id):
    text = "patient,taken_at,pa_systolic,pa_diastolic\nFM-102,2026-02-10T07:15:00-06:00,5,2.5\n"
    assert readings_of(engine, clinic_id, text, unit="kPa").taken == 1
    blank = f"{HEADER}FM-102,2026-02-11T07:15:00-06:00,40,19,27,72,\n"
    assert told(readings_of(engine, clinic_id, blank)) == [(2, "pressure_unit", "")]
    assert readings_of(engine, clinic_id, blank, unit="mm[Hg]").taken == 1


@pytest.mark.parametrize(
    ("row", "field"),
    [
        ("FM-102,2026-02-10T07:15:00-06:00,1_0,9,,72,mm[Hg]", "pa_systolic"),
        ("FM-102,2026-02-10T07:15:00-06:00,nan,9,,72,mm[Hg]", "pa_systolic"),
        ("FM-102,2026-02-10T07:15:00-06:00,40,,,72,mm[Hg]", "pa_diastolic"),
        ("FM-102,10 Feb 2026 07:15,40,19,,72,mm[Hg]", "taken_at"),
        (",2026-02-10T07:15:00-06:00,40,19,,72,mm[Hg]", "patient"),
        ("FM-1\x0002,2026-02-10T07:15:00-06:00,40,19,,72,mm[Hg]", "patient"),
        ('FM-102,2026-02-10T07:15:00-06:00,"40,19,,72,mm[Hg]', "line"),
        (f"FM-102,2026-02-10T07:15:00-06:00,{'9' * 140_000},19,,72,mm[Hg]", "line"),
    ],
)
def test_odd_cells_are_refused_by_name_and_the_next_row_is_taken(engine, clinic_id, row, field):
    report = readings_of(engine, clinic_id, f"{HEADER}{row}\n{GOOD}")
    assert [one.field for one in report.refused] == [field]
    assert (report.rows, report.taken) == (2, 1)


# RFC 4180, section 2: fields may be enclosed in double quotes, and then hold ends of lines.
AT = "2026-02-1{}T07:15:00-06:00"


@pytest.mark.parametrize("quoted", ['"40', '"40"0', '40",19,27,72,mm[Hg]\n"FM-102'])
def test_a_quote_too_many_costs_its_own_line_and_none_of_the_next(engine, clinic_id, quoted):
    bad = f"FM-102,{AT.format(1)},{quoted},19,27,72,mm[Hg]\n"
    good = [GOOD.replace("2026-02-10", f"2026-02-{day}") for day in (12, 13, 14)]
    good[1] = good[1].replace("FM-102", '"FM-102"').replace("72", '"72"')
    more = [GOOD.replace("2026-02-10", f"2026-03-{day}") for day in range(10, 30)]
    report = readings_of(engine, clinic_id, "".join([HEADER, bad, *good, *more, *more, *more]))
    lines = bad.count("\n")
    assert (report.rows, report.taken, report.duplicates) == (63 + lines, 23, 40)
    assert [one.line for one in report.refused] == [2, 3][:lines]


def test_a_cell_of_several_lines_is_one_row_and_the_next_has_its_own_line(engine, clinic_id):
    text = (
        'patient,local_date,breathlessness,note\nFM-101,2026-02-10,1,"slept\r\nbadly, ""again"""\nFM-101,never,1,"x"\n'
    )
    report = checkins_of(engine, clinic_id, text)
    assert (report.rows, report.taken, told(report)) == (2, 1, [(4, "local_date", "never")])


def test_a_line_without_an_end_costs_no_memory(engine, clinic_id):
    class Endless(io.RawIOBase):
        """A header, 30 MB of one line, and a good row."""

        def __init__(self) -> None:
            self.left = [HEADER.encode(), *[b"9" * 65_536] * 480, b"\n", GOOD.encode()]

        def readable(self) -> bool:
            return True

        def readinto(self, buffer: bytearray) -> int:
            piece = self.left.pop(0) if self.left else b""
            if len(piece) > len(buffer):
                self.left.insert(0, piece[len(buffer) :])
                piece = piece[: len(buffer)]
            buffer[: len(piece)] = piece
            return len(piece)

    text = io.TextIOWrapper(io.BufferedReader(Endless(), 65_536), encoding="utf-8", newline="")
    tracemalloc.start()
    try:
        found = list(rows.rows_of(rows.sheet_of(rows.lines_of(text), rows.READINGS)))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert [(line, isinstance(cells, Refused)) for line, cells in found] == [(2, True), (3, False)]
    assert peak < 2_000_000


def test_a_unit_may_be_written_as_everybody_writes_it(engine, clinic_id):
    assert readings_of(engine, clinic_id, HEADER + GOOD.replace("mm[Hg]", "mmHg")).taken == 1


def test_kilopascals_among_millimetres_are_asked_about(engine, clinic_id):
    row = GOOD.replace("40,19,27", "4.1,1.5,")
    (asked,) = readings_of(engine, clinic_id, HEADER + row).refused
    assert (asked.line, asked.field, asked.value) == (2, "pa_systolic", 4.1)
    assert "4.1 kPa, which is 30.8 mmHg, or is it 4.1 mmHg, which is 0.547 kPa?" in asked.accepted
    assert readings_of(engine, clinic_id, HEADER + row.replace("mm[Hg]", "kPa")).taken == 1


def test_a_byte_that_is_no_utf_8_spoils_its_own_row_only(engine, clinic_id):
    raw = HEADER.encode() + "FM-1Ã,2026-02-10T07:15:00-06:00,40,19,27,72,mm[Hg]\n".encode("latin-1") + GOOD.encode()
    report = readings_of(engine, clinic_id, raw)
    assert ([one.field for one in report.refused], report.taken) == (["patient"], 1)


def test_blank_lines_are_nothing_and_lines_are_counted_as_an_editor_does(engine, clinic_id):
    report = readings_of(engine, clinic_id, f"{HEADER}\n{GOOD}\r\n,,,,,,\nX,,,,,,\n")
    assert report.taken == 1
    assert [one.line for one in report.refused] == [5, 6]


def test_chunks_are_seamless(engine, clinic_id, monkeypatch):
    monkeypatch.setattr(importing, "READINGS_AT_ONCE", 7)
    rows = [f"FM-10{1 + day % 2},2026-02-{1 + day // 2:02d}T07:15:00-06:00,40,19,27,72,mm[Hg]" for day in range(40)]
    rows += [*rows[5:12], "FM-101,never,40,19,27,72,mm[Hg]"]
    seen: list[int] = []
    text = HEADER + "\n".join(rows)
    report = readings_of(engine, clinic_id, text, progress=seen.append)
    assert (report.rows, report.taken, report.duplicates) == (48, 40, 7)
    assert told(report) == [(49, "taken_at", "never")]
    assert seen == sorted(seen)
    assert seen[-1] == len(text)


def test_a_file_answers_the_windows_of_its_days(engine, clinic_id):
    with write_session(engine) as session:
        ward = ward_of(session, clinic_id)
        patient = session.scalars(select(Patient).where(Patient.clinic_ref == "FM-102")).one()
        for day in (9, 10, 11):
            ward.window(patient, date(2026, 2, day), WindowState.MISSED)
    readings_of(engine, clinic_id, HEADER + GOOD)
    with read_session(engine) as session:
        states = session.scalars(select(Window.state).order_by(Window.local_date)).all()
    assert states == [WindowState.MISSED, WindowState.ANSWERED, WindowState.MISSED]


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(st.text(alphabet='Fm-102,;"\n\r\x00é. T:Z+', max_size=40), max_size=6), st.booleans())
def test_no_rubbish_stops_a_file(engine, clinic_id, lines, with_header):
    if not with_header:
        with pytest.raises(Refused, match="header"):
            readings_of(engine, clinic_id, "\n".join(lines))
        return
    report = readings_of(engine, clinic_id, HEADER + "\n".join(lines), dry_run=True)
    assert report.taken == 0
    assert all(one.line for one in report.refused)


# --- check-ins ---------------------------------------------------------------------


def test_a_diary_on_paper_becomes_check_ins_without_making_anything_up(engine, clinic_id):
    report = import_checkins(Intake(engine, clinic_id, OPERATOR, NOW), SAMPLES / "checkins.csv")
    assert (report.rows, report.taken, report.refused) == (5, 5, [])
    with read_session(engine) as session:
        rows = {
            (row.local_date.day, row.weight_unit): row
            for row in session.scalars(select(Checkin).order_by(Checkin.local_date))
        }
    salty = rows[16, "[lb_av]"]
    # 1 lb = 0.45359237 kg exactly (NIST SP 811, appendix B.8)
    assert salty.weight_kg == pytest.approx(84.277, abs=0.0005)
    assert (salty.note, salty.swelling, salty.safety_signs) == ("salty soup, two bowls", Swelling.ANKLE, [])
    bare = rows[15, "kg"]
    assert (bare.weight_kg, bare.breathlessness, bare.safety_signs, bare.woke_breathless) == (70.2, None, None, None)


def test_other_answers_for_a_day_are_refused_unless_corrections_are_wanted(engine, clinic_id):
    header = "patient,local_date,breathlessness,safety_signs\n"
    first = f"{header}FM-102,2026-11-24,2,none\n"
    assert checkins_of(engine, clinic_id, first).taken == 1
    assert checkins_of(engine, clinic_id, first).duplicates == 1
    other = f"{header}FM-102,2026-11-24,5,chest_pain;fainting\n"
    assert told(checkins_of(engine, clinic_id, other)) == [(2, "local_date", "2026-11-24")]
    assert told(checkins_of(engine, clinic_id, other, dry_run=True)) == [(2, "local_date", "2026-11-24")]
    assert checkins_of(engine, clinic_id, other, may_correct=True).taken == 1
    with read_session(engine) as session:
        row = session.scalars(select(Checkin).where(Checkin.superseded_at.is_(None))).one()
    assert (row.breathlessness, row.safety_signs) == (5, [SafetySign.CHEST_PAIN, SafetySign.FAINTING])


@pytest.mark.parametrize(
    ("row", "field"),
    [
        ("FM-102,24.11.26,82,kg,2,", "local_date"),
        ("FM-102,2026-11-26,82,kg,2,", "local_date"),
        ("FM-102,2026-11-24,820,kg,2,", "weight"),
        ("FM-102,2026-11-24,82,st,2,", "weight_unit"),
        ("FM-102,2026-11-24,82,kg,2.5,", "breathlessness"),
        ("FM-102,2026-11-24,82,kg,11,", "breathlessness"),
        ("FM-102,2026-11-24,82,kg,2,headache", "safety_signs"),
        ("FM-102,2026-11-24,,,,", "answers"),
        ("FM-999,2026-11-24,82,kg,2,", "patient"),
    ],
)
def test_a_diary_rows_mistake_is_told_by_field(engine, clinic_id, row, field):
    header = "patient,local_date,weight,weight_unit,breathlessness,safety_signs\n"
    report = checkins_of(engine, clinic_id, f"{header}{row}\nFM-101,2026-11-24,70,kg,3.0,\n")
    assert [(one.line, one.field) for one in report.refused] == [(2, field)]
    assert report.taken == 1


def test_every_answer_of_a_row_that_cannot_be_taken_is_told_and_counts_as_one_row(engine, clinic_id):
    text = (
        "patient,local_date,weight,breathlessness,swelling\nFM-102,2026-11-24,820,11,hip\nFM-101,2026-11-24,82,3,knee\n"
    )
    report = checkins_of(engine, clinic_id, text)
    assert [(one.line, one.field) for one in report.refused] == [(2, "weight"), (2, "breathlessness"), (2, "swelling")]
    assert (report.rows, report.taken, report.refused_rows) == (2, 1, 1)


# --- the command -------------------------------------------------------------------


@pytest.fixture
def run(engine, clinic_id, monkeypatch, tmp_path):
    url = engine.url.render_as_string(hide_password=False)
    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", url.replace("postgresql+psycopg", "postgresql"))
    monkeypatch.setenv("NEAPTIDE_DATA", str(tmp_path))
    monkeypatch.setenv("NEAPTIDE_SECRET_KEY", SECRET)
    return lambda *arguments: CliRunner().invoke(group, [str(one) for one in arguments])


def test_the_command_says_what_was_taken_and_its_code_tells_a_script(run, engine):
    done = run("readings", SAMPLES / "readings.csv")
    assert (done.exit_code, done.stdout) == (0, "10 rows: 10 taken, 0 there already, 0 refused\n")
    done = run("readings", SAMPLES / "readings-mistakes.csv", "--dry-run")
    assert done.exit_code == 3
    assert "line 8: pa_diastolic was 'nineteen'; accepted: a number" in done.output
    assert done.output.endswith("12 rows: 1 would be taken, 1 there already, 10 refused\n")
    done = run("readings", SAMPLES / "readings-mistakes.csv", "--strict")
    assert (done.exit_code, count(engine, Reading)) == (3, 10)
    assert done.output.endswith("stopped at a refused row; nothing was written\n")
    done = run("checkins", SAMPLES / "checkins.csv", "--clinic", "Fernmoor Clinic")
    assert done.exit_code == 0
    assert run("readings", SAMPLES / "checkins.csv").exit_code == 1
    done = run("checkins", SAMPLES / "checkins.csv", "--clinic", "Elsewhere")
    assert (done.exit_code, "Fernmoor Clinic" in done.output) == (1, True)


def test_the_command_reports_in_json_for_a_machine(run):
    told = json.loads(run("readings", SAMPLES / "readings-mistakes.csv", "--json").stdout)
    assert (told["rows"], told["taken"], told["duplicates"], told["dry_run"]) == (12, 1, 1, False)
    assert told["refused"][0]["line"] == 3
    assert told["refused"][3] == {
        "line": 6, "field": "pa_systolic", "value": "18.0", "accepted": "not below the diastolic pressure, 19",
    }  # fmt: skip


@pytest.mark.databases("sqlite")
def test_a_long_file_shows_how_far_it_is(run, tmp_path):
    chance = random.Random(1)
    file = tmp_path / "long.csv"
    began = datetime(2015, 1, 1, 12, tzinfo=UTC)
    with file.open("w", newline="", encoding="utf-8") as text:
        writer = csv.writer(text)
        writer.writerow(HEADER.strip().split(","))
        for hour in range(20_000):
            low = chance.randrange(12, 25)
            taken_at = (began + timedelta(hours=hour)).isoformat()
            writer.writerow(["FM-102", taken_at, low + 20, low, "", 70, "mm[Hg]"])
    done = run("readings", file)
    assert done.exit_code == 0
    assert "20000 taken" in done.stdout
    assert "long.csv" in done.stderr


def test_a_map_says_what_a_file_calls_our_columns_and_passes_over_the_rest(run, engine, tmp_path):
    """A column that is called as one of ours, and is not named, is none of ours."""
    file, called = tmp_path / "export.csv", tmp_path / "map.json"
    file.write_text(
        "MRN;Ward;When;PAS;PAD;pa_mean;Unit\nFM-101;3;2026-11-20T07:00:00+00:00;30,5;18;no number;mm[Hg]\n", "utf-8"
    )
    names = {"patient": "MRN", "taken_at": "when", "pa_systolic": "PAS", "pa_diastolic": "PAD", "pressure_unit": "Unit"}
    called.write_text(json.dumps(names), "utf-8")
    done = run("readings", file, "--map", called)
    assert (done.exit_code, done.stdout) == (0, "1 rows: 1 taken, 0 there already, 0 refused\n")
    with read_session(engine) as session:
        assert session.scalars(select(Reading.pa_systolic)).one() == 30.5
    for wrong, said in (
        ({"pulse": "PAS"}, "map was 'pulse'"),
        ({"patient": "Number"}, "map was 'Number'"),
        (["MRN"], "a JSON object of our columns"),
        ("[" * 50_000, "a JSON object of our columns"),
        ("x" * 64_001, "at most 64000 bytes"),
    ):
        called.write_text(wrong if isinstance(wrong, str) else json.dumps(wrong), "utf-8")
        refused = run("readings", file, "--map", called)
        assert (refused.exit_code, said in refused.output) == (1, True), refused.output


@pytest.mark.parametrize(
    ("header", "layout", "found"),
    [
        ("MRN,DateTime,Systolic,PAD,PAM,HR,Unit", rows.READINGS, {
            "patient": "mrn", "taken_at": "datetime", "pa_systolic": "systolic", "pa_diastolic": "pad",
            "pa_mean": "pam", "heart_rate": "hr", "pressure_unit": "unit"}),
        ("Patient name,DOB,MRN,Mobile", rows.ROSTER, {
            "name": "patient name", "born_on": "dob", "clinic_ref": "mrn", "telephone": "mobile"}),
        ("one,two", rows.ROSTER, {}),
    ],
)  # fmt: skip
def test_columns_are_proposed_by_their_names_each_once(header, layout, found):
    assert rows.proposed(rows.header_of(header)[1], layout) == found


def test_a_roster_enrols_row_by_row_and_again_without_harm(run, engine, tmp_path):
    file = tmp_path / "roster.csv"
    file.write_text(
        "clinic_ref,name,born_on,telephone,agreed_how,agreed_on,opens,due,closes,caregiver_name,caregiver_telephone,"
        "caregiver_allowed_how,caregiver_agreed_how\n"
        "F-1,Mara Invented,1948-03-09,+447700900077,signed form,2026-01-02,07:00,08:30,10:00,Luz Invented,"
        "+447700900078,signed form,spoken\n"
        "F-2,Noor Invented,9 March,,,,,,,,,,\n"
        "F-3,Invented Mara,1948-03-09,,,,,,,,,,\n"
        "F-4,Ode Invented,,,,,07:00,,,,,,\n"
        "F-5,Pia Invented,,12,,,,,,,,,\n",
        "utf-8",
    )
    tried = run("roster", file, "--dry-run")
    assert (tried.exit_code, count(engine, Patient)) == (3, 2)
    done = run("roster", file)
    told = "5 rows: 1 {} taken, 0 there already, 4 refused\n"
    assert tried.output.endswith(told.format("would be"))
    assert done.stdout.endswith("5 rows: 1 taken, 0 there already, 4 refused\n")
    for line, field in ((3, "born_on"), (4, "is_other"), (5, "due"), (6, "telephone")):
        assert f"line {line}: {field} was" in done.output
    with read_session(engine) as session:
        mara = session.scalars(select(Patient).where(Patient.clinic_ref == "F-1")).one()
        (luz,) = session.scalars(select(Caregiver).where(Caregiver.patient_id == mara.id))
        assert contacts.reachable(session, patient_id=mara.id)[0].address == "+447700900077"
        assert contacts.reachable(session, caregiver_id=luz.id)[0].address == "+447700900078"
        assert session.scalars(select(Plan.patient_id).where(Plan.patient_id == mara.id)).one() == mara.id
    again = run("roster", file)
    assert "line 2: clinic_ref was 'F-1'; accepted: a reference no other patient of the clinic has" in again.output
    assert count(engine, Patient) == 3


def test_a_long_roster_is_tried_a_few_rows_at_a_time_and_one_too_long_writes_nothing(engine, clinic_id, monkeypatch):
    """A list of thousands, tried in one transaction, kept every patient's answer waiting meanwhile."""
    monkeypatch.setattr(roster, "ROWS_AT_ONCE", 2)
    begun = []
    monkeypatch.setattr(imports, "write_session", lambda engine: begun.append(1) or write_session(engine))
    refs = ["Z-1", "Z-2", "Z-3", "Z-4", "Z-1"]
    file = io.BytesIO(("clinic_ref,name\n" + "".join(f"{ref},Mara\n" for ref in refs)).encode())
    before = count(engine, Patient)
    tried = roster.import_roster(Intake(engine, clinic_id, OPERATOR, NOW, dry_run=True), file)
    assert (len(begun), tried.taken, [one.line for one in tried.refused]) == (3, 4, [6])
    monkeypatch.setattr(roster, "MOST_ROWS", 4)
    with pytest.raises(Refused, match="at most 4 rows"):
        roster.import_roster(Intake(engine, clinic_id, OPERATOR, NOW), file)
    assert count(engine, Patient) == before


@pytest.mark.parametrize("command", ["readings", "checkins"])
def test_the_help_tells_columns_and_exit_codes(run, command):
    page = " ".join(run(command, "--help").output.split())
    for word in ("patient", "0 when every row was taken", "3 when some were refused", "--strict", "--dry-run"):
        assert word in page
