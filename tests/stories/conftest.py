"""Stories are told in a world."""

from tests.world import world

__all__ = ["world"]
