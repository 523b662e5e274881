"""What is known when a follow-up step falls due."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from service.domain.vocabulary import SilenceCause, StepKind
from service.domain.windows import WindowFacts

TO_PATIENT = (StepKind.PROMPT, StepKind.REMINDER)


@dataclass(frozen=True)
class DueStep:
    """One step whose time has come, with what is known of its window, patient and clinic."""

    id: uuid.UUID
    kind: StepKind
    position: int
    due_at: datetime
    clinic_id: uuid.UUID
    patient_id: uuid.UUID
    window_id: uuid.UUID
    local_date: date
    closes_at: datetime
    window: WindowFacts
    later_is_due: bool
    silent_days: int
    quiet: timedelta  # how long the clinic's quiet hours last


@dataclass(frozen=True)
class OpenSilence:
    """A silence that has not ended, as far as steps need it."""

    id: uuid.UUID
    missed: int
    cause: SilenceCause
    nudges: int  # since a caregiver last answered


def quiet_length(quiet_from: time, quiet_until: time) -> timedelta:
    """How long quiet hours last from one wall time to the other; they may span midnight."""
    minutes = (quiet_until.hour - quiet_from.hour) * 60 + quiet_until.minute - quiet_from.minute
    return timedelta(minutes=minutes % (24 * 60))
