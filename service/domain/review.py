"""The weekly review: which lane each patient is in, why, and in which order; and what changed after it was signed.

Promises that every patient given is placed in exactly one of four lanes, with
one reason that says why and every other reason beside it, that whoever needs
attention first comes first, and that no reason says that all is well or advises
a dose. A signed review is compared with what is known now and never changed.
Reads no data and computes no trend; ships no clinical goal: what is "above" is
above what a clinician typed in. `None` always reads "not known".

Lanes are told by words, not colours, and each with its reason in one sentence: a score without
its reason is not acted upon.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from service.domain.days import Day
from service.domain.signals.facts import Picture, PictureFacts, ResponseFacts
from service.domain.tasks import TaskFacts
from service.domain.vocabulary import (
    Lane,
    Outcome,
    PauseCause,
    Response,
    SignalKind,
    SilenceCause,
    TaskKind,
    WindowState,
)


@dataclass(frozen=True, slots=True)
class Raised:
    """A signal that holds now, or was raised and nobody has seen yet."""

    kind: SignalKind
    facts: PictureFacts
    since: date
    ended: bool = False  # no longer holds, but carried until somebody has seen it


@dataclass(frozen=True, slots=True)
class OpenTask:
    id: uuid.UUID
    kind: TaskKind
    facts: TaskFacts
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
    response: ResponseFacts | None = None
    follow_up_on: date | None = None  # None: nothing is due
    follow_up_what: str = ""

    @property
    def response_word(self) -> Response | None:
        return self.response.response if self.response else None


@dataclass(frozen=True, slots=True)
class LastReview:
    week: date
    signed_on: date
    outcome: Outcome
    next_look: date | None


@dataclass(frozen=True, slots=True)
class PatientFacts:
    """What the review knows of one patient on `today` (the patient's own date). Pressures in mmHg."""

    patient_id: uuid.UUID
    name: str
    today: date
    enrolled_on: date
    has_plan: bool
    silent_days: int  # missed readings in a row after which this patient counts as silent
    picture: PictureFacts | None = None  # pressure, diary and silence together, as domain.signals joins them
    picture_lane: Lane | None = None
    signals: tuple[Raised, ...] = ()
    tasks: tuple[OpenTask, ...] = ()
    adherence: Adherence = Adherence(0, 0)
    silence: SilenceNow | None = None
    pause: PauseNow | None = None
    last_reading_on: date | None = None
    last_diary_on: date | None = None
    days_to_limit: float | None = None  # 0 when past it already
    adjustments: tuple[LastAdjustment, ...] = ()  # newest first; those with a follow-up due are all here
    last_review: LastReview | None = None  # of an earlier week
    trouble: bool = False  # this patient's data could not be worked out

    @property
    def silent_for(self) -> int:
        """Days without a reading although one was expected; 0 when not silent."""
        return self.silence.missed if self.silence else 0


# --- reasons: each a fact of its own; `service.words.sentences.review` says it ------------


@dataclass(frozen=True, slots=True)
class DataInTrouble:
    """This patient's data could not be worked out."""


@dataclass(frozen=True, slots=True)
class FollowUpDue:
    """What was to be looked at after an adjustment, and how many days ago."""

    made_on: date
    what: str
    days_late: int


@dataclass(frozen=True, slots=True)
class NotSettling:
    """The pressures have not answered the newest adjustment."""

    response: ResponseFacts


@dataclass(frozen=True, slots=True)
class NotReached:
    """Carried over from a review that ended without reaching them."""

    signed_on: date


@dataclass(frozen=True, slots=True)
class LookPlanned:
    """Another look was planned, and its day has come."""

    day: date


@dataclass(frozen=True, slots=True)
class NothingPlanned:
    """There is no plan, so no reading is asked for."""


@dataclass(frozen=True, slots=True)
class NoReadingYet:
    enrolled_on: date
    last_diary_on: date | None


@dataclass(frozen=True, slots=True)
class StillSilent:
    silence: SilenceNow
    last_reading_on: date | None


@dataclass(frozen=True, slots=True)
class NothingExpected:
    """Nothing was expected in the days counted, and nothing came."""

    last_reading_on: date


@dataclass(frozen=True, slots=True)
class NoReference:
    """Too few readings yet to know the patient's own reference."""


@dataclass(frozen=True, slots=True)
class NoOtherReason:
    """What is known of somebody for whom no reason was found: not that all is well."""

    adherence: Adherence
    silent_for: int
    picture: PictureFacts | None


Because = (
    OpenTask
    | Raised
    | PictureFacts
    | PauseNow
    | DataInTrouble
    | FollowUpDue
    | NotSettling
    | NotReached
    | LookPlanned
    | NothingPlanned
    | NoReadingYet
    | StillSilent
    | NothingExpected
    | NoReference
    | NoOtherReason
)


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason, and the lane it calls for."""

    lane: Lane
    because: Because
    urgent: bool = False  # a person may be in danger: before any arithmetic


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a patient is on the panel: every reason, the most pressing first, and the key that orders the lane."""

    patient_id: uuid.UUID
    reasons: tuple[Reason, ...]
    order: tuple[float, ...]

    @property
    def lane(self) -> Lane:
        return self.reasons[0].lane


UNRESOLVED = frozenset({Outcome.NOT_REACHED})
_LIMIT_TASKS = {
    SignalKind.ABOVE_LIMIT: TaskKind.ABOVE_LIMIT,
    SignalKind.BELOW_LIMIT: TaskKind.BELOW_LIMIT,
}
_TASKS: dict[TaskKind, Lane] = {
    TaskKind.SAFETY_ANSWER: Lane.CALL_TODAY,
    TaskKind.ABOVE_LIMIT: Lane.CALL_TODAY,
    TaskKind.BELOW_LIMIT: Lane.CALL_TODAY,
    TaskKind.CAREGIVER_SAYS: Lane.LOOK_CLOSELY,
    TaskKind.FOLLOW_UP: Lane.LOOK_CLOSELY,
    TaskKind.SILENT: Lane.NOT_HEARD_FROM,
    TaskKind.NO_CONTACT: Lane.NOT_HEARD_FROM,
    TaskKind.BROKEN_CONTACT: Lane.NOT_HEARD_FROM,
    TaskKind.MESSAGE_UNCERTAIN: Lane.NOT_HEARD_FROM,
}


def _tasks(patient: PatientFacts) -> list[Reason]:
    """Open tasks, but for those that a fuller sentence tells below; of limits only the newest day's."""
    newest = {task.kind: task for task in patient.tasks}
    holding = {_LIMIT_TASKS.get(signal.kind) for signal in patient.signals if not signal.ended}
    return [
        Reason(_TASKS[task.kind], task, task.kind is TaskKind.SAFETY_ANSWER)
        for task in patient.tasks
        if not (task.kind in _LIMIT_TASKS.values() and (task.kind in holding or task is not newest[task.kind]))
        and not (task.kind is TaskKind.SILENT and _unheard(patient))
    ]


def _trouble(patient: PatientFacts) -> list[Reason]:
    return [Reason(Lane.LOOK_CLOSELY, DataInTrouble())] if patient.trouble else []


def _picture(patient: PatientFacts) -> list[Reason]:
    """What pressure, diary and silence say together; Settled and Not heard from have sentences of their own."""
    picture = patient.picture
    if picture is None or patient.picture_lane in {None, Lane.SETTLED, Lane.NOT_HEARD_FROM}:
        return []
    if picture.picture is Picture.SAFETY_ANSWER and _has(patient, TaskKind.SAFETY_ANSWER):
        return []  # its own task says it already: two sentences would read as two events
    return [Reason(patient.picture_lane, picture, picture.picture is Picture.SAFETY_ANSWER)]


def _limits(patient: PatientFacts) -> list[Reason]:
    """A limit that is passed comes before where the pressure may be going."""
    return [
        Reason(Lane.CALL_TODAY, signal)
        for signal in patient.signals
        if not signal.ended and signal.kind in _LIMIT_TASKS
    ]


def _signals(patient: PatientFacts) -> list[Reason]:
    return [why for signal in patient.signals if (why := _signal(signal, patient)) is not None]


def _signal(signal: Raised, patient: PatientFacts) -> Reason | None:
    picture = patient.picture.picture if patient.picture else None
    if signal.kind is SignalKind.SAFETY_ANSWER and _has(patient, TaskKind.SAFETY_ANSWER):
        return None  # its own task says it already
    if signal.ended:
        return Reason(Lane.LOOK_CLOSELY, signal)
    if signal.kind in _LIMIT_TASKS:
        return None  # told before
    if signal.kind is SignalKind.SAFETY_ANSWER:
        return None if picture is Picture.SAFETY_ANSWER else Reason(Lane.CALL_TODAY, signal, urgent=True)
    if picture not in {None, Picture.QUIET, Picture.SILENT}:
        return None  # the picture's sentence rests on it
    if signal.kind is SignalKind.SILENT:
        has_own_reason = patient.silent_for >= patient.silent_days  # with the cause
        return None if has_own_reason else Reason(Lane.NOT_HEARD_FROM, signal)
    return Reason(Lane.LOOK_CLOSELY, signal)


def _has(patient: PatientFacts, kind: TaskKind) -> bool:
    return any(task.kind is kind for task in patient.tasks)


def _follow_ups(patient: PatientFacts) -> list[Reason]:
    due = [
        FollowUpDue(made.made_on, made.follow_up_what, (patient.today - made.follow_up_on).days)
        for made in patient.adjustments
        if made.follow_up_on is not None and made.follow_up_on <= patient.today
    ]
    reasons = [Reason(Lane.LOOK_CLOSELY, one) for one in due]
    newest = patient.adjustments[0].response if patient.adjustments else None
    if newest is not None and newest.response is Response.NOT_SETTLING:
        reasons.append(Reason(Lane.LOOK_CLOSELY, NotSettling(newest)))
    return reasons


def _carried_over(patient: PatientFacts) -> list[Reason]:
    last = patient.last_review
    if last is None:
        return []
    if last.outcome in UNRESOLVED:
        # Somebody still not heard from is not looked at more closely for not having been reached.
        lane = Lane.NOT_HEARD_FROM if _unheard(patient) else Lane.LOOK_CLOSELY
        return [Reason(lane, NotReached(last.signed_on))]
    if last.next_look is not None and last.next_look <= patient.today:
        return [Reason(Lane.LOOK_CLOSELY, LookPlanned(last.next_look))]
    return []


def _unheard(patient: PatientFacts) -> list[Reason]:
    lane = Lane.NOT_HEARD_FROM
    if patient.trouble:
        return []
    if patient.pause is not None:
        return [Reason(lane, patient.pause)]
    if not patient.has_plan:
        return [Reason(lane, NothingPlanned())]
    if patient.last_reading_on is None:
        return [Reason(lane, NoReadingYet(patient.enrolled_on, patient.last_diary_on))]
    if patient.silent_for >= patient.silent_days and patient.silence is not None:
        return [Reason(lane, StillSilent(patient.silence, patient.last_reading_on))]
    if not patient.adherence.expected and not patient.adherence.received:
        return [Reason(lane, NothingExpected(patient.last_reading_on))]
    return []


def _unknown(patient: PatientFacts) -> list[Reason]:
    """Without a reference a rise cannot be seen; that is a reason to look, not a calm patient."""
    known = patient.picture is not None and patient.picture.pressure.reference is not None
    if patient.trouble or patient.last_reading_on is None or known:
        return []
    return [Reason(Lane.LOOK_CLOSELY, NoReference())]


RULES: Sequence[Callable[[PatientFacts], list[Reason]]] = (
    _tasks,
    _limits,
    _picture,
    _signals,
    _trouble,
    _follow_ups,
    _unheard,
    _carried_over,
    _unknown,
)
LANES = (Lane.CALL_TODAY, Lane.LOOK_CLOSELY, Lane.NOT_HEARD_FROM, Lane.SETTLED)
DAYS_BETWEEN_REVIEWS = 7


def week_of(today: date, review_weekday: int) -> date:
    """The first day of the review week that `today` is in: the newest `review_weekday` (0 is Monday)."""
    return today - timedelta(days=(today.weekday() - review_weekday) % DAYS_BETWEEN_REVIEWS)


def place(patient: PatientFacts) -> Placement:
    """Every reason, the most pressing first, and the key that orders the lane.

    The most pressing lane wins. Somebody with no reason at all is Settled, and what
    is said then is what is known, not that all is well.
    """
    reasons = [reason for rule in RULES for reason in rule(patient)]
    reasons.sort(key=lambda reason: (LANES.index(reason.lane), not reason.urgent))
    if not reasons:
        known = NoOtherReason(patient.adherence, patient.silent_for, patient.picture)
        reasons = [Reason(Lane.SETTLED, known)]
    return Placement(patient.patient_id, tuple(reasons), _order(patient, urgent=reasons[0].urgent))


def _order(patient: PatientFacts, *, urgent: bool) -> tuple[float, ...]:
    soon = float("inf") if patient.days_to_limit is None else patient.days_to_limit
    broken = patient.picture.pressure.broken if patient.picture else None
    return (0.0 if urgent else 1.0, soon, -abs(broken.size) if broken else 0.0, -float(patient.silent_for))


# --- what became known after a signature ----------------------------------------------------

PRESSURES = ("pa_diastolic", "pa_mean", "pa_systolic", "heart_rate")
ANSWERS = (
    "weight_kg",
    "breathlessness",
    "extra_pillows",
    "woke_breathless",
    "swelling",
    "light_headed",
    "tiredness",
    "missed_medicines",
    "safety_signs",
    "note",
)


class Amended(StrEnum):
    """What reads differently now."""

    READING_CAME = "reading_came"  # `now` is its PA diastolic
    READING_WITHDRAWN = "reading_withdrawn"  # `was` is its PA diastolic
    CHECKIN_CAME = "checkin_came"
    VALUE = "value"  # `name` of the day's value, as it was and is
    PAUSE_RECORDED = "pause_recorded"
    PAUSE_TAKEN_BACK = "pause_taken_back"
    DAY_EXCUSED = "day_excused"


@dataclass(frozen=True, slots=True)
class AmendedFact:
    what: Amended
    name: str = ""
    was: object = None
    now: object = None


@dataclass(frozen=True, slots=True)
class Amendment:
    """One day that reads differently now."""

    day: date
    facts: tuple[AmendedFact, ...]


def amendments(seen: Sequence[Day], known: Sequence[Day]) -> list[Amendment]:
    """Each signed day whose data is no longer what was seen. Days that were not seen are no amendment."""
    now = {day.day: day for day in known}
    return [
        Amendment(then.day, tuple(facts))
        for then in seen
        if (today := now.get(then.day)) is not None and (facts := _amended(then, today))
    ]


def _amended(then: Day, now: Day) -> list[AmendedFact]:
    facts: list[AmendedFact] = []
    if not then.readings and now.readings:
        facts.append(AmendedFact(Amended.READING_CAME, now=now.pa_diastolic))
    elif then.readings and not now.readings:
        facts.append(AmendedFact(Amended.READING_WITHDRAWN, was=then.pa_diastolic))
    if not then.checkin and now.checkin:
        facts.append(AmendedFact(Amended.CHECKIN_CAME))
    for name in (*PRESSURES, *ANSWERS):
        was, is_now = getattr(then, name), getattr(now, name)
        both_read = bool(then.readings and now.readings)  # otherwise it is told with the reading itself
        tells_more = both_read if name in PRESSURES else bool(then.checkin or is_now)
        if was != is_now and tells_more:
            facts.append(AmendedFact(Amended.VALUE, name, was, is_now))
    if then.pause != now.pause:
        facts.append(AmendedFact(Amended.PAUSE_RECORDED if now.pause else Amended.PAUSE_TAKEN_BACK))
    elif then.window is not now.window and then.window is not WindowState.OPEN and now.window is WindowState.EXCUSED:
        facts.append(AmendedFact(Amended.DAY_EXCUSED))
    return facts
