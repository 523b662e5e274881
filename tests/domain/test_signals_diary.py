"""Weight rules and symptom changes, each on the day it should speak and not before."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.readings import KG_IN_POUND
from service.domain.signals import diary
from service.domain.signals.diary import (
    BELLY,
    BREATH,
    CHAIR,
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
    assert DEFAULT.gain_week == pytest.approx(5 * KG_IN_POUND, abs=0.003)
    slow = [80.0, 80.0, 80.0, 80.4, 80.8, 81.2, 81.6, 82.0, last]
    found = _weight(slow)
    assert not found.in_3_days[0] > 2.0
    assert found.gain[0] == gained


def test_3_lb_in_a_day_counts_for_those_who_weigh_in_pounds_and_once_it_held():
    # US patient sheets: 2–3 lb in a day. Two household scales' noise makes that often: it must hold.
    three = 3 * KG_IN_POUND + 0.1
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
    assert not _symptoms(BREATH, [2.0] * 20 + [5.0]).breathless[0]
    assert not _symptoms(BREATH, [2.0] * 20 + [9.0, 2.0, 2.0]).breathless[0]


@pytest.mark.parametrize(
    ("question", "usual", "now", "at_once"),
    # The steps are conventions of ours, no source: 4 points of breathlessness, 2 pillows, one night woken.
    [
        (BREATH, 2, 6, 1),
        (BREATH, 2, 5, 0),
        (PILLOWS, 0, 2, 1),
        (PILLOWS, 0, 1, 0),
        (PILLOWS, 3, 3, 0),
        (WOKE, 0, 1, 1),
        (CHAIR, 0, 1, 1),
        (CHAIR, 1, 1, 0),
    ],
)
def test_one_strong_answer_counts_at_once(question: int, usual: int, now: int, at_once: int):
    found = _symptoms(question, [float(usual)] * 20 + [float(now)])
    assert (found.at_once[0], found.worse[0]) == (at_once, bool(at_once))
    # And only while it is the newest answer: the next one speaks for itself.
    assert _symptoms(question, [float(usual)] * 20 + [float(now), float(usual)]).at_once[0] == 0


def test_without_a_usual_nobody_is_called_worse():
    assert not _symptoms(BREATH, [8.0] * 6).breathless[0]


def test_a_slow_worsening_does_not_become_the_usual_while_it_happens():
    climbing = [2.0] * 20 + [2.5, 3.0, 3.5, 4.0, 4.5, 5.0]
    assert _symptoms(BREATH, climbing).breathless[0]


@pytest.mark.parametrize("days", [60, 200, 500])
def test_the_usual_never_follows_a_worsening_however_slow(days: int):
    slow = [2.0] * 30 + [float(round(2 + 4 * day / days)) for day in range(days)]
    found = _symptoms(BREATH, slow)
    assert found.breathless[0]
    assert found.breath_usual[0] == pytest.approx(2.0)
    # Nor does staying worse make it usual.
    assert _symptoms(BREATH, slow + [6.0] * 100).breathless[0]


def test_the_usual_follows_whoever_gets_better_and_from_there_they_may_be_worse():
    better = [6.0] * 30 + [2.0] * 80
    assert 2.0 < _symptoms(BREATH, better).breath_usual[0] < 2.8
    assert not _symptoms(BREATH, better).eased[0]
    assert _symptoms(BREATH, [*better, 5.0, 5.0]).breathless[0]


def test_a_usual_of_answers_that_scatter_stays_where_they_are():
    # Ordinary scatter of half a point for a year: what is drawn from a known law must stay near its mean.
    random = np.random.default_rng(3)
    answers = [float(np.clip(round(3 + random.normal(0, 0.5)), 0, 10)) for _ in range(365)]
    assert _symptoms(BREATH, answers).breath_usual[0] == pytest.approx(3.0, abs=0.45)


def test_staff_may_say_that_the_answers_of_the_week_are_the_new_usual():
    state, day = _kept(BREATH, [1.0] * 30 + [4.0] * 10)
    assert diary.symptom_changes(state, day, DEFAULT).breathless[0]
    accepted = diary.known(state, 0, day, day, weight=False, new_usual=True)
    for kept, worse in ((accepted, False), (diary.known(state, 0, day, day, weight=False), True)):
        for on in (1, 2, 3):
            answers = np.full((len(QUESTIONS), 1), np.nan)
            answers[BREATH] = 4.0
            kept = diary.step(kept, day + on, answers)
        assert diary.symptom_changes(kept, day + 3, DEFAULT).breathless[0] == worse


def test_the_new_usual_is_of_what_was_answered_until_the_evening_before():
    # Closed on the day of the newest answer, which the engine takes in after it: the ring still holds 16 days ago there.
    state, day = _kept(BREATH, [1.0] * 30 + [9.0] + [4.0] * 15)
    kept = diary.known(state, 0, day + 1, day, weight=False, new_usual=True)
    assert kept.usual[BREATH, 0] == pytest.approx(4.0)


@pytest.mark.parametrize("silent", [0, 8, 12, 15, 16, 40])
def test_the_new_usual_is_of_the_last_answers_however_long_ago_they_were(silent: int):
    # An answer of a day in between that came late is none that staff knew.
    known = FIRST + 39
    state, day = _kept(BREATH, [1.0] * 30 + [4.0] * 10 + [9.0 if at == 9 else None for at in range(silent)])
    kept = diary.known(state, 0, known, day, weight=False, new_usual=True)
    assert kept.usual[BREATH, 0] == pytest.approx(4.0)


def test_the_usual_weight_follows_flesh_and_no_congestion():
    # 0.5 kg a month, and then 4 kg in 40 days without a jump.
    flesh = [80 + 0.5 * day / 30 for day in range(240)]
    assert not _weight(flesh).gain[0]
    slow = [80.0] * 40 + [80 + 0.1 * day for day in range(41)]
    assert _weight(slow).gain[0]
    assert _weight(slow).over_usual[0] > 3.0
    assert not _weight(slow[:60]).gain[0]
    assert not _weight([90 - 0.1 * day for day in range(80)] + [82.0] * 120).gain[0]


def test_one_bad_night_is_told_and_opens_an_episode_only_where_more_comes_or_nothing():
    calm = [0.0] * 20
    once = _symptoms(WOKE, [*calm, 1.0])
    assert (once.worse[0], once.lasting[0], once.at_once[0]) == (True, False, 1)
    after = _symptoms(WOKE, [*calm, 1.0, 0.0])
    assert (after.worse[0], after.nights_woken[0]) == (False, 1)
    assert _symptoms(WOKE, [*calm, 1.0, 0.0, 1.0]).lasting[0]
    assert not _symptoms(WOKE, [*calm, 1.0, None]).lasting[0]
    assert _symptoms(WOKE, [*calm, 1.0, None, None]).lasting[0]


def test_where_a_diary_is_asked_weekly_a_bad_night_waits_for_the_next_one():
    weekly: list[float | None] = [0.0, *[None] * 6] * 8
    for silent, opens in ((6, False), (7, False), (8, True)):
        state, day = _kept(WOKE, [*weekly, 1.0, *[None] * silent], asked=1)
        found = diary.symptom_changes(state, day, DEFAULT)
        assert (found.worse[0], found.lasting[0]) == (True, opens), silent
    state, day = _kept(WOKE, [*weekly, 1.0, *[None] * 6, 0.0], asked=1)
    assert not diary.symptom_changes(state, day, DEFAULT).worse[0]


def test_who_usually_sleeps_in_a_chair_is_still_told_as_woken():
    # Five answers of the week, all from the chair as ever; woken on two of those nights, and not on the newest.
    state = diary.begin(1)
    woken = [0.0] * 30 + [None, 1.0, 0.0, None, 0.0, 1.0, 0.0]
    for day, night in enumerate(woken, FIRST):
        answers = np.full((len(QUESTIONS), 1), np.nan)
        if night is not None:
            answers[WOKE], answers[CHAIR] = night, 1.0
        state = diary.step(state, day, answers)
    found = diary.symptom_changes(state, FIRST + len(woken) - 1, DEFAULT)
    assert (found.nights_woken[0], found.nights_in_chair[0]) == (2, 5)
    assert (found.woken_once[0], found.woken[0], found.lasting[0]) == (False, True, True)
    assert not found.in_chair[0]


def test_more_pillows_on_two_of_the_last_three_answers():
    assert _symptoms(PILLOWS, [0.0] * 10 + [1.0, 0.0, 1.0]).more_pillows[0]
    assert not _symptoms(PILLOWS, [0.0] * 10 + [0.0, 0.0, 1.0]).more_pillows[0]


def test_nights_woken_count_against_the_usual_nights():
    assert _symptoms(WOKE, [0.0] * 20 + [1.0, 0.0, 1.0]).woken[0]
    assert not _symptoms(WOKE, [0.0] * 20 + [1.0, 0.0, 0.0]).woken[0]
    # Somebody who is woken every other night is not worse for it.
    assert not _symptoms(WOKE, [1.0, 0.0] * 20).woken[0]


def test_swelling_is_told_by_its_height():
    # Three grades over the usual in the last three answers together: a convention of ours, no source.
    assert not _symptoms(SWELLING, [0.0] * 10 + [1.0, 1.0]).more_swelling[0]
    assert _symptoms(SWELLING, [0.0] * 10 + [1.0, 1.0, 1.0]).more_swelling[0]
    assert _symptoms(SWELLING, [0.0, 1.0] + [0.0] * 12 + [1.0, 2.0]).more_swelling[0]
    assert not _symptoms(SWELLING, [1.0] * 20 + [1.0, 1.0]).more_swelling[0]
    assert _symptoms(SWELLING, [1.0] * 20 + [3.0, 3.0]).more_swelling[0]


def test_a_full_belly_on_two_days_of_seven_where_it_is_not_usual():
    assert _symptoms(BELLY, [0.0] * 10 + [1.0, 1.0]).worse[0]
    assert not _symptoms(BELLY, [0.0] * 10 + [1.0]).worse[0]
    assert not _symptoms(BELLY, [1.0] * 30).worse[0]


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
