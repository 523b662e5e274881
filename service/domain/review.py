"""The weekly review: which lane each patient is in, why, and in which order; and what changed after it was signed.

Promises that every patient given is placed in exactly one of four lanes, with
one reason that says why and every other reason beside it, that whoever needs
attention first comes first, and that no reason says that all is well or advises
a dose. A signed review is compared with what is known now and never changed.
Reads no data and computes no trend; ships no clinical goal: what is "above" is
above what a clinician typed in. `None` always reads "not known".
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from service.domain import spoken
from service.domain.days import Day
from service.domain.signals.facts import Picture
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
class PatientFacts:
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
class Reason:
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


def _tasks(standing: PatientFacts) -> list[Reason]:
    """Open tasks, but for those that a fuller sentence tells below; of limits only the newest day's."""
    newest = {task.kind: task for task in standing.tasks}
    holding = {_LIMIT_TASKS.get(signal.kind) for signal in standing.signals if not signal.ended}
    return [
        Reason(_TASKS[task.kind], task.sentence, task.kind is TaskKind.SAFETY_ANSWER)
        for task in standing.tasks
        if not (task.kind in _LIMIT_TASKS.values() and (task.kind in holding or task is not newest[task.kind]))
        and not (task.kind is TaskKind.SILENT and _unheard(standing))
    ]


def _trouble(standing: PatientFacts) -> list[Reason]:
    told = "This patient's data could not be worked out: look at the readings one by one, and tell the operator."
    return [Reason(Lane.LOOK_CLOSELY, told)] if standing.trouble else []


def _picture(standing: PatientFacts) -> list[Reason]:
    """What pressure, diary and silence say together; Settled and Not heard from have sentences of their own."""
    if standing.picture_lane is None or standing.picture_lane in {Lane.SETTLED, Lane.NOT_HEARD_FROM}:
        return []
    if standing.picture is Picture.SAFETY_ANSWER and _has(standing, TaskKind.SAFETY_ANSWER):
        return []  # its own task says it already: two sentences would read as two events
    return [Reason(standing.picture_lane, standing.picture_sentence, standing.picture is Picture.SAFETY_ANSWER)]


def _limits(standing: PatientFacts) -> list[Reason]:
    """A limit that is passed comes before where the pressure may be going."""
    return [
        Reason(Lane.CALL_TODAY, signal.sentence)
        for signal in standing.signals
        if not signal.ended and signal.kind in _LIMIT_TASKS
    ]


def _signals(standing: PatientFacts) -> list[Reason]:
    return [why for signal in standing.signals if (why := _signal(signal, standing)) is not None]


def _signal(signal: Raised, standing: PatientFacts) -> Reason | None:
    sentence = signal.sentence
    if signal.kind is SignalKind.SAFETY_ANSWER and _has(standing, TaskKind.SAFETY_ANSWER):
        return None  # its own task says it already
    if signal.ended:
        return Reason(Lane.LOOK_CLOSELY, f"{sentence.rstrip('.')} (no longer so, not yet seen by anyone).")
    if signal.kind in _LIMIT_TASKS:
        return None  # told before
    if signal.kind is SignalKind.SAFETY_ANSWER:
        told = standing.picture is Picture.SAFETY_ANSWER
        return None if told else Reason(Lane.CALL_TODAY, sentence, urgent=True)
    if standing.picture not in {None, Picture.QUIET, Picture.SILENT}:
        return None  # the picture's sentence rests on it
    if signal.kind is SignalKind.SILENT:
        told = standing.silent_for >= standing.silent_days  # by its own sentence, with the cause
        return None if told else Reason(Lane.NOT_HEARD_FROM, sentence)
    return Reason(Lane.LOOK_CLOSELY, sentence)


def _has(standing: PatientFacts, kind: TaskKind) -> bool:
    return any(task.kind is kind for task in standing.tasks)


def _follow_ups(standing: PatientFacts) -> list[Reason]:
    found = []
    for made in standing.adjustments:
        if made.follow_up_on is not None and made.follow_up_on <= standing.today:
            late = (standing.today - made.follow_up_on).days
            when = "due today" if late == 0 else f"{spoken.count(late, 'day')} overdue"
            what = made.follow_up_what or "Follow-up"
            found.append(
                Reason(
                    Lane.LOOK_CLOSELY,
                    spoken.sentence(f"{what} after the change of {spoken.day(made.made_on)} is {when}"),
                )
            )
    if standing.adjustments and standing.adjustments[0].response is Response.NOT_SETTLING:
        newest = standing.adjustments[0]
        found.append(
            Reason(
                Lane.LOOK_CLOSELY,
                newest.response_sentence or f"Not settling since the change of {spoken.day(newest.made_on)}.",
            )
        )
    return found


def _carried_over(standing: PatientFacts) -> list[Reason]:
    last = standing.last_review
    if last is None:
        return []
    if last.outcome in UNRESOLVED:
        # Somebody still not heard from is not looked at more closely for not having been reached.
        lane = Lane.NOT_HEARD_FROM if _unheard(standing) else Lane.LOOK_CLOSELY
        return [Reason(lane, f"Carried over: could not be reached on {spoken.day(last.signed_on)}.")]
    if last.next_look is not None and last.next_look <= standing.today:
        return [Reason(Lane.LOOK_CLOSELY, f"Another look was planned for {spoken.day(last.next_look)}.")]
    return []


def _unheard(standing: PatientFacts) -> list[Reason]:
    lane = Lane.NOT_HEARD_FROM
    if standing.trouble:
        return []
    if standing.pause is not None:
        return [Reason(lane, _paused(standing.pause))]
    if not standing.has_plan:
        return [Reason(lane, "Nothing is planned for this patient, so no reading is asked for.")]
    if standing.last_reading_on is None:
        diary = f"; last diary on {spoken.day(standing.last_diary_on)}" if standing.last_diary_on else ""
        return [Reason(lane, f"No reading yet since enrolment on {spoken.day(standing.enrolled_on)}{diary}.")]
    if standing.silent_for >= standing.silent_days and standing.silence is not None:
        return [Reason(lane, silence_sentence(standing.silence, standing.last_reading_on))]
    if not standing.adherence.expected and not standing.adherence.received:
        return [
            Reason(lane, f"Nothing was expected in these 30 days; last reading {spoken.day(standing.last_reading_on)}.")
        ]
    return []


def _unknown(standing: PatientFacts) -> list[Reason]:
    """Without a reference a rise cannot be seen; that is a reason to look, not a calm patient."""
    if standing.trouble or standing.last_reading_on is None or standing.reference is not None:
        return []
    return [Reason(Lane.LOOK_CLOSELY, "Too few readings yet to know this patient's own reference.")]


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
CAUSES = {
    SilenceCause.NOT_ASKED: "we did not ask",
    SilenceCause.NOT_DELIVERED: "our messages did not arrive",
    SilenceCause.NO_REPLY: "asked, and no reply",
    SilenceCause.DIARY_ONLY: "the diary came, but no reading",
}
PAUSES = {PauseCause.IN_HOSPITAL: "In hospital", PauseCause.AWAY: "Away", PauseCause.EQUIPMENT: "Equipment trouble"}


def silence_sentence(silence: SilenceNow, last_reading_on: date | None) -> str:
    """`No reading for 4 days (last on 20 November): asked, and no reply.`"""
    last = f" (last on {spoken.day(last_reading_on)})" if last_reading_on else ""
    return f"No reading for {spoken.count(silence.missed, 'planned day')}{last}: {CAUSES[silence.cause]}."


def _paused(pause: PauseNow) -> str:
    until = f" to {spoken.day(pause.to_day)}" if pause.to_day else ", until told"
    return f"{PAUSES[pause.cause]} since {spoken.day(pause.from_day)}{until}: nothing is expected."


def settled(standing: PatientFacts) -> str:
    told = [f"{standing.adherence} readings in 30 days"]
    if standing.silent_for:
        told.append(f"none for {spoken.count(standing.silent_for, 'day')}")
    known = standing.picture_sentence or "No signal in what was received."
    return f"{known.rstrip('.')}; {'; '.join(told)}."


LANES = (Lane.CALL_TODAY, Lane.LOOK_CLOSELY, Lane.NOT_HEARD_FROM, Lane.SETTLED)
DAYS_BETWEEN_REVIEWS = 7


def week_of(today: date, review_weekday: int) -> date:
    """The first day of the review week that `today` is in: the newest `review_weekday` (0 is Monday)."""
    return today - timedelta(days=(today.weekday() - review_weekday) % DAYS_BETWEEN_REVIEWS)


def place(standing: PatientFacts) -> Placement:
    """The lane, the sentence why, and the key that orders the lane.

    Every reason is found; the most pressing lane wins, and its first reason is
    the sentence. Somebody with no reason at all is Settled, and the sentence says
    what is known, not that all is well.
    """
    reasons = [reason for rule in RULES for reason in rule(standing)]
    reasons.sort(key=lambda reason: (LANES.index(reason.lane), not reason.urgent))
    if not reasons:
        reasons = [Reason(Lane.SETTLED, settled(standing))]
    sentences = list(dict.fromkeys(reason.sentence for reason in reasons))
    return Placement(
        standing.patient_id,
        reasons[0].lane,
        sentences[0],
        tuple(sentences[1:]),
        _order(standing, urgent=reasons[0].urgent),
    )


def _order(standing: PatientFacts, *, urgent: bool) -> tuple[float, ...]:
    soon = float("inf") if standing.days_to_limit is None else standing.days_to_limit
    return (0.0 if urgent else 1.0, soon, -abs(standing.size), -float(standing.silent_for))


NAMES = {
    "pa_diastolic": ("PA diastolic", "mmHg"),
    "pa_mean": ("PA mean", "mmHg"),
    "pa_systolic": ("PA systolic", "mmHg"),
    "heart_rate": ("heart rate", "/min"),
    "weight_kg": ("weight", "kg"),
    "breathlessness": ("breathlessness", ""),
    "extra_pillows": ("extra pillows", ""),
    "woke_breathless": ("woken breathless", ""),
    "swelling": ("swelling", ""),
    "light_headed": ("light-headed", ""),
    "tiredness": ("tiredness", ""),
    "missed_medicines": ("missed medicines", ""),
    "safety_signs": ("safety answer", ""),
    "note": ("note", ""),
}


@dataclass(frozen=True, slots=True)
class Amendment:
    """One day that reads differently now."""

    day: date
    sentence: str


def amendments(seen: Sequence[Day], known: Sequence[Day]) -> list[Amendment]:
    """Each signed day whose data is no longer what was seen. Days that were not seen are no amendment."""
    now = {day.day: day for day in known}
    found = []
    for then in seen:
        today = now.get(then.day)
        if today is not None and (told := _told(then, today)):
            found.append(Amendment(then.day, f"{spoken.day(then.day)}: {'; '.join(told)}."))
    return found


def _told(then: Day, now: Day) -> list[str]:
    told: list[str] = []
    if not then.readings and now.readings:
        told.append(f"a reading came late, PA diastolic {_said(now.pa_diastolic, 'mmHg')}")
    elif then.readings and not now.readings:
        told.append(f"the reading (PA diastolic {_said(then.pa_diastolic, 'mmHg')}) was withdrawn")
    if not then.checkin and now.checkin:
        told.append("a check-in came late")
    for name, (word, unit) in NAMES.items():
        was, is_now = getattr(then, name), getattr(now, name)
        arrived = (name.startswith(("pa_", "heart")) and not (then.readings and now.readings)) or (
            not name.startswith(("pa_", "heart")) and not then.checkin and not is_now
        )
        if was != is_now and not arrived:
            told.append(f"{word} was {_said(was, unit)}, now {_said(is_now, unit)}")
    if then.pause != now.pause:
        told.append("a pause was recorded" if now.pause else "a pause was taken back")
    elif then.window is not now.window and then.window is not WindowState.OPEN and now.window is WindowState.EXCUSED:
        told.append("the day was excused")
    return told


def _said(value: object, unit: str) -> str:
    if value is None or value == () or value == "":
        return "not given"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{spoken.figure(value)} {unit}".strip()
    if isinstance(value, tuple):
        return spoken.listed([str(item).replace("_", " ") for item in value])
    return str(value)
