"""The plain rules that the engine is compared with, against their handbook tables."""

from __future__ import annotations

import numpy as np
import pytest

from service.domain.signals.episodes import ROW
from service.domain.vocabulary import SignalKind
from tests.bench import panels, rules
from tests.bench.bench_detection import PRESSURE, told_by_engine, told_of_each
from tests.bench.panels import FAMILIES
from tests.bench.scoring import score


def test_ewma_gives_the_handbook_table():
    # NIST/SEMATECH e-Handbook 6.3.2.4: λ = 0.3, target 50.
    data = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
            49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
    known = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
             50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
    found = rules.ewma(np.array(data)[:, None], np.array([50.0]), 0.3)[:, 0]
    # The handbook rounds each step's result; 0.011 covers one unit in its last place.
    np.testing.assert_allclose(found, known, atol=0.011)


def test_the_handbook_limits_follow_from_its_spread():
    # Same page: s = 2.0539, L = 3 → 52.5884 and 47.4115.
    half = 3 * 2.0539 * (0.3 / 1.7) ** 0.5
    assert (50 + half, 50 - half) == pytest.approx((52.5884, 47.4115), abs=1e-3)


def test_cusum_gives_the_paper_table_and_its_head_start():
    # Lucas & Crosier 1982, Technometrics 24:199–205: k = 0.5, h = 5.
    data = np.array([0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6])[:, None]
    plain = rules.cusum(data, 0.5)[:, 0]
    np.testing.assert_allclose(plain, [0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0], atol=1e-9)
    assert int(np.argmax(plain > 5)) + 1 == 7
    head_start = rules.cusum(data, 0.5, start=2.5)[:, 0]
    np.testing.assert_allclose(head_start[:3], [2.8, 4.2, 5.1], atol=1e-9)
    assert int(np.argmax(head_start > 5)) + 1 == 3


@pytest.mark.slow
@pytest.mark.parametrize(("shift", "known"), [(0.5, 26.6), (1.0, 8.38), (2.0, 3.34)])
def test_cusum_runs_as_long_as_the_paper_says(shift: float, known: float):
    # Average run lengths at h = 4 (Lucas & Crosier 1982); these are of a one-sided shift found by a
    # two-sided scheme, whose lower side hardly matters at these shifts. Independent readings.
    random = np.random.default_rng(8)
    course = rules.cusum(random.normal(shift, 1, (400, 4000)), 0.5)
    lengths = np.argmax(course > 4, axis=0) + 1
    assert lengths.mean() == pytest.approx(known, rel=0.05)


def test_a_rule_is_told_once_for_each_time_it_goes_above():
    number = np.array([0, 6, 7, 2, 6, 1.0])[:, None]
    told = rules.crossings(number, 5.0, np.ones((6, 1), dtype=bool))
    assert np.flatnonzero(told[:, 0]).tolist() == [1, 4]


# --- the scoring and the panels themselves ------------------------------------------------


def test_an_event_is_seen_in_time_late_or_not_at_all_and_the_rest_is_false():
    panel = panels.make(FAMILIES[1], 3, patients=40)
    told = np.zeros(panel.diastolic.shape, dtype=bool)
    nothing = score(told, panel)
    assert (nothing.seen, nothing.false_episodes) == (0, 0)
    for patient, day in zip(panel.event_patient, panel.event_day, strict=True):
        told[day - 3, patient] = True
    late = score(told, panel)
    assert (late.seen, late.seen_ahead, late.false_episodes) == (late.events, 0, 0)
    quiet = np.flatnonzero(~np.isin(np.arange(40), panel.event_patient))
    told[[100, 110, 124, 200], quiet[0]] = True
    # 100, 110 and 124 are within 14 days of one another: one episode; 200 is another.
    assert score(told, panel).false_episodes == 2


def test_the_same_seed_is_the_same_panel_and_its_magnitudes_are_the_stated_ones():
    one, again = (panels.make(FAMILIES[1], 5) for _ in range(2))
    np.testing.assert_array_equal(one.diastolic, again.diastolic)
    assert np.isnan(one.diastolic).mean() == pytest.approx(0.17, abs=0.03)
    # Zile 2008: estimated PA diastolic 17 → 22 in one group, 21 → 24 in the other: about 3 to 5 mmHg.
    before, at = [], []
    for patient, day, onset in zip(one.event_patient, one.event_day, one.event_onset, strict=True):
        settled, last = one.diastolic[onset - 14 : onset, patient], one.diastolic[day - 2 : day + 1, patient]
        if not np.isnan(settled).all() and not np.isnan(last).all():
            before.append(np.nanmean(settled))
            at.append(np.nanmean(last))
    assert 3.5 < np.mean(np.array(at) - np.array(before)) < 5.5
    # Crnko 2021: day-to-day CV of 7 % in the morning; here with wandering and odd readings on top.
    steps = np.diff(one.diastolic, axis=0) / np.nanmean(one.diastolic, axis=0)
    assert 0.05 < np.nanstd(steps) / 2**0.5 < 0.09


def test_panels_beside_one_another_are_told_and_scored_as_each_alone():
    some = [panels.make(family, 7, patients=12, days=80) for family in FAMILIES[1:3]]
    alone = [told_by_engine(panel, diary=True, heart=True) for panel in some]
    for told, expected in zip(told_of_each(some, diary=True, heart=True), alone, strict=True):
        np.testing.assert_array_equal(told, expected)
    found = [score(told.any(axis=1), panel) for told, panel in zip(alone, some, strict=True)]
    assert sum(one.events for one in found) > 0
    assert score(np.concatenate(alone, axis=2).any(axis=1), panels.beside(some)) == found[0] + found[1]


@pytest.mark.slow
def test_the_engine_keeps_what_it_reached_on_panels_nobody_chose_by():
    # The aim, pressures alone and defaults: at most 1 false episode a patient-year, at least 0.85 seen
    # and 0.45 seen 7 days ahead. Simulated; seeds used nowhere else.
    rows = [ROW[kind] for kind in PRESSURE]
    everyone = panels.beside([panels.make(family, 301, 250) for family in FAMILIES])
    found = score(told_by_engine(everyone)[:, rows].any(axis=1), everyone)
    assert found.false_rate <= 1.0
    assert found.sensitivity >= 0.85
    assert found.ahead >= 0.45


@pytest.mark.slow
def test_people_enrolled_congested_are_seen_when_they_rise_again():
    # The aim: at least 0.95 told, 0.80 a week before the peak, though the reference is above most of the rise.
    # Simulated; a seed used nowhere else.
    some = [panels.wet_enrolment(302, start, patients=60) for start in panels.STARTS]
    for panel, told in zip(some, told_of_each(some), strict=True):
        found = score(told[:, ROW[SignalKind.RISING]], panel)
        assert found.sensitivity >= 0.95, panel.family
        assert found.ahead >= 0.80, panel.family
        assert found.false_rate <= 0.5, panel.family
