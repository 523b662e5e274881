"""The level at which trouble came before: PA diastolic a week before this patient's own events of heart failure.

Promises no limit: a figure with its uncertainty, of so many events, and nothing at all without one. A clinician may
take it as a limit; until then it is told beside the level and does nothing.

The level before an event is the mean of the readings of the days 10 to 4 before it, of which at least three are wanted:
in published cohorts pressures were near their highest then, and the last days often hold a stay's first treatment.
How far a patient's events lie apart is not known from one of them: 4 mmHg is assumed as the standard deviation between
them (our own number; published levels before events spread by 7 to 9 mmHg between patients, Zile 2008), and the figure
of several is their mean, so that each new one moves it by its share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from statistics import fmean

FROM_DAY, TO_DAY = 10, 4  # days before the event, both included
FEWEST = 3  # readings of those seven days
BETWEEN = 4.0  # mmHg, standard deviation between one patient's events
NEAR = 2.0  # mmHg below which the level is told first; our own number, no source


@dataclass(frozen=True, slots=True)
class BeforeEvent:
    """The level, mmHg, a week before an event that began on a date; None: too few readings to say."""

    began_on: date
    level: float | None


@dataclass(frozen=True, slots=True)
class TroubleLevel:
    """Where trouble is to be expected, mmHg: `level` ± `sd`, of `events`, the newest of which began on `newest_on`."""

    level: float
    sd: float
    events: int
    newest_on: date
    newest_level: float

    def above(self, now: float) -> float:
        """How far a level is above the one before the newest event; negative is below."""
        return now - self.newest_level


def before_event(began_on: date, diastolic: Sequence[float | None]) -> BeforeEvent:
    """The level a week before. `diastolic` holds the days before, the newest last; None is a day without a reading."""
    week = [value for value in diastolic[-FROM_DAY : len(diastolic) - TO_DAY + 1] if value is not None]
    return BeforeEvent(began_on, fmean(week) if len(week) >= FEWEST else None)


def trouble_level(events: Sequence[BeforeEvent]) -> TroubleLevel | None:
    """What a patient's own events say; None without one whose level is known.

    The uncertainty is of where the next event comes, so it never falls below that between events.
    """
    known = sorted((one.began_on, one.level) for one in events if one.level is not None)
    if not known:
        return None
    levels = [level for _, level in known]
    sd = BETWEEN * (1 + 1 / len(levels)) ** 0.5
    return TroubleLevel(fmean(levels), sd, len(levels), known[-1][0], levels[-1])
