"""Who acts in a review: whoever is known by an id and belongs to a clinic."""

from __future__ import annotations

import uuid
from typing import Protocol


class Acting(Protocol):
    """A member of staff, as a row or as whoever is signed in."""

    @property
    def id(self) -> uuid.UUID: ...

    @property
    def clinic_id(self) -> uuid.UUID: ...
