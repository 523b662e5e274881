"""A level that has been high for weeks: no rise any more, and not settled either.

While it climbs by as much in those weeks as a further move is told again at, it is a rise.

High is above the reference by a margin, or above the goal that a clinician typed in. The
run begins where the level passes that and ends where it is back by half the margin, so
that noise about the edge makes no new one. How far and how long are settings; no source
prescribes them. Ships no goal of its own: without a reference and a goal nothing is high.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.domain.arrays import Array, Days, Flags
from service.domain.signals.settings import EngineSettings
from service.domain.trend.state import TrendState


@dataclass(frozen=True, slots=True)
class HighState:
    """[patient]: the first evening of the run that goes on, an ordinal; 0 is none."""

    since: Days


def not_high(patients: int) -> HighState:
    """No run yet."""
    return HighState(np.zeros(patients, dtype=np.int64))


def edge(reference: Array, goal: Array, settings: EngineSettings) -> Array:
    """From where a level is high, [patient], mmHg: the lower of both; nan where there is neither."""
    found: Array = np.fmin(reference + settings.high_margin, goal)
    return found


def follow(state: HighState, day: int, level: Array, above: Array, settings: EngineSettings) -> HighState:
    """One evening on, [patient], mmHg: the level and its `edge`; nan where there is none."""
    stays = level - above > np.where(state.since > 0, -settings.high_margin / 2, 0.0)  # nan is not over
    return HighState(np.where(stays, np.where(state.since > 0, state.since, day), 0))


def standing(state: HighState, trend: TrendState, settings: EngineSettings) -> Flags:
    """Whether the run has lasted long enough to be told, and the level has not climbed since as long ago."""
    then = trend.beyond[(trend.day - settings.high_days) % len(trend.beyond)]
    still = trend.excess.now - then < settings.new_step  # nan is not known, and so not still
    found: Flags = (state.since > 0) & (trend.day - state.since + 1 >= settings.high_days) & still
    return found
