"""The trend's smaller parts: slopes, area, reference, readings of a date, weights, forecast, response."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import permutations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import linregress, theilslopes

from service.domain.days import OFF_HOUR, SITTING, Taken, combine, join, usual_after
from service.domain.signals.diary import theil_sen
from service.domain.signals.facts import AdjustmentMade, AnchoredReference, PressureLimits, ResponseFacts
from service.domain.trend import reference, state
from service.domain.trend.forecast import PressurePace, forecast, pace
from service.domain.trend.response import follow, nothing_made, response
from service.domain.vocabulary import Posture, Response
from service.words.language import load_language
from service.words.sentences import signals

DAY = date(2026, 3, 1)


# --- slopes -------------------------------------------------------------------------------


def test_theil_sen_gives_the_slope_of_the_paper_that_named_it():
    # Sen 1968, J Am Stat Assoc 63:1379–89, as checked in SciPy's own tests: 4.0, 93 % CI 3.71–4.38.
    when = np.array([1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0])
    values = np.array([9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0])
    slope, low, high = (found[0] for found in theil_sen(when, values[:, None], 0.93))
    assert slope == 4.0
    assert (round(low, 2), round(high, 2)) == (3.71, 4.38)


@given(st.integers(0, 10_000))
@settings(max_examples=30, deadline=None)
def test_theil_sen_equals_scipy(seed: int):
    random = np.random.default_rng(seed)
    values = random.normal(size=(14, 3))
    found = theil_sen(np.arange(14.0), values)
    for patient in range(3):
        known = theilslopes(values[:, patient], np.arange(14.0))
        assert found[0][patient] == pytest.approx(known.slope)
        assert found[1][patient] == pytest.approx(known.low_slope)
        assert found[2][patient] == pytest.approx(known.high_slope)


def test_theil_sen_leaves_missing_days_out():
    values = np.array([[1.0], [np.nan], [3.0], [np.nan], [50.0], [6.0], [7.0]])
    assert theil_sen(np.arange(7.0), values)[0][0] == pytest.approx(theilslopes([1, 3, 50, 6, 7], [0, 2, 4, 5, 6])[0])
    assert np.isnan(theil_sen(np.arange(3.0), np.array([[1.0], [np.nan], [np.nan]]))[0][0])


# --- area ---------------------------------------------------------------------------------


def test_the_area_of_the_worked_week_is_its_daily_sum():
    # Computed by the stated rule: reference 20, 21 22 22 23 24 25 25 → 22 mmHg-days by daily sum
    # (19 by trapezoids, which this is not).
    week = np.array([21.0, 22, 22, 23, 24, 25, 25])[:, None]
    assert reference.area_over(week, 20.0)[0] == 22.0


def test_days_below_the_reference_take_nothing_off_and_unknown_days_add_nothing():
    values = np.array([[25.0], [10.0], [np.nan], [21.0]])
    assert reference.area_over(values, 20.0)[0] == 6.0


def test_the_newest_days_come_out_of_the_ring_in_order():
    ring = np.zeros((90, 1), dtype=np.float32)
    for day in range(200):
        ring[day % 90] = day
    assert reference.newest(ring, 199, 4)[:, 0].tolist() == [196.0, 197.0, 198.0, 199.0]


# --- reference ----------------------------------------------------------------------------


def test_a_reference_is_the_mean_of_the_first_14_days_with_readings_and_then_stays():
    # Convention: mean of 14 days (Zile 2025, Circ Heart Fail 18:e012754).
    values = np.array([18.0, np.nan, 19, 20, 21, 18, 19, np.nan, 20, 21, 18, 19, 20, 21, 19, 18, 40, 40])
    anchor = reference.unanchored(1, 1)
    for offset, value in enumerate(values):
        anchor = reference.take(anchor, np.array([[value]]), 740_000 + offset, 14)
        if offset < 15:
            assert np.isnan(anchor.value[0, 0])
    first = values[~np.isnan(values)][:14]
    assert anchor.value[0, 0] == pytest.approx(first.mean())
    assert anchor.reference.var[0, 0] == pytest.approx(first.var(ddof=1) / 14)
    assert (anchor.reference.first_day[0], anchor.reference.last_day[0]) == (740_000, 740_015)


def gathered(values: list[float], every: int = 1) -> reference.Anchor:
    anchor = reference.unanchored(1, 1)
    for offset in range(len(values) * every):
        today = values[offset // every] if offset % every == 0 else np.nan
        anchor = reference.take(anchor, np.array([[today]]), 740_000 + offset, 14)
    return anchor


@given(st.integers(0, 10_000), st.floats(-0.6, 0.6))
@settings(max_examples=60, deadline=None)
def test_a_stretch_is_settled_where_its_slope_is_within_the_bound(seed: int, slope: float):
    # SciPy's least squares. Nor may its middle third be another level than its ends.
    random = np.random.default_rng(seed)
    when = np.arange(14.0)
    values = np.round(22 + slope * when + random.normal(0, 1.3, 14), 1)
    known = abs(linregress(when, values).slope)
    assume(abs(known - reference.SETTLED_SLOPE) > 1e-6)
    bend = abs(values[4:10].mean() - np.delete(values, range(4, 10)).mean())
    assume(abs(bend - reference.DIFFERENT) > 1e-6)
    anchor = gathered(list(values))
    assert np.isnan(anchor.value[0, 0]) == (known > reference.SETTLED_SLOPE or bend > reference.DIFFERENT)
    assert anchor.origin[0, 0] == pytest.approx(values.mean())  # distances are counted from there all the same


def test_the_first_settled_fortnight_stands_in_and_the_newest_is_kept_beside_it():
    random = np.random.default_rng(4)
    coming_down = np.linspace(28.0, 20.0, 14)
    there, elsewhere = 19.0 + random.normal(0, 1, 14), 16.0 + random.normal(0, 1, 14)
    anchor = gathered([*coming_down, *there, *elsewhere])
    assert anchor.value[0, 0] == pytest.approx(there.mean())
    assert (anchor.reference.first_day[0], anchor.reference.last_day[0]) == (740_014, 740_027)
    assert anchor.newest.value[0, 0] == pytest.approx(elsewhere.mean())
    assert (anchor.newest.first_day[0], anchor.newest.last_day[0]) == (740_028, 740_041)


def test_a_fortnight_that_rose_and_fell_again_is_not_settled():
    there_and_back = [18.0, 18, 18, 19, 20, 22, 23, 23, 22, 20, 19, 18, 18, 18]
    assert abs(linregress(range(14), there_and_back).slope) < reference.SETTLED_SLOPE
    assert np.isnan(gathered(there_and_back).value[0, 0])


def test_who_settles_first_above_the_first_readings_has_no_reference_until_staff_say_so():
    climbing = list(np.linspace(15.0, 22.0, 28))
    anchor = gathered([*climbing, *[22.0] * 14])
    assert np.isnan(anchor.value[0, 0])
    assert anchor.newest.value[0, 0] == pytest.approx(22.0)
    assert gathered([*climbing, *[16.5] * 14]).value[0, 0] == pytest.approx(16.5)


def test_readings_scattered_too_widely_are_no_fortnight():
    settled = [18.0 + 0.5 * (-1) ** offset for offset in range(14)]
    assert not np.isnan(gathered(settled, every=4).value[0, 0])
    assert np.isnan(gathered(settled, every=5).value[0, 0])


# --- the readings of one date ---------------------------------------------------------------


def _one(value: float, hour: float = 7.0, posture: Posture | None = None) -> Taken:
    return Taken(DAY, value + 22, value, value + 8, hour=hour, posture=posture)


@pytest.mark.parametrize("order", list(permutations(range(4))))
def test_the_order_of_a_dates_readings_does_not_matter(order: tuple[int, ...]):
    readings = [_one(18), _one(20, 7.5), _one(12, 8.0, Posture.SITTING), _one(27, 20.0)]
    assert combine([readings[place] for place in order], 7.0) == combine(readings, 7.0)


def test_lying_goes_before_sitting_and_the_usual_hour_before_others():
    made = combine([_one(18), _one(20), _one(12, posture=Posture.SITTING), _one(27, 20.0)], 7.0)
    assert made.pa_diastolic == 19.0
    assert made.blur == 1.0


def test_a_date_with_only_unlike_readings_keeps_them_blurred():
    # Day-to-day CV 7.0 % in the morning, 14.9 % in the evening (Crnko 2021): variances as their squares.
    assert combine([_one(27, 20.0)], 7.0).blur == pytest.approx((14.9 / 7.0) ** 2) == OFF_HOUR
    assert combine([_one(12, posture=Posture.SITTING)], 7.0).blur == SITTING


def test_the_usual_hour_goes_the_short_way_round_midnight():
    assert usual_after(23.5, combine([_one(18, 0.5)], 23.5).hour) == pytest.approx(23.6)
    assert usual_after(None, combine([_one(18, 6.0), _one(19, 22.0)], None).hour) == 6.0


def test_a_pressure_that_was_not_given_stays_unknown():
    made = combine([Taken(DAY, None, None, 26.0, hour=7.0), Taken(DAY, None, None, 28.0, hour=7.2)], None)
    assert (made.pa_diastolic, made.pa_mean, made.pa_systolic) == (None, 27.0, None)


def test_a_patients_days_are_made_by_posture_and_usual_hour():
    first = DAY - timedelta(days=1)
    morning, seated = Taken(DAY, 42, 20, 28, hour=7.0), Taken(DAY, 36, 14, 22, hour=7.1, posture=Posture.SITTING)
    before, evening = Taken(first, 40, 18, 26, hour=7.2), Taken(DAY + timedelta(days=1), 50, 28, 36, hour=20.0)
    days = join(first, evening.day, readings=[evening, seated, morning, before])
    assert [(day.readings, day.pa_diastolic, day.blur) for day in days] == [
        (1, 18, 1.0),
        (2, 20, 1.0),
        (1, 28, OFF_HOUR),
    ]
    # What comes before the first date asked for still says what the usual hour is.
    assert join(evening.day, evening.day, readings=[evening, morning, before]) == days[2:]


# --- the weights of the three pressures -------------------------------------------------------


def _moments(sd: tuple[float, float, float], alike: float) -> np.ndarray:
    one, two, three = sd
    products = [one * two, one * three, two * three]
    return np.array([one**2, two**2, three**2, *(alike * product for product in products)])[:, None]


def test_independent_pressures_are_weighed_by_their_steadiness():
    # Generalised least squares with a diagonal covariance is weighing by 1/variance.
    found = state.weights(_moments((1.0, 2.0, 3.0), 0.0), np.ones((3, 1), dtype=bool))
    inverse = 1 / np.array([1.0, 4.0, 9.0])
    np.testing.assert_allclose(found[:, 0], inverse / inverse.sum())


def test_three_columns_of_one_noise_count_as_the_steadiest():
    found = state.weights(_moments((1.4, 2.0, 3.1), 1.0), np.ones((3, 1), dtype=bool))
    assert found[:, 0].tolist() == [1.0, 0.0, 0.0]


@pytest.mark.parametrize("only", range(3))
def test_a_single_pressure_stands_alone(only: int):
    known = np.zeros((3, 1), dtype=bool)
    known[only] = True
    found = state.weights(_moments((1.4, 2.0, 3.1), 0.5), known)
    assert found[only, 0] == 1.0
    assert found.sum() == 1.0


# --- forecast ---------------------------------------------------------------------------------


def test_a_sure_rise_is_forecast_to_the_day():
    # Arithmetic: 4 mmHg to go at 0.5 mmHg a day is 8 days.
    found = forecast(21.0, 0.0, PressurePace(0.5, 0.0), PressureLimits(upper=25.0))
    assert found is not None
    assert (found.low, found.days, found.high) == (8.0, 8.0, 8.0)
    assert found.up


def test_the_less_sure_the_wider():
    sure = forecast(21.0, 0.3, PressurePace(0.4, 0.03), PressureLimits(upper=25.0))
    unsure = forecast(21.0, 0.8, PressurePace(0.4, 0.12), PressureLimits(upper=25.0))
    assert sure is not None
    assert unsure is not None
    assert unsure.low < sure.low < 10.0 < sure.high < unsure.high


def test_a_fall_is_forecast_to_the_lower_limit():
    found = forecast(14.0, 0.0, PressurePace(-0.25, 0.0), PressureLimits(upper=25.0, lower=12.0))
    assert found is not None
    assert (found.up, found.days, found.limit) == (False, 8.0, 12.0)


def test_nothing_is_forecast_without_a_limit_or_when_heading_away():
    assert forecast(21.0, 0.3, PressurePace(0.4, 0.1), PressureLimits()) is None
    assert forecast(21.0, 0.3, PressurePace(-0.4, 0.1), PressureLimits(upper=25.0)) is None
    assert forecast(21.0, 0.3, None, PressureLimits(upper=25.0)) is None
    assert forecast(21.0, 0.3, PressurePace(0.01, 0.001), PressureLimits(upper=25.0)) is None


def test_nothing_is_forecast_where_its_late_end_is_out_of_sight():
    # 4 mmHg to go at 0.2 mmHg a day is 20 days; at a pace that may as well be nought it may be never.
    assert forecast(21.0, 0.3, PressurePace(0.2, 0.02), PressureLimits(upper=25.0)) is not None
    assert forecast(21.0, 0.3, PressurePace(0.2, 0.15), PressureLimits(upper=25.0)) is None


def test_a_limit_already_passed_is_told_as_no_days():
    found = forecast(26.0, 0.5, None, PressureLimits(upper=25.0))
    assert found is not None
    assert (found.days, found.low, found.high) == (0.0, 0.0, 0.0)


def test_the_interval_holds_the_true_day_about_as_often_as_it_says():
    # Simulated straight rises of 0.25 to 0.5 mmHg a day, read with a noise of 1.3 mmHg: the told 80 %
    # interval is wider than that on purpose, since neighbouring days' noise is alike and rises bend.
    random = np.random.default_rng(5)
    held = []
    for _ in range(400):
        slope = random.uniform(0.25, 0.5)
        truth = 20 + slope * np.arange(-13, 1)
        going = pace(truth + random.normal(0, 1.3, 14), 1.69, up=True)
        found = forecast(20.0, 0.0, going, PressureLimits(upper=22.0))
        day = 2.0 / slope
        if found is not None:  # sure enough to be told
            held.append(found.low <= day <= found.high)
    assert len(held) > 150
    assert np.mean(held) > 0.8


def test_a_rise_that_bends_towards_a_level_of_its_own_is_slowing_and_one_that_bends_up_is_not():
    # By the shape alone: the square root's slope falls, the square's grows; and a fall mirrors a rise.
    days = np.arange(14.0)
    for shape, slows in ((np.sqrt(days), True), (days**2, False)):
        rise, fall = pace(20 + shape, 1.69, up=True), pace(20 - shape, 1.69, up=False)
        assert rise is not None
        assert fall is not None
        assert (rise.slowing, fall.slowing) == (slows, slows)
        found = forecast(21.0, 0.3, replace(rise, mean=0.4, sd=0.05), PressureLimits(upper=25.0))
        assert found is not None
        assert found.slowing is slows


# --- response ---------------------------------------------------------------------------------


def _followed(
    levels: list[float], reference: AnchoredReference | None, read: list[bool], known_from: int = 0
) -> ResponseFacts:
    """The response to CHANGE on the last of the evenings whose levels are told, from DAY on.

    The reference is known from that many evenings on.
    """
    state, before, day = nothing_made(1), np.array([np.nan]), DAY
    for offset, (value, came) in enumerate(zip(levels, read, strict=True)):
        day, level = DAY + timedelta(days=offset), np.array([value])
        set_at = np.array([np.nan if reference is None or offset < known_from else reference.value])
        adjusted = np.array([day == CHANGE.made_on])
        state = follow(state, day.toordinal(), adjusted, before, level, np.array([came]), set_at)
        before = level
    return response(CHANGE, state, 0, day, levels[-1], reference)


def _response(course: list[tuple[float, bool]], reference: AnchoredReference | None) -> ResponseFacts:
    return _followed([level for level, _ in course], reference, [read for _, read in course])


def _course(levels: list[float], read: bool = True) -> list[tuple[float, bool]]:
    return [(level, read) for level in levels]


CHANGE = AdjustmentMade(DAY + timedelta(days=10))
REFERENCE = AnchoredReference(18.0, 0.4)


def test_back_at_the_reference_is_settled_with_the_days_it_took():
    falling = [24.0] * 10 + [24 - 0.75 * day for day in range(9)] + [18.0] * 4
    found = _response(_course(falling), REFERENCE)
    # 24 − 0.75·6 = 19.5 is the first level within 1.5 mmHg of 18.
    assert (found.response, found.days_to_reference) == (Response.SETTLED, 6)
    assert signals.response(load_language("en"), found) == (
        "Settled since the change of 11 March: about 24 mmHg before it, last known 18, within 1.5 mmHg of the "
        "reference after 6 days."
    )


def test_on_the_way_is_settling_and_no_move_is_not():
    assert _response(_course([24.0] * 10 + [22.5] * 6), REFERENCE).response is Response.SETTLING
    assert _response(_course([24.0] * 10 + [23.8] * 6), REFERENCE).response is Response.NOT_SETTLING


def test_the_wrong_way_is_not_settling_even_from_the_reference():
    assert _response(_course([18.0] * 10 + [21.0] * 6), REFERENCE).response is Response.NOT_SETTLING


def test_too_low_settles_upwards():
    low = [13.0] * 10 + [15.0] * 3 + [17.0] * 5
    assert _response(_course(low), REFERENCE).response is Response.SETTLED


def test_without_readings_nothing_is_said_of_the_response():
    silent = _course([24.0] * 10) + _course([24.0] * 17, read=False)[10:]
    found = _response(silent, REFERENCE)
    assert found.response is Response.TOO_FEW_READINGS
    assert "Too few readings" in signals.response(load_language("en"), found)
    assert _response(_course([24.0] * 16), None).response is Response.TOO_FEW_READINGS


def test_before_a_reference_was_compared_with_for_some_evenings_nothing_is_said_of_the_response():
    steady = [18.2] * 30
    for evenings, word in ((14, Response.TOO_FEW_READINGS), (16, Response.TOO_FEW_READINGS), (17, Response.SETTLED)):
        found = _followed(steady[:evenings], REFERENCE, [True] * evenings, known_from=14)
        assert found.response is word
        assert found.days_to_reference is None  # nobody compared before the reference was there
    assert signals.response(load_language("en"), found) == (
        "Settled since the change of 11 March: about 18.2 mmHg before it, last known 18.2, within 1.5 mmHg of the reference."
    )
