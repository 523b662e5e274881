"""What a rise and a fall are judged against: the reference, the recent usual, and a start that was raised.

The courses are invented; the story of a patient enrolled congested is the usual one. The bounds that a rise is
told within are this service's own promise, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import pytest

from service.domain.days import Day
from service.domain.signals.engine import assess_many
from service.domain.signals.facts import Assessment, Case, Picture, PressureLimits, ProposalReason, typed_reference
from service.domain.signals.picture import lane_of
from service.domain.signals.rules import HEALTHY_MOST
from service.domain.tasks import ReferenceProposed
from service.domain.vocabulary import Knowledge, Lane, SignalKind
from service.words.language import load_language
from service.words.sentences import signals, tasks

ENGLISH = load_language("en")
FIRST = date(2026, 1, 1)


def course(*legs: tuple[int, float], start: float) -> list[float]:
    """Legs of so many days, each in a straight line to its last pressure."""
    values = [start]
    for days, to in legs:
        values += list(np.linspace(values[-1], to, days + 1)[1:])
    return values


def days_of(values: list[float], seed: int = 5, first: date = FIRST, **answers: object) -> list[Day]:
    """A reading most mornings from `first` on, with a noise of 1.2 mmHg (7 % of 18, Crnko 2021)."""
    random = np.random.default_rng(seed)
    days = []
    for offset, value in enumerate(values):
        pressure = round(value + random.normal(0, 1.2), 1)
        if random.random() < 0.88:
            days.append(
                Day(
                    first + timedelta(days=offset),
                    readings=1,
                    pa_diastolic=pressure,
                    pa_mean=round(pressure + 8 + random.normal(0, 0.3), 1),
                    pa_systolic=round(pressure + 22 + random.normal(0, 0.8), 1),
                    **answers,  # type: ignore[arg-type]
                )
            )
    return days


def assessed(values: list[float], seed: int = 5, **more: object) -> Assessment:
    last = FIRST + timedelta(days=len(values) - 1)
    return assess_many([Case(days_of(values, seed), last, **more)])[0]  # type: ignore[arg-type]


def all_assessed(courses: Sequence[tuple[list[float], int]]) -> list[Assessment]:
    """Courses, each with its seed, that all end on the day on which the longest does: worked out side by side."""
    last = FIRST + timedelta(days=max(len(values) for values, _ in courses) - 1)
    cases = [Case(days_of(values, seed, last - timedelta(days=len(values) - 1)), last) for values, seed in courses]
    return assess_many(cases)


def risen(found: Assessment) -> list[date]:
    return [one.raised_on for one in found.signals if one.kind is SignalKind.RISING]


SEEDS = range(6)


def test_somebody_enrolled_congested_and_brought_down_is_told_when_they_rise_again():
    starts = [(start, seed) for start in (28.0, 26.0, 24.0) for seed in SEEDS]
    rises_on = FIRST + timedelta(days=18 + 25 + 80)
    courses = [(course((18, start), (25, 18.0), (80, 18.0), (26, 27.0), start=start), seed) for start, seed in starts]
    for of, found in zip(starts, all_assessed(courses), strict=True):
        assert risen(found), of
        assert rises_on < risen(found)[0] <= rises_on + timedelta(days=19), of  # a week before its peak
        assert found.picture.picture is Picture.UP_AND_WELL, of


def test_a_reference_that_staff_typed_hides_no_rise_under_it_either():
    values = course((18, 28.0), (25, 18.0), (80, 18.0), (26, 25.0), start=28.0)
    reference = typed_reference((28.0, 36.0, 50.0), FIRST, FIRST + timedelta(days=13))
    found = assessed(values, reference=reference)
    assert risen(found)
    assert found.picture.pressure.broken is not None
    assert found.picture.pressure.broken.over_usual
    assert 3.0 < found.picture.pressure.broken.size < 8.0  # over the recent usual, not under the reference
    assert "above its recent usual" in signals.picture(ENGLISH, found.picture)
    assert "against the reference of 28 and about 18" in signals.picture(ENGLISH, found.picture)


def test_back_from_a_short_low_is_no_rise_and_from_one_of_three_weeks_it_is():
    def back_after(low: int) -> list[bool]:
        values = course((60, 19.0), (5, 12.0), (low, 12.0), (7, 19.0), (21, 19.0), start=19.0)
        return [bool(risen(found)) for found in all_assessed([(values, seed) for seed in SEEDS])]

    assert back_after(9) == [False] * len(SEEDS)
    assert back_after(30) == [True] * len(SEEDS)


def test_a_fall_from_a_raised_start_is_coming_down_and_no_warning():
    found = assessed(course((18, 28.0), (25, 19.0), start=28.0))
    pressure = found.picture.pressure
    assert found.signals == ()
    # On its way it is not settled, though nothing is wrong with it: only what was compared and is unchanged is.
    assert (found.picture.picture, lane_of(found.picture)) == (Picture.COMING_DOWN, Lane.LOOK_CLOSELY)
    assert pressure.coming_down is not None
    assert abs((pressure.coming_down.since - FIRST).days - 20) <= 8
    assert "PA diastolic coming down since" in signals.picture(ENGLISH, found.picture)
    after = [(course((18, 28.0), (25, 19.0), (days, 19.0), start=28.0), 5) for days in range(14, 50)]
    there = [one.picture for one in all_assessed(after)]
    assert lane_of(there[0]) is Lane.LOOK_CLOSELY
    assert "far from it, and no fortnight has settled there lately" in signals.picture(ENGLISH, there[0])
    stays = [one for one in there if lane_of(one) is Lane.SETTLED]
    assert len(stays) > 10
    for one in stays:
        assert one.pressure.fortnight is not None
        assert abs(one.pressure.fortnight.value - 19.0) < 1.5
        assert "against the settled fortnight to" in signals.picture(ENGLISH, one)
    weeks_later = assessed(course((18, 28.0), (25, 19.0), (80, 19.0), start=28.0))
    assert weeks_later.picture.pressure.coming_down is None
    assert weeks_later.signals == ()


def test_coming_down_is_a_warning_once_something_says_dryness():
    values = course((18, 28.0), (25, 19.0), start=28.0)
    dizzy = [
        Day(FIRST + timedelta(days=offset), checkin=True, light_headed=offset > 38) for offset in range(len(values))
    ]
    last = FIRST + timedelta(days=len(values) - 1)
    both = {day.day: day for day in days_of(values)}
    days = [
        Day(
            day.day,
            readings=1 if day.day in both else 0,
            pa_diastolic=both[day.day].pa_diastolic if day.day in both else None,
            checkin=True,
            light_headed=day.light_headed,
        )
        for day in dizzy
    ]
    found = assess_many([Case(days, last)])[0]
    assert (found.picture.picture, lane_of(found.picture)) == (Picture.DOWN_AND_LIGHT_HEADED, Lane.CALL_TODAY)
    assert "coming down since" in signals.picture(ENGLISH, found.picture)
    under = assessed(values, limits=PressureLimits(lower=22.0))
    assert {one.kind for one in under.signals} == {SignalKind.FALLING, SignalKind.BELOW_LIMIT}


def test_a_fall_to_a_low_pressure_is_a_warning_wherever_it_began():
    # Kovacs 2009: the mean and 2 standard deviations of healthy people's PA diastolic.
    assert HEALTHY_MOST[0] == pytest.approx(8.8 + 2 * 3.0)
    found = assessed(course((40, 24.0), (25, 12.0), (10, 12.0), start=24.0))
    assert SignalKind.FALLING in {one.kind for one in found.signals if one.ended_on is None}
    assert found.picture.picture is Picture.DOWN


def test_no_signal_is_not_unchanged():
    # Between "moved" and "unchanged" lies "not sure yet": a rise of 3 mmHg over three weeks passes through it.
    values = course((70, 18.0), (21, 21.0), start=18.0)
    told = all_assessed([(values[: len(values) - short], seed) for seed in SEEDS for short in range(15)])
    for seed in SEEDS:
        evenings = [one.picture.pressure for one in told[15 * seed : 15 * (seed + 1)]]
        for pressure in evenings:
            if pressure.compared.knowledge is Knowledge.UNCHANGED:
                assert pressure.level is not None
                assert pressure.level - 18.0 < 2.5, seed
        assert evenings[-1].compared.heard >= 4, seed
        assert any(one.compared.knowledge is not Knowledge.UNCHANGED for one in evenings[:3]), seed


def test_staff_are_asked_about_a_fortnight_that_settled_first_above_the_first_readings():
    found = assessed(course((45, 27.0), (50, 27.0), start=18.0))
    assert found.picture.pressure.reference is None
    assert found.proposal is not None
    assert (found.proposal.reference, found.proposal.why) == (None, ProposalReason.HIGHER)
    assert found.proposal.value == pytest.approx(27.0, abs=1.0)
    said = tasks.task(ENGLISH, ReferenceProposed(found.proposal))
    assert "above the first readings. No reference counts yet" in said


def test_who_rose_since_the_first_readings_is_not_settled_before_staff_set_a_reference():
    values = course((45, 27.0), (80, 27.0), start=18.0)
    found = all_assessed([(values[: len(values) - short], 5) for short in range(0, 40, 3)])
    assert {one.proposal.why for one in found if one.proposal} == {ProposalReason.HIGHER}
    assert any(not one.picture.pressure.rising for one in found)  # the recent usual has followed
    assert all(lane_of(one.picture) is not Lane.SETTLED for one in found)
    told = found[0].proposal
    assert told is not None
    days = days_of(values)
    accepted = typed_reference((told.value, None, None), told.from_day, told.to_day, told.sd)
    (after,) = assess_many([Case(days, days[-1].day, reference=accepted)])
    assert lane_of(after.picture) is Lane.SETTLED


def test_no_reference_is_made_of_a_stretch_that_moves_and_the_sentence_says_so():
    values = course((60, 18.0), (2, 18.0), start=30.0)
    found = assessed(values)
    assert found.picture.pressure.reference is None
    assert found.picture.pressure.usual is not None
    assert "in recent weeks (no settled reference yet)" in signals.picture(ENGLISH, found.picture)
    settled = assessed(course((60, 18.0), (40, 18.0), start=30.0))
    reference = settled.picture.pressure.reference
    assert reference is not None
    assert not reference.is_set
    assert reference.value == pytest.approx(18.0, abs=1.0)
    assert "against the first settled fortnight's mean of" in signals.picture(ENGLISH, settled.picture)


def test_somebody_rising_from_the_first_day_on_is_told_without_any_reference():
    assert risen(assessed(course((40, 30.0), start=18.0)))
