"""What is expected of a patient and when: weekdays and one local window a day.

Promises that stepping from one date to the next never lands on the same date
twice and never leaves out a date that was lived. Does not know pauses, nor what
has arrived.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from service.domain.localtime import first_instant, is_lived, local_date
from service.domain.validation import Refused

EVERY_DAY = 0b1111111
# Our own floor: a person needs the time to sit down, measure and answer.
SHORTEST_WINDOW = timedelta(minutes=30)
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class PlanRule:
    """`weekdays` is a bit mask (bit 0 is Monday); the times are wall times in the patient's zone."""

    weekdays: int
    opens: time
    due: time
    closes: time
    wants_reading: bool = True
    wants_checkin: bool = True


def checked(rule: PlanRule) -> PlanRule:
    """`rule` itself. Raises Refused when it can never be met: no weekday, an empty window, nothing wanted."""
    if not 1 <= rule.weekdays <= EVERY_DAY:
        raise Refused("weekdays", rule.weekdays, "at least one weekday")
    for name in ("opens", "due", "closes"):
        at: time = getattr(rule, name)
        if at.tzinfo is not None or at.second or at.microsecond:
            raise Refused(name, at.isoformat(), "a local time in whole minutes, such as 07:30")
    if _since_midnight(rule.closes) - _since_midnight(rule.opens) < SHORTEST_WINDOW:
        minutes = int(SHORTEST_WINDOW.total_seconds()) // 60
        raise Refused("closes", rule.closes.isoformat("minutes"), f"at least {minutes} minutes after opens, same day")
    if not rule.opens <= rule.due <= rule.closes:
        raise Refused("due", rule.due.isoformat("minutes"), "a time from opens to closes")
    if not (rule.wants_reading or rule.wants_checkin):
        raise Refused("wants_reading", rule.wants_reading, "a plan that wants a reading, a check-in, or both")
    return rule


def next_opening(rule: PlanRule, zone: ZoneInfo, after: datetime, owed: date | None = None) -> tuple[date, datetime]:
    """The first date whose window opens later than `after`, with that instant (UTC).

    `owed` is the first date that should have opened by now and has not, because no
    worker ran: from it on, a window that has begun counts until it closes.
    """
    day = local_date(after, zone) - _DAY
    while True:
        day = next_date(rule, day, zone)
        opens_at = first_instant(day, rule.opens, zone)
        is_owed = owed is not None and day >= owed and first_instant(day, rule.closes, zone) > after
        if opens_at > after or is_owed:
            return day, opens_at


def next_date(rule: PlanRule, day: date, zone: ZoneInfo) -> date:
    """The next planned date later than `day` that is lived in `zone`."""
    day = date_after(rule, day)
    while not is_lived(day, zone):
        day = date_after(rule, day)
    return day


def date_after(rule: PlanRule, day: date) -> date:
    """The next date later than `day` that falls on a planned weekday."""
    day += _DAY
    while not rule.weekdays >> day.weekday() & 1:
        day += _DAY
    return day


def _since_midnight(at: time) -> timedelta:
    return timedelta(hours=at.hour, minutes=at.minute)
