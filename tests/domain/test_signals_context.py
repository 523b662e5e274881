"""Goals and tags by date: what a clinician aims at, and what else was so, are respected and named.

No outside source for the figures: a place at altitude read 14 mmHg higher in one published patient (J Card Fail
2024, PA diastolic 16 low, 30 at home at 7300 ft), which is why days elsewhere are not compared.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from service.domain.days import Day
from service.domain.record.goals import in_range
from service.domain.signals.engine import NOTHING_CARRIED, assess_many, inputs_of, still_valid, work_out
from service.domain.signals.facts import (
    AnchoredReference,
    Assessment,
    Case,
    ContextTag,
    Goal,
    Picture,
    PressureLimits,
)
from service.domain.signals.picture import lane_of
from service.domain.vocabulary import ContextKind, Lane, SignalKind
from service.words.language import load_language
from service.words.sentences import signals

ENGLISH = load_language("en")
FIRST = date(2026, 1, 1)
REFERENCE = AnchoredReference(18.0, 0.5)


def on(offset: int) -> date:
    return FIRST + timedelta(days=offset)


def _days(levels: np.ndarray, seed: int = 6) -> list[Day]:
    random = np.random.default_rng(seed)
    return [
        Day(on(at), readings=1, pa_diastolic=round(float(level + random.normal(0, 1.1)), 1))
        for at, level in enumerate(levels)
    ]


def _assess(levels: np.ndarray, **more: object) -> Assessment:
    days = _days(levels)
    return assess_many([Case(days, days[-1].day, **({"reference": REFERENCE} | more))])[0]  # type: ignore[arg-type]


def _kinds(found: Assessment) -> set[SignalKind]:
    return {one.kind for one in found.signals}


AWAY = np.concatenate([np.full(60, 18.0), np.full(12, 24.0)])


def test_days_of_travel_raise_no_rise_and_are_not_settled_either():
    assert SignalKind.RISING in _kinds(_assess(AWAY))
    travel = (ContextTag(ContextKind.TRAVEL, on(60), None),)
    found = _assess(AWAY, tags=travel)
    assert SignalKind.RISING not in _kinds(found)
    assert (found.picture.picture, lane_of(found.picture)) == (Picture.TRAVELLING, Lane.LOOK_CLOSELY)
    text = signals.picture(ENGLISH, found.picture)
    assert text.startswith("Away from home, so the pressures are not compared: PA diastolic about")
    assert text.endswith("noted: travel or altitude since 2 March.")


def test_a_limit_is_told_while_travelling_with_the_tag_named():
    travel = (ContextTag(ContextKind.TRAVEL, on(60), None),)
    found = _assess(AWAY, tags=travel, limits=PressureLimits(22.0, None))
    assert SignalKind.ABOVE_LIMIT in _kinds(found)
    assert "noted: travel or altitude since 2 March" in signals.picture(ENGLISH, found.picture)


def test_back_home_a_rise_is_raised_again():
    rising = np.concatenate([np.full(60, 18.0), np.full(10, 18.0), 18.0 + 0.4 * np.arange(20)])
    found = _assess(rising, tags=(ContextTag(ContextKind.TRAVEL, on(60), on(69)),))
    assert SignalKind.RISING in _kinds(found)
    assert min(one.raised_on for one in found.signals) >= on(70)


def test_any_other_tag_is_named_for_a_week_and_changes_nothing():
    for kind in (ContextKind.INFECTION, ContextKind.STEROID_OR_NSAID, ContextKind.DIALYSIS):
        found = _assess(AWAY, tags=(ContextTag(kind, on(66), on(67)),))
        assert SignalKind.RISING in _kinds(found)
        assert "from 8 March to 9 March." in signals.picture(ENGLISH, found.picture)
        assert _assess(AWAY, tags=(ContextTag(kind, on(50), on(60)),)).picture.pressure.tags == ()


@pytest.mark.parametrize("offset", [5.0, -6.0])
def test_a_recalibration_shifts_the_series_and_makes_no_break(offset: float):
    stepped = np.concatenate([np.full(70, 18.0), np.full(40, 18.0 + offset)])
    untold = _assess(stepped)
    assert untold.signals
    told = (ContextTag(ContextKind.RECALIBRATED, on(70), on(70), offset),)
    # A reference made before it is brought to the new scale by whoever knows when it was made.
    found = _assess(stepped, tags=told, reference=AnchoredReference(18.0 + offset, 0.5))
    assert found.signals == ()
    assert found.picture.pressure.level == pytest.approx(18.0 + offset, abs=2.0)


def test_a_goal_passed_for_weeks_is_high_though_the_reference_is_not():
    levels = np.full(90, 20.0)
    assert _assess(levels, reference=AnchoredReference(20.0, 0.5)).picture.pressure.high is None
    goal = Goal(12.0, 17.0, on(40), on(400))
    found = _assess(levels, reference=AnchoredReference(20.0, 0.5), goal=goal)
    high = found.picture.pressure.high
    assert high is not None
    assert (high.above, high.over_goal) == (17.0, True)
    assert high.since >= on(40)
    read = [(day.day, day.pa_diastolic) for day in _days(levels)]  # as the goal's own line on the page tells it
    assert high.over == pytest.approx([in_range(goal, read, on(89), days).above for days in high.periods], abs=0.06)
    text = signals.picture(ENGLISH, found.picture)
    assert "over the goal's upper end of 17 in the last 7, 30 and 90 days" in text
    assert "no goal" not in text
    assert found.picture.pressure.goal == goal


def test_a_goal_that_has_run_out_is_none():
    found = _assess(np.full(90, 20.0), reference=AnchoredReference(20.0, 0.5), goal=Goal(None, 17.0, on(0), on(80)))
    assert (found.picture.pressure.goal, found.picture.pressure.high) == (None, None)


def test_a_tag_or_goal_entered_late_makes_what_is_carried_invalid_and_ends_the_same():
    days = _days(AWAY)
    before = Case(days, days[-1].day, reference=REFERENCE)
    (carried,) = (one.carried for one in work_out([before], [NOTHING_CARRIED]))
    for more in (
        {"tags": (ContextTag(ContextKind.TRAVEL, on(60), None),)},
        {"tags": (ContextTag(ContextKind.RECALIBRATED, on(50), on(50), 3.0),)},
        {"goal": Goal(None, 17.0, on(40), on(400))},
    ):
        late = Case(days, days[-1].day, reference=REFERENCE, **more)  # type: ignore[arg-type]
        assert inputs_of(late) != inputs_of(before)
        assert still_valid(carried, late).states == ()


def test_with_tags_and_a_goal_evening_by_evening_is_the_whole_history_at_once():
    levels = np.concatenate([np.full(60, 18.0), np.full(12, 24.0), np.full(60, 22.0)])
    days = _days(levels)
    more = {
        "reference": REFERENCE,
        "goal": Goal(None, 19.0, on(20), on(400)),
        "tags": (
            ContextTag(ContextKind.TRAVEL, on(60), on(71)),
            ContextTag(ContextKind.RECALIBRATED, on(40), on(40), 2.0),
        ),
    }
    carried = NOTHING_CARRIED
    for last in range(45, len(days)):
        case = Case(days[: last + 1], on(last), **more)  # type: ignore[arg-type]
        carried = still_valid(carried, case)
        new = [day for day in case.days if not carried.states or day.day.toordinal() > carried.states[-1].day]
        (stepped,) = work_out([Case(new, on(last), **more)], [carried])  # type: ignore[arg-type]
        carried = stepped.carried
    (whole,) = work_out([case], [NOTHING_CARRIED])
    assert stepped.carried == whole.carried
    assert stepped.assessment.picture == whole.assessment.picture
