"""Units against NIST SP 811 and pint; what is refused, what is only remarked on, what is the same reading."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pint
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.domain import readings
from service.domain.readings import NewReading, checked, mean_of, says_nothing_new, to_kg, to_mmhg
from service.domain.validation import Refused
from service.domain.vocabulary import Posture

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
GOOD = NewReading("A1", NOW - timedelta(hours=1), pa_systolic=38.0, pa_diastolic=17.0, pa_mean=25.0, heart_rate=71)
ONE_OF = {"mm[Hg]": "mmHg", "mmHg": "mmHg", "cm[H2O]": "cmH2O", "kPa": "kPa"}  # UCUM → pint's spelling


def refusal(new: NewReading) -> Refused:
    with pytest.raises(Refused) as caught:
        checked(new, NOW)
    return caught.value


# --- units -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "unit", "mmhg"),
    [
        # NIST SP 811 (2008), appendix B.8: 1 cmH2O = 98.0665 Pa, 1 mmHg = 133.3224 Pa (conventional
        # 133.322387415 Pa = 13.5951 g/cm³ × 9.80665). Computed from these: 18 cmH2O = 1765.197 Pa = 13.24006 mmHg.
        (18.0, "cm[H2O]", 13.24006),
        (1.35951, "cm[H2O]", 1.0),
        (2.666448, "kPa", 20.0),
        (3.333060, "kPa", 25.0),
        (20.0, "mm[Hg]", 20.0),
    ],
)
def test_pressures_convert_as_nist_sp_811_says(value, unit, mmhg):
    assert to_mmhg(value, unit) == pytest.approx(mmhg, abs=1e-5)


@given(st.floats(-5, 200), st.sampled_from(sorted(ONE_OF)))
def test_pressures_convert_as_pint_does(value, unit):
    # pint takes 1 mmHg as 133.322387415 Pa and water at 4 °C; UCUM rounds to 133.322 Pa: 1e-4 relative covers both.
    registry = pint.get_application_registry()
    expected = registry.Quantity(value, ONE_OF[unit]).to("mmHg").magnitude
    assert to_mmhg(value, unit) == pytest.approx(expected, rel=1e-4, abs=1e-9)


def test_an_array_converts_like_its_numbers():
    values = np.array([10.0, 18.0, 30.5])
    assert to_mmhg(values, "cm[H2O]") == pytest.approx([to_mmhg(float(one), "cm[H2O]") for one in values])


def test_a_pound_is_exactly_its_legal_kilograms():
    assert to_kg(1, "[lb_av]") == 0.45359237  # NIST SP 811, appendix B.8: exact
    assert to_kg(180, "[lb_av]") == pytest.approx(81.6466266, abs=1e-9)


@pytest.mark.parametrize("unit", ["torr", "mm[HG]", "Pa", "", "kpa"])
def test_a_unit_that_is_not_one_of_the_ucum_codes_is_refused(unit):
    assert refusal(replace(GOOD, unit=unit)).field == "pressure_unit"
    with pytest.raises(Refused, match="pressure_unit"):
        to_mmhg(20.0, unit)
    with pytest.raises(Refused, match="weight_unit"):
        to_kg(80.0, "lb")


# --- the mean --------------------------------------------------------------------


@pytest.mark.parametrize(
    # (S + 2 D) / 3, the formula given with a table in Thorax; computed.
    ("systolic", "diastolic", "mean"),
    [(40, 20, 26.667), (45, 22, 29.667), (60, 30, 40.0), (25, 10, 15.0)],
)
def test_a_missing_mean_is_estimated_and_says_so(systolic, diastolic, mean):
    judged = checked(replace(GOOD, pa_systolic=systolic, pa_diastolic=diastolic, pa_mean=None), NOW)
    assert judged.pa_mean == pytest.approx(mean, abs=0.005)
    assert judged.mean_is_derived
    assert mean_of(float(systolic), float(diastolic)) == pytest.approx(mean, abs=0.0005)


def test_a_measured_mean_is_never_overwritten():
    judged = checked(replace(GOOD, pa_systolic=40, pa_diastolic=20, pa_mean=29.0), NOW)
    assert (judged.pa_mean, judged.mean_is_derived) == (29.0, False)


# --- what cannot be true -----------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"pa_systolic": 16.0, "pa_mean": None}, "pa_systolic"),  # below its diastolic
        ({"pa_mean": 16.0}, "pa_mean"),
        ({"pa_mean": 39.0}, "pa_mean"),
        ({"pa_systolic": 201.0}, "pa_systolic"),
        ({"pa_diastolic": -5.1, "pa_mean": None}, "pa_diastolic"),
        ({"pa_systolic": float("nan")}, "pa_systolic"),
        ({"pa_diastolic": float("-inf")}, "pa_diastolic"),
        ({"pa_systolic": True}, "pa_systolic"),
        ({"pa_systolic": "38"}, "pa_systolic"),
        ({"heart_rate": 19.0}, "heart_rate"),
        ({"heart_rate": 301}, "heart_rate"),
        ({"heart_rate": float("inf")}, "heart_rate"),
        ({"taken_at": datetime(2026, 11, 25, 8, 0)}, "taken_at"),  # noqa: DTZ001 - that is the point
        ({"taken_at": NOW + timedelta(minutes=5, seconds=1)}, "taken_at"),
        ({"taken_at": datetime(1999, 12, 31, 23, 59, tzinfo=UTC)}, "taken_at"),
        ({"taken_at": datetime.max.replace(tzinfo=timezone(-timedelta(hours=12)))}, "taken_at"),
        ({"source_ref": "x" * 81}, "source_ref"),
        ({"source_ref": "a\x00b"}, "source_ref"),
    ],
)
def test_what_cannot_be_true_is_refused_by_field(change, field):
    told = refusal(replace(GOOD, **change))
    assert told.field == field
    assert told.accepted


def test_a_range_is_told_in_the_unit_that_was_sent():
    told = refusal(replace(GOOD, unit="kPa", pa_systolic=38.0, pa_diastolic=2.0, pa_mean=None))
    assert (told.field, told.value) == ("pa_systolic", 38.0)
    assert "0.27 to 26.66 kPa" in told.accepted  # 2 and 200 mmHg by the factor above


@pytest.mark.parametrize(
    ("unit", "pressures", "field", "asks"),
    # NIST SP 811 (2008), appendix B.8: 1 kPa is 7.50062 mmHg.
    [
        ("mm[Hg]", (4.1, 1.5, None), "pa_systolic", "4.1 kPa, which is 30.8 mmHg, or is it 4.1 mmHg, which is 0.547 kPa?"),
        ("mmHg", (9.9, 4.0, 6.0), "pa_systolic", "9.9 kPa, which is 74.3 mmHg, or is it 9.9 mmHg, which is 1.32 kPa?"),
        ("mmHg", (None, None, 2.5), "pa_mean", "2.5 kPa, which is 18.8 mmHg, or is it 2.5 mmHg, which is 0.333 kPa?"),
        ("kPa", (25.0, 12.0, 17.0), "pa_systolic", "25 mmHg, which is 3.33 kPa, or is it 25 kPa, which is 188 mmHg?"),
    ],
)  # fmt: skip
def test_a_pressure_that_is_likelier_in_the_other_unit_is_asked_about(unit, pressures, field, asks):
    systolic, diastolic, mean = pressures
    with pytest.raises(Refused) as caught:
        checked(replace(GOOD, unit=unit, pa_systolic=systolic, pa_diastolic=diastolic, pa_mean=mean), NOW, in_part=True)
    assert (caught.value.field, caught.value.value) == (field, systolic or mean)
    assert caught.value.accepted.endswith(asks)


@pytest.mark.parametrize(
    ("unit", "systolic", "diastolic"),
    [("mmHg", 10.0, 2.0), ("kPa", 0.547, 0.2), ("kPa", 14.9, 6.0), ("mmHg", 188.0, 90.0)],
)
def test_either_answer_to_that_question_is_taken(unit, systolic, diastolic):
    assert checked(replace(GOOD, unit=unit, pa_systolic=systolic, pa_diastolic=diastolic, pa_mean=None), NOW)


# --- what is only odd ----------------------------------------------------------------


def test_what_is_odd_is_kept_with_a_remark():
    assert checked(GOOD, NOW).remarks == []
    odd = checked(
        replace(GOOD, pa_systolic=19, pa_mean=None, posture=Posture.SITTING, taken_at=NOW + timedelta(minutes=4)),
        NOW,
    )
    assert odd.remarks == ["small pulse pressure", "taken sitting", "clock ahead"]


def test_history_from_long_before_enrolment_is_taken():
    assert checked(replace(GOOD, taken_at=datetime(2000, 1, 1, tzinfo=UTC)), NOW).taken_at.year == 2000


# --- the same reading ------------------------------------------------------------------


def test_the_same_reading_in_another_unit_and_offset_is_the_same():
    elsewhere = replace(
        GOOD,
        unit="kPa",
        pa_systolic=to_mmhg(38.0, "mm[Hg]") / to_mmhg(1.0, "kPa"),
        pa_diastolic=17.0 / to_mmhg(1.0, "kPa"),
        pa_mean=25.0 / to_mmhg(1.0, "kPa"),
        taken_at=GOOD.taken_at.astimezone(timezone(timedelta(hours=13))),
    )
    kept, repeat = checked(GOOD, NOW), checked(elsewhere, NOW)
    assert repeat.taken_at == kept.taken_at
    assert says_nothing_new(repeat, kept)


def test_a_repeat_that_leaves_something_out_is_the_same_and_one_that_adds_is_not():
    full, bare = checked(GOOD, NOW), checked(replace(GOOD, pa_mean=None, heart_rate=None), NOW)
    assert says_nothing_new(bare, full)
    assert not says_nothing_new(full, bare)
    assert not says_nothing_new(checked(replace(GOOD, pa_diastolic=17.5), NOW), full)
    assert not says_nothing_new(checked(replace(GOOD, heart_rate=72), NOW), full)


@given(
    diastolic=st.floats(-5, 80),
    pulse=st.floats(-5, 130),
    share=st.none() | st.floats(-0.1, 1.1),  # of the pulse pressure: where the mean lies
    unit=st.sampled_from(sorted(readings.UNITS)),
)
def test_whatever_is_taken_lies_in_order_and_in_range(diastolic, pulse, share, unit):
    systolic, mean = diastolic + pulse, None if share is None else diastolic + share * pulse
    given = [None if mmhg is None else mmhg / readings.UNITS[unit] for mmhg in (systolic, diastolic, mean)]
    new = replace(GOOD, pa_systolic=given[0], pa_diastolic=given[1], pa_mean=given[2], unit=unit)
    try:
        judged = checked(new, NOW)
    except Refused:
        assume(False)
    assert judged.pa_systolic >= judged.pa_diastolic
    assert judged.pa_diastolic - 0.06 <= judged.pa_mean <= judged.pa_systolic + 0.06
    assert 1.99 <= judged.pa_systolic <= 200.01
    assert says_nothing_new(judged, judged)
