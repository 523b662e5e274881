"""A patient's moves from one zone to another: where they lived at an instant, and which date that is of.

Promises that what was taken within a window's hours belongs to that window, wherever its patient
lives by the time it arrives; that everything else belongs to the date on the wall where they lived
when it was taken; and that planned dates which a move leaves without a window are named.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from service.domain.localtime import local_date
from service.domain.plan import PlanRule, date_after


@dataclass(frozen=True, slots=True)
class OpenHours:
    """The hours of one window: from `opens_at` until before `closes_at` (UTC), of the local date `day`."""

    opens_at: datetime
    closes_at: datetime
    day: date


@dataclass(frozen=True, slots=True)
class Lived:
    """Where somebody lives, and has lived: (until when, in which zone), the oldest first.

    `windows` are those around the moves. Further from them a window's hours lie within its
    date in the zone that was lived in, so that they would say nothing else.
    """

    zone: ZoneInfo
    before: Sequence[tuple[datetime, ZoneInfo]] = ()
    windows: Sequence[OpenHours] = ()

    def zone_at(self, instant: datetime) -> ZoneInfo:
        """The zone lived in at that instant (aware)."""
        return next((zone for until, zone in self.before if instant < until), self.zone)

    def date_of(self, instant: datetime) -> date:
        """The local date to which something taken at that instant belongs.

        Where the windows of two zones overlap, it is the one that the wall calendar names, else the earlier.
        """
        on_the_wall = local_date(instant, self.zone_at(instant))
        within = [window.day for window in self.windows if window.opens_at <= instant < window.closes_at]
        return on_the_wall if on_the_wall in within else min(within, default=on_the_wall)


def without_window(rule: PlanRule, first: date, next_date: date, opened: Collection[date]) -> list[date]:
    """The planned dates from `first` until before `next_date`, the next to open, that have no window and get none."""
    found = []
    day = first
    while day < next_date:
        if rule.asks_on(day) and day not in opened:
            found.append(day)
        day = date_after(rule, day)
    return found
