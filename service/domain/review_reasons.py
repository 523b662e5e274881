"""Every reason for which a patient is not simply Settled: each a rule, each a sentence.

Promises that a rule looks at one standing and says every reason it finds, in
words that stand alone; and that no sentence says that all is well or advises a
dose. What the lanes make of the reasons is `domain.review`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

from service.domain import spoken
from service.domain.review_facts import PauseNow, Raised, SilenceNow, Standing, Why
from service.domain.signals_facts import Picture
from service.domain.vocabulary import Lane, Outcome, PauseCause, Response, SignalKind, SilenceCause, TaskKind

DAYS_SHOWN = 30
UNRESOLVED = frozenset({Outcome.NOT_REACHED})

# --- the rules, most pressing first --------------------------------------------------

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


def _tasks(standing: Standing) -> list[Why]:
    """Open tasks, but for those that a fuller sentence tells below; of limits only the newest day's."""
    newest = {task.kind: task for task in standing.tasks}
    holding = {_LIMIT_TASKS.get(signal.kind) for signal in standing.signals if not signal.ended}
    return [
        Why(_TASKS[task.kind], task.sentence, task.kind is TaskKind.SAFETY_ANSWER)
        for task in standing.tasks
        if not (task.kind in _LIMIT_TASKS.values() and (task.kind in holding or task is not newest[task.kind]))
        and not (task.kind is TaskKind.SILENT and _unheard(standing))
    ]


def _trouble(standing: Standing) -> list[Why]:
    told = "This patient's data could not be worked out: look at the readings one by one, and tell the operator."
    return [Why(Lane.LOOK_CLOSELY, told)] if standing.trouble else []


def _picture(standing: Standing) -> list[Why]:
    """What pressure, diary and silence say together; Settled and Not heard from have sentences of their own."""
    if standing.picture_lane is None or standing.picture_lane in {Lane.SETTLED, Lane.NOT_HEARD_FROM}:
        return []
    if standing.picture is Picture.SAFETY_ANSWER and _has(standing, TaskKind.SAFETY_ANSWER):
        return []  # its own task says it already: two sentences would read as two events
    return [Why(standing.picture_lane, standing.picture_sentence, standing.picture is Picture.SAFETY_ANSWER)]


def _limits(standing: Standing) -> list[Why]:
    """A limit that is passed comes before where the pressure may be going."""
    return [
        Why(Lane.CALL_TODAY, signal.sentence)
        for signal in standing.signals
        if not signal.ended and signal.kind in _LIMIT_TASKS
    ]


def _signals(standing: Standing) -> list[Why]:
    return [why for signal in standing.signals if (why := _signal(signal, standing)) is not None]


def _signal(signal: Raised, standing: Standing) -> Why | None:
    sentence = signal.sentence
    if signal.kind is SignalKind.SAFETY_ANSWER and _has(standing, TaskKind.SAFETY_ANSWER):
        return None  # its own task says it already
    if signal.ended:
        return Why(Lane.LOOK_CLOSELY, f"{sentence.rstrip('.')} (no longer so, not yet seen by anyone).")
    if signal.kind in _LIMIT_TASKS:
        return None  # told before
    if signal.kind is SignalKind.SAFETY_ANSWER:
        told = standing.picture is Picture.SAFETY_ANSWER
        return None if told else Why(Lane.CALL_TODAY, sentence, urgent=True)
    if standing.picture not in {None, Picture.QUIET, Picture.SILENT}:
        return None  # the picture's sentence rests on it
    if signal.kind is SignalKind.SILENT:
        told = standing.silent_for >= standing.silent_days  # by its own sentence, with the cause
        return None if told else Why(Lane.NOT_HEARD_FROM, sentence)
    return Why(Lane.LOOK_CLOSELY, sentence)


def _has(standing: Standing, kind: TaskKind) -> bool:
    return any(task.kind is kind for task in standing.tasks)


def _follow_ups(standing: Standing) -> list[Why]:
    found = []
    for made in standing.adjustments:
        if made.follow_up_on is not None and made.follow_up_on <= standing.today:
            late = (standing.today - made.follow_up_on).days
            when = "due today" if late == 0 else f"{spoken.count(late, 'day')} overdue"
            what = made.follow_up_what or "Follow-up"
            found.append(
                Why(
                    Lane.LOOK_CLOSELY,
                    spoken.sentence(f"{what} after the change of {spoken.day(made.made_on)} is {when}"),
                )
            )
    if standing.adjustments and standing.adjustments[0].response is Response.NOT_SETTLING:
        newest = standing.adjustments[0]
        found.append(
            Why(
                Lane.LOOK_CLOSELY,
                newest.response_sentence or f"Not settling since the change of {spoken.day(newest.made_on)}.",
            )
        )
    return found


def _carried_over(standing: Standing) -> list[Why]:
    last = standing.last_review
    if last is None:
        return []
    if last.outcome in UNRESOLVED:
        # Somebody still not heard from is not looked at more closely for not having been reached.
        lane = Lane.NOT_HEARD_FROM if _unheard(standing) else Lane.LOOK_CLOSELY
        return [Why(lane, f"Carried over: could not be reached on {spoken.day(last.signed_on)}.")]
    if last.next_look is not None and last.next_look <= standing.today:
        return [Why(Lane.LOOK_CLOSELY, f"Another look was planned for {spoken.day(last.next_look)}.")]
    return []


def _unheard(standing: Standing) -> list[Why]:
    lane = Lane.NOT_HEARD_FROM
    if standing.trouble:
        return []
    if standing.pause is not None:
        return [Why(lane, _paused(standing.pause))]
    if not standing.has_plan:
        return [Why(lane, "Nothing is planned for this patient, so no reading is asked for.")]
    if standing.last_reading_on is None:
        diary = f"; last diary on {spoken.day(standing.last_diary_on)}" if standing.last_diary_on else ""
        return [Why(lane, f"No reading yet since enrolment on {spoken.day(standing.enrolled_on)}{diary}.")]
    if standing.silent_for >= standing.silent_days and standing.silence is not None:
        return [Why(lane, silence_sentence(standing.silence, standing.last_reading_on))]
    if not standing.adherence.expected and not standing.adherence.received:
        return [
            Why(lane, f"Nothing was expected in these 30 days; last reading {spoken.day(standing.last_reading_on)}.")
        ]
    return []


def _unknown(standing: Standing) -> list[Why]:
    """Without a reference a rise cannot be seen; that is a reason to look, not a calm patient."""
    if standing.trouble or standing.last_reading_on is None or standing.reference is not None:
        return []
    return [Why(Lane.LOOK_CLOSELY, "Too few readings yet to know this patient's own reference.")]


RULES: Sequence[Callable[[Standing], list[Why]]] = (
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


# --- sentences -------------------------------------------------------------------------

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


def settled(standing: Standing) -> str:
    told = [f"{standing.adherence} readings in 30 days"]
    if standing.silent_for:
        told.append(f"none for {spoken.count(standing.silent_for, 'day')}")
    known = standing.picture_sentence or "No signal in what was received."
    return f"{known.rstrip('.')}; {'; '.join(told)}."
