"""Silences as runs of missed windows, and their causes."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import groupby

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.plan import Run, missed_runs, silence_cause
from service.domain.vocabulary import MessageState, SilenceCause, WindowState

MONDAY = date(2026, 3, 2)
WORDS = {"m": WindowState.MISSED, "a": WindowState.ANSWERED, "x": WindowState.EXCUSED, "o": WindowState.OPEN}


def day(n: int) -> date:
    return MONDAY + timedelta(days=n)


def told(week: str, readings: tuple[int, ...] = ()) -> list[Run]:
    """One letter a day: missed, answered, excused, open; a dash is a day without a window."""
    windows = [(day(n), WORDS[letter]) for n, letter in enumerate(week) if letter in WORDS]
    answered = {n for n, letter in enumerate(week) if letter == "a"}
    return missed_runs(windows, {day(n) for n in answered | set(readings)})


def test_days_in_a_row_are_one_run_that_a_reading_ends() -> None:
    assert told("ammma") == [Run(day(1), day(3), 3, ended=True)]


def test_a_run_without_a_reading_after_it_has_not_ended() -> None:
    assert told("amm") == [Run(day(1), day(2), 2, ended=False)]
    assert told("ammo") == [Run(day(1), day(2), 2, ended=False)]


def test_excused_days_neither_break_a_run_nor_add_to_it() -> None:
    assert told("amxxm") == [Run(day(1), day(4), 2, ended=False)]
    assert told("axxa") == []


def test_a_reading_on_a_day_nobody_expected_one_breaks_the_run() -> None:
    assert told("m-m", readings=(1,)) == [Run(day(0), day(0), 1, ended=True), Run(day(2), day(2), 1, ended=False)]


@given(st.text("mamx-", max_size=40), st.permutations(range(40)))
def test_the_order_of_arrival_does_not_matter_and_every_missed_day_is_in_one_run(week: str, order: list[int]) -> None:
    windows = [(day(n), WORDS[letter]) for n, letter in enumerate(week) if letter in WORDS]
    answered = [day(n) for n, letter in enumerate(week) if letter == "a"]
    shuffled = [windows[n] for n in order if n < len(windows)]
    found = missed_runs(shuffled, answered)
    # The same told in letters: between two readings, the missed days are one run.
    expected = [list(part) for key, part in groupby(c for c in week if c in "ma") if key == "m"]
    assert [run.missed for run in found] == [len(part) for part in expected]
    assert [run.ended for run in found] == [True] * (len(found) - 1) + [week.rfind("a") > week.rfind("m")] * bool(found)
    assert all(run.first <= run.last for run in found)


@pytest.mark.parametrize(
    ("checked_in", "prompts", "expected"),
    [
        (False, [], SilenceCause.NOT_ASKED),
        (False, [(MessageState.CANCELLED, False)], SilenceCause.NOT_ASKED),
        (False, [(MessageState.EXPIRED, False)], SilenceCause.NOT_ASKED),
        (False, [(MessageState.FAILED, False)], SilenceCause.NOT_ASKED),  # no way to send it
        (False, [(MessageState.EXPIRED, True)], SilenceCause.NOT_DELIVERED),
        (False, [(MessageState.FAILED, True), (MessageState.FAILED, True)], SilenceCause.NOT_DELIVERED),
        (False, [(MessageState.FAILED, True), (MessageState.SENT, True)], SilenceCause.NO_REPLY),
        (False, [(MessageState.DELIVERED, True)], SilenceCause.NO_REPLY),
        (False, [(MessageState.UNCERTAIN, True)], SilenceCause.UNCERTAIN),
        (False, [(MessageState.UNCERTAIN, True), (MessageState.SENT, True)], SilenceCause.NO_REPLY),
        (False, [(MessageState.UNCERTAIN, True), (MessageState.FAILED, True)], SilenceCause.UNCERTAIN),
        (True, [(MessageState.UNCERTAIN, True)], SilenceCause.DIARY_ONLY),
        (True, [(MessageState.DELIVERED, True)], SilenceCause.DIARY_ONLY),
        (True, [], SilenceCause.DIARY_ONLY),
    ],
)
def test_why_a_window_was_missed(
    checked_in: bool, prompts: list[tuple[MessageState, bool]], expected: SilenceCause
) -> None:
    assert silence_cause(checked_in, prompts) is expected
