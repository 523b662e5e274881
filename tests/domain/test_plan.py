"""Plans: which dates, and when the next window opens. Reference: dateutil.rrule (RFC 5545 recurrence)."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise

import pytest
from dateutil import rrule
from hypothesis import given
from hypothesis import strategies as st

from service.domain.localtime import first_instant, is_lived, local_date, zone
from service.domain.plan import (
    EVERY_DAY,
    PlanPhase,
    PlanRule,
    checked,
    date_after,
    next_date,
    next_opening,
    phases_as_json,
    phases_from_json,
    spread,
    weekday_bits,
    weekdays_of,
    windows_ahead,
)
from service.domain.validation import Refused
from tests.domain.zones import CHANGES, PLACES, Change, instants

MORNING = PlanRule(EVERY_DAY, time(7), time(8, 30), time(10))
weekdays = st.integers(1, EVERY_DAY)


@given(weekdays, st.dates(date(1990, 1, 1), date(2040, 1, 1)))
def test_dates_follow_the_weekly_recurrence_rule(mask: int, start: date) -> None:
    rule = PlanRule(mask, time(7), time(8), time(10))
    days = [start]
    for _ in range(20):
        days.append(date_after(rule, days[-1]))
    theirs = rrule.rrule(
        rrule.WEEKLY,
        byweekday=[day for day in range(7) if mask >> day & 1],
        dtstart=datetime.combine(start + timedelta(days=1), time()),
        count=20,
    )
    assert days[1:] == [at.date() for at in theirs]


@given(weekdays, st.sampled_from(PLACES), instants)
def test_the_next_opening_is_later_and_none_lies_between(mask: int, name: str, after: datetime) -> None:
    rule = PlanRule(mask, time(7), time(8), time(10))
    place = zone(name)
    day, opens_at = next_opening(rule, place, after)
    assert opens_at > after
    assert mask >> day.weekday() & 1
    assert opens_at == first_instant(day, rule.opens, place)
    earlier = local_date(after, place) - timedelta(days=1)
    while earlier < day:
        if mask >> earlier.weekday() & 1:
            assert first_instant(earlier, rule.opens, place) <= after or not is_lived(earlier, place)
        earlier += timedelta(days=1)


@given(weekdays, st.sampled_from(PLACES), instants, st.integers(-3, 3))
def test_what_is_owed_opens_while_its_window_lasts_and_not_after(
    mask: int, name: str, after: datetime, days: int
) -> None:
    rule = PlanRule(mask, time(7), time(8), time(10))
    place = zone(name)
    owed = local_date(after, place) + timedelta(days=days)
    day, opens_at = next_opening(rule, place, after, owed)
    later = next_opening(rule, place, after)
    assert first_instant(day, rule.closes, place) > after
    assert opens_at > after or day >= owed
    if opens_at > after:
        assert (day, opens_at) == later
    assert next_date(rule, day - timedelta(days=1), place) == day


@pytest.mark.parametrize("change", CHANGES, ids=str)
def test_over_a_clock_change_no_day_opens_twice_and_none_is_left_out(change: Change) -> None:
    place = zone(change.zone)
    for opens in (time(0), time(0, 30), time(1, 30), time(2), time(2, 30), time(7), time(23)):
        rule = PlanRule(EVERY_DAY, opens, opens, time(23, 59))
        day = local_date(change.at, place) - timedelta(days=3)
        opened = [(day, first_instant(day, opens, place))]
        for _ in range(7):
            day = next_date(rule, day, place)
            opened.append((day, first_instant(day, opens, place)))
        assert [one for one, _ in opened] == [opened[0][0] + timedelta(days=n) for n in range(8)]
        gaps = [later - earlier for (_, earlier), (_, later) in pairwise(opened)]
        assert all(timedelta(hours=21) < gap < timedelta(hours=27) for gap in gaps)


def test_a_date_the_islands_left_out_is_not_planned() -> None:
    # IANA tz database, australasia: Samoa went from 29 to 31 December 2011.
    assert next_date(MORNING, date(2011, 12, 29), zone("Pacific/Apia")) == date(2011, 12, 31)


@pytest.mark.parametrize(
    ("rule", "field"),
    [
        (PlanRule(0, time(7), time(8), time(10)), "weekdays"),
        (PlanRule(128, time(7), time(8), time(10)), "weekdays"),
        (PlanRule(1, time(7), time(8), time(7, 10)), "closes"),
        (PlanRule(1, time(22), time(23), time(2)), "closes"),
        (PlanRule(1, time(7), time(6), time(10)), "due"),
        (PlanRule(1, time(7), time(11), time(10)), "due"),
        (PlanRule(1, time(7, 0, 1), time(8), time(10)), "opens"),
        (PlanRule(1, time(7, tzinfo=UTC), time(8), time(10)), "opens"),
        (PlanRule(1, time(7), time(8), time(10), False, False), "wants_reading"),
    ],
)
def test_a_plan_that_cannot_be_met_is_refused(rule: PlanRule, field: str) -> None:
    with pytest.raises(Refused) as refused:
        checked(rule)
    assert refused.value.field == field


def test_a_plan_that_can_be_met_is_itself() -> None:
    assert checked(MORNING) is MORNING


def test_dates_of_a_phase_have_weekdays_of_their_own_and_a_stay_only_adds() -> None:
    """Calendar of March 2026, which begins on a Sunday; counted by hand."""
    first, last = date(2026, 3, 9), date(2026, 3, 22)
    fewer = PlanPhase(first, last, weekday_bits([2]))
    stay = PlanPhase(date(2026, 3, 16), date(2026, 3, 18), EVERY_DAY, after_stay=True)
    rule = PlanRule(weekday_bits([0, 4]), time(7), time(8), time(10), phases=(fewer, stay))
    found = [one.day.day for one in windows_ahead(rule, zone("UTC"), date(2026, 3, 1), date(2026, 3, 31))]
    assert found == [2, 6, 11, 16, 17, 18, 23, 27, 30]
    assert phases_from_json(phases_as_json(rule.phases)) == rule.phases
    assert [spread(days).bit_count() for days in range(1, 8)] == [1, 2, 3, 4, 5, 6, 7]
    assert weekdays_of(spread(3)) == [0, 2, 4]
    for wrong in ((fewer, fewer), (PlanPhase(last, first, 1),), (PlanPhase(first, last, 0),), (PlanPhase(first, first, 0b10),),
                  (PlanPhase(first, None, 1), PlanPhase(last, None, 1))):  # fmt: skip
        with pytest.raises(Refused):
            checked(replace(rule, phases=wrong))
