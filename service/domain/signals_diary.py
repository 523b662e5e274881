"""The diary of many patients, carried from day to day: the last answers, and each patient's own usual.

Promises that "usual" is made of answers at least a week old, so that a slow
worsening is not taken for the new usual while it happens, and that a day
without a diary changes nothing. Judges nothing: see `signals_weight` and
`signals_symptoms`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Days = NDArray[np.int64]

QUESTIONS = (
    "breathlessness",
    "extra_pillows",
    "woke_breathless",
    "swelling",
    "light_headed",
    "tiredness",
    "weight_kg",
)
BREATH, PILLOWS, WOKE, SWELLING, LIGHT, TIRED, WEIGHT = range(len(QUESTIONS))
RING = 16  # days kept one by one: what the fortnight's weight trend looks back
AGE = 7  # days before an answer counts towards the usual
LENGTH = 28.0  # days the usual looks back, as the time constant of a running mean


@dataclass(frozen=True)
class DiaryState:
    """After some evening. Questions × patients; nan is "not answered"."""

    ring: Array  # [RING, question, patient] by day
    last: Array  # [question, 3, patient]: the three newest answers, newest first
    last_on: Days  # [question, 3, patient]: their days; 0 is never
    usual: Array  # [question, patient]
    usual_of: Array  # answers it is made of
    written_on: Days  # [patient]: last day with any answer
    pounds: NDArray[np.bool_]  # weighs in lb
    dry_weight: Array  # kg; nan where none was typed in


def begin(patients: int) -> DiaryState:
    """No diary yet."""
    kinds = len(QUESTIONS)
    return DiaryState(
        ring=np.full((RING, kinds, patients), np.nan),
        last=np.full((kinds, 3, patients), np.nan),
        last_on=np.zeros((kinds, 3, patients), dtype=np.int64),
        usual=np.zeros((kinds, patients)),
        usual_of=np.zeros((kinds, patients)),
        written_on=np.zeros(patients, dtype=np.int64),
        pounds=np.zeros(patients, dtype=np.bool_),
        dry_weight=np.full(patients, np.nan),
    )


def step(state: DiaryState, day: int, answers: Array) -> DiaryState:
    """One day on. `answers` is [question, patient]: weights in kg, yes is 1, swelling 0 none to 3 knee."""
    given = ~np.isnan(answers)
    old = state.ring[(day - AGE) % RING]
    aged = ~np.isnan(old)
    usual_of = state.usual_of + aged
    pace = 1.0 / np.clip(usual_of, 1.0, LENGTH)
    usual = state.usual + np.where(aged, pace * (np.where(aged, old, 0.0) - state.usual), 0.0)
    ring = state.ring.copy()
    ring[day % RING] = answers
    shifted = np.concatenate([answers[:, None], state.last[:, :2]], axis=1)
    days = np.concatenate([np.full_like(state.last_on[:, :1], day), state.last_on[:, :2]], axis=1)
    return DiaryState(
        ring,
        np.where(given[:, None], shifted, state.last),
        np.where(given[:, None], days, state.last_on),
        usual,
        usual_of,
        np.where(given.any(axis=0), day, state.written_on),
        state.pounds,
        state.dry_weight,
    )


def lagged(state: DiaryState, question: int, day: int, first: int, last: int) -> Array:
    """The answers of `first` to `last` days ago, [day, patient]."""
    rows = (day - np.arange(first, last + 1)) % RING
    answers: Array = state.ring[rows, question]
    return answers


def recent(state: DiaryState, question: int, day: int, within: int = 7) -> Array:
    """The up to three newest answers of the last `within` days, [3, patient]; nan where there are fewer."""
    fresh = state.last_on[question] > day - within
    return np.where(fresh, state.last[question], np.nan)


def middle(values: Array) -> Array:
    """The median down the first axis, nan left out; nan where there is nothing."""
    ordered = np.sort(values, axis=0)
    count = (~np.isnan(values)).sum(axis=0)
    low, high = np.maximum((count - 1) // 2, 0), np.minimum(count // 2, len(values) - 1)
    everyone = np.arange(values.shape[1])
    found: Array = np.where(count > 0, (ordered[low, everyone] + ordered[high, everyone]) / 2, np.nan)
    return found
