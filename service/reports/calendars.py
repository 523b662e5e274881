"""A plan as a calendar that other calendars can subscribe to: iCalendar (RFC 5545) in local time with TZID.

Promises that whoever reads it by the standard sees the instants the worker uses:
one recurring event, with exceptions for dates inside a pause, and an event of its
own for each night on which the clocks change inside the window.
Says nothing on the screen of what it is for. Does not decide who may read it.

The VTIMEZONE is of our own making: the library's leaves out changes where a place has more
than two a year.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta

from icalendar import Calendar, Event, Timezone, TimezoneDaylight, TimezoneStandard, vDuration, vRecur

from service.domain.localtime import local_date, offset
from service.domain.plan import PlanAhead, WindowAhead, clock_changes, windows_ahead

WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
# How far ahead the exceptions are worked out; whoever subscribes asks again long before that.
AHEAD = timedelta(days=730)
# A pause that lasts to within this of the end of what is worked out has no known end.
OPEN_END = timedelta(days=200)
ASK_AGAIN = timedelta(hours=12)


def write(plan: PlanAhead) -> bytes:
    """The calendar as a file of type text/calendar. A lock screen may show the sender's name, and nothing else."""
    calendar = Calendar()
    calendar.add("prodid", "-//Neaptide//Plan//EN")
    calendar.add("version", "2.0")
    calendar.add("name", plan.sender_name)  # RFC 7986
    calendar.add("refresh-interval", vDuration(ASK_AGAIN), parameters={"VALUE": "DURATION"})
    calendar.add_component(_place(plan))
    days = list(windows_ahead(plan.rule, plan.zone, _first(plan), _first(plan) + AHEAD, plan.pauses))
    asked = [one for one in days if not one.paused]
    usual = [one.day for one in asked if _is_usual(plan, one)]
    if usual:
        calendar.add_component(_series(plan, usual, ends=usual[-1] < days[-1].day - OPEN_END))
    for one in asked:
        if not _is_usual(plan, one):
            calendar.add_component(_alone(plan, one))
    return bytes(calendar.to_ical())


def _place(plan: PlanAhead) -> Timezone:
    """The rules of the zone over the span of the calendar, one observance for each change of its clocks.

    Written out here because the library's own telling leaves changes out where a
    place has more than two a year, or none in some.
    """
    first, last = _first(plan) - timedelta(days=2), _first(plan) + AHEAD + timedelta(days=2)
    place = Timezone()
    place.add("tzid", plan.zone.key)
    at = datetime.combine(first, time(), UTC)
    _observed(plan, place, at, before=offset(at, plan.zone))
    for change in clock_changes(plan.zone, first, last):
        _observed(plan, place, change.at, before=offset(change.at, plan.zone) - change.by)
    return place


def _observed(plan: PlanAhead, place: Timezone, at: datetime, before: timedelta) -> None:
    local = at.astimezone(plan.zone)
    part = TimezoneDaylight() if local.dst() else TimezoneStandard()
    part.add("dtstart", (at + before).replace(tzinfo=None))  # as the clocks showed until then
    part.add("tzoffsetfrom", before)
    part.add("tzoffsetto", offset(at, plan.zone))
    part.add("tzname", local.tzname() or plan.zone.key)
    place.add_component(part)


def _series(plan: PlanAhead, stays: Sequence[date], *, ends: bool) -> Event:
    """The recurring event over the dates in `stays`; planned dates between them are exceptions."""
    event = _event(plan, str(plan.id))
    event.add("dtstart", _wall(plan, stays[0], plan.rule.opens))
    event.add("dtend", _wall(plan, stays[0], plan.rule.closes))
    recurs = vRecur(FREQ="WEEKLY", BYDAY=plan.rule.on(WEEKDAYS))
    if ends:  # a pause without a known end: nothing is planned until it is over
        recurs["UNTIL"] = _wall(plan, stays[-1], plan.rule.opens).astimezone(UTC)
    event.add("rrule", recurs)
    day, left_in = stays[0], set(stays)
    while day <= (stays[-1] if ends else _first(plan) + AHEAD):
        if plan.rule.weekdays >> day.weekday() & 1 and day not in left_in:
            event.add("exdate", _wall(plan, day, plan.rule.opens))
        day += timedelta(days=1)
    return event


def _alone(plan: PlanAhead, one: WindowAhead) -> Event:
    """One window by itself, in UTC: no reader can take those instants otherwise."""
    event = _event(plan, f"{plan.id}.{one.day:%Y%m%d}")
    event.add("dtstart", one.times.opens_at)
    event.add("dtend", one.times.closes_at)
    return event


def _event(plan: PlanAhead, uid: str) -> Event:
    event = Event()
    event.add("uid", f"{uid}@neaptide")
    event.add("dtstamp", plan.set_at.astimezone(UTC))
    event.add("last-modified", plan.set_at.astimezone(UTC))
    event.add("summary", plan.sender_name)
    event.add("transp", "TRANSPARENT")  # a few minutes in a window of hours: nobody is busy because of it
    event.add("class", "PRIVATE")
    return event


def _is_usual(plan: PlanAhead, one: WindowAhead) -> bool:
    """Whether every reader of the standard finds these instants by recurrence; not on a weekday of a phase alone.

    RFC 5545 leaves out an occurrence whose wall time never shows (3.3.10), and gives
    each one the exact length of the first (3.8.5.3): neither does on a night when
    the clocks change inside the window.
    """
    if not plan.rule.weekdays >> one.day.weekday() & 1:
        return False
    opens, closes = (_wall(plan, one.day, at) for at in (plan.rule.opens, plan.rule.closes))
    shown = one.times.opens_at.astimezone(plan.zone).replace(tzinfo=None) == opens.replace(tzinfo=None)
    # Subtracting in one zone compares the wall: the length the window has on other days.
    return shown and one.times.closes_at - one.times.opens_at == closes - opens


def _first(plan: PlanAhead) -> date:
    return local_date(plan.set_at, plan.zone)  # nothing is planned before it


def _wall(plan: PlanAhead, day: date, at: time) -> datetime:
    return datetime.combine(day, at, tzinfo=plan.zone)
