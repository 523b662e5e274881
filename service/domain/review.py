"""The weekly review: which lane each patient is in, why, and in which order.

Promises that every patient given is placed in exactly one of four lanes, with
one reason that says why and every other reason beside it, that whoever needs
attention first comes first, and that no reason says that all is well or advises
a dose. What came after a signature is for `domain.since` to say.
Reads no data and computes no trend; ships no clinical goal: what is "above" is
above what a clinician typed in. `None` always reads "not known".

Lanes are told by words, not colours, and each with its reason in one sentence: a score without
its reason is not acted upon.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta
from enum import StrEnum
from typing import Any

from service.domain import factjson
from service.domain.days import Paused
from service.domain.diary import urgency
from service.domain.frozen import dataclass
from service.domain.seals import Seal
from service.domain.signals.facts import Episode, Picture, PictureFacts, ResponseFacts
from service.domain.signals.picture import is_compared_beside, lane_of, name_of
from service.domain.summary import LAYOUT, Adherence, Behind, SilenceNow, Summary
from service.domain.tasks import ContactDue, EnteredCallToday, TaskFacts
from service.domain.vocabulary import (
    AdjustmentKind,
    Lane,
    Outcome,
    PauseCause,
    Response,
    SignalKind,
    TaskKind,
    Urgency,
)


@dataclass(frozen=True, slots=True)
class OpenTask:
    id: uuid.UUID
    kind: TaskKind
    facts: TaskFacts
    since: date


@dataclass(frozen=True, slots=True)
class LastAdjustment:
    """The newest adjustment and what the pressures did after it."""

    made_on: date
    what: str
    response: ResponseFacts | None = None
    follow_up_on: date | None = None  # None: nothing is due
    follow_up_what: str = ""
    seal: Seal = Seal.INTACT
    stands: bool = True  # otherwise nobody knows whether that was changed, and so what came after it

    @property
    def response_word(self) -> Response | None:
        return self.response.response if self.response else None


@dataclass(frozen=True, slots=True)
class LastReview:
    week: date
    signed_on: date  # or last added to
    outcome: Outcome | None  # None: altered, nobody can read it
    next_look: date | None


@dataclass(frozen=True, slots=True)
class Accepted:
    """A clinician's word that a level which has been high for weeks is known, and why. Nothing has broken it."""

    id: uuid.UUID
    reason: str
    until: date
    by: str
    on: date


@dataclass(frozen=True, slots=True)
class PatientFacts:
    """What the review knows of one patient: their row of the panel, and what staff did and have still to do."""

    patient_id: uuid.UUID
    enrolled_on: date
    known: Summary
    silent_days: int  # missed readings in a row after which this patient counts as silent
    unseen: tuple[Episode, ...] = ()  # signals that no longer hold, but are carried until somebody has seen them
    tasks: tuple[OpenTask, ...] = ()
    adjustments: tuple[LastAdjustment, ...] = ()  # newest first; those with a follow-up due are all here
    last_review: LastReview | None = None  # of an earlier week
    look_on: date | None = None  # planned with this week's signature, and nothing was added on or after it
    accepted: Accepted | None = None

    @property
    def picture(self) -> PictureFacts | None:
        """Pressure, diary and silence together, as `domain.signals` joins them."""
        return self.known.trend.picture

    @property
    def signals(self) -> tuple[Episode, ...]:
        """Those that hold now, then the unseen ones."""
        return (*self.known.trend.signals, *self.unseen)

    @property
    def silent_for(self) -> int:
        """Days without a reading although one was expected; 0 when not silent."""
        return self.known.silence.missed if self.known.silence else 0


def as_json(facts: PatientFacts) -> dict[str, Any]:
    """Everything that a patient was placed by, as plain JSON that names its layout: what a signature freezes."""
    return factjson.as_layout(facts, LAYOUT)


def from_json(stored: Mapping[str, Any]) -> PatientFacts:
    """The facts that `as_json` made JSON of. Raises KeyError, TypeError or ValueError for anything else."""
    known: PatientFacts = factjson.of_layout(PatientFacts, stored, LAYOUT)
    return known


# --- reasons: each a fact of its own; `service.words.sentences.review` says it ------------


class Lacking(StrEnum):
    """What there is not, and so nothing more can be said."""

    DATA = "data"  # this patient's data could not be worked out
    PLAN = "plan"  # so no reading is asked for
    REFERENCE = "reference"  # too few readings yet to know the patient's own


@dataclass(frozen=True, slots=True)
class FollowUpDue:
    """What was to be looked at after an adjustment, and how many days ago."""

    made_on: date
    what: str
    days_late: int


@dataclass(frozen=True, slots=True)
class NotReached:
    """Carried over from a review that ended without reaching them."""

    signed_on: date


@dataclass(frozen=True, slots=True)
class LookPlanned:
    """Another look was planned, and its day has come."""

    day: date


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
class HighAccepted:
    """A level that has been high for weeks, which a clinician has said is known."""

    accepted: Accepted
    picture: PictureFacts


@dataclass(frozen=True, slots=True)
class NoOtherReason:
    """What is known of somebody for whom no reason was found: not that all is well."""

    adherence: Adherence
    silent_for: int
    picture: PictureFacts | None


@dataclass(frozen=True, slots=True)
class JustDischarged:
    """The day after a stay, where no other reason says it."""

    day: int
    discharged_on: date


@dataclass(frozen=True, slots=True)
class BeingWorkedOut:
    """Something came in, or a day began, that the worker has still to work out: a page does not, for everybody.

    What is told was known then, on the clinic's calendar and clock; None: nothing is known yet.
    """

    as_of: date | None
    at: str = ""  # HH:MM


Because = (
    OpenTask
    | Episode
    | PictureFacts
    | Paused
    | Lacking
    | FollowUpDue
    | ResponseFacts  # the pressures have not answered the newest adjustment
    | NotReached
    | LookPlanned
    | NoReadingYet
    | StillSilent
    | NothingExpected
    | HighAccepted
    | NoOtherReason
    | JustDischarged
    | BeingWorkedOut
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


OF_WEIGHT = frozenset({SignalKind.WEIGHT_GAIN, SignalKind.WEIGHT_LOSS})
UNRESOLVED = frozenset({Outcome.NOT_REACHED})
_LIMIT_TASKS = {
    SignalKind.ABOVE_LIMIT: TaskKind.ABOVE_LIMIT,
    SignalKind.BELOW_LIMIT: TaskKind.BELOW_LIMIT,
}
_TASKS: dict[TaskKind, Lane] = {
    TaskKind.SAFETY_ANSWER: Lane.CALL_TODAY,
    TaskKind.SAME_DAY: Lane.CALL_TODAY,
    TaskKind.CALL_TODAY: Lane.CALL_TODAY,
    TaskKind.ABOVE_LIMIT: Lane.CALL_TODAY,
    TaskKind.BELOW_LIMIT: Lane.CALL_TODAY,
    TaskKind.RESULT_LIMIT: Lane.CALL_TODAY,
    TaskKind.CAREGIVER_SAYS: Lane.LOOK_CLOSELY,
    TaskKind.PATIENT_SAYS: Lane.LOOK_CLOSELY,
    TaskKind.WEIGHT_DOUBT: Lane.LOOK_CLOSELY,
    TaskKind.FOLLOW_UP: Lane.LOOK_CLOSELY,
    TaskKind.CHECK_FOUND: Lane.LOOK_CLOSELY,
    TaskKind.NO_WAY_OUT: Lane.NOT_HEARD_FROM,
    TaskKind.EMERGENCY_ACCESS: Lane.LOOK_CLOSELY,
    TaskKind.SILENT: Lane.NOT_HEARD_FROM,
    TaskKind.NO_CONTACT: Lane.NOT_HEARD_FROM,
    TaskKind.BROKEN_CONTACT: Lane.NOT_HEARD_FROM,
    TaskKind.CHECK_NUMBER: Lane.LOOK_CLOSELY,
    TaskKind.MESSAGE_UNCERTAIN: Lane.NOT_HEARD_FROM,
    TaskKind.NOT_SENT: Lane.LOOK_CLOSELY,
    TaskKind.NEXT_CONTACT: Lane.LOOK_CLOSELY,
    TaskKind.CHEMISTRY_DUE: Lane.LOOK_CLOSELY,
    TaskKind.TRANSFER: Lane.LOOK_CLOSELY,
    TaskKind.INVITATION: Lane.LOOK_CLOSELY,
}
TO_DECIDE = frozenset({TaskKind.REFERENCE_PROPOSAL, TaskKind.GOAL_OVER})  # no reason to look sooner


def _tasks(patient: PatientFacts) -> list[Reason]:
    """Open tasks, but for those that a fuller sentence tells below; of limits only the newest day's."""
    newest = {task.kind: task for task in patient.tasks}
    holding = {_LIMIT_TASKS.get(signal.kind) for signal in patient.signals if signal.ended_on is None}
    return [
        Reason(_TASKS[task.kind], task, task.kind is TaskKind.SAFETY_ANSWER)
        for task in patient.tasks
        if task.kind not in TO_DECIDE
        and not (task.kind in _LIMIT_TASKS.values() and (task.kind in holding or task is not newest[task.kind]))
        and not (task.kind is TaskKind.SILENT and _unheard(patient))
    ]


def _trouble(patient: PatientFacts) -> list[Reason]:
    known = patient.known
    if known.behind is Behind.NOTHING:
        return [Reason(Lane.LOOK_CLOSELY, BeingWorkedOut(None))]
    if known.behind is Behind.EARLIER:
        return [Reason(Lane.LOOK_CLOSELY, BeingWorkedOut(known.made_on, known.made_at))]
    return [Reason(Lane.LOOK_CLOSELY, Lacking.DATA)] if known.trouble else []


def _picture(patient: PatientFacts) -> list[Reason]:
    """What pressure, diary and silence say together; who is settled or silent has a sentence of their own."""
    picture = patient.picture
    if picture is None or picture.picture in {Picture.QUIET, Picture.SILENT}:
        return _passed(picture)
    lane = lane_of(picture)
    if picture.picture in {Picture.TOO_LITTLE, Picture.UNCOMPARED} and _unheard(patient):
        return []  # why nothing came is known, and tells more
    if picture.picture is Picture.SAFETY_ANSWER and _has_safety_task(patient):
        return []  # its own task says it already: two sentences would read as two events
    if picture.picture is Picture.HIGH_STEADY and lane is Lane.LOOK_CLOSELY and (known := in_force(patient)):
        return [Reason(Lane.SETTLED if is_compared_beside(picture) else lane, HighAccepted(known, picture))]
    return [Reason(lane, picture, urgency(picture.diary.safety) is Urgency.EMERGENCY)]


def _passed(picture: PictureFacts | None) -> list[Reason]:
    """A limit that was passed calls, however quiet the rest is."""
    return [Reason(Lane.CALL_TODAY, picture)] if picture and lane_of(picture) is Lane.CALL_TODAY else []


def in_force(patient: PatientFacts) -> Accepted | None:
    """What was accepted, up to its last day."""
    accepted = patient.accepted
    return accepted if accepted is not None and patient.known.today <= accepted.until else None


def _limits(patient: PatientFacts) -> list[Reason]:
    """A limit that is passed comes before where the pressure may be going."""
    return [
        Reason(Lane.CALL_TODAY, signal)
        for signal in patient.signals
        if signal.ended_on is None and signal.kind in _LIMIT_TASKS
    ]


def _signals(patient: PatientFacts) -> list[Reason]:
    return [why for signal in patient.signals if (why := _signal(signal, patient)) is not None]


def _signal(signal: Episode, patient: PatientFacts) -> Reason | None:
    picture = patient.picture.picture if patient.picture else None
    if signal.kind is SignalKind.SAFETY_ANSWER and _has_safety_task(patient):
        return None  # its own task says it already
    if signal.ended_on is not None:
        return Reason(Lane.LOOK_CLOSELY, signal)
    if signal.kind in _LIMIT_TASKS:
        return None  # told before
    if signal.kind is SignalKind.SAFETY_ANSWER:
        urgent = urgency(signal.facts.diary.safety) is Urgency.EMERGENCY
        return None if picture is Picture.SAFETY_ANSWER else Reason(Lane.CALL_TODAY, signal, urgent)
    if picture not in _TELLS_NO_SIGNAL:
        return None  # the picture's sentence rests on it
    if signal.kind is SignalKind.SILENT:
        has_own_reason = patient.silent_for >= patient.silent_days  # with the cause
        return None if has_own_reason else Reason(Lane.NOT_HEARD_FROM, signal)
    return Reason(Lane.LOOK_CLOSELY, signal)


_TELLS_NO_SIGNAL = {
    None, Picture.QUIET, Picture.COMING_DOWN, Picture.SILENT, Picture.STARTING, Picture.TOO_LITTLE, Picture.UNCOMPARED,
}  # fmt: skip


def _has_safety_task(patient: PatientFacts) -> bool:
    return _has(patient, TaskKind.SAFETY_ANSWER) or _has(patient, TaskKind.SAME_DAY)


def _has(patient: PatientFacts, kind: TaskKind) -> bool:
    return any(task.kind is kind for task in patient.tasks)


def _follow_ups(patient: PatientFacts) -> list[Reason]:
    due = [
        FollowUpDue(made.made_on, made.follow_up_what, (patient.known.today - made.follow_up_on).days)
        for made in patient.adjustments
        if made.follow_up_on is not None and made.follow_up_on <= patient.known.today
    ]
    reasons = [Reason(Lane.LOOK_CLOSELY, one) for one in due]
    newest = patient.adjustments[0].response if patient.adjustments else None
    if newest is not None and newest.response in {Response.NOT_SETTLING, Response.OVERSHOT}:
        reasons.append(Reason(Lane.LOOK_CLOSELY, newest))
    return reasons


def _carried_over(patient: PatientFacts) -> list[Reason]:
    last, planned, found = patient.last_review, [patient.look_on], []
    if last is not None and last.outcome in UNRESOLVED:
        # Somebody still not heard from is not looked at more closely for not having been reached.
        lane = Lane.NOT_HEARD_FROM if _unheard(patient) else Lane.LOOK_CLOSELY
        found.append(Reason(lane, NotReached(last.signed_on)))
    elif last is not None and last.next_look is not None and last.signed_on < last.next_look:
        planned.append(last.next_look)
    due = [day for day in planned if day is not None and day <= patient.known.today]
    return found + [Reason(Lane.LOOK_CLOSELY, LookPlanned(day)) for day in dict.fromkeys(due)]


def _unheard(patient: PatientFacts) -> list[Reason]:
    lane = Lane.NOT_HEARD_FROM
    if patient.known.trouble or patient.known.behind is Behind.NOTHING:
        return []
    if patient.known.pause is not None:
        return [Reason(lane, patient.known.pause)]
    if not patient.known.has_plan:
        return [Reason(lane, Lacking.PLAN)]
    starting = patient.picture is not None and patient.picture.picture is Picture.STARTING
    if patient.known.last_reading_on is None and not starting:
        return [Reason(lane, NoReadingYet(patient.enrolled_on, patient.known.last_diary_on))]
    if patient.silent_for >= patient.silent_days and patient.known.silence is not None:
        return [Reason(lane, StillSilent(patient.known.silence, patient.known.last_reading_on))]
    last, counted = patient.known.last_reading_on, patient.known.adherence
    if last is not None and not counted.expected and not counted.received:
        return [Reason(lane, NothingExpected(last))]
    return []


def _unknown(patient: PatientFacts) -> list[Reason]:
    """With nothing to compare with a rise cannot be seen; that is a reason to look, not a calm patient."""
    if patient.picture is not None and patient.picture.picture is Picture.STARTING:
        return []  # told as such
    known = patient.picture is not None and patient.picture.pressure.has_baseline
    if patient.known.trouble or patient.known.last_reading_on is None or known:
        return []
    return [Reason(Lane.LOOK_CLOSELY, Lacking.REFERENCE)]


def _just_discharged(patient: PatientFacts, reasons: Sequence[Reason]) -> list[Reason]:
    """The sentence of a picture says it; where none is told, it is said by itself."""
    after = None if patient.picture is None else patient.picture.after_stay
    told = any(isinstance(one.because, PictureFacts | HighAccepted | NoOtherReason) for one in reasons)
    if patient.picture is None or after is None or told:
        return []
    return [
        Reason(Lane.SETTLED, JustDischarged((patient.picture.today - after.discharged_on).days, after.discharged_on))
    ]


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
    reasons = _told_once([reason for rule in RULES for reason in rule(patient)])
    reasons.sort(key=lambda reason: (LANES.index(reason.lane), not reason.urgent, _is_of_weight(reason)))
    if not reasons:
        known = NoOtherReason(patient.known.adherence, patient.silent_for, patient.picture)
        reasons = [Reason(Lane.SETTLED, known)]
    pause = patient.known.pause
    if pause is not None and pause.cause is PauseCause.IN_HOSPITAL:
        # Headed as such, in whatever lane the rest calls for.
        others = [reason for reason in reasons if reason.because != pause]
        reasons = [Reason(reasons[0].lane, pause, reasons[0].urgent), *others]
    reasons += _just_discharged(patient, reasons)
    return Placement(patient.patient_id, tuple(reasons), _order(patient, urgent=reasons[0].urgent))


def must_be_opened(reasons: Sequence[Reason]) -> bool:
    """Whether these reasons are not to be signed unseen: whatever calls today, and, wherever they stand, a safety
    answer, a passed limit, and falling silent while unwell."""
    return any(reason.lane is Lane.CALL_TODAY or _weighs(reason.because) for reason in reasons)


def _weighs(because: Because) -> bool:
    match because:
        case OpenTask():
            return _TASKS.get(because.kind) is Lane.CALL_TODAY
        case Episode():
            return because.kind in _LIMIT_TASKS or because.kind is SignalKind.SAFETY_ANSWER
        case PictureFacts():
            return because.picture in {Picture.SAFETY_ANSWER, Picture.SILENT_AND_UNWELL}
        case _:
            return False


def _told_once(reasons: Sequence[Reason]) -> list[Reason]:
    """Without the call that was raised for a reason which still holds: that one tells the newer facts."""
    holding = {
        name_of(reason.because)
        for reason in reasons
        if reason.lane is Lane.CALL_TODAY and isinstance(reason.because, PictureFacts | Episode)
    }
    return [
        reason
        for reason in reasons
        if not (isinstance(reason.because, OpenTask) and (names := called_for(reason.because.facts)))
        or not holding.issuperset(names)
    ]


def called_for(facts: TaskFacts) -> list[str]:
    """The names of the reasons for which a call was raised; none of any other task."""
    return [name_of(one) for one in facts.because] if isinstance(facts, EnteredCallToday) else []


def _is_of_weight(reason: Reason) -> bool:
    """Weight alone comes last: published, it tells least."""
    return isinstance(reason.because, Episode) and reason.because.kind in OF_WEIGHT


def _order(patient: PatientFacts, *, urgent: bool) -> tuple[float, ...]:
    """Smallest first: in danger, a contact overdue, soonest at a limit, breathless, then the largest break either way,
    then the longest silence."""
    days = patient.known.trend.days_to_limit
    soon = float("inf") if days is None else days
    broken = patient.picture.pressure.broken if patient.picture else None
    breathless = patient.known.trend.diary.breathless
    size = -abs(broken.size) if broken else 0.0
    overdue = any(isinstance(task.facts, ContactDue) and task.facts.is_overdue for task in patient.tasks)
    return (
        0.0 if urgent else 1.0,
        0.0 if overdue else 1.0,
        soon,
        0.0 if breathless else 1.0,
        size,
        -float(patient.silent_for),
    )


# --- when a change is usually looked at again -----------------------------------------------
# A proposal for staff to edit, never a rule: common practice, as published tables give it. Nothing here
# advises a dose or a drug. What is looked at, and the sources, are said by `service.words.sentences.review`.

# Days after the change (NICE NG106 and QS9). Chemistry after a medicine is told by the record, by the clinic's own
# schedule: `domain.record.medicines.chemistry_dates`, and nowhere else.
AFTER_DAYS: dict[AdjustmentKind, int] = {
    AdjustmentKind.DIET: 14,
    AdjustmentKind.DIALYSIS: 7,
    AdjustmentKind.DEVICE: 14,
}


def usually_due(kind: AdjustmentKind, made_on: date) -> date | None:
    """The day on which this kind of change is usually looked at again; None where nothing is usual."""
    days = AFTER_DAYS.get(kind)
    return None if days is None else made_on + timedelta(days=days)
