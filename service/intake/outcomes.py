"""What whoever sent something is told became of it."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date
from enum import StrEnum


class Outcome(StrEnum):
    """What became of something that was sent."""

    RECORDED = "recorded"
    DUPLICATE = "duplicate"  # it was there already; nothing was written


@dataclass(frozen=True, slots=True)
class Recorded:
    """The row that holds what was sent, and whether it was written now."""

    id: uuid.UUID
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class RecordedCheckin:
    """The row that holds a check-in, and what whoever sent it must be told."""

    id: uuid.UUID
    outcome: Outcome
    patient_id: uuid.UUID
    local_date: date
    safety: bool  # a sign of an emergency is in it: say at once to call the number
    emergency_number: str
    corrects: uuid.UUID | None  # the earlier check-in of that date
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RecordedReply:
    """The row that holds what a caregiver said, and the pause it made, if any."""

    id: uuid.UUID
    outcome: Outcome
    pause_id: uuid.UUID | None
    paused_from: date | None
    paused_to: date | None  # the last day; None is until told
