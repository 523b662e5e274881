"""Long lists in slices that one query's list can hold: well under every database's limit on parameters."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypeVar

T = TypeVar("T")
SLICE = 500


def slices(items: Sequence[T], size: int = SLICE) -> Iterator[Sequence[T]]:
    """`items` in order, at most `size` at a time; nothing for none."""
    for start in range(0, len(items), size):
        yield items[start : start + size]
