"""The level at which trouble came before: known from events alone, and worth knowing."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from scipy.stats import chi2

from service.domain.record.rates import DAYS_A_YEAR, around_implant, event_rate
from service.domain.record.trouble import BETWEEN, BeforeEvent, before_event, trouble_level

DAY = date(2026, 5, 3)


def test_without_an_event_whose_level_is_known_nothing_is_known() -> None:
    assert trouble_level([]) is None
    assert trouble_level([BeforeEvent(DAY, None)]) is None
    assert before_event(DAY, [None] * 26 + [30.0, 31.0]).level is None  # the last two days alone
    assert before_event(DAY, []).level is None


def test_the_level_is_of_the_days_ten_to_four_before() -> None:
    """By hand: days 10 to 4 before hold 20 to 26, whose mean is 23; what came before and after counts for nothing."""
    days = [99.0] * 18 + [20.0, 21.0, 22.0, 23.0, 24.0, 25.0, 26.0] + [99.0] * 3
    assert before_event(DAY, days).level == 23.0


def test_more_events_are_surer_and_never_surer_than_events_lie_apart() -> None:
    """A normal mean of n with known spread: the next one lies within spread × √(1 + 1/n) (any textbook of statistics)."""
    one = trouble_level([BeforeEvent(DAY, 28.0)])
    four = trouble_level([BeforeEvent(date(2026, month, 3), level) for month, level in enumerate((26, 30, 27, 29), 1)])
    assert one is not None
    assert four is not None
    assert (one.level, one.sd, four.level) == (28.0, pytest.approx(BETWEEN * 2**0.5), 28.0)
    assert BETWEEN < four.sd < one.sd
    assert (four.newest_on, four.newest_level, four.above(25.0)) == (date(2026, 4, 3), 29.0, -4.0)


def test_a_first_event_helps_to_see_the_second_at_the_same_rate_of_false_ones() -> None:
    """Simulated, three spreads between patients: own level beats one level for all, at equal false rate.

    Each patient has events near a level of their own, and calm weeks with a level of their own below it; no two alike.
    """
    rng = np.random.default_rng(20261126)
    for between_patients in (4.0, 6.0, 8.0):
        own = rng.normal(27, between_patients, 4000)
        first, second = (own + rng.normal(0, 2.5, 4000) for _ in range(2))
        calm = own - np.abs(rng.normal(7, 3, 4000))
        shared_false = np.sort(calm)[::-1]
        known = np.array([trouble_level([BeforeEvent(DAY, level)]).level for level in first])  # type: ignore[union-attr]
        own_false = np.sort(calm - known)[::-1]
        allowed = 200  # one calm week in twenty may be false
        seen_by_all = np.mean(second > shared_false[allowed])
        seen_by_own = np.mean(second - known > own_false[allowed])
        assert seen_by_own > seen_by_all + 0.1


@pytest.mark.parametrize("events", [0, 1, 2, 6, 56, 400])
def test_the_interval_of_a_rate_is_the_exact_one_of_scipy(events: int) -> None:
    """Garwood's interval by chi-squared quantiles (scipy.stats); 6 in 2.5 years 0.881 to 5.224 (CHECK-VALUES)."""
    days = round(2.5 * DAYS_A_YEAR)
    years, found = days / DAYS_A_YEAR, event_rate(events, days)
    low = chi2.ppf(0.025, 2 * events) / 2 if events else 0.0
    assert (found.low * years, found.high * years) == pytest.approx(
        (low, chi2.ppf(0.975, 2 * events + 2) / 2), abs=1e-6
    )
    if events == 6:
        assert (found.a_year, found.low, found.high) == pytest.approx((2.4, 0.881, 5.224), abs=2e-3)


def test_rates_of_the_granulomatous_disease_trial_have_its_published_ratio() -> None:
    """`cgd` (R, survival): placebo 56 infections in 18,524 days, treated 20 in 18,953: rate ratio 0.349; a negative
    binomial says exp(−1.031) with a standard error of 0.312 (CHECK-VALUES, computed there): the counts agree with it.
    """
    treated, placebo = event_rate(20, 18_953), event_rate(56, 18_524)
    ratio = treated.a_year / placebo.a_year
    assert ratio == pytest.approx(0.349, abs=5e-4)
    assert abs(np.log(ratio) + 1.031) < 0.312
    assert treated.high < placebo.low


def test_events_are_counted_from_the_year_before_the_sensor_to_today() -> None:
    implanted, today = date(2026, 1, 10), date(2026, 7, 1)
    days = [date(2025, 1, 9), date(2025, 1, 10), date(2026, 1, 9), date(2026, 1, 10), today, date(2026, 7, 2)]
    found = around_implant(days, implanted, today)
    assert found is not None
    assert (found.before.events, found.since.events, found.since.days) == (2, 2, 173)  # counted by hand
    assert around_implant([], implanted, today) is None
    assert around_implant(days, None, today) is None
