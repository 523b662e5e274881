"""A year of one plan as plain text for a printer: every window, the clock changes, the pauses.

In the patient's language. Promises that every time on it is what a clock on the wall
will show. Holds no name and nothing clinical: it may lie on a kitchen table.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import groupby
from zoneinfo import ZoneInfo

from service.domain.localtime import local_date
from service.domain.plan import EVERY_DAY, ClockChange, PlanAhead, PlanRule, WindowAhead, clock_changes, windows_ahead
from service.words.language import Language

ROW = "  {:<8}  {:<6}  {:<6}  {:<6}   {}"  # day, opens, due, closes; opens in UTC, and what is to be noted


def write(say: Language, plan: PlanAhead, year: int) -> str:
    """The sheet of `year` from the day of enrolment on, at most 80 characters wide in English."""
    first, last = max(local_date(plan.enrolled_at, plan.zone), date(year, 1, 1)), date(year, 12, 31)
    changes = {change.day: change for change in clock_changes(plan.zone, date(year, 1, 1), last)}
    named = say.gettext(
        "%(sender)s %(number)s: plan for %(year)s, as it stands today",
        sender=plan.sender_name,
        number=plan.clinic_ref,
        year=year,
    )
    lines = [
        named,
        say.gettext("Place: %(zone)s", zone=plan.zone.key),
        _rule(say, plan.rule),
        *(
            f"{_day(say, change.day)} {say.months[change.day.month - 1]}: {_change(say, change)}"
            for change in changes.values()
        ),
    ]
    days = windows_ahead(plan.rule, plan.zone, first, last, plan.pauses) if first <= last else iter(())
    for month, some in groupby(days, key=lambda ahead: ahead.day.month):
        lines += ["", f"{say.months[month - 1]} {year}", _headings(say)]
        lines += [_line(say, ahead, plan.zone, changes.get(ahead.day)) for ahead in some]
    return "\n".join(lines) + "\n"


def _headings(say: Language) -> str:
    return ROW.format(
        say.pgettext("year sheet", "day"),
        say.pgettext("year sheet", "opens"),
        say.pgettext("year sheet", "due"),
        say.pgettext("year sheet", "closes"),
        say.pgettext("year sheet", "opens (UTC)"),
    )


def _line(say: Language, ahead: WindowAhead, zone: ZoneInfo, change: ClockChange | None) -> str:
    day, times = _day(say, ahead.day), ahead.times
    notes = "" if change is None else _change(say, change)
    if ahead.paused:
        paused = "  ".join(filter(None, (say.pgettext("year sheet", "pause"), notes)))
        return ROW.format(day, "–", "–", "–", f"{'':<15}{paused}").rstrip()
    opens, due, closes = (_wall(at, ahead.day, zone) for at in (times.opens_at, times.due_at, times.closes_at))
    utc = times.opens_at.astimezone(UTC)
    return ROW.format(day, opens, due, closes, f"{_day(say, utc.date())} {utc:%H:%M}   {notes}").rstrip()


def _wall(at: datetime, day: date, zone: ZoneInfo) -> str:
    shown = at.astimezone(zone)
    return f"{shown:%H:%M}" + ("" if shown.date() == day else "+")  # on the next date


def _change(say: Language, change: ClockChange) -> str:
    minutes = abs(change.by) // timedelta(minutes=1)
    if minutes % 60:
        by = say.ngettext("%(num)s minute", "%(num)s minutes", minutes)
    else:
        hours = {1: say.gettext("one hour"), 2: say.gettext("two hours")}
        by = hours.get(minutes // 60) or say.ngettext("%(num)s hour", "%(num)s hours", minutes // 60)
    if change.by > timedelta(0):
        return say.gettext("clocks go forward %(by)s", by=by)
    return say.gettext("clocks go back %(by)s", by=by)


def _day(say: Language, day: date) -> str:
    return f"{say.short_weekdays[day.weekday()]} {day.day:>2}"


def _rule(say: Language, rule: PlanRule) -> str:
    """`Every day, 07:00 to 10:00, reading and diary`."""
    weekdays = say.gettext("Every day")
    if rule.weekdays != EVERY_DAY:
        weekdays = ", ".join(rule.on(say.short_weekdays))
    if rule.wants_reading and rule.wants_checkin:
        wanted = say.gettext("reading and diary")
    else:
        wanted = say.gettext("reading") if rule.wants_reading else say.gettext("diary")
    return say.gettext(
        "%(weekdays)s, %(opens)s to %(closes)s, %(wanted)s",
        weekdays=weekdays,
        opens=f"{rule.opens:%H:%M}",
        closes=f"{rule.closes:%H:%M}",
        wanted=wanted,
    )
