"""Dates and times as files hold them: ISO 8601, or day, month and year in the order of their column.

Promises that whether the day or the month comes first is decided by the whole of a column, never by a cell: 03/04 is
read only where another cell of the column, or whoever sends the file, says which of the two is the month. A year has
four figures, since 48 may be of two centuries. A time without its offset is one of the zone that was named, and
refused where none was, or where clocks never showed it. Knows nothing of files.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from service.domain.localtime import first_instant, zone
from service.domain.validation import Refused


def _(message: str) -> str:
    """Marks a message for the catalogue; it is translated when it is read."""
    return message


INSTANT = _("an instant with its offset, such as 2026-03-01T07:12:00+01:00")
DATE = _("a date such as 2026-03-01")
_PARTS = re.compile(r"(\d{1,2})([/.-])(\d{1,2})\2(\d{4})(?:(?:[T ]|, ?)\s*(.+))?", re.ASCII)
_YEAR_FIRST = re.compile(r"(\d{4})[/.](\d{1,2})[/.](\d{1,2})(?:(?:[T ]|, ?)\s*(.+))?", re.ASCII)
_HALVES = re.compile(r"(\d{1,2})[:.](\d{2})(?:[:.](\d{2}))?\s*([ap])\.?\s?m\.?", re.ASCII | re.IGNORECASE)
# Whether any cell of a file may be such a date, looked for in its bytes.
IN_BYTES = re.compile(rb"\d[/.-]\d{1,2}[/.-]\d{4}")


class DateOrder(StrEnum):
    """What comes first in a date whose year comes last."""

    DAY_FIRST = "day_first"
    MONTH_FIRST = "month_first"


class WholeFile(Refused):
    """What cannot be read in any row until it is said for the whole file: nothing of it is taken."""


def order_in(column: str, cells: Iterable[str]) -> DateOrder | None:
    """Which order the dates of one column are in; None where it has none of which that must be known.

    Raises WholeFile where they may be either, and where some can be one alone and some the other.
    """
    seen: dict[DateOrder, str] = {}
    either = ""
    for cell in cells:
        found = _PARTS.fullmatch(cell.strip())
        if found is None:
            continue
        first, second = int(found[1]), int(found[3])
        if first > 12 >= second:
            seen.setdefault(DateOrder.DAY_FIRST, cell.strip())
        elif second > 12 >= first:
            seen.setdefault(DateOrder.MONTH_FIRST, cell.strip())
        elif first != second:
            either = either or cell.strip()
    if len(seen) == 2:
        day, month = seen[DateOrder.DAY_FIRST], seen[DateOrder.MONTH_FIRST]
        raise WholeFile(column, f"{day} … {month}", "dates of one order in a column; or say which comes first")
    if not seen and either:
        raise WholeFile(column, either, "dates of which the file shows, or you say, whether day or month comes first")
    return next(iter(seen), None)


@dataclass(frozen=True, slots=True)
class FileDates:
    """How the dates of one file are read: each column's order, and the zone of times without an offset."""

    orders: Mapping[str, DateOrder] = field(default_factory=dict)  # by our names of the columns
    zone: ZoneInfo | None = None

    def day(self, column: str, text: str) -> date:
        """Raises Refused. A time of day behind it is passed over where it is midnight, as spreadsheets write it."""
        given = text.strip()
        try:
            return date.fromisoformat(given)
        except ValueError:
            pass
        day, rest = self._split(column, given, Refused(column, given, DATE))
        if rest and _time(rest) != time():
            raise Refused(column, text, DATE)
        return day

    def instant(self, column: str, text: str) -> datetime:
        """Aware where the text or the file says of which zone; naive where neither does. Raises Refused."""
        try:
            found = datetime.fromisoformat(text)
        except ValueError:
            found = self._other_instant(column, text.strip())
        if found.tzinfo is not None or self.zone is None:
            return found
        if len(text.strip()) <= 10:
            raise Refused(column, text, "a date and a time")
        instant = first_instant(found.date(), found.time(), self.zone)
        if instant.astimezone(self.zone).replace(tzinfo=None) != found:
            raise Refused(column, text, "a time that clocks showed on that day")
        return instant

    def _other_instant(self, column: str, given: str) -> datetime:
        try:
            return datetime.fromisoformat(given)
        except ValueError:
            pass
        day, rest = self._split(column, given, Refused(column, given, INSTANT))
        if not rest:
            raise Refused(column, given, "a date and a time")
        at = _time(rest)
        try:
            return datetime.fromisoformat(f"{day.isoformat()}T{at.isoformat() if at else rest}")
        except ValueError:
            raise Refused(column, given, INSTANT) from None

    def _split(self, column: str, given: str, otherwise: Refused) -> tuple[date, str]:
        """The date, and what stands behind it. Raises `otherwise`."""
        if found := _YEAR_FIRST.fullmatch(given):
            year, month, day, rest = int(found[1]), int(found[2]), int(found[3]), found[4]
        elif found := _PARTS.fullmatch(given):
            first, second, year, rest = int(found[1]), int(found[3]), int(found[4]), found[5]
            order = self.orders.get(column)
            if order is None and first != second:
                raise otherwise
            day, month = (second, first) if order is DateOrder.MONTH_FIRST else (first, second)
        elif len(given) > 10 and given[10] in "T " and given[10:].strip():
            day_part, rest = given[:10], given[11:].strip()
            try:
                return date.fromisoformat(day_part), rest
            except ValueError:
                raise otherwise from None
        else:
            raise otherwise
        try:
            return date(year, month, day), (rest or "").strip()
        except ValueError:
            raise otherwise from None


def _time(text: str) -> time | None:
    """A time of day by the wall, of 24 hours or of two halves; None for what is none, or has an offset."""
    if found := _HALVES.fullmatch(text):
        hour, half = int(found[1]), found[4].lower()
        if not 1 <= hour <= 12 or int(found[2]) > 59 or int(found[3] or 0) > 59:
            return None
        return time(hour % 12 + (12 if half == "p" else 0), int(found[2]), int(found[3] or 0))
    try:
        found_time = time.fromisoformat(text.zfill(5) if re.fullmatch(r"\d:\d\d", text, re.ASCII) else text)
    except ValueError:
        return None
    return None if found_time.tzinfo else found_time


def zone_named(name: str | None) -> ZoneInfo | None:
    """The zone of times without an offset, by its IANA name; None where none is named. Raises Refused."""
    return zone(name) if name else None


def of_day(text: str) -> time | None:
    """A local time such as 07:30, or 7:30 am; None for what is none."""
    return _time(text.strip())


def moved(serial: timedelta) -> str:
    """A time of day that a spreadsheet keeps as a span of time, as text."""
    seconds = round(serial.total_seconds())
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}" + (f":{seconds % 60:02d}" if seconds % 60 else "")
