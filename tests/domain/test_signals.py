"""The whole engine on one patient and on many: early, honest, and the same by every road."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from service.domain.days import Day, Taken, join
from service.domain.signals import engine
from service.domain.signals import state as engine_state
from service.domain.signals.diary import QUESTIONS
from service.domain.signals.engine import assess_many
from service.domain.signals.facts import (
    AdjustmentMade,
    AnchoredReference,
    Assessment,
    Case,
    Episode,
    Picture,
    PressureLimits,
)
from service.domain.signals.picture import lane_of
from service.domain.signals.settings import DEFAULT, described, from_json
from service.domain.signals.state import DayInputs, EngineState
from service.domain.validation import Refused
from service.domain.vocabulary import Lane, Posture, Response, SafetySign, SignalKind, Swelling
from service.words.labels import label
from service.words.language import load_language
from service.words.sentences import signals

ENGLISH = load_language("en")

FIRST = date(2026, 1, 1)


def _days(
    length: int, seed: int = 1, rise_from: int | None = None, rise: float = 0.0, over: int = 25, missing: float = 0.15
) -> list[Day]:
    """An invented patient: 18 mmHg, a noise of 1.2, and a rise where asked for."""
    random = np.random.default_rng(seed)
    days = []
    for offset in range(length):
        up = 0.0 if rise_from is None else rise * min(max(offset - rise_from, 0) / over, 1.0)
        value = 18 + up + random.normal(0, 1.2)
        if random.random() >= missing:
            days.append(
                Day(
                    FIRST + timedelta(days=offset),
                    readings=1,
                    pa_diastolic=round(value, 1),
                    pa_mean=round(value + 8 + random.normal(0, 0.4), 1),
                    pa_systolic=round(value + 22 + random.normal(0, 1.0), 1),
                )
            )
    return days


def _said(episode: Episode) -> str:
    return signals.signal(ENGLISH, episode.kind, episode.facts)


def assess(case: Case) -> Assessment:
    """Everything the engine says of one patient on `case.today`, from the first day on."""
    return assess_many([case])[0]


def _case(days: list[Day], last: int, **more: object) -> Case:
    return Case(days, FIRST + timedelta(days=last), **more)  # type: ignore[arg-type]


def test_a_rise_of_6_in_25_days_is_told_well_before_it_ends():
    found = assess(_case(_days(100, rise_from=60, rise=6.0), 84))
    rising = [signal for signal in found.signals if signal.kind is SignalKind.RISING]
    assert rising
    assert FIRST + timedelta(days=62) <= rising[0].raised_on <= FIRST + timedelta(days=78)
    assert abs((rising[0].began_on - FIRST).days - 62) <= 10
    assert found.picture.picture is Picture.UP_AND_WELL
    assert found.picture.pressure.broken is not None
    assert found.picture.pressure.broken.probability > 0.95


def test_no_rise_is_told_without_one():
    assert [
        s for found in assess_many([_case(_days(120, seed), 119) for seed in range(5)]) for s in found.signals
    ] == []


def test_a_fall_is_told_as_one():
    found = assess(_case(_days(100, rise_from=60, rise=-6.0), 95))
    assert {signal.kind for signal in found.signals} == {SignalKind.FALLING}
    assert found.picture.picture is Picture.DOWN


def test_over_treatment_is_pressure_down_and_light_headed():
    days = [
        replace(day, checkin=True, light_headed=(day.day - FIRST).days > 80)
        for day in _days(100, rise_from=60, rise=-6.0)
    ]
    found = assess(_case(days, 95))
    assert (found.picture.picture, lane_of(found.picture)) == (Picture.DOWN_AND_LIGHT_HEADED, Lane.CALL_TODAY)


def test_a_very_slow_rise_is_told_once_it_is_far_above_the_reference():
    found = assess(_case(_days(330, rise_from=30, rise=8.0, over=280), 329))
    assert SignalKind.RISING in {signal.kind for signal in found.signals}


def test_the_reference_is_the_first_14_days_with_readings_and_never_drifts():
    days = _days(200, rise_from=60, rise=6.0)
    first = [day.pa_diastolic for day in days[:14] if day.pa_diastolic is not None]
    for last in (40, 100, 199):
        reference = assess(_case(days, last)).picture.pressure.reference
        assert reference is not None
        assert reference.value == pytest.approx(np.mean(first))
        assert not reference.is_set


def test_a_reference_that_staff_set_is_used_and_judges_no_day_before_it():
    low = AnchoredReference(12.0, 0.4, FIRST + timedelta(days=50), FIRST + timedelta(days=70))
    found = assess(_case(_days(100), 99, reference=low))
    assert found.picture.pressure.reference == low
    assert found.signals
    assert min(signal.raised_on for signal in found.signals) >= FIRST + timedelta(days=70)


def test_limits_speak_only_where_they_were_typed_in():
    days = _days(120, rise_from=60, rise=9.0)
    assert SignalKind.ABOVE_LIMIT not in {signal.kind for signal in assess(_case(days, 119)).signals}
    found = assess(_case(days, 119, limits=PressureLimits(upper=24.0)))
    above = [signal for signal in found.signals if signal.kind is SignalKind.ABOVE_LIMIT]
    assert len(above) == 1
    assert "above the limit of 24 mmHg set for this patient" in _said(above[0])
    assert found.picture.pressure.forecast.days == 0.0


def test_the_response_to_an_adjustment_is_followed():
    days = _days(80, rise_from=40, rise=6.0, over=20) + [
        replace(day, day=day.day + timedelta(days=80)) for day in _days(30, seed=7)
    ]
    made = AdjustmentMade(FIRST + timedelta(days=80), "water tablet")
    found = assess(_case(days, 105, adjustments=[made])).response
    assert found is not None
    assert found.response is Response.SETTLED
    assert found.days_to_reference is not None
    early = assess(_case(days, 81, adjustments=[made])).response
    assert early is not None
    assert early.response is Response.TOO_FEW_READINGS


def test_a_change_made_before_the_first_reading_is_followed_too():
    days = _days(24, missing=0.0)
    made = AdjustmentMade(days[0].day - timedelta(days=3), "Water tablet doubled")
    found = assess(Case(days=days, today=days[-1].day, adjustments=[made])).response
    assert found is not None
    assert found.readings_after == 24


def test_a_safety_answer_is_a_signal_of_its_day():
    days = _days(40)
    days.append(Day(FIRST + timedelta(days=40), checkin=True, safety_signs=(SafetySign.CHEST_PAIN,)))
    found = assess(_case(days, 40))
    assert [signal.kind for signal in found.signals] == [SignalKind.SAFETY_ANSWER]
    assert "chest pain" in _said(found.signals[0])
    assert lane_of(found.picture) is Lane.CALL_TODAY


def test_worse_with_flat_pressure_says_where_the_pressure_is_and_what_was_compared():
    days = [
        replace(day, checkin=True, breathlessness=2 if (day.day - FIRST).days < 60 else 6, swelling=Swelling.NONE)
        for day in _days(70)
    ]
    found = assess(_case(days, 69))
    assert found.picture.picture is Picture.WORSE_WITH_FLAT_PRESSURE
    said = signals.picture(ENGLISH, found.picture)
    assert said.startswith("Feeling worse: more breathless (6 of 10, usual 2), since ")
    assert "compared and unchanged on 5 of the last 7 days" in said
    assert "cause" not in said


def test_a_day_read_only_sitting_up_counts_for_less():
    days = _days(40, missing=0.0)
    clear = [*days, replace(days[-1], day=FIRST + timedelta(days=40), pa_diastolic=20.0)]
    last = Taken(clear[-1].day, clear[-1].pa_systolic, 20.0, clear[-1].pa_mean, posture=Posture.SITTING)
    sitting = [*clear[:-1], *join(last.day, last.day, readings=[last])]
    before = assess(_case(days, 39)).picture.pressure.level
    levels = [assess(_case(course, 40)).picture.pressure.level for course in (sitting, clear)]
    assert before is not None
    assert before < levels[0] < levels[1]  # type: ignore[operator]


def test_pounds_in_a_day_count_for_those_who_weigh_in_pounds():
    days = [
        replace(day, checkin=True, weight_kg=80.0 + 1.5 * ((day.day - FIRST).days >= 28))
        for day in _days(30, 1, missing=0.0)
    ]
    for pounds in (True, False):
        found = assess(_case([replace(day, weighed_in_pounds=pounds) for day in days], 29))
        assert (SignalKind.WEIGHT_GAIN in {signal.kind for signal in found.signals}) == pounds


@pytest.mark.parametrize("only", ["pa_diastolic", "pa_mean", "pa_systolic"])
def test_one_pressure_alone_is_enough(only: str):
    others = {name: None for name in ("pa_diastolic", "pa_mean", "pa_systolic") if name != only}
    days = [replace(day, **others) for day in _days(100, rise_from=60, rise=8.0)]  # type: ignore[arg-type]
    found = assess(_case(days, 95))
    assert SignalKind.RISING in {signal.kind for signal in found.signals}
    assert found.picture.pressure.of == only
    names = {"pa_diastolic": "PA d", "pa_mean": "mean", "pa_systolic": "PA s"}
    assert label(ENGLISH, found.picture.pressure.of).startswith(names[only])


def test_nobody_known_is_a_picture_too():
    found = assess(Case([], FIRST))
    assert found.picture.pressure.level is None
    assert "no reading yet" in signals.picture(ENGLISH, found.picture)


# --- the same by every road -----------------------------------------------------------------


def test_a_patient_alone_and_among_others_gets_the_same():
    cases = [_case(_days(90, seed, rise_from=50, rise=seed % 3 * 3.0), 80 + seed % 4) for seed in range(5)]
    assert assess_many(cases) == [assess(case) for case in cases]


@given(st.lists(st.integers(0, 10_000), min_size=8, max_size=8), st.integers(30, 109))
@settings(max_examples=3)
def test_cutting_the_future_changes_nothing_before_the_cut(seeds: list[int], cut: int):
    whole = [_days(110, seed, rise_from=50, rise=6.0) for seed in seeds]
    last = FIRST + timedelta(days=cut)
    before = [[day for day in days if day.day <= last] for days in whole]
    then = assess_many([_case(days, cut) for days in [*whole, *before]])
    assert then[len(seeds) :] == then[: len(seeds)]
    for found, later in zip(then, assess_many([_case(days, 109) for days in whole]), strict=False):
        told = {(s.kind, s.raised_on): s.facts for s in later.signals if s.raised_on <= last}
        assert told == {(s.kind, s.raised_on): s.facts for s in found.signals}  # those ended since stand first


def test_the_order_of_arrival_does_not_matter():
    days = _days(90, 3, rise_from=50, rise=6.0)
    shuffled = [random.Random(seed).sample(days, len(days)) for seed in range(20)]
    first, *others = assess_many([_case(some, 89) for some in [days, *shuffled]])
    assert all(one == first for one in others)


def _today(readings: NDArray[np.float64], day: int) -> DayInputs:
    return DayInputs(readings[day], answers=np.full((len(QUESTIONS), readings.shape[2]), np.nan))


def _readings(days: int, patients: int, seed: int = 0) -> NDArray[np.float64]:
    random = np.random.default_rng(seed)
    level = 18 + np.cumsum(random.normal(0, 0.15, (days, patients)), axis=0)
    readings = np.stack([level, level + 8, level + 22], axis=1) + random.normal(0, 1.2, (days, 3, patients))
    readings[random.random((days, patients))[:, None].repeat(3, axis=1) < 0.2] = np.nan
    return readings


def _run(readings: NDArray[np.float64], watch: EngineState, first: int) -> tuple[EngineState, NDArray[np.bool_]]:
    told = []
    for day in range(first, len(readings)):
        watch, today, _ = engine.step(watch, 740_000 + day, _today(readings, day), DEFAULT)
        told.append(today)
    return watch, np.stack(told)


def test_one_patient_taken_out_of_many_goes_on_as_they_would():
    readings = _readings(120, 5)
    many, _ = _run(readings[:100], engine_state.begin(5), 0)
    one = engine_state.from_records(engine_state.to_records(many)[[3]], many.day)
    alone, told = _run(readings[:, :, [3]], one, 100)
    together, all_told = _run(readings, many, 100)
    np.testing.assert_array_equal(told[:, :, 0], all_told[:, :, 3])
    assert engine_state.to_records(alone).tobytes() == engine_state.to_records(together)[3].tobytes()


def test_a_day_may_not_be_left_out():
    watch, *_ = engine.step(engine_state.begin(1), 740_000, DayInputs(np.full((3, 1), 20.0)), DEFAULT)
    with pytest.raises(ValueError, match="does not follow"):
        engine.step(watch, 740_002, DayInputs(np.full((3, 1), 20.0)), DEFAULT)


# --- settings -------------------------------------------------------------------------------


def test_every_setting_is_described_and_its_default_accepted():
    for name, default, accepted, means in described():
        assert means
        assert accepted
        assert getattr(from_json({name: default}), name) == default


@pytest.mark.parametrize(
    ("told", "field"),
    [
        ({"rise_shure": 0.9}, "rise_shure"),
        ({"margin": -1}, "margin"),
        ({"margin": "1"}, "margin"),
        ({"margin": True}, "margin"),
        ({"reference_days": 14.5}, "reference_days"),
        ({"usual_from": 50, "usual_to": 40}, "usual_to"),
        ({"margin": None}, "margin"),
        ({"margin": float("nan")}, "margin"),
    ],
)
def test_a_setting_that_cannot_be_is_refused_by_name(told: dict[str, object], field: str):
    with pytest.raises(Refused) as refusal:
        from_json(told)
    assert refusal.value.field == field


def test_the_engine_ships_no_limit():
    assert not [name for name, _, _, means in described() if "limit" in name and name != "limit_sure"]
    assert engine_state.begin(1).upper[0] != engine_state.begin(1).upper[0]  # nan: none
    assert engine.DEFAULT.silent_days is None
