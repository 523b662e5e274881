"""A signal is raised once an episode, told again only for something new, and carried until seen."""

from __future__ import annotations

import numpy as np

from service.domain.signals import episodes as episode_rules
from service.domain.signals.episodes import ROW, EpisodeState, Rule
from service.domain.vocabulary import SignalKind

KIND = SignalKind.RISING
FIRST = 740_000


def _flags(value: bool) -> np.ndarray:
    return np.array([value])


def _told(course: list[Rule]) -> tuple[list[int], EpisodeState]:
    """The days (counted from 0) on which one patient's signal is told."""
    episodes, days = episode_rules.none_yet(1), []
    for day, rule in enumerate(course):
        episodes, told = episode_rules.update(episodes, FIRST + day, {KIND: rule})
        if told[ROW[KIND], 0]:
            days.append(day)
    return days, episodes


def _of(evidence: float, at: float = 2.0, off: float = 1.3, size: float = 0.0, **more: object) -> Rule:
    return Rule(holds=_flags(evidence >= at), lets_go=_flags(evidence < off), size=np.array([size]), **more)  # type: ignore[arg-type]


def test_flickering_about_the_threshold_is_one_signal():
    days, _ = _told([_of(value) for value in (1.9, 2.1, 1.9, 2.1, 1.5, 2.2, 1.4, 2.1)])
    assert days == [1]


def test_once_let_go_it_may_be_raised_again():
    days, episodes = _told([_of(value) for value in (2.1, 1.0, 2.1, 1.0)])
    assert days == [0, 2]
    assert not episodes.open[ROW[KIND], 0]
    assert episodes.ended_on[ROW[KIND], 0] == FIRST + 3


def test_a_further_move_is_told_again_but_not_within_its_quiet_days():
    climb = [_of(3.0, size=0.5 * day, step=1.5, quiet_days=7) for day in range(16)]
    days, _ = _told(climb)
    assert days == [0, 7, 14]


def test_the_same_size_for_months_is_told_once():
    days, _ = _told([_of(3.0, size=4.0, step=1.5, quiet_days=7)] * 90)
    assert days == [0]


def test_a_new_kind_of_symptom_is_something_new():
    marks = [1, 1, 1, 1, 3, 3, 1, 3]
    rules = [Rule(holds=_flags(True), lets_go=_flags(False), marks=np.array([mark]), quiet_days=3) for mark in marks]
    assert _told(rules)[0] == [0, 4]


def test_nothing_is_raised_on_a_day_on_which_nothing_came():
    rules = [_of(3.0, heard=_flags(day == 3)) for day in range(5)]
    assert _told(rules)[0] == [3]
