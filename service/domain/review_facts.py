"""What the weekly review knows of a patient, and what it says of them.

Plain frozen values with their units; holds no rule. `None` always reads "not known".
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date

from service.domain.signals_facts import Picture
from service.domain.vocabulary import Lane, Outcome, PauseCause, Response, SignalKind, SilenceCause, TaskKind


@dataclass(frozen=True, slots=True)
class Raised:
    """A signal that holds now, or was raised and nobody has seen yet."""

    kind: SignalKind
    sentence: str
    since: date
    ended: bool = False  # no longer holds, but carried until somebody has seen it


@dataclass(frozen=True, slots=True)
class OpenTask:
    id: uuid.UUID
    kind: TaskKind
    sentence: str
    since: date


@dataclass(frozen=True, slots=True)
class Adherence:
    """Readings received of those expected; excused days are in neither number."""

    received: int
    expected: int
    excused: int = 0

    def __str__(self) -> str:
        return f"{self.received} of {self.expected}"


@dataclass(frozen=True, slots=True)
class SilenceNow:
    """The run of missed readings that has not ended."""

    first_day: date
    last_day: date
    missed: int
    cause: SilenceCause


@dataclass(frozen=True, slots=True)
class PauseNow:
    cause: PauseCause
    from_day: date
    to_day: date | None


@dataclass(frozen=True, slots=True)
class LastAdjustment:
    """The newest adjustment and what the pressures did after it."""

    made_on: date
    what: str
    response: Response | None = None
    response_sentence: str = ""
    follow_up_on: date | None = None  # None: nothing is due
    follow_up_what: str = ""


@dataclass(frozen=True, slots=True)
class LastReview:
    week: date
    signed_on: date
    outcome: Outcome
    next_look: date | None


@dataclass(frozen=True, slots=True)
class Standing:
    """What the review knows of one patient on `today` (the patient's own date). Pressures in mmHg."""

    patient_id: uuid.UUID
    name: str
    today: date
    enrolled_on: date
    has_plan: bool
    silent_days: int  # missed readings in a row after which this patient counts as silent
    picture: Picture | None = None  # pressure, diary and silence together, as domain.signals joins them
    picture_lane: Lane | None = None
    picture_sentence: str = ""
    size: float = 0.0  # of the break from baseline, mmHg, signed
    signals: tuple[Raised, ...] = ()
    tasks: tuple[OpenTask, ...] = ()
    adherence: Adherence = Adherence(0, 0)
    silence: SilenceNow | None = None
    pause: PauseNow | None = None
    last_reading_on: date | None = None
    last_diary_on: date | None = None
    level: float | None = None  # where the pressure is now, diastolic
    reference: float | None = None
    days_to_limit: float | None = None  # 0 when past it already
    adjustments: tuple[LastAdjustment, ...] = ()  # newest first; those with a follow-up due are all here
    last_review: LastReview | None = None  # of an earlier week
    trouble: bool = False  # this patient's data could not be worked out

    @property
    def silent_for(self) -> int:
        """Days without a reading although one was expected; 0 when not silent."""
        return self.silence.missed if self.silence else 0


@dataclass(frozen=True, slots=True)
class Why:
    """One reason, and the lane it calls for."""

    lane: Lane
    sentence: str
    urgent: bool = False  # a person may be in danger: before any arithmetic


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a patient is on the panel: the lane, the first reason, and the others in the same order."""

    patient_id: uuid.UUID
    lane: Lane
    why: str
    also: tuple[str, ...]
    order: tuple[float, ...]
