"""Follow-up steps: prompt → reminder → caregiver nudge → clinic task, and their pace.

Promises that what is done about a window, and what is not, always has a named reason
that staff can read; and so has every departure from the clinic's own steps: closer where
it is needed, easier where it is not. Steps are frozen when a window opens: a clinic that
changes its steps changes tomorrow's windows, not today's. Does not send anything, and
does not touch steps that staff have set for one patient: theirs is the last word.

At most one prompt and one reminder a day, and three unanswered nudges in one silence: more is
nagging, and nagged people stop reading. While the silence lasts a caregiver is then asked once in
so many days, as the clinic is told again. Closer for the new and those back from hospital, since
readings fall off after an admission and in the first two weeks. The numbers are our own, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from typing import Any, Literal

from service.domain.plan import PlanRule, WindowFacts, WindowTimes, is_answered, missing
from service.domain.validation import Refused
from service.domain.vocabulary import Pace, StepKind

Anchor = Literal["opens", "due", "closes"]
ANCHORS: tuple[Anchor, ...] = ("opens", "due", "closes")

NIGHT_ENDS, NIGHT_BEGINS = time(6), time(21)  # for a prompt; our own, no source
LATEST_MINUTES = 2 * 24 * 60
# No more than one prompt and one reminder a day: more is nagging, and nagged people stop reading.
MOST = {StepKind.PROMPT: 1, StepKind.REMINDER: 1, StepKind.NUDGE: 3, StepKind.TASK: 1}
# Unanswered nudges in one silence after which the caregiver is asked less often and staff take over.
NUDGE_CAP = 3
# How long after its time a nudge still says something true and useful. Common practice, no source.
NUDGE_USEFUL = timedelta(hours=12)


@dataclass(frozen=True)
class StepRule:
    """What to do `after_minutes` past the window's opening, due time or closing."""

    kind: StepKind
    anchor: Anchor
    after_minutes: int


DEFAULT = (
    StepRule(StepKind.PROMPT, "opens", 0),
    StepRule(StepKind.REMINDER, "due", 0),
    StepRule(StepKind.NUDGE, "closes", 0),
    StepRule(StepKind.TASK, "closes", 0),
)


class StepAction(StrEnum):
    SEND = "send"
    RAISE_TASK = "raise_task"
    PASS = "pass"  # noqa: S105 - a word of ours, no password


class StepReason(StrEnum):
    """Why a step was done, or not. Stored with the step; staff read it."""

    ASKED = "asked"
    ASKED_CAREGIVER = "asked_caregiver"
    SILENT = "silent"
    ALREADY_ANSWERED = "already_answered"
    EXCUSED = "excused"
    NO_CONSENT = "no_consent"
    NO_CONTACT = "no_contact"
    NO_CAREGIVER = "no_caregiver"
    ACKNOWLEDGED = "acknowledged"
    NUDGE_CAP = "nudge_cap"
    SUPERSEDED = "superseded_by_later"
    STALE = "stale"
    NOT_SILENT_YET = "not_silent_yet"
    ALREADY_TOLD = "already_told"  # a task of this silence has been raised
    LOST = "lost"  # due in a time of which a restored backup knows nothing: it may have been taken


class Reach(StrEnum):
    """Whether the person a step speaks to can be reached."""

    YES = "yes"
    NO_CONSENT = "no_consent"
    NO_CONTACT = "no_contact"
    NOBODY = "nobody"  # no caregiver on record at all


@dataclass(frozen=True)
class StepFacts:
    """What is known when a step falls due."""

    kind: StepKind
    due_at: datetime
    closes_at: datetime
    window: WindowFacts
    reach: Reach
    later_is_due: bool = False  # a later step to the same person has fallen due as well
    acknowledged: bool = False  # a caregiver has answered about this window
    nudges: int = 0  # in this silence, since a caregiver last answered
    nudged_at: datetime | None = None  # the last of them
    missed: int = 0  # windows of the silence so far
    told: bool = False  # a task has been raised since its first date
    silent_days: int = 3
    again: timedelta = timedelta(days=3)  # how long after the last nudge one more may follow


@dataclass(frozen=True)
class Decision:
    action: StepAction
    reason: StepReason
    moves_up_next: bool = False  # the step was empty: do not wait for the next one's time
    tells_staff: bool = False


def decide(facts: StepFacts, now: datetime) -> Decision:
    """What to do about a step that is due at `now` (UTC), and why.

    An empty step (nobody to reach) is passed at once and said so: waiting for
    a contact that does not exist is how a silent patient goes unseen. A person
    who has not agreed to messages is a different matter: that is their choice,
    so nothing is hurried and nobody is alarmed.
    """
    if facts.window.paused:
        return Decision(StepAction.PASS, StepReason.EXCUSED)
    if _has_nothing_to_ask(facts):
        return Decision(StepAction.PASS, StepReason.ALREADY_ANSWERED)
    if facts.kind is StepKind.TASK:
        # The clinic's own step never goes stale: staff must hear of a silence however late we are.
        if facts.missed < facts.silent_days:
            return Decision(StepAction.PASS, StepReason.NOT_SILENT_YET)
        if facts.told:
            return Decision(StepAction.PASS, StepReason.ALREADY_TOLD)
        return Decision(StepAction.RAISE_TASK, StepReason.SILENT)
    if now >= useful_until(facts.kind, facts.due_at, facts.closes_at):
        return Decision(StepAction.PASS, StepReason.STALE)
    if facts.later_is_due:
        return Decision(StepAction.PASS, StepReason.SUPERSEDED)
    if facts.kind is StepKind.NUDGE:
        return _nudge(facts, now)
    if facts.reach is Reach.NO_CONSENT:
        return Decision(StepAction.PASS, StepReason.NO_CONSENT)
    if facts.reach is not Reach.YES:
        return Decision(StepAction.PASS, StepReason.NO_CONTACT, moves_up_next=True, tells_staff=True)
    return Decision(StepAction.SEND, StepReason.ASKED)


def moved_up_to(kind: StepKind, closes_at: datetime, now: datetime) -> datetime:
    """When a step is due whose predecessor was empty: now, but the clinic task not before the window ends.

    Taken earlier it would find nothing missed yet, and be spent.
    """
    return max(now, closes_at) if kind is StepKind.TASK else now


def useful_until(kind: StepKind, due_at: datetime, closes_at: datetime) -> datetime:
    """The instant from which a prompt, reminder or nudge would mislead rather than help."""
    if kind is StepKind.NUDGE:
        return due_at + NUDGE_USEFUL
    return closes_at


def expires_at(kind: StepKind, due_at: datetime, closes_at: datetime, quiet: timedelta) -> datetime:
    """When a message of this step must no longer be sent.

    A nudge that falls into the caregiver's quiet hours waits until they end, so
    the length of the clinic's `quiet` hours is added: it is put off, never lost.
    """
    until = useful_until(kind, due_at, closes_at)
    return until + quiet if kind is StepKind.NUDGE else until


def freeze(rules: Sequence[StepRule], times: WindowTimes) -> list[tuple[int, StepKind, datetime]]:
    """The steps of one window as (position, kind, due at in UTC), in the order they fall due."""
    anchors = {"opens": times.opens_at, "due": times.due_at, "closes": times.closes_at}
    due = [(anchors[rule.anchor] + timedelta(minutes=rule.after_minutes), rule.kind) for rule in rules]
    due.sort(key=lambda step: step[0])  # stable: rules with one instant keep the order they are written in
    return [(position, kind, at) for position, (at, kind) in enumerate(due)]


def prompted_at_night(rules: Sequence[StepRule], plan: PlanRule) -> time | None:
    """The wall time of a prompt that comes before 06:00 or after 21:00; None where none does.

    A mistyped hour must not wake somebody every night.
    """
    anchors = {"opens": plan.opens, "due": plan.due, "closes": plan.closes}
    for rule in rules:
        at = anchors[rule.anchor]
        minute = (at.hour * 60 + at.minute + rule.after_minutes) % (24 * 60)
        wall = time(minute // 60, minute % 60)
        if rule.kind is StepKind.PROMPT and (wall < NIGHT_ENDS or wall > NIGHT_BEGINS):
            return wall
    return None


def as_json(rules: Sequence[StepRule]) -> list[dict[str, Any]]:
    """The rules as plain values, for storage and the API."""
    return [{"kind": r.kind.value, "anchor": r.anchor, "after_minutes": r.after_minutes} for r in rules]


def from_json(given: object) -> tuple[StepRule, ...]:
    """Rules from plain values. Raises Refused naming the one that cannot be used.

    Exactly one clinic task, and last: a silence that never reaches staff is the
    failure this service exists to prevent.
    """
    if not isinstance(given, list | tuple):
        raise Refused("steps", given, "a list of steps")
    rules = tuple(_rule(f"steps.{place}", step) for place, step in enumerate(given))
    for kind, most in MOST.items():
        if sum(rule.kind is kind for rule in rules) > most:
            raise Refused("steps", kind.value, "at most %(most)s of this kind", most=most)
    if not any(rule.kind is StepKind.TASK for rule in rules):
        raise Refused("steps", [rule.kind.value for rule in rules], "steps that end with a clinic task")
    order = [list(StepKind).index(rule.kind) for rule in rules]
    if order != sorted(order):
        raise Refused("steps", [rule.kind.value for rule in rules], "in the order prompt, reminder, nudge, task")
    return rules


def _rule(field: str, given: object) -> StepRule:
    if not isinstance(given, dict) or set(given) != {"kind", "anchor", "after_minutes"}:
        raise Refused(field, given, "an object with kind, anchor and after_minutes")
    kind, anchor, after = given["kind"], given["anchor"], given["after_minutes"]
    if not isinstance(kind, str) or kind not in set(StepKind):
        raise Refused(f"{field}.kind", kind, "one of %(words)s", words=tuple(StepKind))
    if not isinstance(anchor, str) or anchor not in ANCHORS:
        raise Refused(f"{field}.anchor", anchor, "one of %(words)s", words=tuple(ANCHORS))
    if not isinstance(after, int) or isinstance(after, bool) or not 0 <= after <= LATEST_MINUTES:
        raise Refused(f"{field}.after_minutes", after, "whole minutes from 0 to %(most)s", most=LATEST_MINUTES)
    return StepRule(StepKind(kind), anchor, after)


def _has_nothing_to_ask(facts: StepFacts) -> bool:
    # The prompt asks for whatever has not come; what follows is about the deciding thing alone.
    if facts.kind is StepKind.PROMPT:
        return not missing(facts.window)
    return is_answered(facts.window)


def _nudge(facts: StepFacts, now: datetime) -> Decision:
    if facts.acknowledged:
        return Decision(StepAction.PASS, StepReason.ACKNOWLEDGED)
    rests = facts.nudged_at is not None and now - facts.nudged_at < facts.again
    if facts.nudges >= NUDGE_CAP and rests:
        return Decision(StepAction.PASS, StepReason.NUDGE_CAP, moves_up_next=True)
    if facts.reach is Reach.NOBODY:
        return Decision(StepAction.PASS, StepReason.NO_CAREGIVER, moves_up_next=True)
    if facts.reach is Reach.NO_CONSENT:
        return Decision(StepAction.PASS, StepReason.NO_CONSENT, moves_up_next=True)
    if facts.reach is Reach.NO_CONTACT:
        return Decision(StepAction.PASS, StepReason.NO_CONTACT, moves_up_next=True, tells_staff=True)
    return Decision(StepAction.SEND, StepReason.ASKED_CAREGIVER)


Frozen = tuple[int, StepKind, datetime]

CLOSER = frozenset({Pace.NEW_HERE, Pace.BACK_FROM_HOSPITAL})
FIRST_DAYS = timedelta(days=14)  # of the new; of those back from hospital as a start, which a clinic may set
LOOKED_AT = timedelta(days=28)
ENOUGH_WINDOWS = 20  # windows, before anybody is called reliable
RELIABLE = 0.9  # answered of expected
WITHOUT_A_MISS = timedelta(days=7)
APART = timedelta(minutes=15)  # a reminder on the heels of its prompt is nagging
GRACE = timedelta(hours=1)


@dataclass(frozen=True)
class PaceFacts:
    """What is known of a patient on the local date `day`, whose window opens."""

    day: date
    enrolled_on: date
    left_hospital_on: date | None = None  # last day of the newest stay that is over
    answered: int = 0  # reading windows of the last LOOKED_AT
    expected: int = 0
    last_missed: date | None = None
    closer_after_stay: timedelta = FIRST_DAYS  # the clinic's setting


def choose_pace(facts: PaceFacts) -> Pace | None:
    """The reason to depart from the clinic's usual follow-up; None keeps to it."""
    if facts.day - facts.enrolled_on < FIRST_DAYS:
        return Pace.NEW_HERE
    if facts.left_hospital_on is not None and facts.day - facts.left_hospital_on <= facts.closer_after_stay:
        return Pace.BACK_FROM_HOSPITAL
    missed_lately = facts.last_missed is not None and facts.day - facts.last_missed <= WITHOUT_A_MISS
    if facts.expected >= ENOUGH_WINDOWS and facts.answered >= RELIABLE * facts.expected and not missed_lately:
        return Pace.ANSWERS_RELIABLY
    return None


def at_pace(frozen: Sequence[Frozen], times: WindowTimes, pace: Pace | None) -> tuple[Frozen, ...]:
    """The steps at this pace, in the order they fall due.

    Closer: the reminder comes halfway between opening and its own time. Easier: it
    comes halfway between its own time and closing, and the caregiver is asked an hour
    later. The prompt and the clinic's own step keep their times.
    """
    if pace is None:
        return tuple(frozen)
    prompted = min((at for _, kind, at in frozen if kind is StepKind.PROMPT), default=times.opens_at)
    moved = [(kind, _moved(kind, at, prompted, times, pace)) for _, kind, at in frozen]
    moved.sort(key=lambda step: step[1])
    return tuple((position, kind, at) for position, (kind, at) in enumerate(moved))


def silent_days(days: int, pace: Pace | None) -> int:
    """Missed windows in a row before staff are told: one fewer where follow-up is closer."""
    return max(1, days - 1) if pace in CLOSER else days


def _moved(kind: StepKind, at: datetime, prompted: datetime, times: WindowTimes, pace: Pace) -> datetime:
    if kind is StepKind.REMINDER and pace in CLOSER:
        return min(at, max(times.opens_at + (at - times.opens_at) / 2, prompted + APART))
    if kind is StepKind.REMINDER and at < times.closes_at:
        return at + (times.closes_at - at) / 2
    if kind is StepKind.NUDGE and pace is Pace.ANSWERS_RELIABLY:
        return at + GRACE
    return at
