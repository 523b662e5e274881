"""Checks that many fields share: text, numbers, languages, dates.

Each returns the value as it will be kept, or raises Refused naming the field,
what it held and what is accepted.

Telephone numbers must be possible, not valid: new ranges reach telephones before they reach a
library's tables.
"""

from __future__ import annotations

import math
import re
from datetime import date

from service.domain.validation import Refused

MAILBOX = re.compile(r"[^@\s\x00-\x1f]{1,64}@[^@\s\x00-\x1f]{1,189}")


def text(field: str, given: object, *, longest: int, shortest: int = 1) -> str:
    """A line of text without control characters, trimmed."""
    accepted = f"text of {shortest} to {longest} characters"
    if not isinstance(given, str):
        raise Refused(field, given, accepted)
    kept = given.strip()
    if not shortest <= len(kept) <= longest or any(ord(sign) < 32 for sign in kept):
        raise Refused(field, given, f"{accepted}, on one line")
    return kept


def number(field: str, given: object, least: float, most: float, unit: str = "") -> float:
    """A finite number in a range, ends included."""
    accepted = f"a number from {least:g} to {most:g} {unit}".rstrip()
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise Refused(field, given, accepted)
    if not math.isfinite(given) or not least <= given <= most:
        raise Refused(field, given, accepted)
    return float(given)


def whole(field: str, given: object, least: int, most: int) -> int:
    """A whole number in a range, ends included."""
    if isinstance(given, bool) or not isinstance(given, int) or not least <= given <= most:
        raise Refused(field, given, f"a whole number from {least} to {most}")
    return given


def mailbox(field: str, given: object) -> str:
    """An e-mail address, in lower case. The shape is checked, not whether it exists."""
    if not isinstance(given, str) or not MAILBOX.fullmatch(given.strip()):
        raise Refused(field, given, "an e-mail address such as nurse@clinic.example")
    return given.strip().lower()


def date_span(field: str, first: date, last: date | None, longest_days: int) -> None:
    """Dates in order and not absurdly far apart."""
    if last is not None and not 0 <= (last - first).days <= longest_days:
        raise Refused(field, last.isoformat(), f"a date from {first.isoformat()}, at most {longest_days} days later")
