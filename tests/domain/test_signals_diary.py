"""Weight rules and symptom changes, each on the day it should speak and not before."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.signals import diary
from service.domain.signals.diary import (
    BREATH,
    KG_PER_POUND,
    LIGHT,
    PILLOWS,
    QUESTIONS,
    SWELLING,
    WEIGHT,
    WOKE,
    DiaryState,
    SymptomChanges,
    WeightChanges,
)
from service.domain.signals.settings import DEFAULT, EngineSettings

FIRST = 740_000


def _kept(question: int, values: list[float | None], *, pounds: bool = False, **known: float) -> tuple[DiaryState, int]:
    """A diary of one patient with one question answered, and its last day."""
    state = diary.begin(1)
    for name, value in known.items():
        state = replace(state, **{name: np.array([value])})
    day = FIRST
    for day, value in enumerate(values, FIRST):
        answers = np.full((len(QUESTIONS), 1), np.nan)
        answers[question, 0] = np.nan if value is None else value
        state = diary.step(state, day, answers, np.array([pounds]))
    return state, day


def _weight(
    values: list[float | None], settings: EngineSettings = DEFAULT, *, pounds: bool = False, **known: float
) -> WeightChanges:
    state, day = _kept(WEIGHT, values, pounds=pounds, **known)
    return diary.weight_changes(state, day, settings)


def _symptoms(question: int, values: list[float | None]) -> SymptomChanges:
    state, day = _kept(question, values)
    return diary.symptom_changes(state, day, DEFAULT)


# --- weight -------------------------------------------------------------------------------


@pytest.mark.parametrize(("last", "gained"), [(82.0, False), (82.1, True), (84.0, True)])
def test_more_than_2_kg_in_3_days_is_a_gain(last: float, gained: bool):
    # European Society of Cardiology guidance for patients: more than 2 kg in 3 days.
    found = _weight([80.0, 80.0, 80.0, 80.0, last])
    assert found.gain[0] == gained


def test_one_weighing_in_clothes_three_days_ago_is_no_loss_today():
    assert not _weight([80.0, 80.0, 83.0, 80.0, 80.0, 80.0]).loss[0]


@pytest.mark.parametrize(("last", "gained"), [(82.2, False), (82.3, True)])
def test_more_than_5_lb_in_a_week_is_a_gain(last: float, gained: bool):
    # US heart-failure patient sheets: 5 lb in a week; 5 × 0.45359237 = 2.268 kg (NIST SP 811).
    assert DEFAULT.gain_week == pytest.approx(5 * KG_PER_POUND, abs=0.003)
    slow = [80.0, 80.0, 80.0, 80.4, 80.8, 81.2, 81.6, 82.0, last]
    found = _weight(slow)
    assert not found.in_3_days[0] > 2.0
    assert found.gain[0] == gained


def test_3_lb_in_a_day_counts_for_those_who_weigh_in_pounds_and_once_it_held():
    # US patient sheets: 2–3 lb in a day. Two household scales' noise makes that often: it must hold.
    three = 3 * KG_PER_POUND + 0.1
    once, held = [80.0] * 5 + [80 + three], [80.0] * 5 + [80 + three] * 2
    assert not _weight(once, pounds=True).gain[0]
    assert _weight(held, pounds=True).gain[0]
    assert not _weight(held, pounds=False).gain[0]


def test_weight_is_held_against_dry_weight_only_where_one_was_typed_in():
    slow = [80 + 0.03 * day for day in range(80)]
    assert not _weight(slow).gain[0]
    found = _weight(slow, dry_weight=80.0)
    assert found.gain[0]
    assert found.over_dry[0] == pytest.approx(2.34, abs=0.01)


def test_a_slow_gain_is_seen_by_the_trend_of_all_weighings():
    # Theil–Sen over 14 days: 0.16 kg a day is 2.24 kg, although no two weighings say so surely.
    random = np.random.default_rng(1)
    gaining = [80 + 0.16 * day + random.normal(0, 0.15) for day in range(14)]
    found = _weight(gaining)
    assert found.in_fortnight[0] == pytest.approx(0.16 * 14, abs=0.5)
    assert found.gain[0]
    assert not _weight([80 + random.normal(0, 0.45) for _ in range(14)]).gain[0]


def test_two_odd_weighings_do_not_make_a_trend():
    assert not _weight([80.0] * 12 + [81.9, 81.9]).gain[0]


def test_weight_lost_is_told_as_well():
    assert _weight([80.0] * 5 + [77.9]).loss[0]
    assert _weight([79.9] * 5, dry_weight=82.0).loss[0]


def test_without_a_weighing_today_no_two_point_rule_speaks():
    found = _weight([80.0] * 4 + [85.0, None])
    assert np.isnan(found.in_3_days[0])
    assert not found.gain[0]


# --- symptoms -------------------------------------------------------------------------------


@pytest.mark.parametrize(("usual", "now", "worse"), [(1, 3, True), (4, 5, False), (6, 8, True), (6, 6, False)])
def test_breathlessness_is_held_against_the_patients_own_usual(usual: int, now: int, worse: bool):
    assert _symptoms(BREATH, [float(usual)] * 20 + [float(now)] * 3).breathless[0] == worse


def test_one_bad_day_is_not_a_change():
    assert not _symptoms(BREATH, [2.0] * 20 + [9.0]).breathless[0]
    assert not _symptoms(BREATH, [2.0] * 20 + [9.0, 2.0, 2.0]).breathless[0]


def test_without_a_usual_nobody_is_called_worse():
    assert not _symptoms(BREATH, [8.0] * 6).breathless[0]


def test_a_slow_worsening_does_not_become_the_usual_while_it_happens():
    climbing = [2.0] * 20 + [2.5, 3.0, 3.5, 4.0, 4.5, 5.0]
    assert _symptoms(BREATH, climbing).breathless[0]


def test_more_pillows_on_two_of_the_last_three_answers():
    assert _symptoms(PILLOWS, [0.0] * 10 + [1.0, 0.0, 1.0]).more_pillows[0]
    assert not _symptoms(PILLOWS, [0.0] * 10 + [0.0, 0.0, 1.0]).more_pillows[0]


def test_nights_woken_count_against_the_usual_nights():
    assert _symptoms(WOKE, [0.0] * 20 + [1.0, 0.0, 1.0]).woken[0]
    assert not _symptoms(WOKE, [0.0] * 20 + [0.0, 0.0, 1.0]).woken[0]
    # Somebody who is woken every other night is not worse for it.
    assert not _symptoms(WOKE, [1.0, 0.0] * 20).woken[0]


def test_swelling_is_told_by_its_height():
    assert _symptoms(SWELLING, [0.0] * 10 + [1.0, 1.0]).more_swelling[0]
    assert not _symptoms(SWELLING, [1.0] * 20 + [1.0, 1.0]).more_swelling[0]
    assert _symptoms(SWELLING, [1.0] * 20 + [2.0, 2.0]).more_swelling[0]


def test_light_headed_on_two_days_of_seven():
    assert _symptoms(LIGHT, [0.0] * 10 + [1.0, 0.0, 0.0, 1.0]).light_headed[0]
    assert not _symptoms(LIGHT, [0.0] * 10 + [1.0]).light_headed[0]


def test_old_answers_are_no_news():
    assert not _symptoms(BREATH, [2.0] * 20 + [8.0] * 3 + [None] * 8).breathless[0]


@given(st.lists(st.one_of(st.none(), st.integers(0, 10)), min_size=1, max_size=50), st.integers(1, 6))
@settings(max_examples=40, deadline=None)
def test_patients_do_not_touch_one_anothers_diary(values: list[int | None], others: int):
    alone, day = _kept(BREATH, [None if value is None else float(value) for value in values])
    state = diary.begin(others + 1)
    random = np.random.default_rng(0)
    for on, value in enumerate(values, FIRST):
        answers = random.integers(0, 11, (len(QUESTIONS), others + 1)).astype(float)
        answers[:, 0] = np.nan
        answers[BREATH, 0] = np.nan if value is None else value
        state = diary.step(state, on, answers)
    one, many = (diary.symptom_changes(found, day, DEFAULT) for found in (alone, state))
    assert one.breathless[0] == many.breathless[0]
    np.testing.assert_array_equal(one.breath_usual[0], many.breath_usual[0])
