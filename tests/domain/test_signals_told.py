"""What is told of the pressures is no more than is known: after a change, after a gap, and in hospital.

No outside source: these are conventions of this service, named beside each.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from service.domain.days import Day
from service.domain.signals.engine import assess_many
from service.domain.signals.facts import AdjustmentMade, AnchoredReference, Assessment, Case, PressureLimits
from service.domain.vocabulary import Response
from service.words.language import load_language
from service.words.sentences import signals

ENGLISH = load_language("en")
FIRST = date(2026, 1, 1)
REFERENCE = AnchoredReference(18.0, 0.5)


def _days(*parts: tuple[int, float | None], seed: int = 2) -> list[Day]:
    """So many days at each level, noise of 1; None is nothing read."""
    random, days, offset = np.random.default_rng(seed), [], 0
    for length, level in parts:
        for _ in range(length):
            if level is not None:
                value = round(float(level + random.normal(0, 1.0)), 1)
                days.append(Day(FIRST + timedelta(days=offset), readings=1, pa_diastolic=value))
            offset += 1
    return days


def _assess(days: list[Day], **more: object) -> Assessment:
    return assess_many([Case(days, days[-1].day, **({"reference": REFERENCE} | more))])[0]  # type: ignore[arg-type]


def _change(after: int) -> list[AdjustmentMade]:
    return [AdjustmentMade(FIRST + timedelta(days=after), "water tablet")]


@pytest.mark.parametrize(
    ("then", "word"),
    [(18.0, Response.SETTLED), (20.5, Response.SETTLING), (24.0, Response.NOT_SETTLING), (13.5, Response.OVERSHOT)],
)
def test_what_the_pressures_did_after_a_change_has_its_own_word(then: float, word: Response):
    found = _assess(_days((60, 18.0), (30, 24.0), (25, then)), adjustments=_change(90)).response
    assert found is not None
    assert found.response is word


def test_overshot_says_it_is_past_the_reference():
    found = _assess(_days((60, 18.0), (30, 24.0), (25, 13.5)), adjustments=_change(90)).response
    assert found is not None
    assert signals.response(ENGLISH, found).startswith("Overshot since the change of 1 April: about 24")
    assert signals.response(ENGLISH, found).endswith("past the reference.")


def test_a_change_is_followed_for_four_weeks_and_then_no_more():
    for days, told in ((28, True), (29, False), (70, False)):
        found = _assess(_days((60, 18.0), (30, 24.0), (days + 1, 24.0)), adjustments=_change(90)).response
        assert (found is not None) is told, days


def test_after_a_gap_a_rise_happened_somewhere_in_it_and_has_no_pace():
    found = _assess(_days((60, 18.0), (18, None), (4, 25.0)), limits=PressureLimits(30.0, None)).picture
    broken = found.pressure.broken
    assert broken is not None
    assert (broken.gap_from, broken.gap_to) == (FIRST + timedelta(days=59), FIRST + timedelta(days=78))
    assert (broken.pace, found.pressure.pace, found.pressure.forecast) == (None, None, None)
    text = signals.picture(ENGLISH, found)
    assert "rose somewhere between 1 March and 20 March, when nothing was read" in text
    assert "a day" not in text


def test_a_rise_well_after_a_gap_is_told_with_its_own_beginning():
    rising = [(1, 18.0 + 0.4 * day) for day in range(16)]
    broken = _assess(_days((60, 18.0), (18, None), (30, 18.0), *rising)).picture.pressure.broken
    assert broken is not None
    assert broken.gap_from is None
    assert broken.pace is not None
    assert 0.2 <= broken.pace <= 0.6


def test_no_pace_is_told_across_a_gap():
    rising = [(1, 18.0 + 0.4 * day) for day in range(14)]
    broken = _assess(_days((60, 18.0), *rising, (12, None), (5, 27.0))).picture.pressure.broken
    assert broken is not None
    assert broken.pace is None


def test_in_hospital_nothing_is_foreseen():
    rising = [(1, 18.0 + 0.4 * day) for day in range(18)]
    days, limits = _days((60, 18.0), *rising), PressureLimits(27.0, None)
    at_home = _assess(days, limits=limits).picture.pressure
    in_hospital = _assess(days, limits=limits, in_hospital=True).picture.pressure
    assert at_home.forecast is not None
    assert (in_hospital.forecast, in_hospital.pace) == (None, None)
    assert in_hospital.broken == at_home.broken
