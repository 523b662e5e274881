"""Time in a goal's range: what was read, and nothing else."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.record.goals import in_range
from service.domain.signals.facts import Goal

TODAY = date(2026, 11, 25)
PRESSURES = st.lists(st.none() | st.floats(5, 40).map(lambda value: round(value, 1)), min_size=1, max_size=90)


def days(values: list[float | None]) -> list[tuple[date, float | None]]:
    """The newest last, on `TODAY`."""
    return [(TODAY - timedelta(days=ago), value) for ago, value in enumerate(reversed(values))]


def test_a_worked_example() -> None:
    """Worked by hand: 12 and 18 are within 12 to 18, ends included; 19.5 and 21 lie 1.5 and 3 above; 11 is below."""
    goal = Goal(12.0, 18.0, TODAY - timedelta(days=60), TODAY + timedelta(days=60))
    found = in_range(goal, days([30.0, 12.0, None, 18.0, 19.5, 21.0, None, 11.0]), TODAY, 7)
    assert (found.read, found.within, found.above, found.is_cut) == (5, 2, 4.5, False)


def test_days_on_which_it_was_not_in_force_are_left_out() -> None:
    goal = Goal(None, 18.0, TODAY - timedelta(days=3), TODAY - timedelta(days=1))
    found = in_range(goal, days([30.0] * 6 + [17.0, 17.0, 20.0, 30.0]), TODAY, 30)
    assert (found.first, found.read, found.within, found.above, found.is_cut) == (goal.from_day, 3, 2, 2.0, True)
    assert in_range(Goal(10.0, None, goal.from_day, TODAY), days([9.0]), TODAY, 7).above is None


@given(PRESSURES, st.floats(8, 30), st.sampled_from([7, 30, 90]))
def test_it_is_the_integral_of_what_lies_above(values: list[float | None], upper: float, span: int) -> None:
    """scipy's Simpson rule over steps of a day, each with its own value, is the area of those steps."""
    integrate = pytest.importorskip("scipy.integrate")
    goal = Goal(None, upper, TODAY - timedelta(days=200), TODAY)
    found = in_range(goal, days(values), TODAY, span)
    read = [value for value in values[-span:] if value is not None]
    steps = [[max(value - upper, 0.0)] * 3 for value in read] or [[0.0] * 3]
    area = float(integrate.simpson(steps, x=[0.0, 0.5, 1.0], axis=1).sum())
    assert found.above == pytest.approx(area, abs=0.051)
    assert (found.read, found.within) == (len(read), sum(value <= upper for value in read))
