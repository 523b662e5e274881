"""Weight rules: against three days ago, a week ago, dry weight, and the trend of a fortnight.

Sources: more than 2 kg in 3 days, European Society of Cardiology guidance for
patients; 5 lb in a week and 2–3 lb in a day, US heart-failure patient sheets.
"Ago" is the median of the weighings around that day, so that one weighing in
clothes is no change. Alone these are weak: more than 2 kg in 2–3 days found 21 %
of events (Ledwidge 2013, Eur J Heart Fail 15), so quiet weight says little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.signals_diary import WEIGHT, DiaryState, lagged, middle, recent
from service.domain.signals_settings import Settings
from service.domain.trend_slopes import theil_sen

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
KG_PER_POUND = 0.45359237  # exactly, NIST SP 811
FORTNIGHT = 14
_FEWEST = 8  # weighings in a fortnight before its trend is told


@dataclass(frozen=True)
class WeightFound:
    """kg, one element a patient; nan is not known. A rule that holds is True."""

    now: Array
    in_3_days: Array
    in_week: Array
    over_dry: Array
    in_fortnight: Array
    gain: Flags
    loss: Flags


def judge(state: DiaryState, day: int, settings: Settings) -> WeightFound:
    """The rules on the evening of `day`. Without a weighing that day only the trend and dry weight speak."""
    today = lagged(state, WEIGHT, day, 0, 0)[0]
    three = today - middle(lagged(state, WEIGHT, day, 2, 4))
    week = today - middle(lagged(state, WEIGHT, day, 6, 8))
    fresh = middle(recent(state, WEIGHT, day, within=4))
    dry = fresh - state.dry_weight
    fortnight = _fortnight(state, day, settings)
    with np.errstate(invalid="ignore"):
        gain = (
            (three > settings.gain_3_days)
            | (week > settings.gain_week)
            | _day_rule(state, day, today, settings)
            | (dry > settings.gain_over_dry)
            | (fortnight > settings.gain_trend)
        )
        loss = (three < -settings.loss_3_days) | (week < -settings.loss_week) | (dry < -settings.loss_under_dry)
    return WeightFound(today, three, week, dry, fortnight, gain, loss)


def _day_rule(state: DiaryState, day: int, today: Array, settings: Settings) -> Flags:
    """So many pounds in a day, still there at the next weighing: two noisy scales make a pound or two alone."""
    if not state.pounds.any():
        return np.zeros(len(today), dtype=np.bool_)
    before = middle(lagged(state, WEIGHT, day, 2, 4))
    yesterday = lagged(state, WEIGHT, day, 1, 1)[0]
    step = settings.gain_day_pounds * KG_PER_POUND
    with np.errstate(invalid="ignore"):
        held: Flags = state.pounds & (today - before > step) & (yesterday - before > step)
    return held


def _fortnight(state: DiaryState, day: int, settings: Settings) -> Array:
    """Change over 14 days by the Theil–Sen slope, where its 95 % interval leaves zero out; else nan."""
    found = np.full(state.ring.shape[2], np.nan)
    window = lagged(state, WEIGHT, day, 0, FORTNIGHT - 1)[::-1]
    newer, older = middle(window[-4:]), middle(window[:5])
    with np.errstate(invalid="ignore"):
        # A cheap look first: the slope of all pairs is only worked out where it can matter.
        candidate = (newer - older > settings.gain_trend / 3) & ((~np.isnan(window)).sum(axis=0) >= _FEWEST)
    if candidate.any():
        slope, low, _ = theil_sen(np.arange(FORTNIGHT, dtype=np.float64), window[:, candidate])
        found[candidate] = np.where(low > 0, slope * FORTNIGHT, np.nan)
    return found
