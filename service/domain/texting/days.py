"""The last day somebody means: "10 days", "until 12 Dec", "hasta el 12/12", "2026-12-12".

Promises never to guess: two different days, one that never was, one that is past or
too far ahead, and 5/12 where nobody knows which of the two is the month, come to none.
Expects the form that `vocabulary.plain` gives.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from datetime import date, timedelta

from service.domain.texting.vocabulary import DateWords

FARTHEST = timedelta(days=366)
# A day without a year is the next of its name. Farther ahead than this it is more likely one that is past.
FARTHEST_UNSAID = timedelta(days=183)

_ISO = re.compile(r"(?<![\d/-])(\d{4})-(\d{1,2})-(\d{1,2})(?![\d/-])")
_SLASHED = re.compile(r"(?<![\d/-])(\d{1,2})/(\d{1,2})(?:/(\d{4}|\d{2}))?(?![\d/-])")


class DayReader:
    """Reads days in the words given."""

    def __init__(self, words: DateWords, numbers: Mapping[str, int]) -> None:
        self._months, self._weeks, self._numbers = words.months, words.weeks, numbers
        month = rf"({_any_of(words.months)})\b\.?"
        unit = rf"({_any_of(words.days | words.weeks)})\b"
        ordinal = rf"(?:{_any_of(words.ordinals)})"
        of = rf"(?:(?:{_any_of(words.of)}) )?"
        year = rf"(?:[ ,]+{of}(\d{{4}})(?!\d))?"
        self._day_month = re.compile(rf"(?<![\d/.-])(\d{{1,2}}){ordinal}? ?{of}{month}{year}")
        self._month_day = re.compile(rf"\b{month} (\d{{1,2}}){ordinal}?\b(?! ?{unit}){year}")
        self._count = re.compile(rf"(?<![\d/.a-z-])(\d{{1,3}}|{_any_of(words.one | numbers.keys())}) ?{unit}")
        self._back = re.compile(rf"\b(?:{_any_of(words.back)})\b")
        self._past = re.compile(rf"\b(?:{_any_of(words.past)})\b")
        self._span = re.compile(rf"(?:\d{{1,3}} ?{unit}|\d{{1,2}}{ordinal}\b|\d{{1,2}} ?{of}{month})")

    def last_day(self, said: str, today: date, *, day_first: bool) -> date | None:
        """The last day that is named, from `today` on; None when there is none, or more than one.

        `day_first`: 5/12 is the fifth of December, as in Spanish. In English either may be meant.
        Ten days are today and nine more. Who is back on a day was away until the day before.
        """
        if self._past.search(said):
            return None
        named = set(self._named(said, today, day_first))
        if self._back.search(said):
            named = {day - timedelta(days=1) for day in named}
        days = named | set(self._counted(said, today))
        if len(days) != 1:
            return None
        (day,) = days
        return day if today <= day <= today + FARTHEST else None

    def begins_with_a_span(self, said: str) -> bool:
        """Whether the number a message begins with is one of days, or of a date: "3 days", "2nd", "1 dec"."""
        return self._span.match(said) is not None

    def _counted(self, said: str, today: date) -> Iterator[date]:
        for match in self._count.finditer(said):
            number = int(match[1]) if match[1].isdigit() else self._numbers.get(match[1], 1)
            days = number * (7 if match[2] in self._weeks else 1)
            yield today + timedelta(days=days - 1)

    def _named(self, said: str, today: date, day_first: bool) -> Iterator[date]:
        for match in _ISO.finditer(said):
            yield from _day(int(match[3]), int(match[2]), match[1], today)
        for match in _SLASHED.finditer(said):
            first, second = int(match[1]), int(match[2])
            if day_first or first > 12 or first == second:
                yield from _day(first, second, match[3], today)
            elif second > 12:
                yield from _day(second, first, match[3], today)
        for match in self._day_month.finditer(said):
            yield from _day(int(match[1]), self._months[match[2]], match[3], today)
        for match in self._month_day.finditer(said):
            yield from _day(int(match[2]), self._months[match[1]], match[4], today)


def _any_of(words: Collection[str]) -> str:
    """One of these, the longest first, so that "sep" does not hide "september"."""
    return "|".join(re.escape(word) for word in sorted(words, key=lambda word: (-len(word), word)))


def _day(day: int, month: int, year: str | None, today: date) -> Iterator[date]:
    try:
        if year is not None:
            yield date(int(year) + (2000 if len(year) == 2 else 0), month, day)
            return
        this = date(today.year, month, day)
        named = this if this >= today else date(today.year + 1, month, day)
    except ValueError:
        return  # a day that never was
    if named <= today + FARTHEST_UNSAID:
        yield named
