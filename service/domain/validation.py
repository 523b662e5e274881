"""The one way this service says no to input, and the one to make text storable that must not be refused."""

from __future__ import annotations

import re

_UNSTORABLE = re.compile("[\x00\ud800-\udfff]")


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
    """`text` with a blank for each character that no database can keep: for what others wrote and cannot mend."""
    return _UNSTORABLE.sub(" ", text)
