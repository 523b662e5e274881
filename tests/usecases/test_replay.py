"""`neaptide replay`: past files in, signals out; bad rows told, good ones run, nothing read ahead."""

from __future__ import annotations

import csv
import json
import random
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from service.commands.replay import replay as command
from service.domain.signals.facts import typed_reference
from service.domain.signals.settings import DEFAULT, described
from service.domain.validation import Refused
from service.domain.vocabulary import SignalKind
from service.replaying.past import Options, ReplayedSignal, read_diary, read_options, read_readings, replay

HEADER = "patient,taken_at,pa_systolic,pa_diastolic,pa_mean,heart_rate,pressure_unit"
DIARY = "patient,local_date,weight,weight_unit,breathlessness,extra_pillows,woke_breathless,swelling"
FIRST = date(2026, 1, 1)
FIXTURES = Path(__file__).parents[2] / "fixtures" / "replay"
# NIST SP 811: conventional mmHg and cmH2O in pascal.
IN_MMHG = {"mm[Hg]": 1.0, "cm[H2O]": 98.0665 / 133.322387415, "kPa": 1000 / 133.322387415}


def _rows(patient: str, seed: int, length: int = 100, rise_from: int = 60, rise: float = 6.0, unit: str = "mm[Hg]"
          ) -> list[str]:  # fmt: skip
    chance = np.random.default_rng(seed)
    rows = []
    for offset in range(length):
        up = rise * min(max(offset - rise_from, 0) / 25, 1.0)
        diastolic = 18 + up + chance.normal(0, 1.2)
        if chance.random() < 0.85:
            pressures = (diastolic + 22, diastolic, diastolic + 8)
            given = ",".join(f"{value / IN_MMHG[unit]:.9g}" for value in pressures)
            rows.append(f"{patient},{FIRST + timedelta(days=offset)}T07:10:00+01:00,{given},70,{unit}")
    return rows


def _told(rows: list[str], options: Options | None = None, diary: list[str] | None = None) -> list[ReplayedSignal]:
    taken = read_readings([f"{line}\n" for line in (HEADER, *rows)])
    written = read_diary([f"{line}\n" for line in (DIARY, *diary)]) if diary else None
    return replay(taken, written, options or Options()).signals


def _run(folder: Path, rows: list[str], *more: str, header: str = HEADER) -> tuple[Result, list[dict[str, str]]]:
    source, out = folder / "readings.csv", folder / "signals.csv"
    source.write_text("\n".join((header, *rows)) + "\n", encoding="utf-8")
    result = CliRunner().invoke(command, [str(source), "--out", str(out), *more])
    lines = _table(out) if out.exists() else []
    return result, lines


def _table(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def test_a_rise_is_written_on_the_day_it_is_raised(tmp_path: Path):
    result, lines = _run(tmp_path, _rows("P-1", 1) + _rows("P-2", 2, rise=0.0))
    assert result.exit_code == 0, result.output
    assert list(lines[0]) == ["patient", "local_date", "signal", "sentence"]
    assert {line["patient"] for line in lines} == {"P-1"}
    assert lines[0]["signal"] == "rising"
    assert FIRST + timedelta(days=62) < date.fromisoformat(lines[0]["local_date"]) < FIRST + timedelta(days=80)
    assert "against the first settled fortnight's mean of" in lines[0]["sentence"]
    assert lines == sorted(lines, key=lambda line: (line["local_date"], line["patient"]))


def test_the_summary_counts_patients_days_and_signals_a_patient_year(tmp_path: Path):
    rows = _rows("P-1", 1) + _rows("P-2", 2, rise=0.0)
    result, lines = _run(tmp_path, rows)
    days = {name: [row.split(",")[1][:10] for row in rows if row.startswith(name)] for name in ("P-1", "P-2")}
    length = sum((date.fromisoformat(max(d)) - date.fromisoformat(min(d))).days + 1 for d in days.values())
    rising = sum(line["signal"] == "rising" for line in lines)
    assert "patients 2\n" in result.output
    assert f"patient-days {length}\n" in result.output
    assert f"rising          {rising / (length / 365.25):6.2f}" in result.output
    assert f"signals per 100 patients and week {len(lines) / (length / 7) * 100:.1f}" in result.output


BAD = [
    ("P-1,2026-02-20T07:00:00+01:00,40,1_7,26,70,mm[Hg]", "pa_diastolic"),
    ("P-1,2026-02-30T07:00:00+01:00,40,18,26,70,mm[Hg]", "taken_at"),
    ("P-1,2026-02-20T07:00:00,40,18,26,70,mm[Hg]", "taken_at"),
    ("P-1,1026-02-20T07:00:00+00:00,40,18,26,70,mm[Hg]", "taken_at"),
    ("P-1,2026-02-20T07:00:00+01:00,17,18,,70,mm[Hg]", "pa_systolic"),
    ("P-1,2026-02-20T07:00:00+01:00,40,18,10,70,mm[Hg]", "pa_mean"),
    ("P-1,2026-02-20T07:00:00+01:00,40,-18,26,70,mm[Hg]", "pa_diastolic"),
    ("P-1,2026-02-20T07:00:00+01:00,40,nan,26,70,mm[Hg]", "pa_diastolic"),
    ("P-1,2026-02-20T07:00:00+01:00,40,eighteen,26,70,mm[Hg]", "pa_diastolic"),
    ("P-1,2026-02-20T07:00:00+01:00,40,18,26,7000,mm[Hg]", "heart_rate"),
    ("P-1,2026-02-20T07:00:00+01:00,40,18,26,70,torr", "pressure_unit"),
    ("P-1,2026-02-20T07:00:00+01:00,,,,70,mm[Hg]", "pa_diastolic"),
    (",2026-02-20T07:00:00+01:00,40,18,26,70,mm[Hg]", "patient"),
    ("P-1,2026-02-20T07:00:00+01:00,40,18", "line"),
    ("P-1,2026-02-20T07:00:00+01:00,40,18,26,70,mm[Hg],extra", "line"),
    ("P\x00-1,2026-02-20T07:00:00+01:00,40,18,26,70,mm[Hg]", "patient"),
]


def test_a_bad_row_is_told_by_line_and_field_and_the_others_run(tmp_path: Path):
    good = _rows("P-9", 1)
    result, lines = _run(tmp_path, [*good[:20], *(row for row, _ in BAD), *good[20:]])
    assert result.exit_code == 0
    told = [line for line in result.stderr.splitlines() if ": line " in line]
    for number, (said, (_, field)) in enumerate(zip(told, BAD, strict=True)):
        assert said.startswith(f"readings.csv: line {22 + number}: {field} was ")
        assert "accepted: " in said
    assert f"rows refused {len(BAD)}," in result.output
    assert [line["local_date"] for line in lines] == [told.local_date.isoformat() for told in _told(good)]
    assert lines


def test_optional_columns_may_be_missing(tmp_path: Path):
    rows = [",".join(row.split(",")[place] for place in (0, 1, 3)) for row in _rows("P-1", 1)]
    result, lines = _run(tmp_path, rows, header="patient,taken_at,pa_diastolic")
    assert result.exit_code == 0
    assert lines[0]["signal"] == "rising"
    mean_only = [",".join(row.split(",")[place] for place in (0, 1, 4)) for row in _rows("P-1", 1)]
    _, lines = _run(tmp_path, mean_only, header="patient,taken_at,pa_mean")
    assert "mean PA pressure rising" in lines[0]["sentence"]


@pytest.mark.parametrize("header", ["patient,pa_mean", "taken_at,pa_mean", "patient,taken_at", "patient,taken_at,pa_mean,pa_mean", ""])  # fmt: skip
def test_a_file_without_what_is_needed_is_refused_in_one_line(tmp_path: Path, header: str):
    result, lines = _run(tmp_path, [], header=header)
    assert isinstance(result.exception, Refused)
    assert (result.exception.field, result.exception.line) == ("header", 1)
    assert lines == []


def test_a_spreadsheets_semicolons_and_decimal_commas_read_as_in_an_import():
    header, *rows = [
        line.replace(".", ";").replace(",", "|").replace(";", ",").replace("|", ";")
        for line in (HEADER, *_rows("P-1", 1))
    ]
    taken = read_readings([f"{line}\n" for line in (header, *rows)])
    assert taken.refused == []
    assert replay(taken, None, Options()).signals == _told(_rows("P-1", 1))


def test_columns_that_are_not_used_are_said(tmp_path: Path):
    rows = [f"{row},x" for row in _rows("P-1", 1)]
    result, _ = _run(tmp_path, rows, header=f"{HEADER},shoe_size")
    assert "columns not used: shoe_size" in result.stderr


def test_the_local_date_is_the_one_written_in_the_readings_own_offset():
    late = [row.replace("T07:10:00+01:00", "T23:30:00-08:00") for row in _rows("P-1", 1)]
    assert [line.local_date for line in _told(late)] == [line.local_date for line in _told(_rows("P-1", 1))]


@pytest.mark.parametrize("unit", ["kPa", "cm[H2O]"])
def test_another_unit_gives_the_same_signals(unit: str):
    assert _told(_rows("P-1", 1, unit=unit)) == _told(_rows("P-1", 1))


def test_the_same_reading_twice_counts_once_and_a_contradiction_is_refused():
    rows = _rows("P-1", 1)
    taken = read_readings([f"{line}\n" for line in (HEADER, *rows, rows[5], rows[7].replace(",70,", ",,"))])
    assert (taken.rows, taken.duplicates, taken.refused) == (len(rows), 2, [])
    other = rows[9].split(",")
    other[3] = "9"
    for contradiction in (",".join(other), rows[7].replace(",70,", ",71,")):  # as where readings arrive
        taken = read_readings([f"{line}\n" for line in (HEADER, *rows, contradiction)])
        assert [refusal.field for refusal in taken.refused] == ["taken_at"]


def test_several_readings_of_a_day_become_one():
    rows = _rows("P-1", 1)
    # Evening readings, 9 mmHg higher each: unlike the patient's usual hour, so the morning stands.
    evening = [_higher(row.replace("T07:10", "T21:40"), 9.0) for row in rows]
    assert _told(rows + evening) == _told(rows)


def _higher(row: str, by: float) -> str:
    cells = row.split(",")
    cells[2:5] = [f"{float(cell) + by:.9g}" for cell in cells[2:5]]
    return ",".join(cells)


def test_the_order_of_the_lines_does_not_matter():
    rows = _rows("P-1", 1) + _rows("P-2", 2) + _rows("P-3", 3, rise=-5.0)
    told = _told(rows)
    for seed in range(3):
        assert _told(random.Random(seed).sample(rows, len(rows))) == told


def test_nothing_is_read_ahead():
    rows = _rows("P-1", 1) + _rows("P-2", 2, rise=-5.0)
    told = _told(rows)
    for cut in random.Random(4).sample(range(20, 99), 6):
        last = FIRST + timedelta(days=cut)
        before = [row for row in rows if date.fromisoformat(row.split(",")[1][:10]) <= last]
        assert _told(before) == [line for line in told if line.local_date <= last]


def test_patients_do_not_touch_one_another():
    together = _told(_rows("P-1", 1) + _rows("P-2", 2) + _rows("P-3", 3, rise=0.0))
    for name, seed in (("P-1", 1), ("P-2", 2)):
        assert [line for line in together if line.patient == name] == _told(_rows(name, seed))


# --- the diary and the settings -----------------------------------------------------------


def _diary(patient: str, length: int = 100, worse_from: int = 75) -> list[str]:
    return [
        f"{patient},{FIRST + timedelta(days=offset)},{80 + (2.5 if offset >= worse_from else 0)},kg,"
        f"{2 if offset < worse_from else 6},0,no,none"
        for offset in range(length)
    ]


def test_the_diary_joins_the_pressures():
    told = _told(_rows("P-1", 1), diary=_diary("P-1"))
    kinds = {line.signal for line in told}
    assert {SignalKind.RISING, SignalKind.WEIGHT_GAIN, SignalKind.WORSE_SYMPTOMS} <= kinds
    worse = next(line for line in told if line.signal is SignalKind.WORSE_SYMPTOMS)
    assert "Pressure up and feeling worse" in worse.sentence
    assert "more breathless (6 of 10, usual 2)" in worse.sentence


def test_a_patient_with_only_a_diary_is_not_lost():
    told = _told(_rows("P-1", 1), diary=_diary("P-7"))
    alone = [line for line in told if line.patient == "P-7"]
    assert alone
    assert all("no reading yet" in line.sentence or "no reading for" in line.sentence for line in alone)


@pytest.mark.parametrize(
    ("row", "field"),
    [
        ("P-1,2026-02-30,80,kg,2,0,no,none", "local_date"),
        ("P-1,2026-02-20,80,stone,2,0,no,none", "weight_unit"),
        ("P-1,2026-02-20,800,kg,2,0,no,none", "weight"),
        ("P-1,2026-02-20,80,kg,11,0,no,none", "breathlessness"),
        ("P-1,2026-02-20,80,kg,2.5,0,no,none", "breathlessness"),
        ("P-1,2026-02-20,80,kg,2,0,perhaps,none", "woke_breathless"),
        ("P-1,2026-02-20,80,kg,2,0,no,hip", "swelling"),
    ],
)
def test_a_bad_diary_row_is_refused_by_field(row: str, field: str):
    found = read_diary([f"{line}\n" for line in (DIARY, *_diary("P-1", 5), row)])
    assert [(refusal.field, refusal.line) for refusal in found.refused] == [(field, 7)]
    assert found.rows == 5


def test_a_weight_in_doubt_is_compared_with_nothing_in_a_replay_too():
    weights = (
        ("18", "80", ""),
        ("19", "178", ""),
        ("20", "81", ""),
        ("21", "92", ""),
        ("22", "92.5", ""),
        ("23", "80", "yes"),
    )
    rows = [f"P-1,2026-02-{day},{kg},{sure}" for day, kg, sure in weights]
    found = read_diary([f"{line}\n" for line in ("patient,local_date,weight,weight_confirmed", *rows)])
    assert [day.sure_weight_kg for day in found.days["P-1"].values()] == [80, None, 81, None, 92.5, 80]
    assert [day.sure_weight_kg for _, day in found.came["P-1"]] == [80, None, 81, None, 92.5, 80]


def test_every_answer_that_cannot_be_taken_is_told_and_the_row_is_one():
    found = read_diary([f"{line}\n" for line in (DIARY, "P-1,2026-02-20,800,kg,11,0,perhaps,hip")])
    assert [refusal.field for refusal in found.refused] == ["weight", "breathlessness", "woke_breathless", "swelling"]
    assert (found.refused_rows, found.rows) == (1, 0)


def test_a_reference_in_the_settings_may_have_all_three_pressures_and_the_days_it_is_of():
    told = {"pa_diastolic": 12, "pa_mean": 20, "pa_systolic": 34, "from_date": "2026-02-01", "to_date": "2026-02-14"}
    options = read_options(json.dumps({"references": {"P-1": told}}))
    reference = options.references["P-1"]
    assert (reference.channels, reference.from_day, reference.to_day) == (
        (12.0, 20.0, 34.0), date(2026, 2, 1), date(2026, 2, 14),
    )  # fmt: skip
    lines = _told(_rows("P-1", 1, rise=0.0), options)
    assert lines
    assert min(line.local_date for line in lines) >= date(2026, 2, 14)  # no day before it was made is judged by it


def test_a_later_diary_of_the_same_date_is_a_correction():
    rows = [*_diary("P-1", 1), f"P-1,{FIRST},81,kg,3,0,no,ankle"]
    found = read_diary([f"{line}\n" for line in (DIARY, *rows)])
    assert found.duplicates == 1
    assert found.days["P-1"][FIRST].weight_kg == 81.0


def test_a_weight_in_pounds_is_kept_in_kilograms():
    # 1 lb = 0.45359237 kg exactly (NIST SP 811).
    found = read_diary([f"{line}\n" for line in (DIARY, f"P-1,{FIRST},180,[lb_av],2,0,no,none")])
    assert found.days["P-1"][FIRST].weight_kg == pytest.approx(81.646627, abs=1e-3)
    assert found.days["P-1"][FIRST].weighed_in_pounds


def test_settings_change_what_is_told(tmp_path: Path):
    given = tmp_path / "settings.json"
    given.write_text(json.dumps({"limits": {"P-1": {"upper": 22}}, "only": ["above_limit"]}), encoding="utf-8")
    _, lines = _run(tmp_path, _rows("P-1", 1, length=120), "--settings", str(given))
    assert [line["signal"] for line in lines] == ["above_limit"]
    assert "above the 22 mmHg set for this patient" in lines[0]["sentence"]


def test_a_reference_in_the_settings_stands_in_for_the_first_days():
    told = _told(_rows("P-1", 1, rise=0.0), Options(references={"P-1": typed_reference((12.0, None, None))}))
    assert told
    assert "against the reference of 12" in told[0].sentence


def test_goals_and_tags_in_the_settings_are_judged_as_the_clinic_judges_them():
    rows = _rows("P-1", 1)
    assert SignalKind.RISING in {line.signal for line in _told(rows)}
    everywhere = {"tags": {"P-1": [{"kind": "travel", "from_date": FIRST.isoformat()}]}}
    told = {line.signal for line in _told(rows, read_options(json.dumps(everywhere)))}
    assert not {SignalKind.RISING, SignalKind.FALLING} & told
    goal = {"upper": 12, "from_date": FIRST.isoformat(), "until": "2027-01-01"}
    high = [
        line
        for line in _told(_rows("P-1", 1, rise=0.0), read_options(json.dumps({"goals": {"P-1": goal}})))
        if line.signal is SignalKind.HIGH_STEADY
    ]
    assert "over the goal's upper end of 12" in high[0].sentence


def test_whoever_sends_nothing_is_silent_from_the_third_date_on_or_from_the_one_that_is_set():
    rows = [row for row in _rows("P-1", 1, rise=0.0) if not "2026-02-10" <= row.split(",")[1][:10] <= "2026-02-28"]
    for options, missed in ((Options(), 3), (read_options(json.dumps({"engine": {"silent_days": 5}})), 5)):
        (silent,) = [line for line in _told(rows, options) if line.signal is SignalKind.SILENT]
        assert silent.local_date == date(2026, 2, 7 + missed)  # the last reading is of the 7th
        assert f"o reading for {missed} planned days" in silent.sentence


def test_whoever_keeps_a_diary_alone_is_silent_from_the_third_date_on():
    diary = [f"D-1,{FIRST + timedelta(days=day)},80,kg,2,0,no,none" for day in range(10)]
    (silent,) = [line for line in _told(_rows("P-1", 1), diary=diary) if line.patient == "D-1"]
    assert (silent.signal, silent.local_date) == (SignalKind.SILENT, FIRST + timedelta(days=2))
    assert "o reading for 3 planned days" in silent.sentence


@pytest.mark.parametrize(
    ("text", "field"),
    [
        ("{", "settings"),
        ("[]", "settings"),
        ('{"limit": {}}', "limit"),
        ('{"engine": {"margins": 1}}', "margins"),
        ('{"engine": {"margin": 99}}', "margin"),
        ('{"limits": {"P-1": {"top": 25}}}', "top"),
        ('{"limits": {"P-1": {"upper": 20, "lower": 25}}}', "lower"),
        ('{"limits": {"P-1": 25}}', "limits"),
        ('{"references": {"P-1": {}}}', "references"),
        ('{"references": {"P-1": {"pa_mean": 20, "to_date": "14.2.2026"}}}', "to_date"),
        ('{"goals": {"P-1": {"upper": 20, "from_date": "2026-01-01"}}}', "until"),
        ('{"goals": {"P-1": {"from_date": "2026-01-01", "until": "2026-02-01"}}}', "goals"),
        ('{"tags": {"P-1": {"kind": "travel"}}}', "tags"),
        ('{"tags": {"P-1": [{"kind": "holiday", "from_date": "2026-01-01"}]}}', "kind"),
        ('{"tags": {"P-1": [{"kind": "travel"}]}}', "from_date"),
        ('{"tags": {"P-1": [{"kind": "recalibrated", "from_date": "2026-01-01"}]}}', "offset_mmhg"),
        ('{"tags": {"P-1": [{"kind": "travel", "from_date": "2026-01-01", "offset_mmhg": 1}]}}', "offset_mmhg"),
        ('{"stays": {"P-1": [{"discharged_on": "2026-03-01", "until": "2026-02-01"}]}}', "until"),
        (
            '{"stays": {"P-1": [{"discharged_on": "2026-03-01", "until": "2026-03-09", "watched_until": "2026-03-10"}]}}',
            "watched_until",
        ),
        ('{"dry_weights": {"P-1": "80"}}', "dry_weights"),
        ('{"only": ["rosing"]}', "only"),
        ('{"only": "rising"}', "only"),
    ],
)
def test_a_setting_that_cannot_be_is_refused(text: str, field: str):
    with pytest.raises(Refused) as refusal:
        read_options(text)
    assert refusal.value.field == field


def test_every_setting_can_be_listed_with_what_it_means():
    result = CliRunner().invoke(command, ["--list-settings"])
    assert result.exit_code == 0
    names = [line.split()[0] for line in result.output.splitlines()]
    assert names == [name for name, *_ in described()]


def test_without_a_settings_file_the_engine_runs_as_it_does_in_a_clinic():
    assert Options().engine is DEFAULT
    assert Options().limits == {}


def test_a_file_that_is_not_text_spoils_only_its_own_rows(tmp_path: Path):
    source, out = tmp_path / "r.csv", tmp_path / "s.csv"
    body = "\n".join((HEADER, *_rows("P-1", 1))).encode()
    source.write_bytes(b"\xef\xbb\xbf" + body + b"\nP\xff,2026-02-20T07:00:00+01:00,40,18,26,70,mm[Hg]\n")
    result = CliRunner().invoke(command, [str(source), "--out", str(out)])
    assert result.exit_code == 0
    assert "patient was" in result.stderr
    assert out.read_text(encoding="utf-8").count("rising") >= 1


def test_a_file_without_one_good_row_is_an_error(tmp_path: Path):
    result, lines = _run(tmp_path, ["P-1,yesterday,40,18,26,70,mm[Hg]"])
    assert result.exit_code == 1
    assert "no row that could be taken" in result.output + result.stderr
    assert lines == []


def test_the_sample_files_run(tmp_path: Path):
    out = tmp_path / "signals.csv"
    result = CliRunner().invoke(
        command,
        [str(FIXTURES / "readings.csv"), "--diary", str(FIXTURES / "diary.csv"),
         "--settings", str(FIXTURES / "settings.json"), "--out", str(out)],
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    lines = _table(out)
    by_patient = {name: {line["signal"] for line in lines if line["patient"] == name} for name in ("R-1", "R-2", "R-3")}
    assert {"rising", "above_limit", "worse_symptoms"} <= by_patient["R-1"]
    assert by_patient["R-2"] == set()
    assert {"falling", "below_limit"} <= by_patient["R-3"]
    assert "rows refused 2," in result.output
