"""What a task for staff is about: typed facts, kept in its row; `service.words.sentences.tasks` says them.

Promises that whatever a task's sentence needs is in its facts, so that it reads the same
however the rest of the record changes later. A person's own words are kept as they wrote them.

When staff are told of an open task, and when it escalates: what may be an emergency is told at
once, an unanswered task steps up to somebody else, and nothing but a possible emergency is
told for ever. A silence that staff closed is told again while it lasts. The intervals
are this service's own; no source prescribes them.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

from service.domain import factjson
from service.domain.localtime import first_instant, local_date
from service.domain.record.limits import ResultBeyond
from service.domain.record.now import Aim, ChemistryDue, Contacting
from service.domain.signals.facts import Episode, PictureFacts, ReferenceProposal
from service.domain.vocabulary import (
    CaregiverAnswer,
    Channel,
    MessageKind,
    SafetySign,
    SilenceCause,
    StepKind,
    TaskKind,
    Urgency,
    WeightDoubt,
)

LONGEST_QUOTE = 300  # of a person's own words


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
    first: date  # the first of them
    again: bool = False  # staff closed a task of it before


@dataclass(frozen=True, slots=True)
class NobodyToReach:
    """Somebody who should be asked cannot be reached at all."""

    whose: Whose
    step: StepKind
    window: uuid.UUID


@dataclass(frozen=True, slots=True)
class SafetyAnswered:
    """A check-in holds signs of an emergency, or one that alone is for the same day."""

    checkin: uuid.UUID
    day: date
    signs: tuple[SafetySign, ...]
    told_to_call: str = ""  # the number they were told at once; empty where nobody told them
    urgency: Urgency = Urgency.EMERGENCY  # of all the signs of that day together


@dataclass(frozen=True, slots=True)
class WeightDoubted:
    """A weight that nobody has said is right, kept as it was given and compared with nothing. kg but for `given`."""

    checkin: uuid.UUID
    day: date
    given: float
    unit: str  # UCUM, as it was given
    doubt: WeightDoubt
    last_kg: float
    other_kg: float  # the same figure in the other unit


@dataclass(frozen=True, slots=True)
class AlarmWritten:
    """A message that may be an emergency, in the person's own words."""

    inbound: str
    words: str
    told_to_call: str
    caregiver: str = ""  # who wrote it; empty for the patient


@dataclass(frozen=True, slots=True)
class AlarmInDoubt:
    """A message that may be an emergency, from a number that several clinics have: nobody knows yet whose it is.

    Without its words: they may be another clinic's patient's.
    """

    inbound: str
    whose: Whose
    told_to_call: str


@dataclass(frozen=True, slots=True)
class AlarmOfStaff:
    """A message that may be an emergency, from the telephone of a member of staff."""

    inbound: str
    name: str
    words: str
    told_to_call: str


@dataclass(frozen=True, slots=True)
class CallUntold:
    """The text that says whom to call, in answer to what somebody wrote, was not sent; or nobody knows."""

    message: uuid.UUID
    number: str
    is_known: bool


@dataclass(frozen=True, slots=True)
class WordsUnsent:
    """What staff wrote to a patient by hand did not leave, and can no longer."""

    message: uuid.UUID
    words: str


@dataclass(frozen=True, slots=True)
class ConsentDoubted:
    """A consent is not found as it was written: whether its person agrees is not known, and nothing is sent."""

    consent: uuid.UUID
    whose: Whose


@dataclass(frozen=True, slots=True)
class StrangerWrote:
    """A text came from a number that nobody here has. Number and words are on the page of the task, for a time."""

    inbound: str
    alarms: bool  # it may be an emergency
    told_to_call: str = ""
    several: bool = False  # it may have been meant for another clinic


@dataclass(frozen=True, slots=True)
class StrangersFlood:
    """More texts from unknown numbers came in an hour than are told one by one."""

    alarms: bool


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
class PatientWrote:
    """A patient's words that no machine reads, texted when nothing was asked; the diary's note of that day has all."""

    inbound: str
    day: date
    words: str


@dataclass(frozen=True, slots=True)
class StaffStopped:
    """A member of staff wants no more notices on a telephone."""

    contact: uuid.UUID
    name: str
    is_last: bool = False  # nobody at the clinic is reached by a message now


@dataclass(frozen=True, slots=True)
class StartTexted:
    """Somebody wants messages, and their agreement on record is none, or ended otherwise than by a text."""

    contact: uuid.UUID
    whose: Whose


@dataclass(frozen=True, slots=True)
class NumberToCheck:
    """A telephone number may not be, or not only, this person's."""

    contact: uuid.UUID
    whose: Whose
    unplaced: bool = False  # a text came from it, and nobody said whom it was for


@dataclass(frozen=True, slots=True)
class PhoneUntold:
    """A phone for notices took another's place by a link, and its person has no other way on which to be told."""

    contact: uuid.UUID
    whose: Whose


@dataclass(frozen=True, slots=True)
class WordingFailed:
    """A message could not be written out."""

    message: uuid.UUID
    kind: MessageKind


@dataclass(frozen=True, slots=True)
class ChannelMissing:
    """The contacts may be right, but this service cannot send that way: to nobody of the clinic."""

    channel: Channel


@dataclass(frozen=True, slots=True)
class ContactBroke:
    """The provider says that this address will never work."""

    contact: uuid.UUID
    whose: Whose
    channel: Channel


@dataclass(frozen=True, slots=True)
class HandOverUnknown:
    """The hand-over of messages was cut off when the service stopped, or never answered."""

    messages: tuple[uuid.UUID, ...]


@dataclass(frozen=True, slots=True)
class EmergencyOpened:
    """Somebody opened emergency access with a code on paper, with the name and the reason they gave."""

    access: uuid.UUID
    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class ReferenceProposed:
    """A settled fortnight that may be the reference."""

    proposal: ReferenceProposal


@dataclass(frozen=True, slots=True)
class EnteredCallToday:
    """Somebody came to stand in *Call today* on `day` (the clinic's date), for these reasons."""

    day: date
    because: tuple[PictureFacts | Episode, ...]


@dataclass(frozen=True, slots=True)
class ContactDue:
    """The next contact that was agreed on is due, or its day has passed."""

    contact: Contacting
    is_overdue: bool = False


@dataclass(frozen=True, slots=True)
class ChemistryWanted:
    """Chemistry is due after a change, and neither a result nor a reason has come."""

    due: ChemistryDue


@dataclass(frozen=True, slots=True)
class GoalOver:
    """The last date of a goal has passed, and no newer one was set."""

    aim: Aim


@dataclass(frozen=True, slots=True)
class TransferAsked:
    """Another clinic asks this one to take a patient over, who has agreed. Who, is on its page alone."""

    transfer: uuid.UUID
    clinic: str


@dataclass(frozen=True, slots=True)
class TransferAnswered:
    """The other clinic took the patient over, or declined."""

    transfer: uuid.UUID
    clinic: str
    name: str
    accepted: bool
    reason: str = ""


@dataclass(frozen=True, slots=True)
class TakenOver:
    """A patient came from another clinic with all that is recorded. What its clinicians decided counts on."""

    transfer: uuid.UUID
    clinic: str
    day: date
    decided: bool  # a limit, a goal, a reference or an acceptance came along


class InvitedOutcome(StrEnum):
    """What became of an invitation, where somebody of the clinic should know."""

    ANSWERED = "answered"
    DECLINED = "declined"
    NO_ANSWER = "no_answer"  # it ran out
    NOT_SENT = "not_sent"  # the text with its link did not leave
    LOCKED = "locked"


@dataclass(frozen=True, slots=True)
class InvitationTold:
    """Somebody who was invited, by the name that staff wrote, and what became of it."""

    invitation: uuid.UUID
    name: str
    outcome: InvitedOutcome


class Found(StrEnum):
    """What the nightly check can find broken."""

    SILENCE_UNTOLD = "silence_untold"
    SAFETY_UNTOLD = "safety_untold"
    WRONG_END = "wrong_end"
    NOT_ON_REVIEW = "not_on_review"
    CALL_UNTOLD = "call_untold"
    RECORD_ALTERED = "record_altered"  # of a clinic's sealed records, not of one patient
    TRAIL_ALTERED = "trail_altered"


@dataclass(frozen=True, slots=True)
class CheckFound:
    """What the nightly check, working it out from what was recorded, found otherwise than it must be."""

    found: Found
    day: date


TaskFacts = (
    LongSilence
    | NobodyToReach
    | SafetyAnswered
    | WeightDoubted
    | AlarmWritten
    | AlarmInDoubt
    | AlarmOfStaff
    | CallUntold
    | WordsUnsent
    | ConsentDoubted
    | StrangerWrote
    | StrangersFlood
    | LimitPassed
    | CaregiverSaid
    | CaregiverWrote
    | PatientWrote
    | StaffStopped
    | StartTexted
    | NumberToCheck
    | PhoneUntold
    | WordingFailed
    | ChannelMissing
    | ContactBroke
    | HandOverUnknown
    | EmergencyOpened
    | ReferenceProposed
    | EnteredCallToday
    | CheckFound
    | ContactDue
    | ChemistryWanted
    | GoalOver
    | InvitationTold
    | ResultBeyond
    | TransferAsked
    | TransferAnswered
    | TakenOver
)

_KINDS: Mapping[type, TaskKind] = {
    LongSilence: TaskKind.SILENT,
    NobodyToReach: TaskKind.NO_CONTACT,
    AlarmWritten: TaskKind.SAFETY_ANSWER,
    AlarmInDoubt: TaskKind.SAFETY_ANSWER,
    AlarmOfStaff: TaskKind.SAFETY_ANSWER,
    CallUntold: TaskKind.SAFETY_ANSWER,
    WordsUnsent: TaskKind.NOT_SENT,
    ConsentDoubted: TaskKind.NO_CONTACT,
    WeightDoubted: TaskKind.WEIGHT_DOUBT,
    CaregiverSaid: TaskKind.CAREGIVER_SAYS,
    CaregiverWrote: TaskKind.CAREGIVER_SAYS,
    PatientWrote: TaskKind.PATIENT_SAYS,
    StaffStopped: TaskKind.BROKEN_CONTACT,
    StartTexted: TaskKind.NO_CONTACT,
    NumberToCheck: TaskKind.CHECK_NUMBER,
    PhoneUntold: TaskKind.CHECK_NUMBER,
    WordingFailed: TaskKind.BROKEN_CONTACT,
    ChannelMissing: TaskKind.NO_WAY_OUT,
    ContactBroke: TaskKind.BROKEN_CONTACT,
    HandOverUnknown: TaskKind.MESSAGE_UNCERTAIN,
    EmergencyOpened: TaskKind.EMERGENCY_ACCESS,
    ReferenceProposed: TaskKind.REFERENCE_PROPOSAL,
    EnteredCallToday: TaskKind.CALL_TODAY,
    ContactDue: TaskKind.NEXT_CONTACT,
    ChemistryWanted: TaskKind.CHEMISTRY_DUE,
    GoalOver: TaskKind.GOAL_OVER,
    InvitationTold: TaskKind.INVITATION,
    ResultBeyond: TaskKind.RESULT_LIMIT,
    TransferAsked: TaskKind.TRANSFER,
    TransferAnswered: TaskKind.TRANSFER,
    TakenOver: TaskKind.TRANSFER,
}


# What should have been told is told as what it is, and so at its hours.
_FOUND = {
    Found.SILENCE_UNTOLD: TaskKind.SILENT,
    Found.SAFETY_UNTOLD: TaskKind.SAFETY_ANSWER,
    Found.CALL_UNTOLD: TaskKind.CALL_TODAY,
}


def kind_of(facts: TaskFacts) -> TaskKind:
    """The kind of task that these facts ask for."""
    if isinstance(facts, LimitPassed):
        return TaskKind.ABOVE_LIMIT if facts.up else TaskKind.BELOW_LIMIT
    if isinstance(facts, SafetyAnswered):
        return TaskKind.SAFETY_ANSWER if facts.urgency is Urgency.EMERGENCY else TaskKind.SAME_DAY
    if isinstance(facts, StrangerWrote | StrangersFlood):
        return TaskKind.SAFETY_ANSWER if facts.alarms else TaskKind.CHECK_NUMBER
    if isinstance(facts, CheckFound):
        return _FOUND.get(facts.found, TaskKind.CHECK_FOUND)
    return _KINDS[type(facts)]


def as_json(facts: TaskFacts) -> dict[str, Any]:
    """The facts as a row keeps them, with the name of what they are."""
    return factjson.pack(facts, TaskFacts)


def from_json(stored: Mapping[str, Any]) -> TaskFacts:
    """The facts of a row. Raises KeyError, TypeError or ValueError for anything that `as_json` did not make."""
    facts: TaskFacts = factjson.unpack(TaskFacts, stored)
    return facts


# --- escalation ------------------------------------------------------------------------

AT_ONCE = timedelta(0)
A_DAY = timedelta(days=1)

# How long a task may wait in the inbox before somebody is sent a message about it.
FIRST: dict[TaskKind, timedelta | None] = {
    TaskKind.SAFETY_ANSWER: AT_ONCE,
    TaskKind.SAME_DAY: AT_ONCE,
    TaskKind.CALL_TODAY: AT_ONCE,
    TaskKind.ABOVE_LIMIT: AT_ONCE,
    TaskKind.BELOW_LIMIT: AT_ONCE,
    TaskKind.NO_WAY_OUT: AT_ONCE,
    TaskKind.EMERGENCY_ACCESS: AT_ONCE,
    TaskKind.CAREGIVER_SAYS: A_DAY,
    TaskKind.PATIENT_SAYS: A_DAY,
    TaskKind.WEIGHT_DOUBT: A_DAY,
    TaskKind.SILENT: A_DAY,
    TaskKind.NO_CONTACT: A_DAY,
    TaskKind.BROKEN_CONTACT: A_DAY,
    TaskKind.CHECK_NUMBER: A_DAY,
    TaskKind.MESSAGE_UNCERTAIN: A_DAY,
    TaskKind.NOT_SENT: A_DAY,
    TaskKind.CHECK_FOUND: AT_ONCE,
    TaskKind.NEXT_CONTACT: A_DAY,
    TaskKind.CHEMISTRY_DUE: A_DAY,
    TaskKind.GOAL_OVER: None,
    TaskKind.INVITATION: A_DAY,
    TaskKind.RESULT_LIMIT: AT_ONCE,
    TaskKind.TRANSFER: A_DAY,
    TaskKind.FOLLOW_UP: None,  # the panel shows it; no message
    TaskKind.REFERENCE_PROPOSAL: None,
}
# Told whatever the hour, and round and round until somebody takes it: quiet hours and a last
# one to be told are there for what can wait until the morning.
AT_ANY_HOUR = frozenset({TaskKind.SAFETY_ANSWER})
# How long the one told has before the next is told.
NEXT: dict[TaskKind, timedelta] = {
    TaskKind.SAFETY_ANSWER: timedelta(minutes=30),
    TaskKind.SAME_DAY: timedelta(hours=2),
    TaskKind.CALL_TODAY: timedelta(hours=2),
    TaskKind.ABOVE_LIMIT: timedelta(hours=2),
    TaskKind.BELOW_LIMIT: timedelta(hours=2),
    TaskKind.RESULT_LIMIT: timedelta(hours=2),
}
# Who was told of one task so often without taking it is left so long before the next time, and is told for ever: a
# telephone that rings forty-eight times a day is muted, and the next alarm with it.
OFTEN, REST = 4, timedelta(hours=2)
GOOD_FOR = timedelta(hours=12)  # a message about a task that is older than this misleads


def first_told_at(kind: TaskKind, raised_at: datetime) -> datetime | None:
    """When the first of staff is told of a task raised at `raised_at`; None is never."""
    wait = FIRST[kind]
    return None if wait is None else raised_at + wait


def next_told_at(kind: TaskKind, told_at: datetime) -> datetime:
    """When the next of staff is told, if nobody has taken it by then."""
    return told_at + NEXT.get(kind, A_DAY)


def told_again_at(kind: TaskKind, now: datetime, times: int, last: datetime) -> datetime:
    """When somebody who was told of it before is told again, if nobody has taken it: `times` so far, at `last` last."""
    soon = next_told_at(kind, now)
    return soon if times < OFTEN else max(soon, last + REST)


def again_at(closed_at: datetime, days: int, promised: date | None, at: time, zone: ZoneInfo) -> datetime:
    """When a silence that is closed now is told again: at `at` on the promised date, or so many days later."""
    return first_instant(promised or local_date(closed_at, zone) + timedelta(days=days), at, zone)


def next_digest(now: datetime, at: time, zone: ZoneInfo) -> datetime:
    """The next instant after `now` at which clocks in `zone` show `at`: one digest for every local date."""
    today = local_date(now, zone)
    for ahead in range(3):  # a date that was never lived, or whose hour is past, is passed over
        instant = first_instant(today + timedelta(days=ahead), at, zone)
        if instant > now:
            return instant
    raise AssertionError(f"no {at} within three days of {now} in {zone}")
