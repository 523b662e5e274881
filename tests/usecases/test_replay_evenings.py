"""`neaptide replay --days-out`: what the review would have shown each evening, from what had come by then."""

from __future__ import annotations

import csv
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from service.commands.replay import replay as command
from service.domain.signals.facts import PressureLimits
from service.domain.signals.settings import from_json
from service.domain.vocabulary import Lane
from service.replaying.evenings import ReplayedEvening, replay_evenings
from service.replaying.past import Options, read_diary, read_readings

FIRST = date(2026, 1, 1)
COLUMNS = [
    "patient", "local_date", "level", "level_low", "level_high", "above_reference", "probability_up", "forecast_low",
    "forecast_high", "lane", "sentence",
]  # fmt: skip


def _rows(patient: str = "P-1", seed: int = 1, length: int = 70, late: dict[int, int] | None = None) -> list[str]:
    """A steady patient who rises from day 45 on; `late` says how many days after its date a row came."""
    chance = np.random.default_rng(seed)
    rows = []
    for offset in range(length):
        diastolic = 18 + 7 * min(max(offset - 45, 0) / 20, 1.0) + chance.normal(0, 1.1)
        taken, came = (FIRST + timedelta(days=offset + more) for more in (0, (late or {}).get(offset, 0)))
        rows.append(f"{patient},{taken}T07:10:00+01:00,{diastolic:.1f},{came}T08:00:00+01:00")
    return rows


def _evenings(rows: list[str], diary: list[str] | None = None, options: Options | None = None) -> list[ReplayedEvening]:
    taken = read_readings([f"{line}\n" for line in ("patient,taken_at,pa_diastolic,received_at", *rows)])
    written = read_diary([f"{line}\n" for line in diary]) if diary else None
    assert not taken.refused
    return list(replay_evenings(taken, written, options or Options()))


def test_the_file_has_a_row_for_each_patient_and_date_with_the_columns_that_are_promised(tmp_path: Path):
    source, out, given = tmp_path / "readings.csv", tmp_path / "days.csv", tmp_path / "settings.json"
    source.write_text("\n".join(["patient,taken_at,pa_diastolic,received_at", *_rows(), *_rows("P-2", 2, 30)]))
    given.write_text('{"limits": {"P-1": {"upper": 28}}}')
    result = CliRunner().invoke(command, [str(source), "--days-out", str(out), "--settings", str(given)])
    assert result.exit_code == 0, result.output
    with out.open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    assert list(lines[0]) == COLUMNS
    expected = {("P-1", str(FIRST + timedelta(days=day))) for day in range(70)}
    assert {(line["patient"], line["local_date"]) for line in lines} == expected | {
        ("P-2", str(FIRST + timedelta(days=day))) for day in range(30)
    }
    assert len(lines) == 100
    assert {line["lane"] for line in lines} <= set(Lane)
    for line in lines:
        assert float(line["level_low"]) < float(line["level"]) < float(line["level_high"])
        assert line["sentence"].endswith(".")
    first = lines[0]
    assert (first["above_reference"], first["forecast_low"], first["forecast_high"]) == ("", "", "")
    rising = next(line for line in lines if line["forecast_low"])
    assert rising["patient"] == "P-1"
    assert float(rising["forecast_low"]) <= float(rising["forecast_high"])
    assert "28 mmHg" in rising["sentence"]


def test_one_of_the_two_files_must_be_asked_for(tmp_path: Path):
    source = tmp_path / "readings.csv"
    source.write_text("\n".join(["patient,taken_at,pa_diastolic,received_at", *_rows()]))
    result = CliRunner().invoke(command, [str(source)])
    assert result.exit_code == 2
    assert "--days-out" in result.output


def test_a_reading_counts_from_the_evening_it_came():
    # The rise is on the sensor from day 45 on, but nothing of it comes before day 60.
    late = {offset: 60 - offset for offset in range(45, 60)}
    told = {one.local_date: one for one in _evenings(_rows(late=late))}
    known = {one.local_date: one for one in _evenings(_rows())}
    before, after = FIRST + timedelta(days=59), FIRST + timedelta(days=60)
    assert known[before].picture.pressure.rising
    assert not told[before].picture.pressure.rising
    assert told[before].picture.pressure.last_reading_on == FIRST + timedelta(days=44)
    assert told[before].lane is Lane.NOT_HEARD_FROM
    assert told[after] == known[after]


@given(st.dictionaries(st.integers(5, 55), st.integers(1, 25), max_size=20), st.integers(30, 56))
@settings(max_examples=6)
def test_an_evening_is_what_a_file_of_what_had_come_by_then_gives(late: dict[int, int], at: int):
    late = {offset: days for offset, days in late.items() if offset != at}  # so that the cut file ends on that date
    rows, on = _rows(late=late), FIRST + timedelta(days=at)
    come = [row for row in rows if date.fromisoformat(row.split(",")[3][:10]) <= on]
    whole = next(one for one in _evenings(rows) if one.local_date == on)
    assert whole == _evenings(come)[-1]


def test_the_order_of_the_lines_does_not_matter_and_patients_do_not_touch_one_another():
    one, other = _rows(late={20: 3, 30: 9}), _rows("P-2", 2, 40)
    together = _evenings([*reversed(other), *reversed(one)])
    assert [line for line in together if line.patient == "P-1"] == _evenings(one)


def test_whoever_falls_silent_is_not_heard_from_from_the_third_missed_date_on():
    diary = ["patient,local_date,breathlessness", *(f"P-1,{FIRST + timedelta(days=day)},2" for day in range(50))]
    told = [one.lane for one in _evenings(_rows(length=40), diary)]
    assert Lane.NOT_HEARD_FROM not in told[:42]
    assert set(told[42:]) == {Lane.NOT_HEARD_FROM}
    asked = Options(engine=from_json({"silent_days": 2}))
    assert [one.lane for one in _evenings(_rows(length=40), diary, asked)].index(Lane.NOT_HEARD_FROM) == 41


def test_a_diary_is_expected_of_whoever_keeps_one():
    # Readings go on, the diary stops: what it would have said is not known, so nothing is settled.
    diary = ["patient,local_date,breathlessness", *(f"P-1,{FIRST + timedelta(days=day)},2" for day in range(30))]
    kept, never = (_evenings(_rows(length=42), given) for given in (diary, None))
    assert (kept[28].lane, never[28].lane) == (Lane.SETTLED, Lane.SETTLED)
    assert (kept[40].lane, never[40].lane) == (Lane.NOT_HEARD_FROM, Lane.SETTLED)


def test_a_corrected_diary_counts_from_the_evening_it_came():
    header = "patient,local_date,breathlessness,safety_signs,received_at"
    steady = [f"P-1,{FIRST + timedelta(days=day)},1,," for day in range(60)]
    day = FIRST + timedelta(days=40)
    for came, lane_is in ((day, True), (day + timedelta(days=1), False)):
        lines = [header, *steady, f"P-1,{day},1,chest_pain,{came}T20:00:00+01:00"]
        told = {one.local_date: one for one in _evenings(_rows(), lines)}
        assert (told[day].lane is Lane.CALL_TODAY) is lane_is


@pytest.mark.parametrize("received", ["yesterday", "2026-02-30T08:00:00+01:00", "2026-01-05T08:00:00"])
def test_an_arrival_that_cannot_be_is_refused_by_field(received: str):
    good = _rows(length=10)
    bad = f"P-1,2026-01-25T07:10:00+01:00,18.0,{received}"
    found = read_readings([f"{line}\n" for line in ("patient,taken_at,pa_diastolic,received_at", *good, bad)])
    assert [(refusal.field, refusal.line) for refusal in found.refused] == [("received_at", 12)]
    assert len(found.taken["P-1"]) == 10


def test_an_upper_limit_that_is_passed_is_no_days_away():
    told = _evenings(_rows(), options=Options(limits={"P-1": PressureLimits(upper=16)}))
    forecast = told[-1].picture.pressure.forecast
    assert forecast is not None
    assert (forecast.low, forecast.high) == (0.0, 0.0)
    assert told[-1].lane is Lane.CALL_TODAY
