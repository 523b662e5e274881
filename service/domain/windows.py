"""One patient's window on one local date: when it opens, is due and closes, and how it ends.

Promises that a window always has a length, whatever the clocks do that night,
and that it ends in exactly one state. Does not know who is told about it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from service.domain.localtime import first_instant
from service.domain.plan import PlanRule
from service.domain.vocabulary import WindowState


@dataclass(frozen=True)
class WindowTimes:
    """UTC instants; opens_at ≤ due_at ≤ closes_at, and opens_at < closes_at."""

    opens_at: datetime
    due_at: datetime
    closes_at: datetime


@dataclass(frozen=True)
class WindowFacts:
    """What is known of a window: what it asks for, what has come, and whether a pause covers its date."""

    wants_reading: bool
    wants_checkin: bool
    reading_at: datetime | None
    checkin_at: datetime | None
    paused: bool


def times(rule: PlanRule, day: date, zone: ZoneInfo) -> WindowTimes:
    """The window of `day` under `rule`, as UTC instants.

    A window that a clock change would swallow whole (a gap from opening to
    closing) keeps the length it has on other days and starts after the gap.
    """
    opens_at = first_instant(day, rule.opens, zone)
    closes_at = first_instant(day, rule.closes, zone)
    if closes_at <= opens_at:
        closes_at = opens_at + _length(rule)
    due_at = min(max(first_instant(day, rule.due, zone), opens_at), closes_at)
    return WindowTimes(opens_at, due_at, closes_at)


def is_answered(facts: WindowFacts) -> bool:
    """Whether the deciding thing is there: the reading, or the check-in where no reading is wanted."""
    return (facts.reading_at if facts.wants_reading else facts.checkin_at) is not None


def missing(facts: WindowFacts) -> tuple[str, ...]:
    """What is wanted and has not come: "reading", "checkin", in that order."""
    wanted = (
        ("reading", facts.wants_reading, facts.reading_at),
        ("checkin", facts.wants_checkin, facts.checkin_at),
    )
    return tuple(name for name, wants, at in wanted if wants and at is None)


def state_while_open(facts: WindowFacts) -> WindowState:
    """The state of a window whose end has not come."""
    if facts.paused:
        return WindowState.EXCUSED
    return WindowState.ANSWERED if is_answered(facts) else WindowState.OPEN


def state_at_close(facts: WindowFacts) -> WindowState:
    """The state a window ends in.

    A pause excuses even what was answered: excused days are left out of both
    numbers of adherence, so counting their readings would flatter it.
    """
    state = state_while_open(facts)
    return WindowState.MISSED if state is WindowState.OPEN else state


def _length(rule: PlanRule) -> timedelta:
    return timedelta(
        hours=rule.closes.hour - rule.opens.hour,
        minutes=rule.closes.minute - rule.opens.minute,
    )
