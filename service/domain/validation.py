"""The one way this service says no to input, and what several doors check alike: text, and addresses to call."""

from __future__ import annotations

import re
from urllib.parse import urlsplit

LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})
_UNSTORABLE = re.compile("[\x00\ud800-\udfff]")
_STANDS_FOR_NOTHING = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")


class Refused(Exception):
    """Input that cannot be taken in: which field, what it held, what is accepted.

    `value` is repeated to the person who sent it, never logged. `line` is the
    line of a file, counted from 1, when the input came from one.
    """

    def __init__(self, field: str, value: object, accepted: str, line: int | None = None) -> None:
        self.field = field
        self.value = value
        self.accepted = accepted
        self.line = line
        super().__init__(field, value, accepted, line)

    def __str__(self) -> str:
        where = f"line {self.line}: " if self.line is not None else ""
        return f"{where}{self.field} was {self.value!r}; accepted: {self.accepted}"

    def at_line(self, line: int) -> Refused:
        """The same refusal, placed on a line of a file."""
        return Refused(self.field, self.value, self.accepted, line)


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
    accepted = "an https:// address, or http:// on this machine"
    try:
        parts = urlsplit(url)
        port_is_read = parts.port  # raises ValueError where it is no number
    except ValueError:
        raise Refused(field, url, accepted) from None
    plain_is_fine = parts.scheme == "http" and parts.hostname in LOOPBACK
    if not parts.hostname or parts.username or not (parts.scheme == "https" or plain_is_fine) or port_is_read == 0:
        raise Refused(field, url, accepted)
    return url
