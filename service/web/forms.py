"""The fields of the form that was sent, and the page of a list, read one way by every page.

Each reader returns what the field holds, or raises Refused naming the field and what is accepted; a
field that only the page itself fills (an id) is not found instead.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Callable
from datetime import date, datetime, time
from enum import StrEnum
from typing import TypeVar
from zoneinfo import ZoneInfo

from flask import abort, request

from service.domain import localtime
from service.domain.validation import Refused

Word = TypeVar("Word", bound=StrEnum)
Value = TypeVar("Value")
WRITTEN = frozenset({"note", "reason", "what", "why", "body"})  # fields in which people write sentences


def text(name: str) -> str:
    """What was typed, as it is; empty where the form has no such field."""
    return request.form.get(name, "")


def word(vocabulary: type[Word], name: str) -> Word:
    """One word of a vocabulary."""
    return _read(text(name), vocabulary, Refused(name, text(name), "one of the list"))


def day(name: str) -> date | None:
    """A date; None for an empty field."""
    given = text(name).strip()
    return _read(given, date.fromisoformat, Refused(name, given, "a date such as 2026-11-25")) if given else None


def hour(name: str) -> time:
    """A local time."""
    return _read(text(name), time.fromisoformat, Refused(name, text(name), "a local time, such as 07:30"))


def pressure(name: str) -> float | None:
    """mmHg; None for an empty field. Whether it can be one is for whoever keeps it to say."""
    given = text(name).strip()
    return _read(given, float, Refused(name, given, "a pressure in mmHg")) if given else None


def number(name: str) -> float | int | None:
    """A number, with a point or a comma; a whole one as such. None for an empty field."""
    given = text(name).strip().replace(",", ".")
    value = _read(given, _finite, Refused(name, given, "a number")) if given else None
    return int(value) if value is not None and value.is_integer() else value


def instant(name: str, zone: ZoneInfo) -> datetime | None:
    """A date and time on the clocks of `zone`; None for an empty field."""

    def read(given: str) -> datetime:
        local = datetime.fromisoformat(given)
        return localtime.first_instant(local.date(), local.time(), zone)

    given = text(name).strip()
    return _read(given, read, Refused(name, given, "a date and time")) if given else None


def row_id(name: str) -> uuid.UUID | None:
    """The id that the page put there; None where it put none. 404 for anything else."""
    given = text(name)
    try:
        return uuid.UUID(given) if given else None
    except ValueError:
        abort(404)


def _finite(given: str) -> float:
    value = float(given)
    if not math.isfinite(value):
        raise ValueError
    return value


def _read(given: str, read: Callable[[str], Value], otherwise: Refused) -> Value:
    try:
        return read(given)
    except (ValueError, OverflowError):  # overflow: a date before the year 1, or after 9999, in UTC
        raise otherwise from None
