"""A plan as a calendar that other calendars can subscribe to: iCalendar (RFC 5545) in local time with TZID.

Promises that whoever reads it by the standard sees the instants the worker uses:
one recurring event, with exceptions for dates inside a pause, and an event of its
own for each night on which the clocks change inside the window.
Says nothing on the screen of what it is for. Does not decide who may read it.

The VTIMEZONE is of our own making: the library's leaves out changes where a place has more
than two a year.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from icalendar import Calendar, Event, Timezone, TimezoneDaylight, TimezoneStandard, vDuration, vRecur

from service.domain.plan import PlanRule, WindowAhead, clock_changes, windows_ahead

WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
# How far ahead the exceptions are worked out; whoever subscribes asks again long before that.
AHEAD = timedelta(days=730)
# A pause that lasts to within this of the end of what is worked out has no known end.
OPEN_END = timedelta(days=200)
ASK_AGAIN = timedelta(hours=12)


@dataclass(frozen=True)
class Feed:
    """What a calendar is made of. `title` is what a lock screen may show."""

    uid: uuid.UUID
    title: str
    rule: PlanRule
    zone: ZoneInfo
    first: date  # nothing is planned before it
    changed_at: datetime
    pauses: Sequence[tuple[date, date]]  # date ranges in which nothing is expected, ends included


def write(feed: Feed) -> bytes:
    """The calendar as a file of type text/calendar."""
    calendar = Calendar()
    calendar.add("prodid", "-//Neaptide//Plan//EN")
    calendar.add("version", "2.0")
    calendar.add("name", feed.title)  # RFC 7986
    calendar.add("refresh-interval", vDuration(ASK_AGAIN), parameters={"VALUE": "DURATION"})
    calendar.add_component(_place(feed))
    days = list(windows_ahead(feed.rule, feed.zone, feed.first, feed.first + AHEAD, feed.pauses))
    asked = [one for one in days if not one.paused]
    usual = [one.day for one in asked if _is_usual(feed, one)]
    if usual:
        calendar.add_component(_series(feed, usual, ends=usual[-1] < days[-1].day - OPEN_END))
    for one in asked:
        if not _is_usual(feed, one):
            calendar.add_component(_alone(feed, one))
    return bytes(calendar.to_ical())


def _place(feed: Feed) -> Timezone:
    """The rules of the zone over the span of the calendar, one observance for each change of its clocks.

    Written out here because the library's own telling leaves changes out where a
    place has more than two a year, or none in some.
    """
    first, last = feed.first - timedelta(days=2), feed.first + AHEAD + timedelta(days=2)
    place = Timezone()
    place.add("tzid", feed.zone.key)
    at = datetime.combine(first, time(), UTC)
    _observed(feed, place, at, before=_offset(at, feed.zone))
    for change in clock_changes(feed.zone, first, last):
        _observed(feed, place, change.at, before=_offset(change.at, feed.zone) - change.by)
    return place


def _observed(feed: Feed, place: Timezone, at: datetime, before: timedelta) -> None:
    local = at.astimezone(feed.zone)
    part = TimezoneDaylight() if local.dst() else TimezoneStandard()
    part.add("dtstart", (at + before).replace(tzinfo=None))  # as the clocks showed until then
    part.add("tzoffsetfrom", before)
    part.add("tzoffsetto", _offset(at, feed.zone))
    part.add("tzname", local.tzname() or feed.zone.key)
    place.add_component(part)


def _offset(at: datetime, zone: ZoneInfo) -> timedelta:
    return at.astimezone(zone).utcoffset() or timedelta(0)


def _series(feed: Feed, stays: Sequence[date], *, ends: bool) -> Event:
    """The recurring event over the dates in `stays`; planned dates between them are exceptions."""
    event = _event(feed, str(feed.uid))
    event.add("dtstart", _wall(feed, stays[0], feed.rule.opens))
    event.add("dtend", _wall(feed, stays[0], feed.rule.closes))
    recurs = vRecur(FREQ="WEEKLY", BYDAY=_weekdays(feed.rule))
    if ends:  # a pause without a known end: nothing is planned until it is over
        recurs["UNTIL"] = _wall(feed, stays[-1], feed.rule.opens).astimezone(UTC)
    event.add("rrule", recurs)
    day, left_in = stays[0], set(stays)
    while day <= (stays[-1] if ends else feed.first + AHEAD):
        if feed.rule.weekdays >> day.weekday() & 1 and day not in left_in:
            event.add("exdate", _wall(feed, day, feed.rule.opens))
        day += timedelta(days=1)
    return event


def _alone(feed: Feed, one: WindowAhead) -> Event:
    """One window by itself, in UTC: no reader can take those instants otherwise."""
    event = _event(feed, f"{feed.uid}.{one.day:%Y%m%d}")
    event.add("dtstart", one.times.opens_at)
    event.add("dtend", one.times.closes_at)
    return event


def _event(feed: Feed, uid: str) -> Event:
    event = Event()
    event.add("uid", f"{uid}@neaptide")
    event.add("dtstamp", feed.changed_at.astimezone(UTC))
    event.add("last-modified", feed.changed_at.astimezone(UTC))
    event.add("summary", feed.title)
    event.add("transp", "TRANSPARENT")  # a few minutes in a window of hours: nobody is busy because of it
    event.add("class", "PRIVATE")
    return event


def _is_usual(feed: Feed, one: WindowAhead) -> bool:
    """Whether every reader of the standard finds these instants by recurrence.

    RFC 5545 leaves out an occurrence whose wall time never shows (3.3.10), and gives
    each one the exact length of the first (3.8.5.3): neither does on a night when
    the clocks change inside the window.
    """
    opens, closes = (_wall(feed, one.day, at) for at in (feed.rule.opens, feed.rule.closes))
    shown = one.times.opens_at.astimezone(feed.zone).replace(tzinfo=None) == opens.replace(tzinfo=None)
    # Subtracting in one zone compares the wall: the length the window has on other days.
    return shown and one.times.closes_at - one.times.opens_at == closes - opens


def _wall(feed: Feed, day: date, at: time) -> datetime:
    return datetime.combine(day, at, tzinfo=feed.zone)


def _weekdays(rule: PlanRule) -> list[str]:
    return [name for number, name in enumerate(WEEKDAYS) if rule.weekdays >> number & 1]
