"""Frozen dataclasses that cost little to make: facts are made by the dozen for every patient and evening.

    from service.domain.frozen import dataclass      # then as ever: @dataclass(frozen=True, slots=True)

Promises `dataclasses.dataclass(frozen=True, slots=True)` to the type checker, which refuses every
assignment to a field anywhere in the tree, and equality and hash by value when run. What it leaves
out is the check at run time, for which Python's own `__init__` sets each field by a call: with it a
wide record costs four times as much to make.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

Kind = TypeVar("Kind")

if TYPE_CHECKING:
    from dataclasses import dataclass as dataclass
else:

    def dataclass(*, frozen: bool, slots: bool) -> Callable[[type[Kind]], type[Kind]]:
        """The decorator. `frozen` is for the type checker to see."""
        return dataclasses.dataclass(slots=slots, unsafe_hash=True)
