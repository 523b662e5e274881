"""The worlds that things go wrong in."""

from tests.post import post
from tests.world import world

__all__ = ["post", "world"]
