"""An event as it comes in from elsewhere: whose, what, on which local dates. `recording.events` says what follows."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date

from service.domain.vocabulary import EventCause, EventKind


@dataclass(frozen=True, slots=True)
class NewEvent:
    """`patient` is our id or the clinic's reference; an admission without `to_date` goes on."""

    patient: uuid.UUID | str
    kind: EventKind
    from_date: date
    to_date: date | None = None
    cause: EventCause = EventCause.NOT_KNOWN
    note: str = ""
