"""Days, counts and pressures as staff say them aloud.

Promises one spelling for each, so that a sentence on the panel, in a task and
in a signed record reads the same. English only: sentences for staff are kept
beside the facts they were made from, never parsed back.
"""

from __future__ import annotations

from datetime import date

MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def day(when: date) -> str:
    """`25 November`: the year is left out, since a review looks back weeks."""
    return f"{when.day} {MONTHS[when.month - 1]}"


def short_day(when: date) -> str:
    """`25 Nov`, where room is short."""
    return f"{when.day} {MONTHS[when.month - 1][:3]}"


def full_day(when: date) -> str:
    """`Wednesday 25 November 2026`, for records."""
    return f"{WEEKDAYS[when.weekday()]} {when.day} {MONTHS[when.month - 1]} {when.year}"


def count(number: int, thing: str, things: str | None = None) -> str:
    """`1 day`, `3 days`."""
    return f"{number} {thing if number == 1 else things or thing + 's'}"


def figure(value: float, places: int = 1) -> str:
    """`18.4`; `18` when there is nothing after the point; never `-0`."""
    rounded = round(value, places) + 0.0
    return f"{rounded:.{places}f}".rstrip("0").rstrip(".") if places else f"{rounded:.0f}"


def change(value: float, places: int = 1) -> str:
    """`+1.4`, `−0.8`, `0`: with a true minus sign."""
    text = figure(abs(value), places)
    if text == "0":
        return text
    return f"{'+' if value > 0 else '−'}{text}"


def listed(things: list[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    if len(things) < 2:
        return "".join(things)
    return f"{', '.join(things[:-1])} and {things[-1]}"


def sentence(text: str) -> str:
    """With a capital letter and a full stop."""
    text = text.strip()
    if not text:
        return text
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")
