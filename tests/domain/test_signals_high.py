"""A level that stays high for weeks is told as that: it is neither settled nor for ever rising.

No outside source: how far and how long are conventions of this service (`domain.signals.settings`). The area is
the daily sum of `tests/domain/test_trend_parts.py`.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from service.domain.days import Day
from service.domain.signals.engine import assess_many
from service.domain.signals.facts import AnchoredReference, Assessment, Case, Picture, PressureLimits
from service.domain.signals.picture import lane_of
from service.domain.vocabulary import Lane, SignalKind
from service.words.language import load_language
from service.words.sentences import signals

ENGLISH = load_language("en")
FIRST = date(2026, 1, 1)
REFERENCE = AnchoredReference(18.0, 0.5)


def _days(levels: np.ndarray, seed: int = 5) -> list[Day]:
    random = np.random.default_rng(seed)
    return [
        Day(FIRST + timedelta(days=at), readings=1, pa_diastolic=round(float(level + random.normal(0, 1.2)), 1))
        for at, level in enumerate(levels)
    ]


def _assess(levels: np.ndarray, **more: object) -> Assessment:
    days = _days(levels)
    return assess_many([Case(days, days[-1].day, **({"reference": REFERENCE} | more))])[0]  # type: ignore[arg-type]


def _course(days: int, by: float, over: int = 14) -> np.ndarray:
    return 18.0 + by * np.clip((np.arange(days) - 40) / over, 0, 1)


@pytest.mark.parametrize("by", [3.0, 5.0, 9.0])
def test_a_level_high_for_weeks_is_looked_at_and_never_settled(by: float):
    found = _assess(_course(140, by))
    assert (found.picture.picture, lane_of(found.picture)) == (Picture.HIGH_STEADY, Lane.LOOK_CLOSELY)
    assert found.picture.pressure.high is not None
    assert found.picture.pressure.high.above == 18.0
    assert SignalKind.HIGH_STEADY in {one.kind for one in found.signals if one.ended_on is None}


def test_its_line_is_the_area_over_the_reference_of_three_periods():
    found = _assess(_course(140, 6.0))
    high = found.picture.pressure.high
    assert high is not None
    assert high.periods == (7, 30, 90)
    # Each day's value less the reference, added by hand: the newest day is the last of them.
    assert high.over[0] == pytest.approx(
        sum(day.pa_diastolic - 18.0 for day in _days(_course(140, 6.0))[-7:]), abs=0.01
    )
    text = signals.picture(ENGLISH, found.picture)
    assert text.startswith(f"High for {high.days} days, since ")
    assert "mmHg-days over the reference in the last 7, 30 and 90 days" in text
    told = signals.picture(ENGLISH, _assess(_course(140, 6.0), limits=PressureLimits(30.0, None)).picture)
    assert "no goal" not in told


def test_while_it_rises_quickly_it_is_a_rise():
    risen = _assess(_course(58, 8.0, over=18))
    assert risen.picture.picture is Picture.UP_AND_WELL
    assert risen.picture.pressure.high is None
    again = 6.0 * np.clip((np.arange(170) - 150) / 14, 0, 1)
    assert _assess(_course(170, 5.0) + again).picture.picture is Picture.UP_AND_WELL


def test_high_and_feeling_worse_is_pressure_up_and_worse_though_nothing_rises():
    days = [
        replace(day, checkin=True, breathlessness=1 if at < 130 else 6)
        for at, day in enumerate(_days(_course(140, 3.0)))
    ]
    found = assess_many([Case(days, days[-1].day, reference=REFERENCE)])[0].picture
    assert (found.picture, lane_of(found)) == (Picture.UP_AND_WORSE, Lane.CALL_TODAY)
    assert "another cause" not in signals.picture(ENGLISH, found)


def test_a_further_climb_however_slow_is_told_again_and_a_return_ends_it():
    climb = 4.0 * np.clip((np.arange(300) - 100) / 200, 0, 1)
    told = [one for one in _assess(_course(300, 4.0) + climb).signals if one.kind is SignalKind.HIGH_STEADY]
    assert len(told) >= 2
    back = np.concatenate([_course(120, 5.0), np.full(40, 18.0)])
    ended = [one for one in _assess(back).signals if one.kind is SignalKind.HIGH_STEADY]
    assert ended
    assert all(one.ended_on is not None for one in ended)


def test_noise_about_the_reference_is_not_high_and_without_a_reference_nothing_is():
    people = [_days(np.full(140, 18.6), seed) for seed in range(10)]
    for found in assess_many([Case(days, days[-1].day, reference=REFERENCE) for days in people]):
        assert SignalKind.HIGH_STEADY not in {one.kind for one in found.signals}
    few = _days(np.full(10, 30.0))
    assert assess_many([Case(few, few[-1].day)])[0].picture.pressure.high is None
