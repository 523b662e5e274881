"""The worlds that use cases are tried in."""

from tests.post import post
from tests.ward import ward
from tests.world import world

__all__ = ["post", "ward", "world"]
