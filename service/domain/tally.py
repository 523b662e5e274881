"""What one pass over due rows came to."""

from __future__ import annotations

from dataclasses import asdict, dataclass


@dataclass(frozen=True)
class Tally:
    """Rows done, rows passed over with a named reason, and rows parked because their handling failed."""

    done: int = 0
    passed: int = 0
    parked: int = 0

    @property
    def seen(self) -> int:
        return self.done + self.passed + self.parked

    def __add__(self, other: Tally) -> Tally:
        return Tally(self.done + other.done, self.passed + other.passed, self.parked + other.parked)

    def as_dict(self) -> dict[str, int]:
        return asdict(self)
