"""The one way this service says no to input, and what several doors check alike: text, numbers, dates, addresses.

Each check returns the value as it will be kept, or raises Refused naming the field, what it held and what
is accepted.

Telephone numbers must be possible, not valid: new ranges reach telephones before they reach a
library's tables.
"""

from __future__ import annotations

import math
import re
from datetime import date
from urllib.parse import urlsplit

# ITU-T E.164, section 6: a country code and at most 15 digits in all.
NUMBER = re.compile(r"\+[1-9][0-9]{6,14}")
LINE_NAME = re.compile(r"[a-z0-9][a-z0-9._-]{1,39}")
# RFC 5322, section 3.2.3, atoms and dots, and letters beyond ASCII (RFC 6532): none of the signs by which one line of
# addresses is several.
MAILBOX = re.compile(r"[\w!#$%&'*+/=?^`{|}~.-]{1,64}@[\w.-]{1,189}")
LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})
_UNSTORABLE = re.compile("[\x00\ud800-\udfff]")
# Unicode Standard Annex 9, section 2: what turns the direction of writing until it is taken back. A name that holds one
# is shown otherwise than it was typed, and so is what stands after it. Unicode 15, table 4-9: line and paragraph ends.
_TURNS = re.compile("[\u202a-\u202e\u2066-\u2069\x7f-\x9f\u2028\u2029]")
_STANDS_FOR_NOTHING = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")


class NotHere(LookupError):
    """What was asked for is not there, or not the asker's: never a name that is missing within what is there."""


class Refused(Exception):
    """Input that cannot be taken in: which field, what it held, what is accepted.

    `value` is repeated to the person who sent it, never logged. `line` is the
    line of a file, counted from 1, when the input came from one. Numbers and dates in
    what is accepted stand in `bounds`, for its `%(name)s`, so that it can be said in
    any language: `message` is it with the places, `accepted` is it in English.
    """

    def __init__(self, field: str, value: object, accepted: str, line: int | None = None, **bounds: object) -> None:
        self.field = field
        self.value = value
        self.message = accepted
        self.bounds = bounds
        self.accepted = accepted % {name: _plain(bound) for name, bound in bounds.items()} if bounds else accepted
        self.line = line
        super().__init__(field, value, self.accepted, line)

    def __str__(self) -> str:
        where = f"line {self.line}: " if self.line is not None else ""
        return f"{where}{self.field} was {self.value!r}; accepted: {self.accepted}"

    def at_line(self, line: int) -> Refused:
        """The same refusal, placed on a line of a file."""
        return type(self)(self.field, self.value, self.message, line, **self.bounds)

    def of_field(self, field: str) -> Refused:
        """The same refusal, of a field that has another name there."""
        return type(self)(field, self.value, self.message, self.line, **self.bounds)


class Clashes(Refused):
    """Input that could be true, and cannot stand beside what is kept already: look at that first."""


def _plain(bound: object) -> str:
    if isinstance(bound, tuple):
        return ", ".join(map(_plain, bound))
    return f"{bound:g}" if isinstance(bound, float) else str(bound)


def is_storable(text: str) -> bool:
    """Whether a database can keep `text` or look for it: PostgreSQL has no NUL, neither has half a surrogate pair."""
    return _UNSTORABLE.search(text) is None


def storable(text: str) -> str:
    """`text` as it can be kept and shown, for what others wrote and cannot mend.

    A blank stands for each character that no database keeps, and for control characters other than
    tabs and ends of lines.
    """
    return _STANDS_FOR_NOTHING.sub(" ", text)


def checked_url(field: str, url: str) -> str:
    """`url` itself. Raises Refused unless it is https, or http on this machine."""
    try:
        parts = urlsplit(url)
        port_is_read = parts.port  # raises ValueError where it is no number
    except ValueError:
        raise Refused(field, url, "an https:// address, or http:// on this machine") from None
    plain_is_fine = parts.scheme == "http" and parts.hostname in LOOPBACK
    if not parts.hostname or parts.username or not (parts.scheme == "https" or plain_is_fine) or port_is_read == 0:
        raise Refused(field, url, "an https:// address, or http:// on this machine")
    return url


def text(field: str, given: object, *, longest: int, shortest: int = 1) -> str:
    """A line of text without control characters and without marks that turn the direction of writing, trimmed."""
    least, most = shortest, longest
    if not isinstance(given, str):
        raise Refused(field, given, "text of %(least)s to %(most)s characters", least=least, most=most)
    kept = given.strip()
    if not shortest <= len(kept) <= longest or any(ord(sign) < 32 for sign in kept):
        raise Refused(field, given, "text of %(least)s to %(most)s characters, on one line", least=least, most=most)
    if _TURNS.search(kept):
        raise Refused(field, given, "text without hidden marks that turn the direction of writing or end a line")
    return kept


def prose(field: str, given: str, *, longest: int) -> str:
    """Free text of any number of lines, or none, trimmed."""
    if len(given) > longest:
        raise Refused(field, f"{len(given)} characters", "at most %(most)s characters", most=longest)
    if not is_storable(given):
        raise Refused(field, "a character that cannot be kept", "text")
    return given.strip()


def number(field: str, given: object, least: float, most: float, unit: str = "") -> float:
    """A finite number in a range, ends included."""
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise not_within(field, given, least, most, unit)
    if not math.isfinite(given) or not least <= given <= most:
        raise not_within(field, given, least, most, unit)
    return float(given)


def not_within(field: str, given: object, least: float, most: float, unit: str = "") -> Refused:
    """The refusal of a number that is not in its range."""
    low, high = float(least), float(most)
    if not unit:
        return Refused(field, given, "a number from %(least)s to %(most)s", least=low, most=high)
    return Refused(field, given, "a number from %(least)s to %(most)s %(unit)s", least=low, most=high, unit=unit)


def whole(field: str, given: object, least: int, most: int) -> int:
    """A whole number in a range, ends included."""
    if isinstance(given, bool) or not isinstance(given, int) or not least <= given <= most:
        raise Refused(field, given, "a whole number from %(least)s to %(most)s", least=least, most=most)
    return given


def yes_no(field: str, given: object) -> bool:
    """Raises Refused."""
    if not isinstance(given, bool):
        raise Refused(field, given, "true or false")
    return given


def mailbox(field: str, given: object) -> str:
    """An e-mail address, in lower case. The shape is checked, not whether it exists."""
    if not isinstance(given, str) or not MAILBOX.fullmatch(given.strip()):
        raise Refused(field, given, "an e-mail address such as nurse@clinic.example")
    return given.strip().lower()


def dialled(given: str) -> str:
    """A telephone number as it is kept, `+` and digits, from one that was written in any way."""
    digits = re.sub(r"[^0-9+]", "", given)
    return f"+{digits[2:]}" if digits.startswith("00") else digits


def line(field: str, given: object) -> str:
    """What people write to: a telephone number, or a short code or a gateway's own name of one, in small letters."""
    kept = given.strip().lower() if isinstance(given, str) else ""
    if NUMBER.fullmatch(number := dialled(kept)) and not re.search(r"[a-z]", kept):
        return number
    if not LINE_NAME.fullmatch(kept):
        raise Refused(
            field,
            given,
            "a number with its country code, a short code, or the gateway's name of one: letters, digits, . _ -",
        )
    return kept


def date_span(field: str, first: date, last: date | None, longest_days: int) -> None:
    """Dates in order and not absurdly far apart."""
    if last is not None and not 0 <= (last - first).days <= longest_days:
        raise Refused(
            field,
            last.isoformat(),
            "a date from %(first)s, at most %(days)s days later",
            first=first,
            days=longest_days,
        )
