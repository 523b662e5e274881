"""Symptoms against the patient's own usual.

Promises that nobody is compared with anybody else: a person who always rates
their breath 4 is not worse at 4. One bad day is not a change; the middle of the
last three answers is. Scales: 0–10 numeric rating ("worst in the last 24 hours"),
pillows as change from usual, woken by breathlessness, swelling by its height.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.signals_diary import (
    BREATH,
    LIGHT,
    PILLOWS,
    SWELLING,
    TIRED,
    WOKE,
    DiaryState,
    lagged,
    middle,
    recent,
)
from service.domain.signals_settings import Settings

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
_FEWEST_USUAL = 3  # older answers before a usual is known
_TIRED_STEP = 3.0  # told beside other changes, never alone


@dataclass(frozen=True)
class SymptomsFound:
    """One element a patient. Counts are of days; each Flag is a change against the usual."""

    breath: Array
    breath_usual: Array
    breathless: Flags
    pillows: Array
    more_pillows: Flags
    nights_woken: Array
    woken: Flags
    swelling: Array
    more_swelling: Flags
    days_light_headed: Array
    light_headed: Flags
    more_tired: Flags

    @property
    def worse(self) -> Flags:
        found: Flags = self.breathless | self.more_pillows | self.woken | self.more_swelling
        return found


def judge(state: DiaryState, day: int, settings: Settings) -> SymptomsFound:
    """What differs from the usual on the evening of `day`, from the answers of the last seven days."""
    breath, pillows = recent(state, BREATH, day), recent(state, PILLOWS, day)
    swelling, tired = recent(state, SWELLING, day), recent(state, TIRED, day)
    usual = state.usual
    known = state.usual_of[BREATH] >= _FEWEST_USUAL
    breath_now, swelling_now = middle(breath), middle(swelling)
    nights, light = _days(state, WOKE, day), _days(state, LIGHT, day)
    with np.errstate(invalid="ignore"):
        pillow_days = (pillows - np.round(usual[PILLOWS]) >= 1).sum(axis=0)
        return SymptomsFound(
            breath=breath_now,
            breath_usual=np.where(known, usual[BREATH], np.nan),
            breathless=known & _two(breath) & (breath_now - usual[BREATH] >= settings.breathless_step),
            pillows=np.where(pillow_days > 0, np.nan_to_num(np.fmax.reduce(pillows, axis=0)), 0.0),
            more_pillows=pillow_days >= settings.pillow_days,
            nights_woken=nights,
            woken=nights - 7.0 * usual[WOKE] >= settings.woken_nights,
            swelling=swelling_now,
            more_swelling=_two(swelling) & (swelling_now - usual[SWELLING] >= settings.swelling_step),
            days_light_headed=light,
            light_headed=light - 7.0 * usual[LIGHT] >= settings.light_headed_days,
            more_tired=(state.usual_of[TIRED] >= _FEWEST_USUAL) & (middle(tired) - usual[TIRED] >= _TIRED_STEP),
        )


def _days(state: DiaryState, question: int, day: int) -> Array:
    """Days of the last seven on which the answer was yes."""
    with np.errstate(invalid="ignore"):
        counted: Array = (lagged(state, question, day, 0, 6) > 0).sum(axis=0).astype(np.float64)
    return counted


def _two(answers: Array) -> Flags:
    enough: Flags = (~np.isnan(answers)).sum(axis=0) >= 2
    return enough
