"""Windows: their instants on every clock change of every zone, and the state they end in."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.localtime import local_date, zone
from service.domain.plan import (
    EVERY_DAY,
    PlanRule,
    WindowFacts,
    missing,
    state_at_close,
    state_while_open,
    window_times,
)
from service.domain.vocabulary import WindowState
from tests.domain.zones import CHANGES, PLACES, Change

AT = datetime(2026, 3, 1, 7, tzinfo=UTC)
minutes = st.integers(0, 24 * 60 - 31)


def clock(minute: int) -> time:
    return time(minute // 60, minute % 60)


@st.composite
def rules(draw: st.DrawFn) -> PlanRule:
    opens = draw(minutes)
    closes = draw(st.integers(opens + 30, 24 * 60 - 1))
    return PlanRule(EVERY_DAY, clock(opens), clock(draw(st.integers(opens, closes))), clock(closes))


@given(rules(), st.sampled_from(PLACES), st.dates(date(1992, 1, 1), date(2037, 1, 1)))
def test_a_window_has_a_length_and_its_instants_are_in_order(rule: PlanRule, name: str, day: date) -> None:
    found = window_times(rule, day, zone(name))
    assert found.opens_at <= found.due_at <= found.closes_at
    assert found.opens_at < found.closes_at


@pytest.mark.parametrize("change", CHANGES, ids=str)
@settings(max_examples=20)
@given(rule=rules())
def test_around_a_clock_change_each_window_is_on_its_own_date(change: Change, rule: PlanRule) -> None:
    place = zone(change.zone)
    nominal = datetime.combine(AT, rule.closes) - datetime.combine(AT, rule.opens)
    for offset in (-1, 0, 1):
        day = local_date(change.at, place) + timedelta(days=offset)
        found = window_times(rule, day, place)
        assert local_date(found.opens_at, place) == day or found.opens_at == change.at
        # No zone changes by more than two hours a night in these years (Troll station).
        assert found.closes_at - found.opens_at <= nominal + timedelta(hours=2)


def test_a_window_that_the_gap_swallows_keeps_its_length_and_follows_the_gap() -> None:
    # Lord Howe, 4 October 2026: 02:00 becomes 02:30 (IANA tz database, australasia).
    found = window_times(
        PlanRule(EVERY_DAY, time(2), time(2, 15), time(2, 30)), date(2026, 10, 4), zone("Australia/Lord_Howe")
    )
    end_of_gap = datetime(2026, 10, 3, 15, 30, tzinfo=UTC)
    assert (found.opens_at, found.closes_at) == (end_of_gap, end_of_gap + timedelta(minutes=30))


def test_a_window_over_the_repeated_hour_is_an_hour_longer() -> None:
    # Madrid, 25 October 2026: 03:00 becomes 02:00 (Directive 2000/84/EC: last Sunday of October, 01:00 UTC).
    found = window_times(PlanRule(EVERY_DAY, time(1), time(2, 30), time(4)), date(2026, 10, 25), zone("Europe/Madrid"))
    assert found.opens_at == datetime(2026, 10, 24, 23, tzinfo=UTC)
    assert found.due_at == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)  # the first 02:30
    assert found.closes_at == datetime(2026, 10, 25, 3, tzinfo=UTC)


@pytest.mark.parametrize(
    ("wants", "has", "paused", "at_close"),
    [
        ((True, True), (True, True), False, WindowState.ANSWERED),
        ((True, True), (True, False), False, WindowState.ANSWERED),  # the reading decides
        ((True, True), (False, True), False, WindowState.MISSED),  # a diary alone is not a reading
        ((True, False), (False, False), False, WindowState.MISSED),
        ((False, True), (False, True), False, WindowState.ANSWERED),
        ((False, True), (True, False), False, WindowState.MISSED),
        ((True, True), (True, True), True, WindowState.EXCUSED),
        ((True, True), (False, False), True, WindowState.EXCUSED),
    ],
)
def test_how_a_window_ends(
    wants: tuple[bool, bool], has: tuple[bool, bool], paused: bool, at_close: WindowState
) -> None:
    facts = WindowFacts(*wants, *(AT if there else None for there in has), paused=paused)
    assert state_at_close(facts) is at_close


def test_only_the_end_turns_open_into_missed() -> None:
    for wants, has, paused in product(
        [(True, True), (True, False), (False, True)], product([AT, None], repeat=2), [True, False]
    ):
        facts = WindowFacts(*wants, *has, paused=paused)
        before, after = state_while_open(facts), state_at_close(facts)
        assert before is not WindowState.MISSED
        assert after is not WindowState.OPEN
        assert (before is WindowState.OPEN) == (after is WindowState.MISSED)
        assert before is after or before is WindowState.OPEN


def test_what_is_there_is_not_missing() -> None:
    assert missing(WindowFacts(True, True, None, None, False)) == ("reading", "checkin")
    assert missing(WindowFacts(True, True, AT, None, False)) == ("checkin",)
    assert missing(WindowFacts(True, False, AT, None, False)) == ()
