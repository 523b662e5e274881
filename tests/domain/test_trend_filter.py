"""The filter against published values and a reference library, and what must not change its numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter
from statsmodels.tsa.statespace.structural import UnobservedComponents

from service.domain.signals.settings import DEFAULT, EngineSettings
from service.domain.trend import kalman
from service.domain.trend.kalman import Filtered, advance, start

Array = NDArray[np.float64]
NILE = sm.datasets.nile.load_pandas().data["volume"].to_numpy(dtype=float)
# Durbin & Koopman, Time Series Analysis by State Space Methods: σ²ε = 15099, σ²η = 1469.1.
NILE_NOISE, NILE_LEVEL = 15099.0, 1469.1


def plain(level: float, slope: float, damping: float = 1.0) -> EngineSettings:
    """The Kalman filter alone, with these variances in units of the noise's."""
    return EngineSettings(level_step=level, slope_step=slope, slope_kept=damping, far_reading=math.inf, noise_pace=0.0)


NILE_TUNING = plain(NILE_LEVEL / NILE_NOISE, 0.0)


def latest(state: Filtered, values: Array, tuning: EngineSettings = DEFAULT) -> Filtered:
    """The state after days of [day, series] readings."""
    for day in values:
        state = advance(state, day, tuning)
    return state


def run(state: Filtered, values: Array, tuning: EngineSettings) -> tuple[Filtered, Array, Array, float]:
    """The last state, each evening's level and its variance, and the log-likelihood, of one series."""
    levels, variances, likelihood = [], [], 0.0
    for day in values:
        ahead = advance(state, np.array([np.nan]), tuning)  # what the day was predicted to be
        if not np.isnan(day):
            spread = ahead.level_var[0] + state.noise[0]
            likelihood -= 0.5 * (math.log(2 * math.pi * spread) + (day - ahead.level[0]) ** 2 / spread)
        state = advance(state, np.array([day]), tuning)
        levels.append(state.level[0])
        variances.append(state.level_var[0])
    return state, np.array(levels), np.array(variances), likelihood


def _nile(values: Array) -> tuple[Filtered, Array, Array, float]:
    begun = start(1, level=0.0, level_var=1e7 - NILE_LEVEL, noise=NILE_NOISE)
    return run(begun, values, NILE_TUNING)


def test_the_nile_series_has_its_published_likelihood():
    # KFAS package documentation: log-likelihood −641.5856 with a1 = 0, P1 = 1e7.
    assert _nile(NILE)[3] == pytest.approx(-641.5856, abs=5e-5)


def test_the_nile_series_has_its_computed_levels():
    # Computed from the published model, P1 = 1e7 (the project's check values, marked computed).
    end, level, level_var, _ = _nile(NILE)
    assert level[0] == pytest.approx(1118.3115, abs=5e-5)
    assert level_var[0] == pytest.approx(15076.2364, abs=5e-5)
    assert level[1] == pytest.approx(1140.1084, abs=5e-5)
    assert level[2] == pytest.approx(1072.3160, abs=5e-5)
    assert level[3] == pytest.approx(1116.9748, abs=5e-5)
    assert level[99] == pytest.approx(798.3703, abs=5e-5)
    assert end.level_var[0] == pytest.approx(4032.1579, abs=5e-5)
    assert end.level_var[0] / NILE_NOISE == pytest.approx(0.267048, abs=5e-7)  # the steady gain


def test_the_nile_series_with_gaps_holds_its_level_through_them():
    # Missing t = 21–40 and 61–80, as in Durbin & Koopman section 2.7; values computed from the model.
    values = NILE.copy()
    values[20:40] = values[60:80] = np.nan
    end, level, level_var, _ = _nile(values)
    assert level[20:40] == pytest.approx(1026.139, abs=5e-4)
    # Filtered through a gap is predicted: a day's own step wider each day.
    assert level_var[20] == pytest.approx(5501.296, abs=5e-4)
    assert level_var[39] == pytest.approx(33414.196, abs=5e-4)
    assert level[40] == pytest.approx(889.949, abs=5e-4)
    assert end.level[0] == pytest.approx(798.315, abs=5e-4)


def _evening_before(
    tuning: EngineSettings, noise: float, *, level: float, slope: float, level_var: float, slope_var: float
) -> Filtered:
    """The state from which the first day is predicted as a reference library is told to begin it."""
    earlier = (slope_var - tuning.slope_step * noise) / tuning.slope_kept**2
    values = (
        level - slope / tuning.slope_kept,
        slope / tuning.slope_kept,
        level_var - tuning.level_step * noise + earlier,
        -earlier,
        earlier,
        noise,
        1.0,
    )
    return Filtered(*(np.array([value]) for value in values))


@pytest.mark.parametrize("seed", range(5))
def test_it_equals_statsmodels_with_gaps(seed: int):
    # Reference library: statsmodels UnobservedComponents, local linear trend, known start.
    random = np.random.default_rng(seed)
    values = 20 + np.cumsum(random.normal(0.02, 0.2, 300)) + random.normal(0, 1.4, 300)
    values[random.random(300) < 0.25] = np.nan
    values[100:130] = np.nan
    noise, level_step, slope_step = 1.9, 0.06, 0.002
    model = UnobservedComponents(values, "local linear trend", loglikelihood_burn=0)
    model.ssm.initialize_known(np.array([18.0, 0.1]), np.array([[4.0, 0.0], [0.0, 0.05]]))
    known = model.filter([noise, level_step, slope_step])
    tuning = plain(level_step / noise, slope_step / noise)
    before = _evening_before(tuning, noise, level=18.0, slope=0.1, level_var=4.0, slope_var=0.05)
    end, level, level_var, likelihood = run(before, values, tuning)
    np.testing.assert_allclose(level[:], known.filtered_state[0], atol=1e-8, rtol=0)
    np.testing.assert_allclose(level_var[:], known.filtered_state_cov[0, 0], atol=1e-8, rtol=0)
    assert end.slope[0] == pytest.approx(known.filtered_state[1, -1], abs=1e-8)
    assert end.slope_var[0] == pytest.approx(known.filtered_state_cov[1, 1, -1], abs=1e-8)
    assert likelihood == pytest.approx(known.llf, abs=1e-8)


def test_a_damped_slope_equals_statsmodels_own_filter():
    # Reference library: statsmodels KalmanFilter with the damped transition [[1, 1], [0, φ]].
    random = np.random.default_rng(9)
    values = 20 + random.normal(0, 1.4, 200)
    values[random.random(200) < 0.2] = np.nan
    noise, level_step, slope_step, damping = 1.9, 0.06, 0.002, 0.95
    reference = KalmanFilter(1, 2, initialization="known", initial_state=np.array([20.0, 0.0]),
                             initial_state_cov=np.diag([2.0, 0.01]))  # fmt: skip
    reference.bind(values.copy())
    reference["design"] = np.array([[1.0, 0.0]])
    reference["transition"] = np.array([[1.0, 1.0], [0.0, damping]])
    reference["selection"] = np.eye(2)
    reference["state_cov"] = np.diag([level_step, slope_step])
    reference["obs_cov"] = np.array([[noise]])
    known = reference.filter()
    tuning = plain(level_step / noise, slope_step / noise, damping)
    before = _evening_before(tuning, noise, level=20.0, slope=0.0, level_var=2.0, slope_var=0.01)
    _, level, level_var, _ = run(before, values, tuning)
    np.testing.assert_allclose(level[:], known.filtered_state[0], atol=1e-8, rtol=0)
    np.testing.assert_allclose(level_var[:], known.filtered_state_cov[0, 0], atol=1e-8, rtol=0)


# --- what must not change the numbers -------------------------------------------------

_SERIES = st.lists(
    st.one_of(st.just(np.nan), st.floats(5, 45, allow_nan=False, width=32)), min_size=2, max_size=60
).map(lambda values: np.array(values, dtype=float)[:, None])


@given(_SERIES, st.floats(-20, 60))
@settings(max_examples=60, deadline=None)
def test_a_shift_of_every_reading_shifts_the_level_and_nothing_else(values: Array, shift: float):
    # The first guess of the noise is a share of the first reading, so it is given here.
    tuning = EngineSettings(noise_pace=0.0)
    still = latest(start(1, level=20.0, level_var=9.0, noise=2.0), values, tuning)
    moved = latest(start(1, level=20.0 + shift, level_var=9.0, noise=2.0), values + shift, tuning)
    assert moved.level - shift == pytest.approx(still.level, abs=1e-8)
    assert moved.slope == pytest.approx(still.slope, abs=1e-9)
    np.testing.assert_array_equal(moved.level_var, still.level_var)


@given(_SERIES, st.floats(0.3, 3.0))
@settings(max_examples=60, deadline=None)
def test_another_unit_scales_the_level_the_slope_and_the_noise(values: Array, factor: float):
    assume(not np.isnan(values).all())
    # Wide bounds on the noise, so that none of them is met in either unit.
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(kalman, "NOISE_LEAST", 1e-9)
        patched.setattr(kalman, "NOISE_MOST", 1e9)
        told, scaled = latest(start(1), values), latest(start(1), values * factor)
    assert scaled.level == pytest.approx(told.level * factor, rel=1e-4)
    assert scaled.noise == pytest.approx(told.noise * factor**2, rel=1e-4)


def test_patients_do_not_touch_one_another():
    random = np.random.default_rng(1)
    values = 20 + random.normal(0, 1.4, (90, 40))
    values[random.random(values.shape) < 0.3] = np.nan
    together = latest(start(40), values)
    for patient in range(40):
        alone = latest(start(1), values[:, [patient]])
        assert alone.level[0] == together.level[patient]
        assert alone.noise[0] == together.noise[patient]


def test_a_reading_taken_sitting_up_moves_the_level_little():
    settled = latest(start(1), np.full((40, 1), 20.0) + np.array([[0.7], [-0.7]] * 20))
    odd = advance(settled, np.array([10.0]), DEFAULT)
    trusting = advance(settled, np.array([10.0]), EngineSettings(far_reading=math.inf))
    odder = advance(settled, np.array([2.0]), DEFAULT)
    assert 0 < settled.level[0] - odd.level[0] < 0.35 * (settled.level[0] - trusting.level[0])
    assert odder.level[0] == odd.level[0]


def test_the_noise_follows_the_patient():
    random = np.random.default_rng(2)
    noise = np.array([0.8, 2.4])
    values = 20 + noise * random.normal(size=(365, 2))
    found = latest(start(2), values)
    # Clipping and following leave the estimate within about a quarter of the truth.
    np.testing.assert_allclose(np.sqrt(found.noise), noise, rtol=0.25)


def test_uncertainty_grows_through_a_gap_and_the_level_stays_where_the_slope_leads():
    known = latest(start(1), np.full((30, 1), 18.0))
    gap = latest(known, np.full((10, 1), np.nan))
    assert gap.level_var[0] > 2 * known.level_var[0]
    assert gap.level[0] == pytest.approx(known.ahead(10, 0.95)[0][0], abs=1e-9)
    assert gap.count[0] == 30


def test_a_blurred_reading_counts_for_less():
    known = latest(start(1), np.full((30, 1), 18.0))
    clear = advance(known, np.array([19.0]), DEFAULT)
    blurred = advance(known, np.array([19.0]), DEFAULT, blur=np.array([4.0]))
    assert known.level[0] < blurred.level[0] < clear.level[0]
