"""What a task for staff is about: typed facts, kept in its row; `service.words.sentences.tasks` says them.

Promises that whatever a task's sentence needs is in its facts, so that it reads the same
however the rest of the record changes later. A person's own words are kept as they wrote them.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

from service.domain import factjson
from service.domain.vocabulary import (
    CaregiverAnswer,
    Channel,
    MessageKind,
    SafetySign,
    SilenceCause,
    StepKind,
    TaskKind,
)


class Whose(StrEnum):
    """Whose contact it is."""

    PATIENT = "patient"
    CAREGIVER = "caregiver"
    STAFF = "staff"


@dataclass(frozen=True, slots=True)
class LongSilence:
    """A silence has lasted as long as the clinic is willing to wait."""

    missed: int  # planned days in a row
    cause: SilenceCause
    silence: uuid.UUID


@dataclass(frozen=True, slots=True)
class NobodyToReach:
    """Somebody who should be asked cannot be reached at all."""

    whose: Whose
    step: StepKind
    window: uuid.UUID


@dataclass(frozen=True, slots=True)
class SafetyAnswered:
    """A check-in holds signs of an emergency."""

    checkin: uuid.UUID
    day: date
    signs: tuple[SafetySign, ...]
    told_to_call: str = ""  # the emergency number they were told at once; empty where nobody told them


@dataclass(frozen=True, slots=True)
class AlarmWritten:
    """A message that may be an emergency, in the person's own words."""

    inbound: str
    words: str
    told_to_call: str
    caregiver: str = ""  # who wrote it; empty for the patient


@dataclass(frozen=True, slots=True)
class LimitPassed:
    """A reading beyond a limit that was typed in, mmHg."""

    reading: uuid.UUID
    day: date
    pa_diastolic: float
    up: bool
    limit: float
    set_on: date


@dataclass(frozen=True, slots=True)
class CaregiverSaid:
    """A caregiver's answer to a nudge, and the pause it made or took back."""

    reply: uuid.UUID
    caregiver: str
    answer: CaregiverAnswer
    relation: str = ""
    paused_from: date | None = None
    paused_to: date | None = None  # None beside a first day: until told otherwise
    takes_back: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class CaregiverWrote:
    """A caregiver's words that no machine reads."""

    inbound: str
    caregiver: str
    words: str


@dataclass(frozen=True, slots=True)
class StaffStopped:
    """A member of staff wants no more notices on a telephone."""

    contact: uuid.UUID
    name: str
    is_last: bool = False  # nobody at the clinic is reached by a message now


@dataclass(frozen=True, slots=True)
class WordingFailed:
    """A message could not be written out."""

    message: uuid.UUID
    kind: MessageKind


@dataclass(frozen=True, slots=True)
class ChannelMissing:
    """The contact may be right, but this service cannot send that way."""

    contact: uuid.UUID
    whose: Whose
    channel: Channel


@dataclass(frozen=True, slots=True)
class ContactBroke:
    """The provider says that this address will never work."""

    contact: uuid.UUID
    whose: Whose
    channel: Channel


@dataclass(frozen=True, slots=True)
class HandOverUnknown:
    """Messages were being handed over when the service stopped."""

    messages: tuple[uuid.UUID, ...]


TaskFacts = (
    LongSilence
    | NobodyToReach
    | SafetyAnswered
    | AlarmWritten
    | LimitPassed
    | CaregiverSaid
    | CaregiverWrote
    | StaffStopped
    | WordingFailed
    | ChannelMissing
    | ContactBroke
    | HandOverUnknown
)

_KINDS: Mapping[type, TaskKind] = {
    LongSilence: TaskKind.SILENT,
    NobodyToReach: TaskKind.NO_CONTACT,
    SafetyAnswered: TaskKind.SAFETY_ANSWER,
    AlarmWritten: TaskKind.SAFETY_ANSWER,
    CaregiverSaid: TaskKind.CAREGIVER_SAYS,
    CaregiverWrote: TaskKind.CAREGIVER_SAYS,
    StaffStopped: TaskKind.BROKEN_CONTACT,
    WordingFailed: TaskKind.BROKEN_CONTACT,
    ChannelMissing: TaskKind.BROKEN_CONTACT,
    ContactBroke: TaskKind.BROKEN_CONTACT,
    HandOverUnknown: TaskKind.MESSAGE_UNCERTAIN,
}


def kind_of(facts: TaskFacts) -> TaskKind:
    """The kind of task that these facts ask for."""
    if isinstance(facts, LimitPassed):
        return TaskKind.ABOVE_LIMIT if facts.up else TaskKind.BELOW_LIMIT
    return _KINDS[type(facts)]


def as_json(facts: TaskFacts) -> dict[str, Any]:
    """The facts as a row keeps them, with the name of what they are."""
    return factjson.pack(facts, TaskFacts)


def from_json(stored: Mapping[str, Any]) -> TaskFacts:
    """The facts of a row. Raises KeyError, TypeError or ValueError for anything that `as_json` did not make."""
    facts: TaskFacts = factjson.unpack(TaskFacts, stored)
    return facts
