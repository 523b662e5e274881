"""What came after a week's signature: what would have changed it, and what only reads differently.

A signature is kept with where the patient stood, by name: lane, reasons, episodes, open tasks. Promises
that what comes later counts as *since signed* only where it would have changed the lane or the
reason, by comparing those names and never a text or a figure; that an improvement does not count, and
going silent is none; and that whoever enters *Call today* is found, whatever was signed.
Computes no reason of its own: `domain.review` has placed the patient. The comparison's rules are
this service's own; no source prescribes them.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import date
from enum import StrEnum

from service.domain.days import Day, Paused
from service.domain.frozen import dataclass
from service.domain.review import (
    LANES,
    TO_DECIDE,
    BeingWorkedOut,
    FollowUpDue,
    HighAccepted,
    JustDischarged,
    Lacking,
    LookPlanned,
    NoOtherReason,
    NoReadingYet,
    NothingExpected,
    NotReached,
    OpenTask,
    PatientFacts,
    Placement,
    Reason,
    StillSilent,
    called_for,
)
from service.domain.signals.facts import Episode, Picture, PictureFacts, ResponseFacts
from service.domain.signals.picture import name_of
from service.domain.tasks import CheckFound
from service.domain.vocabulary import Lane, Pressure, SignalKind, TaskKind, WindowState


@dataclass(frozen=True, slots=True)
class Cause:
    """One reason by its name. `of` is its occurrence, where one name can stand for several things."""

    name: str
    lane: Lane
    urgent: bool = False
    of: str = ""
    began: date | None = None  # of a silence or a pause, whose first day may be corrected


@dataclass(frozen=True, slots=True)
class Raised:
    """A signal episode, by its kind and the newest day on which it was told."""

    kind: SignalKind
    on: date


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a patient stood on `on` (their own date), by name: what later evenings are compared with."""

    on: date
    lane: Lane
    causes: tuple[Cause, ...]
    raised: tuple[Raised, ...] = ()
    tasks: tuple[uuid.UUID, ...] = ()  # every open one that could be news
    reading_on: date | None = None  # of the newest, only to tell that more came
    diary_on: date | None = None


def standing_of(facts: PatientFacts, placed: Placement) -> Standing:
    """The names under which the patient stands where `placed` says."""
    return Standing(
        facts.known.today,
        placed.lane,
        tuple(dict.fromkeys(_cause(reason) for reason in placed.reasons)),
        tuple(Raised(signal.kind, signal.raised_on) for signal in facts.signals),
        tuple(sorted(task.id for task in facts.tasks if task.kind not in _NO_NEWS)),
        facts.known.last_reading_on,
        facts.known.last_diary_on,
    )


def since_signed(seen: Sequence[Standing], facts: PatientFacts, placed: Placement) -> tuple[Reason, ...]:
    """Of the present reasons, those that none of `seen` (this week's signature and its additions) had known.

    A reason is news when it is new by name or occurrence, calls for a more pressing lane, or when a
    signal that it rests on was raised since. Nobody who is now *Settled* has news; nor is it news that
    something is known again of somebody of whom nothing was, or that the same episodes call for less.
    """
    now = standing_of(facts, placed)
    if now.lane is Lane.SETTLED or not seen:
        return ()
    raised = [one for one in now.raised if not any(_knew_signal(then, one) for then in seen)]
    news = [
        reason
        for reason in placed.reasons
        if reason.lane is not Lane.SETTLED and not any(_knew(then, reason, now) for then in seen)
    ]
    if raised and not any(isinstance(reason.because, PictureFacts | Episode) for reason in news):
        # The picture's sentence rests on every signal that has none of its own.
        of_it = [reason for reason in placed.reasons if isinstance(reason.because, PictureFacts)]
        news = [reason for reason in placed.reasons if reason in news or reason in of_it[:1]] or [placed.reasons[0]]
    return tuple(news)


def calls_today(facts: PatientFacts, placed: Placement, before: Standing | None) -> tuple[PictureFacts | Episode, ...]:
    """What staff are to be called to today about somebody who has just entered *Call today*; empty for nothing.

    Entering is by reason: one for which they stand there now and did not where they stood `before`
    (None: nowhere). Nothing, where an urgent task that nobody has closed tells of the same: the task of a
    sign of an emergency, of a passed limit, or an earlier one of this kind. Needs no limit.
    """
    told = {name for task in facts.tasks if task.kind in _URGENT for name in _names(task)}
    there = {cause.name for cause in before.causes if cause.lane is Lane.CALL_TODAY} if before else set()
    found: dict[str, PictureFacts | Episode] = {}
    for reason in placed.reasons:
        if reason.lane is Lane.CALL_TODAY and isinstance(reason.because, PictureFacts | Episode):
            found.setdefault(name_of(reason.because), reason.because)
    untold = {name: because for name, because in found.items() if name not in told}
    return tuple(untold.values()) if untold.keys() - there else ()


def uncalled(stands: Standing, told: Sequence[OpenTask]) -> set[str]:
    """The names for which somebody stands in *Call today*, and of which none of these tasks tells."""
    # What has an occurrence of its own (a pause, a planned look) calls nobody.
    calling = {cause.name for cause in stands.causes if cause.lane is Lane.CALL_TODAY and not cause.of}
    if stands.lane is not Lane.CALL_TODAY or any(isinstance(task.facts, CheckFound) for task in told):
        return set()
    return calling - {name for task in told if task.kind in _URGENT for name in _names(task)}


_SILENT = "still_silent"
_URGENT: dict[TaskKind, str] = {
    TaskKind.SAFETY_ANSWER: SignalKind.SAFETY_ANSWER.value,
    TaskKind.SAME_DAY: SignalKind.SAFETY_ANSWER.value,
    TaskKind.ABOVE_LIMIT: SignalKind.ABOVE_LIMIT.value,
    TaskKind.BELOW_LIMIT: SignalKind.BELOW_LIMIT.value,
    TaskKind.RESULT_LIMIT: TaskKind.RESULT_LIMIT.value,
    TaskKind.CALL_TODAY: Lane.CALL_TODAY.value,
}
URGENT = frozenset(_URGENT)
# Nothing to look sooner for; and what this lane has raised itself, known by the names it was raised for.
_NO_NEWS = TO_DECIDE | {TaskKind.CALL_TODAY}
# The less is known, the higher; what stands lower than before is no news, though its lane may be another.
_UNKNOWING = {
    Picture.STARTING.value: 0,
    Picture.TRAVELLING.value: 0,
    Picture.UNCOMPARED.value: 1,
    Lacking.REFERENCE.value: 1,
    Picture.TOO_LITTLE.value: 2,
    "nothing_expected": 3,
    "no_reading_yet": 3,
    _SILENT: 3,
    "paused": 3,
}


def _names(task: OpenTask) -> list[str]:
    return called_for(task.facts) or [_URGENT.get(task.kind, task.kind.value)]


def _cause(reason: Reason) -> Cause:
    because, lane, urgent = reason.because, reason.lane, reason.urgent
    match because:
        case OpenTask():
            # By the name of what it tells of, which is still known there once staff have closed the task.
            return Cause(_names(because)[0], lane, urgent)
        case Episode() | PictureFacts():
            return Cause(name_of(because), lane, urgent)
        case Paused():
            return Cause("paused", lane, urgent, because.cause.value, because.from_day)
        case Lacking():
            return Cause(because.value, lane)
        case FollowUpDue():
            return Cause("follow_up", lane, of=f"{because.made_on.isoformat()} {because.what}")
        case ResponseFacts():
            return Cause(because.response.value, lane, of=because.adjustment.made_on.isoformat())
        case NotReached():
            return Cause("not_reached", lane, of=because.signed_on.isoformat())
        case LookPlanned():
            return Cause("look_planned", lane, of=because.day.isoformat())
        case StillSilent():
            return Cause(_SILENT, lane, began=because.silence.first_day)
        case NoReadingYet():
            return Cause("no_reading_yet", lane)
        case NothingExpected():
            return Cause("nothing_expected", lane)
        case HighAccepted():
            return Cause(Picture.HIGH_STEADY.value, lane)
        case NoOtherReason():
            return Cause("no_other_reason", lane)
        case BeingWorkedOut():
            return Cause("being_worked_out", lane)
        case JustDischarged():
            return Cause("just_discharged", lane, of=because.discharged_on.isoformat())


def _knew(then: Standing, reason: Reason, now: Standing) -> bool:
    """Whether this reason was known there: the same, in a lane no less pressing."""
    cause, because = _cause(reason), reason.because
    if isinstance(because, BeingWorkedOut):
        return True  # what it will come to is told then
    if isinstance(because, OpenTask) and because.kind not in _NO_NEWS:
        told = because.kind is TaskKind.SILENT and any(one.name == _SILENT for one in then.causes)
        return told or because.id in then.tasks
    if isinstance(because, Episode) and not _knew_signal(then, Raised(because.kind, because.raised_on)):
        return False
    least = _UNKNOWING.get(cause.name)
    if least is not None and any(_UNKNOWING.get(one.name, -1) > least for one in then.causes):
        return True
    if isinstance(because, PictureFacts) and _calls_for_less(then, cause.lane, now):
        return True
    return any(
        one.name == cause.name
        and one.of == cause.of
        and LANES.index(one.lane) <= LANES.index(cause.lane)
        and one.urgent >= cause.urgent
        and (cause.began is None or cause.began < then.on or cause.began == one.began)
        for one in then.causes
    )


def _calls_for_less(then: Standing, lane: Lane, now: Standing) -> bool:
    """Whether the same episodes only call for less now."""
    known = bool(now.raised) and all(_knew_signal(then, one) for one in now.raised)
    return known and LANES.index(lane) > LANES.index(then.lane) and lane is not Lane.NOT_HEARD_FROM


def _knew_signal(then: Standing, raised: Raised) -> bool:
    """Whether the episode was known there. Late readings may move the day on which it was told, up to that date."""
    return any(one.kind is raised.kind and (raised.on <= one.on or raised.on < then.on) for one in then.raised)


# --- what only reads differently ----------------------------------------------------------------

PRESSURES = (*Pressure, "heart_rate")
ANSWERS = (
    "weight_kg",
    "weight_doubt",
    "breathlessness",
    "extra_pillows",
    "woke_breathless",
    "slept_in_chair",
    "swelling",
    "full_belly",
    "light_headed",
    "tiredness",
    "missed_medicines",
    "safety_signs",
    "note",
)


class Later(StrEnum):
    """What reads differently now."""

    READING_CAME = "reading_came"  # `now` is its PA diastolic
    READING_WITHDRAWN = "reading_withdrawn"  # `was` is its PA diastolic
    CHECKIN_CAME = "checkin_came"
    VALUE = "value"  # `name` of the day's value, as it was and is
    PAUSE_RECORDED = "pause_recorded"
    PAUSE_TAKEN_BACK = "pause_taken_back"
    DAY_EXCUSED = "day_excused"


@dataclass(frozen=True, slots=True)
class LaterFact:
    what: Later
    name: str = ""
    was: object = None
    now: object = None


@dataclass(frozen=True, slots=True)
class LaterDay:
    """One day that reads differently now."""

    day: date
    facts: tuple[LaterFact, ...]


def later_days(seen: Sequence[Day], known: Sequence[Day]) -> list[LaterDay]:
    """Each signed day whose data is no longer what was seen. Days that were not seen are left out."""
    now = {day.day: day for day in known}
    return [
        LaterDay(then.day, tuple(facts))
        for then in seen
        if (today := now.get(then.day)) is not None and (facts := _later(then, today))
    ]


def _later(then: Day, now: Day) -> list[LaterFact]:
    facts: list[LaterFact] = []
    if not then.readings and now.readings:
        facts.append(LaterFact(Later.READING_CAME, now=now.pa_diastolic))
    elif then.readings and not now.readings:
        facts.append(LaterFact(Later.READING_WITHDRAWN, was=then.pa_diastolic))
    if not then.checkin and now.checkin:
        facts.append(LaterFact(Later.CHECKIN_CAME))
    for name in (*PRESSURES, *ANSWERS):
        was, is_now = getattr(then, name), getattr(now, name)
        both_read = bool(then.readings and now.readings)  # otherwise it is told with the reading itself
        tells_more = both_read if name in PRESSURES else bool(then.checkin or is_now)
        if was != is_now and tells_more:
            facts.append(LaterFact(Later.VALUE, name, was, is_now))
    if then.pause != now.pause:
        facts.append(LaterFact(Later.PAUSE_RECORDED if now.pause else Later.PAUSE_TAKEN_BACK))
    elif then.window is not now.window and then.window is not WindowState.OPEN and now.window is WindowState.EXCUSED:
        facts.append(LaterFact(Later.DAY_EXCUSED))
    return facts
