"""Heart rate against each patient's own usual: what is carried of it, and how far it is from that.

    state = follow(state, day, rate, forgotten)      # [patient], beats a minute, nan is "not given"
    found = heart_rates(state, day)

Promises that the usual is made of days at least three weeks old, so that a slow climb is not taken
for it while it happens; that a rate which scatters as an irregular rhythm does is compared with
nothing; and that what came before a change of rhythm or device is forgotten with it.

Resting heart rate is higher in the weeks before a decompensation (Adamson 2004, Circulation 110:2389, from
memory). It has many other reasons, so it says something beside a pressure alone: see `joint`. A slower one says
nothing of a rise and never counts against one; but a drug or a block may be behind it, so it is told as changed as
well. One that has stayed where it is for a fortnight is told on, and is no news any more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from service.domain.arrays import Array, Flags
from service.domain.signals.facts import ContextTag
from service.domain.vocabulary import ContextKind, Rhythm

USUAL_FROM, USUAL_TO = 22, 60  # days back of which the usual is made: those of the pressure's recent usual
NOW = 5  # the last days whose mean is compared with it
FEWEST_NOW, FEWEST_USUAL = 3, 14  # days with a rate in each, to compare them
RING = USUAL_TO + 1
# Beats a minute, standard deviation between the days of one patient; common practice, no source. A rate steadier
# than the least is a monitor's rounding or a pacemaker's; one above the most is no regular rhythm's.
LEAST_SD, MOST_SD = 3.0, 7.0
TOLD_FROM = 2.0  # such standard deviations from the usual from which it has changed; our convention, no source
STEADY_FROM, STEADY_TO = NOW, NOW + 13  # days back of the fortnight before the last days
FEWEST_STEADY, STEADY = 7, 1.0  # its days with a rate, and standard deviations within which the last days are there


@dataclass(frozen=True)
class HeartState:
    """After some evening, [.., patient]. Rates in beats a minute; nan is "not given"."""

    ring: NDArray[np.float32]  # [RING, patient] by day
    total: Array  # of the rates of the usual's days
    squares: Array
    count: Array


@dataclass(frozen=True)
class HeartRates:
    """[patient]; nan where it cannot be compared."""

    now: Array  # mean of the last days, beats a minute
    usual: Array
    above: Array  # how far above it, in standard deviations between the days of this patient; negative below
    steady: Flags  # the fortnight before these days was there already


def unheard_by_rhythm(found: Sequence[tuple[date, Rhythm]]) -> list[ContextTag]:
    """The dates on which heart rate counts for nothing by the rhythms found, the earliest first.

    From a rhythm that is not sinus rhythm, to the day before the next sinus rhythm.
    """
    tags: list[ContextTag] = []
    since: date | None = None
    for day, rhythm in [*found, (date.max, None)]:
        if since is not None and rhythm in {Rhythm.SINUS, None}:
            if since < day:
                last = None if rhythm is None else day - timedelta(days=1)
                tags.append(ContextTag(ContextKind.PACED_OR_IRREGULAR, since, last))
            since = None
        elif since is None and rhythm is not Rhythm.SINUS:
            since = day
    return tags


def nothing_read(patients: int) -> HeartState:
    """No rate yet."""
    zero = np.zeros(patients)
    return HeartState(np.full((RING, patients), np.nan, dtype=np.float32), zero, zero, zero)


def follow(state: HeartState, day: int, rate: Array | None, forgotten: Flags | None = None) -> HeartState:
    """One day on; a day without any rate is given too. Of those `forgotten`, everything so far and today's goes."""
    # Rounded to whole beats, so that the sums are exact, and the same whichever way they are reached.
    ring = state.ring.copy()
    ring[day % RING] = np.nan if rate is None else np.round(rate)
    total, squares, count = state.total, state.squares, state.count
    for lag, sign in ((USUAL_FROM, 1.0), (USUAL_TO, -1.0)):
        value = state.ring[(day - lag) % RING].astype(np.float64)
        there = ~np.isnan(value)
        value = np.where(there, sign * value, 0.0)
        total, squares, count = total + value, squares + sign * value * value, count + sign * there
    if forgotten is not None and forgotten.any():
        ring[:, forgotten] = np.nan
        total, squares, count = (np.where(forgotten, 0.0, one) for one in (total, squares, count))
    return HeartState(ring, total, squares, count)


def heart_rates(state: HeartState, day: int) -> HeartRates:
    """The rates of the last days against the usual, on the evening of `day`."""
    last = state.ring[(day - np.arange(NOW)) % RING].astype(np.float64)
    known = ~np.isnan(last)
    heard, days = known.sum(axis=0), np.maximum(state.count, 2.0)
    usual = state.total / days
    sd = np.sqrt(np.maximum(state.squares - days * usual * usual, 0.0) / (days - 1.0))
    compared = (heard >= FEWEST_NOW) & (state.count >= FEWEST_USUAL) & (sd <= MOST_SD)
    now = np.where(known, last, 0.0).sum(axis=0) / np.maximum(heard, 1)
    spread = np.maximum(sd, LEAST_SD)
    now, usual, above = (np.where(compared, one, np.nan) for one in (now, usual, (now - usual) / spread))
    before = state.ring[(day - np.arange(STEADY_FROM, STEADY_TO + 1)) % RING].astype(np.float64)
    known = ~np.isnan(before)
    there = np.where(known, before, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    steady = (known.sum(axis=0) >= FEWEST_STEADY) & (np.abs(now - there) <= STEADY * spread)  # nan is not
    return HeartRates(now, usual, above, steady)
