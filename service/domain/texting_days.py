"""The last day somebody means: "10 days", "until 12 Dec", "hasta el 12/12", "2026-12-12".

Promises never to guess: two different days, one that never was, one that is past or
too far ahead, and 5/12 where nobody knows which of the two is the month, come to none.
Expects the form that `texting.plain` gives, English and Spanish.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, timedelta

from service.domain.texting_words import NUMBERS

FARTHEST = timedelta(days=366)
# A day without a year is the next of its name. Farther ahead than this it is more likely one that is past.
FARTHEST_UNSAID = timedelta(days=183)

_MONTH_STEMS = (
    ("jan", "ene"), ("feb", "feb"), ("mar", "mar"), ("apr", "abr"), ("may", "may"), ("jun", "jun"), ("jul", "jul"),
    ("aug", "ago"), ("sep", "sep"), ("oct", "oct"), ("nov", "nov"), ("dec", "dic"),
)  # fmt: skip
_MONTHS = {stem: number for number, stems in enumerate(_MONTH_STEMS, start=1) for stem in stems}
_MONTH = (
    r"(jan(?:uary)?|ene(?:ro)?|feb(?:ruary|rero)?|mar(?:ch|zo)?|apr(?:il)?|abr(?:il)?|mayo?|june?|jun(?:io)?|july?"
    r"|jul(?:io)?|aug(?:ust)?|ago(?:sto)?|sept?(?:ember|iembre)?|oct(?:ober|ubre)?|nov(?:ember|iembre)?|dec(?:ember)?"
    r"|dic(?:iembre)?)\b\.?"
)
_UNIT = r"(d|days?|dias?|w|wks?|weeks?|semanas?)\b"
_ORDINAL = r"(?:st|nd|rd|th)?"
_YEAR = r"(?:[ ,]+(?:de |del )?(\d{4})(?!\d))?"
_ISO = re.compile(r"(?<![\d/-])(\d{4})-(\d{1,2})-(\d{1,2})(?![\d/-])")
_SLASHED = re.compile(r"(?<![\d/-])(\d{1,2})/(\d{1,2})(?:/(\d{4}|\d{2}))?(?![\d/-])")
_DAY_MONTH = re.compile(rf"(?<![\d/.-])(\d{{1,2}}){_ORDINAL} ?(?:of |de )?{_MONTH}{_YEAR}")
_MONTH_DAY = re.compile(rf"\b{_MONTH} (\d{{1,2}}){_ORDINAL}\b(?! ?{_UNIT}){_YEAR}")
_COUNT = re.compile(rf"(?<![\d/.a-z-])(\d{{1,3}}|an?|un|{'|'.join(NUMBERS)}) ?{_UNIT}")
_BACK = re.compile(r"\b(?:back|home|returns?|returning|vuelve|vuelvo|volvera|regresa|regreso)\b")
_PAST = re.compile(r"\b(?:since|ago|already|desde|hace|ya)\b")
_A_SPAN = re.compile(rf"(?:\d{{1,3}} ?{_UNIT}|\d{{1,2}}(?:st|nd|rd|th)\b|\d{{1,2}} ?(?:of |de )?{_MONTH})")


def last_day(said: str, today: date, *, day_first: bool) -> date | None:
    """The last day that is named, from `today` on; None when there is none, or more than one.

    `day_first`: 5/12 is the fifth of December, as in Spanish. In English either may be meant.
    Ten days are today and nine more. Who is back on a day was away until the day before.
    """
    if _PAST.search(said):
        return None
    named = set(_named(said, today, day_first))
    if _BACK.search(said):
        named = {day - timedelta(days=1) for day in named}
    days = named | set(_counted(said, today))
    if len(days) != 1:
        return None
    (day,) = days
    return day if today <= day <= today + FARTHEST else None


def begins_with_a_span(said: str) -> bool:
    """Whether the number a message begins with is one of days, or of a date: "3 days", "2nd", "1 dec"."""
    return _A_SPAN.match(said) is not None


def _counted(said: str, today: date) -> Iterator[date]:
    for match in _COUNT.finditer(said):
        number = int(match[1]) if match[1].isdigit() else NUMBERS.get(match[1], 1)
        days = number * (7 if match[2][0] in "ws" else 1)
        yield today + timedelta(days=days - 1)


def _named(said: str, today: date, day_first: bool) -> Iterator[date]:
    for match in _ISO.finditer(said):
        yield from _day(int(match[3]), int(match[2]), match[1], today)
    for match in _SLASHED.finditer(said):
        first, second = int(match[1]), int(match[2])
        if day_first or first > 12 or first == second:
            yield from _day(first, second, match[3], today)
        elif second > 12:
            yield from _day(second, first, match[3], today)
    for match in _DAY_MONTH.finditer(said):
        yield from _day(int(match[1]), _MONTHS[match[2][:3]], match[3], today)
    for match in _MONTH_DAY.finditer(said):
        yield from _day(int(match[2]), _MONTHS[match[1][:3]], match[4], today)


def _day(day: int, month: int, year: str | None, today: date) -> Iterator[date]:
    try:
        if year is not None:
            yield date(int(year) + (2000 if len(year) == 2 else 0), month, day)
            return
        this = date(today.year, month, day)
        found = this if this >= today else date(today.year + 1, month, day)
    except ValueError:
        return  # a day that never was
    if found <= today + FARTHEST_UNSAID:
        yield found
