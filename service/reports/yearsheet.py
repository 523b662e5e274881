"""A year of one plan as plain text for a printer: every window, the clock changes, the pauses.

Promises that every time on it is what a clock on the wall will show. Holds no
name and nothing clinical: it may lie on a kitchen table.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import groupby
from zoneinfo import ZoneInfo

from service.domain.plan import EVERY_DAY, ClockChange, PlanRule, WindowAhead, clock_changes, windows_ahead

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
HEADINGS = "  day       opens   due     closes   opens (UTC)"


@dataclass(frozen=True)
class Sheet:
    """What is printed: whose (the clinic's own number), where, which rule, from when, and the pauses known today."""

    clinic_ref: str
    sender_name: str
    zone: ZoneInfo
    rule: PlanRule
    first: date
    pauses: Sequence[tuple[date, date]]


def write(sheet: Sheet, year: int) -> str:
    """The sheet of `year`, at most 80 characters wide."""
    first, last = max(sheet.first, date(year, 1, 1)), date(year, 12, 31)
    changes = {change.day: change for change in clock_changes(sheet.zone, date(year, 1, 1), last)}
    lines = [
        f"{sheet.sender_name} {sheet.clinic_ref}: plan for {year}, as it stands today",
        f"Place: {sheet.zone.key}",
        f"{_weekdays(sheet.rule)}, {sheet.rule.opens:%H:%M} to {sheet.rule.closes:%H:%M}, {_wanted(sheet.rule)}",
        *(f"{_day(change.day)} {MONTHS[change.day.month - 1]}: {_told(change)}" for change in changes.values()),
    ]
    days = windows_ahead(sheet.rule, sheet.zone, first, last, sheet.pauses) if first <= last else iter(())
    for month, some in groupby(days, key=lambda one: one.day.month):
        lines += ["", f"{MONTHS[month - 1]} {year}", HEADINGS]
        lines += [_line(one, sheet.zone, changes.get(one.day)) for one in some]
    return "\n".join(lines) + "\n"


def _line(one: WindowAhead, zone: ZoneInfo, change: ClockChange | None) -> str:
    notes = "  ".join(_notes(one, change))
    if one.paused:
        return f"  {_day(one.day):<8}  {'–':<6}  {'–':<6}  {'–':<6}   {'':<15}{notes}".rstrip()
    opens, due, closes = (
        _wall(at, one.day, zone) for at in (one.times.opens_at, one.times.due_at, one.times.closes_at)
    )
    utc = one.times.opens_at.astimezone(UTC)
    return (
        f"  {_day(one.day):<8}  {opens:<6}  {due:<6}  {closes:<6}   {_day(utc.date())} {utc:%H:%M}   {notes}".rstrip()
    )


def _wall(at: datetime, day: date, zone: ZoneInfo) -> str:
    shown = at.astimezone(zone)
    return f"{shown:%H:%M}" + ("" if shown.date() == day else "+")  # on the next date


def _notes(one: WindowAhead, change: ClockChange | None) -> Iterator[str]:
    if one.paused:
        yield "pause"
    if change is not None:
        yield _told(change)


def _told(change: ClockChange) -> str:
    minutes = abs(change.by) // timedelta(minutes=1)
    by = {60: "one hour", 120: "two hours"}.get(minutes, f"{minutes} minutes")
    return f"clocks go {'forward' if change.by > timedelta(0) else 'back'} {by}"


def _day(day: date) -> str:
    return f"{WEEKDAYS[day.weekday()]} {day.day:>2}"


def _weekdays(rule: PlanRule) -> str:
    if rule.weekdays == EVERY_DAY:
        return "Every day"
    return ", ".join(name for number, name in enumerate(WEEKDAYS) if rule.weekdays >> number & 1)


def _wanted(rule: PlanRule) -> str:
    if rule.wants_reading and rule.wants_checkin:
        return "reading and diary"
    return "reading" if rule.wants_reading else "diary"
