"""Closer follow-up where it is needed, easier where it is not: the pace of one window's steps.

Promises that every departure from the clinic's own steps has a named reason and
happens when the window opens, so that it can be seen and does not move under
anybody's hands. Does not touch steps that staff have set for one patient: theirs is
the last word.

Why: readings fall off after an admission (rate ratio 0.81, Haynes) and in the first
two weeks (Murphy 2017). How much closer or easier is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from service.domain.vocabulary import Pace, StepKind
from service.domain.windows import WindowTimes

Frozen = tuple[int, StepKind, datetime]

CLOSER = frozenset({Pace.NEW_HERE, Pace.BACK_FROM_HOSPITAL})
FIRST_DAYS = timedelta(days=14)
LOOKED_AT = timedelta(days=28)
ENOUGH = 20  # windows, before anybody is called reliable
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


def choose(facts: PaceFacts) -> Pace | None:
    """The reason to depart from the clinic's usual follow-up; None keeps to it."""
    if facts.day - facts.enrolled_on < FIRST_DAYS:
        return Pace.NEW_HERE
    if facts.left_hospital_on is not None and facts.day - facts.left_hospital_on <= FIRST_DAYS:
        return Pace.BACK_FROM_HOSPITAL
    missed_lately = facts.last_missed is not None and facts.day - facts.last_missed <= WITHOUT_A_MISS
    if facts.expected >= ENOUGH and facts.answered >= RELIABLE * facts.expected and not missed_lately:
        return Pace.ANSWERS_RELIABLY
    return None


def adjusted(frozen: Sequence[Frozen], times: WindowTimes, pace: Pace | None) -> tuple[Frozen, ...]:
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


def sentence(pace: Pace) -> str:
    """What staff read beside a patient followed at this pace."""
    return _SENTENCES[pace]


def _moved(kind: StepKind, at: datetime, prompted: datetime, times: WindowTimes, pace: Pace) -> datetime:
    if kind is StepKind.REMINDER and pace in CLOSER:
        return min(at, max(times.opens_at + (at - times.opens_at) / 2, prompted + APART))
    if kind is StepKind.REMINDER and at < times.closes_at:
        return at + (times.closes_at - at) / 2
    if kind is StepKind.NUDGE and pace is Pace.ANSWERS_RELIABLY:
        return at + GRACE
    return at


_SENTENCES = {
    Pace.NEW_HERE: "Closer follow-up in the first two weeks: an earlier reminder, and you are told a day sooner.",
    Pace.BACK_FROM_HOSPITAL: "Closer follow-up for two weeks after a hospital stay: an earlier reminder, and you are"
    " told a day sooner.",
    Pace.ANSWERS_RELIABLY: "Easier follow-up, because nearly every day is answered: a later reminder, and the"
    " caregiver is asked an hour later.",
}
