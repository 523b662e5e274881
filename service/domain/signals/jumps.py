"""Readings far from the level: a jump or a fault, and nobody knows yet which.

The filter is slow, on purpose, to believe a sudden step, so its level alone would tell
readings of 34, 36 and 36 in a patient at 18 as "about 20". What was read therefore
stands beside the level, and a run of far readings is a finding of its own until it is
known: a reading back near the old level ends it, and so does a level that has come to
the readings, for then the level tells it. Once two readings in a row are back where it
began, it is over: the filter begins anew there, or it would tell the jump's level, and
a rise, for a week more.

How far is far, and how near is near again, are conventions of this service; no source
prescribes them. Ten mmHg is more than posture makes of most pressures (PA diastolic
supine − seated 5.2 ± 5.6 mmHg: Salah 2025, ESC Heart Fail), so eight read in a row is
seldom that alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.domain.arrays import Array, Days, Flags, middle
from service.domain.signals.settings import EngineSettings

LAST = 3  # readings kept one by one
GAP = 7  # days without a reading after which nobody knows when in them something happened
NEAR_A_GAP = 2  # days after one in which what is noticed may have happened in it
FEWEST = 7  # days with readings before a patient has a level that a reading can be far from
OVER = 28  # days after its last far reading in which a jump may still be over as suddenly as it began
NEAR, ARRIVED = 0.5, 0.25  # parts of a jump within which a reading, or the level, is back at the other


@dataclass(frozen=True, slots=True)
class JumpState:
    """What was read last, and the newest run of far readings, [.., patient]. Main pressure, mmHg; days ordinals."""

    newest: Array  # the last LAST days' readings, newest first, [LAST, patient]; nan before
    newest_on: Days  # their days; 0 is never
    level: Array  # expected when the run began; nan without a run
    count: Days  # days with readings in it; 0 without a run
    began_on: Days
    left: Array  # where the newest jump began; nan once it is over, or none was
    left_from: Days  # days of its first and its last far reading
    left_on: Days
    back: Days  # days with readings in a row near there
    gap_from: Days  # the readings before and after the newest gap; 0 is none so far
    gap_to: Days


def nothing_read(patients: int) -> JumpState:
    """No reading yet."""
    return JumpState(
        newest=np.full((LAST, patients), np.nan),
        newest_on=np.zeros((LAST, patients), dtype=np.int64),
        level=np.full(patients, np.nan),
        count=np.zeros(patients, dtype=np.int64),
        began_on=np.zeros(patients, dtype=np.int64),
        left=np.full(patients, np.nan),
        left_from=np.zeros(patients, dtype=np.int64),
        left_on=np.zeros(patients, dtype=np.int64),
        back=np.zeros(patients, dtype=np.int64),
        gap_from=np.zeros(patients, dtype=np.int64),
        gap_to=np.zeros(patients, dtype=np.int64),
    )


def is_over(state: JumpState, day: int, reading: Array, level: Array, settings: EngineSettings) -> Flags:
    """Whether the day's reading is the second in a row back where the jump began, and the `level` of the evening
    before is not, [patient], mmHg."""
    away = np.abs(level - state.left) > ARRIVED * settings.jump_step
    found: Flags = (state.back > 0) & away & _is_back(state, day, reading, settings)
    return found


def _is_back(state: JumpState, day: int, reading: Array, settings: EngineSettings) -> Flags:
    near = np.abs(reading - state.left) <= NEAR * settings.jump_step  # nan is not
    found: Flags = near & (day - state.left_on <= OVER)
    return found


def follow(
    state: JumpState,
    day: int,
    reading: Array,
    expected: Array,
    spread: Array,
    level: Array,
    over: Flags,
    settings: EngineSettings,
) -> JumpState:
    """One day on, [patient], mmHg: the day's reading (nan: none), what was expected of it and its standard
    deviation (nan: nothing was expected yet), the level that the filter makes of it, and whether a jump `is_over`."""
    seen = ~np.isnan(reading)
    far = np.maximum(settings.jump_step, settings.jump_sure * spread)
    way = np.where(is_up(state), 1.0, -1.0)
    goes_on = seen & (state.count > 0) & (way * (reading - state.level) >= NEAR * settings.jump_step)
    goes_on &= ~over
    begins = seen & ~goes_on & ~over & (np.abs(reading - expected) >= far)  # nan is not far
    newest = np.where(seen, np.concatenate([reading[None], state.newest[:-1]]), state.newest)
    newest_on = np.where(
        seen, np.concatenate([np.full_like(state.newest_on[:1], day), state.newest_on[:-1]]), state.newest_on
    )
    count = np.where(seen, np.where(goes_on, state.count + 1, begins.astype(np.int64)), state.count)
    arrived = np.abs(level - middle(newest)) <= ARRIVED * settings.jump_step
    count = np.where(seen & (count >= LAST) & arrived, 0, count)
    jumped = seen & (count >= 2)
    gap = seen & (state.newest_on[0] > 0) & (day - state.newest_on[0] > GAP)
    return JumpState(
        newest,
        newest_on,
        np.where(count == 0, np.nan, np.where(begins, expected, state.level)),
        count,
        np.where(count == 0, 0, np.where(begins, day, state.began_on)),
        np.where(over, np.nan, np.where(jumped, state.level, state.left)),
        np.where(jumped, np.where(begins, day, state.began_on), state.left_from),
        np.where(jumped, day, state.left_on),
        np.where(seen, np.where(_is_back(state, day, reading, settings) & ~over, state.back + 1, 0), state.back),
        np.where(gap, state.newest_on[0], state.gap_from),
        np.where(gap, day, state.gap_to),
    )


def is_up(state: JumpState) -> Flags:
    """Whether the run that goes on is one upward: its newest reading lies where it does."""
    found: Flags = state.newest[0] >= state.level  # nan is not
    return found


def holds(state: JumpState) -> Flags:
    """Whether at least two readings in a row are far: one alone is told beside the level and is no run."""
    found: Flags = state.count >= 2
    return found
