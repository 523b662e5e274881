"""How a rule is scored on a simulated panel.

An event counts as seen when something is told between the start of its rise (or
30 days before it, if that is earlier) and its own day. Told days within 14 days of
one another are one episode; an episode is false when none of its days lies in that
span or in the 21 days after an event, while the patient is being treated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.bench.panels import Panel

Flags = NDArray[np.bool_]
BEFORE = 30
AFTER = 21
AHEAD = 7
ONE_EPISODE = 14


@dataclass(frozen=True)
class Score:
    """Of one rule on one panel, or on several."""

    events: int
    seen: int
    seen_ahead: int  # first told at least AHEAD days before
    false_episodes: int
    patient_years: float

    @property
    def sensitivity(self) -> float:
        return self.seen / max(self.events, 1)

    @property
    def ahead(self) -> float:
        return self.seen_ahead / max(self.events, 1)

    @property
    def false_rate(self) -> float:
        return self.false_episodes / self.patient_years

    def __add__(self, other: Score) -> Score:
        return Score(
            self.events + other.events,
            self.seen + other.seen,
            self.seen_ahead + other.seen_ahead,
            self.false_episodes + other.false_episodes,
            self.patient_years + other.patient_years,
        )


def score(told: Flags, panel: Panel, before: int = BEFORE) -> Score:
    """`told` is [day, patient]: a signal was raised on that day."""
    days = len(told)
    true = np.zeros_like(told)
    seen = ahead = 0
    for patient, day, onset in zip(panel.event_patient, panel.event_day, panel.event_onset, strict=True):
        first = max(0, min(int(onset), int(day) - before))
        true[first : min(day + AFTER + 1, days), patient] = True
        hits = np.flatnonzero(told[first : day + 1, patient])
        seen += len(hits) > 0
        ahead += len(hits) > 0 and day - (first + hits[0]) >= AHEAD
    # Patient by patient, in the order of their days: an episode begins where the patient is another or the gap too long.
    whose, when = np.nonzero(told.T)
    begins = np.flatnonzero((np.diff(whose, prepend=-1) > 0) | (np.diff(when, prepend=0) > ONE_EPISODE))
    false = int((~np.logical_or.reduceat(true[when, whose], begins)).sum()) if len(begins) else 0
    return Score(len(panel.event_day), seen, ahead, false, panel.patient_years)


def first_told(told: Flags, panel: Panel) -> NDArray[np.int64]:
    """Days before each event at which it was first told; −1 where it was not."""
    found = []
    for patient, day, onset in zip(panel.event_patient, panel.event_day, panel.event_onset, strict=True):
        first = max(0, min(int(onset), int(day) - BEFORE))
        hits = np.flatnonzero(told[first : day + 1, patient])
        found.append(int(day) - (first + int(hits[0])) if len(hits) else -1)
    return np.array(found, dtype=np.int64)
