"""The hour at which a patient usually measures, and plan hours that would suit it.

Promises a proposal only where there is a habit to propose from, and that it keeps
the plan's lengths. Proposes: whether it is used is for the patient and staff.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import time
from math import ceil

from service.domain.plan import PlanRule, checked
from service.domain.validation import Refused

# All common practice, no source: enough readings to see a habit, close enough together to be
# one, far enough from the plan to be worth a change, and the quarter hours people live by.
ENOUGH = 10
TOGETHER_MINUTES = 90  # the middle half of the readings lies within this
WORTH_MINUTES = 45
QUARTER = 15
DAY = 24 * 60


@dataclass(frozen=True)
class Proposal:
    """Other hours for a plan, the usual hour they follow from, and from how many readings."""

    rule: PlanRule
    usual: time
    readings: int

    @property
    def sentence(self) -> str:
        """For staff, in one sentence."""
        return (
            f"Usually measures at about {self.usual:%H:%M} ({self.readings} readings): "
            f"{self.rule.opens:%H:%M} to {self.rule.closes:%H:%M}, reminder {self.rule.due:%H:%M}, would suit better."
        )


def usual_minute(minutes: Sequence[int]) -> int | None:
    """The median of local minutes of the day; None where there is no habit.

    Readings around midnight are counted from noon, so that 23:50 and 00:10 lie together.
    """
    if len(minutes) < ENOUGH:
        return None
    best: tuple[int, int] | None = None
    for start in (0, DAY // 2):
        shifted = sorted((minute - start) % DAY for minute in minutes)
        spread = shifted[3 * len(shifted) // 4] - shifted[len(shifted) // 4]
        if best is None or spread < best[0]:
            best = (spread, (shifted[len(shifted) // 2] + start) % DAY)
    spread, middle = best or (DAY, 0)
    return middle if spread <= TOGETHER_MINUTES else None


def propose(rule: PlanRule, minutes: Sequence[int]) -> Proposal | None:
    """Hours that put the usual one just before the reminder; None when the present ones suit.

    The present ones suit where most readings come between opening and the reminder, or
    so near that a change would only be a bother.
    """
    usual = usual_minute(minutes)
    if usual is None:
        return None
    opens, due, closes = (at.hour * 60 + at.minute for at in (rule.opens, rule.due, rule.closes))
    early, late = opens - usual, usual - due
    if max(early, late) < WORTH_MINUTES:
        return None
    wanted = ceil((usual + QUARTER) / QUARTER) * QUARTER
    # A plan lies within one date, and keeps its lengths: what would run over is moved back.
    shift = min(wanted - due, DAY - 1 - closes)
    shift = max(shift, -opens)
    moved = replace(rule, opens=_clock(opens + shift), due=_clock(due + shift), closes=_clock(closes + shift))
    try:
        checked(moved)
    except Refused:
        return None
    if abs(shift) < QUARTER:
        return None
    return Proposal(moved, _clock(usual), len(minutes))


def _clock(minute: int) -> time:
    return time(minute // 60, minute % 60)
