"""One thing that was looked at, and what was seen."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True)
class Finding:
    """`name` is stable, for machines; `sentence` is for people; `value` is a number (seconds or a count) or null."""

    name: str
    ok: bool
    sentence: str
    value: float | None = None

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


def counted(name: str, number: int, none: str, one: str, many: str) -> Finding:
    """A finding that is well when there are none. `many` has a {number} in it."""
    sentence = none if number == 0 else one if number == 1 else many.format(number=number)
    return Finding(name, number == 0, sentence, number)


def lasted(seconds: float) -> str:
    """A length of time in the largest unit that says it well."""
    for unit, length in (("day", 86400), ("hour", 3600), ("minute", 60)):
        if seconds >= 2 * length:
            return f"{seconds / length:.0f} {unit}s"
    return f"{seconds:.0f} seconds"
